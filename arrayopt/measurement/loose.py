"""Readings of loose magnets: their remanence, and the ones that do not belong."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from arrayopt.checks.inspection import PROBE, face_readings
from arrayopt.errors import StudyError, echo, known_ones
from arrayopt.layout import Layout, build_layout
from arrayopt.layout.shapes import Array
from arrayopt.measurement.records import Loose
from arrayopt.study import Study

_ODD = 0.10  # of the median: a magnet farther off is of another kind or was read wrongly
_PLACED = 0.005  # standard uncertainty of a mean: the probe is never quite 1 mm off


@dataclass(frozen=True)
class Bag:
    """Loose magnets of one family.

    Attributes
    ----------
    name : str
        Of the family.
    labels : tuple of str
    remanence : ndarray, shape (magnet,)
        At 20 C [T].
    expected, low, high : float
        That the study counts on, and the grade's range [T].

    """

    name: str
    labels: tuple[str, ...]
    remanence: Array
    expected: float
    low: float
    high: float

    @property
    def mean(self) -> float:
        """Mean remanence [T]."""
        return float(self.remanence.mean())

    @property
    def scatter(self) -> float:
        """Standard deviation over the mean."""
        return float(self.remanence.std(ddof=1) / self.mean) if len(self.labels) > 1 else 0.0

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the mean over it, the probe's gain apart."""
        return float(np.hypot(self.scatter / np.sqrt(len(self.labels)), _PLACED))

    @property
    def odd(self) -> tuple[str, ...]:
        """Labels of magnets that are far from the others."""
        median = np.median(self.remanence)
        far = np.abs(self.remanence / median - 1) > max(_ODD, 5 * self._usual)
        return tuple(label for label, bad in zip(self.labels, far, strict=True) if bad)

    @property
    def _usual(self) -> float:
        """Scatter of the middle half, so that odd ones do not hide themselves."""
        quarter, three = np.percentile(self.remanence, [25, 75])
        return float((three - quarter) / 1.349 / np.median(self.remanence))


@dataclass(frozen=True)
class LooseFit:
    """What readings of loose magnets say."""

    loose: Loose
    families: tuple[Bag, ...]


def fit_loose(study: Study, loose: Loose) -> LooseFit:
    """Turn readings of loose magnets into remanences, family by family.

    A reading before the middle of the pole face over that which the study's piece has there;
    its sign only tells which face was up.

    Raises
    ------
    StudyError
        If it is not clear which magnet a reading belongs to.

    """
    layout = build_layout(study)
    owner = _families(layout, loose)
    bags = []
    for f, family in enumerate(layout.families):
        rows = [i for i, name in enumerate(owner) if name == family.name]
        if not rows:
            continue
        grade = layout.grades[f][0]
        values = np.abs(loose.values[rows])
        if loose.kind == "reading":
            values = values / pole_reading(layout, f, loose.distance) * grade.remanence
        labels = tuple(loose.labels[i] for i in rows)
        bags.append(
            Bag(family.name, labels, values, grade.remanence, grade.remanence_min,
                grade.remanence_max)
        )  # fmt: skip
    return LooseFit(loose, tuple(bags))


def pole_reading(layout: Layout, family: int, distance: float | None = None) -> float:
    """Return what a probe reads before a family's pole face: the face with the most flux [T]."""
    study = layout.studies[0]
    readings = face_readings(
        layout.shapes[family],
        length=float(layout.length[0]) / study.rotor.skew_steps,
        angle=layout.families[family].piece_angle,
        angle_tolerance=0.0,
        grade=layout.grades[family][0],
        distance=PROBE if distance is None else distance,
    )
    return max(abs(reading.expected) for reading in readings)


def _families(layout: Layout, loose: Loose) -> list[str]:
    """Return the family of every reading."""
    names = [family.name for family in layout.families]
    faults = [
        f"{loose.path}: magnet {echo(label)} comes {times} times; give each a label of its own"
        for label, times in Counter(loose.labels).items() if times > 1
    ]  # fmt: skip
    unknown = sorted({name for name in loose.families if name and name not in names})
    faults += [
        f"{loose.path}: unknown family; got {echo(name)}; {known_ones(name, names)}"
        for name in unknown
    ]
    unsaid = loose.families.count("")
    if unsaid and len(names) > 1:
        faults.append(
            f"{loose.path}: column family must say which bag each magnet is from; got {unsaid} "
            f"without; write one of {', '.join(names)}"
        )
    if faults:
        raise StudyError(faults)
    return [name or names[0] for name in loose.families]
