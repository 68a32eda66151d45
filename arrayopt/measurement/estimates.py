"""What several readings say together: remanence, airgap, the probe's gain, the winding's copper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from arrayopt.measurement.instruments import GAUSSMETER, VOLTMETER
from arrayopt.quantities import MM
from arrayopt.scatter.outcomes import outcomes, together
from arrayopt.scatter.sources import Drawn, Ring, batch_centres, deviation_of
from arrayopt.study import Study

_RESOLVED = 0.003  # of a reading: nobody reads better
_COPPER = 0.05  # of the length of wire in a coil against the estimate (common practice)
_LEAST = {"remanence": 0.01, "airgap": 0.02 * MM}
_INFORMED = 0.8  # share of the first uncertainty that readings must leave to have measured it
_APART = 0.5  # the same of remanence and airgap, which one reading of the flux makes look known
_SURE = 2.5  # standard deviations that an estimate may be from what the tolerances expect
UNKNOWNS = ("remanence", "airgap", "probe", "copper", "meter")


@dataclass(frozen=True)
class Reading:
    """One number that was measured, beside what the study expects.

    Attributes
    ----------
    key, label, unit, source : str
        The source is the file.
    found, expected, low, high : float
        In `unit`; the band is that of the study's tolerances.
    uncertainty : float
        Standard, of the measurement, over the expected value.
    depends : dict of str to float
        Relative change by each of `UNKNOWNS`; nothing where it estimates none.
    factor : float
        What magnets found wrong leave of the expected value.
    judged : bool
        False where more than the band may be right: what is expected is a part of it.

    """

    key: str
    label: str
    unit: str
    source: str
    found: float
    expected: float
    low: float
    high: float
    uncertainty: float
    depends: dict[str, float]
    factor: float = 1.0
    judged: bool = True

    @property
    def agrees(self) -> bool | None:
        """Within the band, two standard uncertainties wider on either side.

        None of a reading past its band that is not judged.
        """
        room = 2 * self.uncertainty * abs(self.expected)
        inside = bool(self.low - room <= self.found <= self.high + room)
        return inside if inside or self.judged else None


@dataclass(frozen=True)
class Estimate:
    """A quantity of the motor as built.

    Attributes
    ----------
    name : str
        One of `UNKNOWNS` but the meter, or ``linkage``: the flux linkage that remanence and
        airgap make.
    change, uncertainty : float
        Against the study, standard uncertainty; relative, of the airgap [m].
    first, middle : float
        Standard deviation, and what is expected, before anything was measured.

    """

    name: str
    change: float
    uncertainty: float
    first: float
    middle: float = 0.0

    @property
    def informed(self) -> bool:
        """Whether the readings told something that tolerances had not."""
        most = _APART if self.name in ("remanence", "airgap") else _INFORMED
        return self.uncertainty < most * self.first

    @property
    def usual(self) -> bool:
        """Whether it is within what the tolerances expect."""
        return abs(self.change - self.middle) <= _SURE * self.first + self.uncertainty


def estimate(study: Study, readings: Sequence[Reading], *, slope: float) -> tuple[Estimate, ...]:
    """Combine readings into the most likely remanence, airgap, probe gain and length of wire.

    Each reading is linear in what is unknown, everything is Gaussian, and what the study's
    tolerances expect counts as one more reading of each: what readings cannot tell apart is
    shared out by how far each may be off. The flux linkage is known better than either of the
    two that make it.

    Parameters
    ----------
    study : Study
    readings : sequence of Reading
    slope : float
        Relative change of the flux linkage by a metre more of airgap [1/m]; see `airgap_slope`.

    """
    first = {
        "remanence": max(deviation_of(study, "remanence_batch"), _LEAST["remanence"]),
        "airgap": max(deviation_of(study, "airgap"), _LEAST["airgap"]),
        "probe": GAUSSMETER,
        "copper": _COPPER,
        "meter": VOLTMETER,  # of the volts and speeds of one bench, shared by its readings
    }
    weight = np.diag([1 / first[name] ** 2 for name in UNKNOWNS])
    score = np.zeros(len(UNKNOWNS))
    centre = float(np.mean(batch_centres(study)))
    score[0] = centre / first["remanence"] ** 2
    for reading in readings:
        if not reading.depends:
            continue
        row = np.array([reading.depends.get(name, 0.0) for name in UNKNOWNS])
        off = reading.found / (reading.expected * reading.factor) - 1
        # What a meter's own error explains is no error of the single reading.
        own = np.sqrt(max(reading.uncertainty**2 - (row[-1] * VOLTMETER) ** 2, _RESOLVED**2))
        weight += np.outer(row, row) / own**2
        score += row * off / own**2
    covariance = np.linalg.inv(weight)
    change = covariance @ score
    spread = np.sqrt(np.diag(covariance))
    found = [
        Estimate(name, float(c), float(s), first[name], centre if name == "remanence" else 0.0)
        for name, c, s in zip(UNKNOWNS, change, spread, strict=True)
    ]
    linked = np.array([1.0, slope, 0.0, 0.0, 0.0])
    before = float(np.hypot(first["remanence"], slope * first["airgap"]))
    sd = float(np.sqrt(linked @ covariance @ linked))
    return (*found[:-1], Estimate("linkage", float(linked @ change), sd, before, centre))


def airgap_slope(ring: Ring) -> float:
    """Relative change of the flux linkage by a metre more of airgap [1/m]."""
    every = np.ones(len(ring.magnets.members))
    step = 0.01 * MM
    wider = ring.pattern(radial=every, tangential=0 * every)[None] * step
    share = outcomes(ring, together([Drawn(wider)], ring, 1))["torque_share"][0]
    out = ring.layout.sign  # an inner rotor's magnets move inwards
    return float((share - 1) / step) * out


def linkage_left(ring: Ring, along: np.ndarray, across: np.ndarray) -> float:
    """Share of the flux linkage that magnets which are off leave."""
    waves = along @ ring.responses("along") + across @ ring.responses("across")
    return float(outcomes(ring, together([Drawn(waves[None])], ring, 1))["torque_share"][0])
