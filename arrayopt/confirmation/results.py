"""What a confirmation found: waveforms, curves and figures, put together from solved positions."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from typing import Any

import numpy as np
import xarray as xr

from arrayopt.confirmation.compared import Compared, compared, verdict
from arrayopt.confirmation.iron_loss import PARTS, loss_by_part
from arrayopt.confirmation.plan import LEVELS, Task, periods, row_offsets
from arrayopt.confirmation.scale import Scale
from arrayopt.confirmation.sheet import Sheet
from arrayopt.confirmation.waveforms import (
    crossing,
    derivative,
    fundamental,
    over_turn,
    spread_over_rows,
)
from arrayopt.confirmation.windings import coil_sides
from arrayopt.layout import build_layout
from arrayopt.quantities import RPM, Array
from arrayopt.study import Study

IRON = ("tooth", "tip", "yoke", "ring")  # as `Reader.peaks` gives them
LOST = (0.05, 0.10)  # shares of torque whose current is told
_SPEED = 1000 * RPM  # rad/s that iron loss is told at where a study has no speed


@dataclass(frozen=True)
class Solved:
    """Tasks and their results, in order."""

    planned: list[Task]
    found: list[dict[str, Array]]

    def of(self, name: str) -> dict[str, Array]:
        """Results of all tasks of a name, along the position."""
        parts = [
            result
            for task, result in zip(self.planned, self.found, strict=True)
            if task.name == name
        ]
        return {key: np.concatenate([part[key] for part in parts]) for key in parts[0]}

    def names(self) -> tuple[str, ...]:
        """Names of the tasks."""
        return tuple(dict.fromkeys(task.name for task in self.planned))


@dataclass(frozen=True)
class Confirmation:
    """A design by finite elements, beside the fast model.

    Attributes
    ----------
    study, whole : Study
        As given, and with the iron that it does not say.
    assumed : tuple of str
        What was assumed of it.
    scale : Scale
        End factor applied.
    fast : xarray.Dataset
        Figures of the fast model.
    figures : dict of str to float
        By name, SI units; `arrayopt.export.confirm_tables.confirm_json` says what each is.
    curves : xarray.Dataset
        No load along ``angle`` (one electrical turn): ``linkage``, ``phase_emf``, ``line_emf``;
        along ``cogging_angle`` (one cogging period): ``cogging``, ``cogging_by_energy``,
        ``cogging_by_stress``; with a current along ``current``: ``torque``, ``constant_lost``
        (torque per ampere below that of no load); along ``turn`` (one period of the torque):
        ``torque_at_peak``.
    compared : tuple of Compared
        Fast model and finite elements, line by line.
    verdict : tuple of str
        What agrees, or which assumption failed and what to change.
    agrees, loses : bool
        Flux and torque are alike; more of the magnets is lost than the study's limit.
    maps : dict of str to Map
        Field of the sector at no load, and at peak current where there is one.
    demagnetised : ndarray, shape (point, 4)
        Points of the sector's magnets, x, y [m] in the rotor's frame, the worst reverse field
        over what the grade bears, and the magnet's place on the ring.

    Examples
    --------
    >>> from arrayopt import confirm, load_study
    >>> study = load_study("studies/wrist/study.toml")
    >>> found = confirm(study, size=6)  # a coarse mesh, quick
    >>> found.assumed
    ('stator.yoke_mm is not given: iron behind the winding never saturates',)
    >>> linkage = found.compared[0]
    >>> linkage.name, linkage.unit, abs(linkage.difference) < 3  # percent
    ('Flux linkage of a phase, peak', 'mWb', True)
    >>> f"{found.figures['linkage'] * 1e3 / linkage.elements:.3f}"  # the same, in Wb
    '1.000'
    >>> dict(found.curves.torque.sizes), bool((found.curves.torque.diff("current") > 0).all())
    ({'current': 7}, True)
    """

    study: Study
    whole: Study
    assumed: tuple[str, ...]
    scale: Scale
    fast: xr.Dataset
    figures: dict[str, float]
    curves: xr.Dataset
    compared: tuple[Compared, ...]
    verdict: tuple[str, ...]
    agrees: bool
    loses: bool
    maps: dict[str, dict[str, Array]]
    demagnetised: Array


def put_together(
    *,
    study: Study,
    whole: Study,
    assumed: tuple[str, ...],
    figures: xr.Dataset,
    scale: Scale,
    current: float,
    solved: Solved,
) -> Confirmation:
    """Return what solved positions say together."""
    no_load, curves = _no_load(whole, scale, solved.of("no load"))
    ideal = float(solved.of("ideal")["direct"].mean()) * scale.length
    no_load["ideal_linkage"] = ideal * _rows_share(whole)
    if whole.stator.kind == "slotted" and not whole.stator.slot_opening_mm:
        # Iron that never saturates would bridge closed slots: no reference for what is lost.
        no_load["ideal_linkage"] = np.nan
    no_load["flux_loss"] = 1 - no_load["linkage"] / no_load["ideal_linkage"]
    if not isnan(current):
        more, loaded = _loaded(whole, scale, solved, current, no_load)
        no_load |= more
        curves = curves.merge(loaded)
    share, points = _magnets(whole, figures, solved)
    no_load["demagnetised"] = share
    rows = compared(whole, figures, no_load, current=current)
    lines, agrees = verdict(whole, figures, no_load, rows)
    maps = {
        name.removeprefix("map "): _map(solved.of(name))
        for name in solved.names()
        if name.startswith("map ")
    }
    limit = whole.limits.demagnetised_percent / 100
    return Confirmation(
        study=study, whole=whole, assumed=assumed, scale=scale, fast=figures, figures=no_load,
        curves=curves, compared=rows, verdict=lines, agrees=agrees, loses=share > limit,
        maps=maps, demagnetised=points,
    )  # fmt: skip


def _no_load(
    study: Study, scale: Scale, found: dict[str, Array]
) -> tuple[dict[str, float], xr.Dataset]:
    period, p = periods(study), study.rotor.pole_pairs
    length = scale.length
    # Half slots at all positions of an electrical turn, from those of one cogging period.
    sides = over_turn(study, found["half_slots"])
    linkages = sides @ coil_sides(study) * length
    linkages = spread_over_rows(linkages, p * row_offsets(study), waves=1)
    emf = p * derivative(linkages)
    delta = study.winding.connection == "delta"
    line = emf[:, 0] - emf.mean(axis=1) if delta else emf[:, 0] - emf[:, 1]
    angle = np.arange(len(linkages)) * 2 * np.pi / len(linkages)
    turn = np.arange(len(found["torque"])) * period.cogging / len(found["torque"])
    offsets = row_offsets(study) * 2 * np.pi / period.cogging
    slope = 2 * np.pi / period.cogging
    cogging = {
        "cogging": found["torque"],
        "cogging_by_energy": -slope * derivative(found["energy"]),
        "cogging_by_stress": found["stress"],
    }
    cogging = {
        name: spread_over_rows(wave, offsets, waves=1) * length for name, wave in cogging.items()
    }
    speed = _speed(study)
    sheet = Sheet(tuple(found["sheet_parts"][0].tolist()), found["sheet_areas"][0])
    losses = loss_by_part(study, found["iron"], sheet, speed=speed, length=length)
    direct, quadrature = found["inductances"].mean(axis=0) * scale.stack
    peaks = _greatest(found["peaks"], "")
    values = {
        "linkage": float(np.abs(fundamental(linkages[:, 0]))),
        "line_emf": float(np.abs(line).max()),
        "distortion": _distortion(emf[:, 0]),
        "cogging": float(np.ptp(cogging["cogging"])),
        "cogging_mean": float(cogging["cogging"].mean()),
        "cogging_energy_difference": _apart(cogging["cogging"], cogging["cogging_by_energy"]),
        "cogging_stress_difference": _apart(cogging["cogging"], cogging["cogging_by_stress"]),
        "cogging_periods": round(2 * np.pi / period.cogging),
        "inductance_direct": float(direct),
        "inductance_quadrature": float(quadrature),
        **peaks, "speed": speed,
        **{f"loss_{part}": losses[part] for part in PARTS},
        "iron_loss": sum(losses.values()),
    }  # fmt: skip
    dataset = xr.Dataset(
        {
            "linkage": ("angle", linkages[:, 0], _named("Wb", "Flux linkage of phase A, no load")),
            "phase_emf": ("angle", -emf[:, 0], _named("V s/rad", "Phase back-EMF")),
            "line_emf": ("angle", -line, _named("V s/rad", "Line-to-line back-EMF")),
            **{
                name: ("cogging_angle", wave, _named("N m", _COGGING[name]))
                for name, wave in cogging.items()
            },
        },
        coords={
            "angle": ("angle", angle, _named("rad", "Electrical angle")),
            "cogging_angle": ("cogging_angle", turn, _named("rad", "Rotor angle, mechanical")),
        },
    )
    return values, dataset


_COGGING = {
    "cogging": "Cogging torque",
    "cogging_by_energy": "Cogging torque as the derivative of energy",
    "cogging_by_stress": "Cogging torque by stress, mean over the meshed gap",
}


def _loaded(
    study: Study, scale: Scale, solved: Solved, current: float, known: dict[str, float]
) -> tuple[dict[str, float], xr.Dataset]:
    rows = study.rotor.skew_steps
    length, p = scale.length, study.rotor.pole_pairs
    currents, torques = [0.0], [0.0]
    for level in range(1, LEVELS + 1):
        found = solved.of(f"load {level}")
        waveform = found["torque"].reshape(rows, -1).mean(axis=0) * length
        currents.append(current * level / LEVELS)
        torques.append(float(waveform.mean()))
    last = found
    constant = 1.5 * p * known["linkage"]
    amps, torque = np.array(currents), np.array(torques)
    lost = np.append(0.0, 1 - torque[1:] / (constant * amps[1:]))
    turn = np.arange(len(waveform)) * periods(study).torque / len(waveform)
    direct, quadrature = last["inductances"].mean(axis=0) * scale.stack
    peaks = _greatest(last["peaks"], "_peak")
    values = {
        "torque_constant": constant,
        "peak_current": current,
        "peak_torque": torques[-1],
        "torque_by_linkage": float(last["crossed"].mean()) * length,
        "ripple": float(np.ptp(waveform) / abs(waveform.mean())) if waveform.mean() else np.nan,
        "torque_lost": 1 - torques[-1] / (1.5 * p * known["ideal_linkage"] * current),
        "inductance_direct_peak": float(direct),
        "inductance_quadrature_peak": float(quadrature),
        **peaks,
        **{f"current_lost_{share * 100:g}": crossing(amps, lost, share) for share in LOST},
    }  # fmt: skip
    return values, xr.Dataset(
        {
            "torque": ("current", torque, _named("N m", "Mean torque")),
            "constant_lost": ("current", lost, _named("1", "Torque per ampere below no load's")),
            "torque_at_peak": ("turn", waveform, _named("N m", "Torque at peak current")),
        },
        coords={
            "current": ("current", amps, _named("A", "Phase current, amplitude")),
            "turn": ("turn", turn, _named("rad", "Rotor angle, mechanical")),
        },
    )


def judged_temperatures(figures: xr.Dataset) -> list[float]:
    """Return the temperatures [C] that some family of magnets is judged at."""
    return sorted(set(figures["judged_at"].values.tolist()))


def _magnets(study: Study, figures: xr.Dataset, solved: Solved) -> tuple[float, Array]:
    """Share of the magnets' area past what their grades bear, and where."""
    layout = build_layout(study)
    parts: list[Array] = []
    for name in solved.names():
        if not name.startswith("magnets "):
            continue
        temperature = judged_temperatures(figures)[int(name.removeprefix("magnets "))]
        found = solved.of(name)
        x, y, weight, family, magnet = found["points"][0]
        field = found["reverse"].max(axis=0)
        for i, grades in enumerate(layout.grades):
            if float(figures["judged_at"][i]) != temperature:
                continue
            limit = grades[0].reverse_limit(temperature)
            own = family == i
            parts.append(np.array([x[own], y[own], field[own] / limit, magnet[own], weight[own]]))
    every = np.hstack(parts)
    beyond = every[4][every[2] > 1].sum() / every[4].sum()
    return float(beyond), every[:4].T


