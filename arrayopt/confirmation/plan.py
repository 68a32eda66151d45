"""Which positions and currents a confirmation solves."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass
from math import gcd, pi
from typing import Any

import numpy as np

from arrayopt.machine import cogging_periods, like_poles, winding_of
from arrayopt.quantities import Array
from arrayopt.study import Study

NO_LOAD, A_TURN = 16, 96  # least positions over one cogging period, and an electrical turn
LEVELS = 6  # currents up to the peak
LOADED = (8, 9, 11, 13)  # positions over the torque's period below the peak; see `loaded_count`
AT_PEAK = 24
IDEAL = 6
JUDGED = 6  # positions for the magnets' reverse field
_BATCH = 4  # positions of a task


@dataclass(frozen=True)
class Position:
    """Rotor and currents.

    Attributes
    ----------
    turn : float
        Of the rotor from where phase A links most, mechanical [rad].
    electrical : float
        Angle that the currents follow [rad]; that of the rotor unless its rows are skewed.
    direct, quadrature : float
        Amplitudes of the phase currents [A].

    """

    turn: float
    electrical: float = 0.0
    direct: float = 0.0
    quadrature: float = 0.0


@dataclass(frozen=True)
class Task:
    """Positions of one motor that are solved together.

    Attributes
    ----------
    name : str
        What it is part of.
    study : str
        As JSON.
    remanence, size : float
        Scales of the magnets' remanence and of the mesh.
    positions : tuple of Position
    saturates : bool
    wants : tuple of str
        What to read besides torque and linkages: ``no load``, ``inductances``, ``reverse``,
        ``map``.

    """

    name: str
    study: str
    remanence: float
    size: float
    positions: tuple[Position, ...]
    saturates: bool = True
    wants: tuple[str, ...] = ()

    @property
    def key(self) -> str:
        """What tells it from all other tasks of all studies."""
        return hashlib.sha256(repr(asdict(self)).encode()).hexdigest()


def tasks(name: str, positions: list[Position], **what: Any) -> list[Task]:
    """Cut positions into tasks."""
    return [
        Task(name=name, positions=tuple(positions[i : i + _BATCH]), **what)
        for i in range(0, len(positions), _BATCH)
    ]


@dataclass(frozen=True)
class Periods:
    """Periods of a motor's waveforms, mechanical [rad].

    Attributes
    ----------
    cogging : float
    torque : float
        With sinusoidal currents that follow the rotor.
    shift : int
        Slots that the field moves on by when the rotor turns by one cogging period.
    sign : int
        Sign that the field takes then.

    """

    cogging: float
    torque: float
    shift: int
    sign: int


def periods(study: Study) -> Periods:
    """Return the periods that slots, poles and phases give a motor.

    Where a pole pair's two poles differ, as with an odd number of magnets, they count as one.
    """
    Q, p = study.stator.slots, study.rotor.pole_pairs
    alike = study.rotor.magnets_per_pole_pair % 2 == 0
    poles = like_poles(study)
    count = cogging_periods(slots=Q, poles=poles)
    # Turned by a cogging period less whole slots the rotor must be whole poles further.
    shift = next(s for s in range(Q) if (1 - s * (count // Q)) % (count // poles) == 0)
    moved = (1 - shift * (count // Q)) // (count // poles)
    sign = -1 if alike and moved % 2 else 1
    # Phases swap every sixth of an electrical turn, every third where poles differ or coils of
    # one sense have no partner half a turn away.
    sixth = alike and (winding_of(study).layers == 2 or (Q // gcd(Q, p)) % 4 == 0)
    return Periods(2 * pi / count, 2 * pi / p / (6 if sixth else 3), shift, sign)


def row_offsets(study: Study) -> Array:
    """Angles of the rotor's rows against their middle [rad]."""
    rows = study.rotor.skew_steps
    return np.asarray((np.arange(rows) - (rows - 1) / 2) * np.radians(study.rotor.skew_step_deg))


def loaded_count(study: Study) -> int:
    """Positions whose mean torque is free of cogging: no divisor shared with its periods."""
    found = periods(study)
    cogging = round(found.torque / found.cogging)
    return next((n for n in LOADED if gcd(n, cogging) == 1), LOADED[-1])


def no_load_count(study: Study) -> int:
    """Positions over one cogging period: enough for cogging and for the back-EMF's harmonics."""
    cogging = round(2 * pi / study.rotor.pole_pairs / periods(study).cogging)
    return max(NO_LOAD, -(-A_TURN // cogging))


def even(period: float, count: int) -> Array:
    """Angles spread over a period from its beginning."""
    return np.asarray(np.arange(count) * period / count)


def with_rows(study: Study, turns: Array, *, quadrature: float) -> list[Position]:
    """Positions of every row of magnets, row by row, with the current that the rotor asks for."""
    p = study.rotor.pole_pairs
    return [
        Position(float(turn + offset), float(p * turn), 0.0, quadrature)
        for offset in row_offsets(study)
        for turn in turns
    ]
