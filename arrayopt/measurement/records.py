"""What a builder has measured, one record a file, in SI units."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from arrayopt.quantities import Array


@dataclass(frozen=True)
class Scan:
    """Flux density along a circle round (or in) the rotor.

    Attributes
    ----------
    path : str
        File that it was read from, as messages show it.
    skipped : int
        Rows without a reading.
    angle : ndarray, shape (n,)
        Of the probe, in the file's order and of any start, mechanical [rad].
    flux : ndarray, shape (n,)
        Radial flux density, positive outwards from the shaft [T].
    radius : float or None
        Of the probe [m].
    height : float
        Of the probe from the middle of the magnets' length [m].
    start : str
        Where angle zero is: ``magnet 1`` or ``unknown``.
    clockwise : bool
        Whether angles grow clockwise, seen from the open side of the carrier.
    stator : str
        ``absent`` round the rotor by itself, ``in place`` with the probe in the airgap.

    """

    path: str
    skipped: int
    angle: Array
    flux: Array
    radius: float | None = None
    height: float = 0.0
    start: Literal["magnet 1", "unknown"] = "magnet 1"
    clockwise: bool = False
    stator: Literal["absent", "in place"] = "absent"


@dataclass(frozen=True)
class Emf:
    """Back-EMF of the leads while the shaft is turned.

    Attributes
    ----------
    path : str
        File that it was read from, as messages show it.
    skipped : int
        Rows in which no lead has a reading; they are left out.
    volts : dict of str to ndarray, shape (n,)
        By lead: ``a``, ``b``, ``c`` from phase to star point (or the phase of a delta),
        ``ab``, ``bc``, ``ca`` from line to line; nan where that lead was not read [V].
    angle : ndarray, shape (n,), or None
        Of the shaft, in the file's order, mechanical [rad].
    time : ndarray, shape (n,), or None
        Increasing [s]; there is either an angle or a time.
    speed : float or None
        Of the shaft, mechanical [rad/s]; always there with an angle.

    """

    path: str
    skipped: int
    volts: dict[str, Array]
    angle: Array | None = None
    time: Array | None = None
    speed: float | None = None


@dataclass(frozen=True)
class Cogging:
    """Torque without current.

    Attributes
    ----------
    path : str
        File that it was read from, as messages show it.
    skipped : int
        Rows without a reading.
    angle : ndarray, shape (n,)
        Of the shaft, in the file's order, mechanical [rad].
    torque : ndarray, shape (n,)
        [N m].

    """

    path: str
    skipped: int
    angle: Array
    torque: Array


@dataclass(frozen=True)
class HeatRun:
    """Warming of the winding by a steady current.

    Attributes
    ----------
    path : str
        File that it was read from, as messages show it.
    skipped : int
        Rows without a reading; they are left out.
    time : ndarray, shape (n,)
        Increasing [s].
    winding : ndarray, shape (n,), or None
        Temperature [degC]; nan where only the resistance was read.
    resistance : ndarray, shape (n,), or None
        Line to line [ohm]; nan where only the temperature was read.
    current : float
        Of a phase, rms [A].
    ambient : float or None
        Temperature of the room [degC].

    """

    path: str
    skipped: int
    time: Array
    winding: Array | None
    resistance: Array | None
    current: float
    ambient: float | None = None


@dataclass(frozen=True)
class Loose:
    """Readings of loose magnets.

    Attributes
    ----------
    path : str
        File that it was read from, as messages show it.
    skipped : int
        Rows without a reading; they are left out.
    labels : tuple of str
        One a magnet.
    families : tuple of str
        Which kind of magnet each is (main, transverse, ...); empty where not said.
    values : ndarray, shape (n,)
        [T].
    kind : str
        ``reading`` of a probe before the middle of the face, or ``remanence``.
    distance : float or None
        Of the probe above the face [m]; None is the usual one.

    """

    path: str
    skipped: int
    labels: tuple[str, ...]
    families: tuple[str, ...]
    values: Array
    kind: Literal["reading", "remanence"]
    distance: float | None = None


@dataclass(frozen=True)
class Sheet:
    """A bench sheet that was filled in.

    Attributes
    ----------
    path : str
        File that it was read from, as messages show it.
    skipped : int
        Rows with a key and nothing found.
    found : dict of str to float
        What was found by key of the reading, in the unit of its row.
    units : dict of str to str
        Unit by key, as the sheet says it; empty where it says none.
    lines : dict of str to int
        Line of the file by key.

    """

    path: str
    skipped: int
    found: dict[str, float]
    units: dict[str, str] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)


Measured = Scan | Emf | Cogging | HeatRun | Loose | Sheet