def _map(found: dict[str, Array]) -> dict[str, Array]:
    return {
        name.removeprefix("map_"): value[0]
        for name, value in found.items()
        if name.startswith("map_")
    }


def _rows_share(study: Study) -> float:
    """Share of the fundamental's linkage that rows turned against each other keep."""
    return float(np.cos(study.rotor.pole_pairs * row_offsets(study)).mean())


def _greatest(peaks: Array, suffix: str) -> dict[str, float]:
    return {
        f"{part}{suffix}": float(value) for part, value in zip(IRON, peaks.max(axis=0), strict=True)
    }


def _distortion(wave: Array) -> float:
    spectrum = np.abs(np.fft.rfft(wave))
    return float(np.sqrt((spectrum[2:] ** 2).sum()) / spectrum[1]) if spectrum[1] else np.nan


def _apart(one: Array, other: Array) -> float:
    """Greatest difference of two waveforms over the first one's extent."""
    extent = float(np.ptp(one))
    return float(np.abs(one - other).max()) / extent if extent else 0.0


def _speed(study: Study) -> float:
    """Speed that iron loss is told at [rad/s]."""
    given = study.heat.speed_rpm if study.heat else 0.0
    return given * RPM if given else _SPEED


def _named(unit: str, text: str) -> dict[str, Any]:
    return {"units": unit, "long_name": text}
