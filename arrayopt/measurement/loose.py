"""Readings of loose magnets: their remanence, and the ones that do not belong."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from arrayopt.checks.inspection import READ_ABOVE, face_readings
from arrayopt.layout import Layout, build_layout
from arrayopt.layout.members import rotor_members
from arrayopt.measurement.bags import filled_kinds, first_family
from arrayopt.measurement.records import Loose
from arrayopt.quantities import Array
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

    @cached_property
    def usual(self) -> Array:
        """Which magnets are near the others, shape (magnet,)."""
        median = np.median(self.remanence)
        return np.asarray(np.abs(self.remanence / median - 1) <= max(_ODD, 5 * self._spread))

    @property
    def odd(self) -> tuple[str, ...]:
        """Labels of magnets that are far from the others."""
        return tuple(
            label for label, usual in zip(self.labels, self.usual, strict=True) if not usual
        )

    @property
    def mean(self) -> float:
        """Mean remanence of the usual ones [T]."""
        return float(self.remanence[self.usual].mean())

    @property
    def scatter(self) -> float:
        """Standard deviation of the usual ones over their mean."""
        kept = self.remanence[self.usual]
        return float(kept.std(ddof=1) / self.mean) if len(kept) > 1 else 0.0

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the mean over it, the probe's gain apart."""
        return float(np.hypot(self.scatter / np.sqrt(self.usual.sum()), _PLACED))

    @property
    def _spread(self) -> float:
        """Scatter by the median of deviations, so that odd ones do not hide themselves."""
        median = np.median(self.remanence)
        return float(1.483 * np.median(np.abs(self.remanence / median - 1)))


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
    bags = []
    for kind in filled_kinds(layout, rotor_members(study), loose, every=False):
        if not kind.labels:
            continue
        family = first_family(layout, kind)
        grade = layout.grades[family][0]
        mine = [label in kind.labels for label in loose.labels]
        values = remanence_of(layout, family, loose, np.abs(loose.values[np.array(mine)]))
        bags.append(
            Bag(kind.name, kind.labels, values, grade.remanence, grade.remanence_min,
                grade.remanence_max)
        )  # fmt: skip
    return LooseFit(loose, tuple(bags))


def remanence_of(layout: Layout, family: int, loose: Loose, values: Any) -> Any:
    """Return the remanence at 20 C that readings, or a mean of them, tell [T].

    A probe was before the face with the most flux.
    """
    if loose.kind == "remanence":
        return values
    grade = layout.grades[family][0]
    return values / pole_reading(layout, family, loose.distance) * grade.remanence


def pole_reading(layout: Layout, family: int, distance: float | None = None) -> float:
    """Return what a probe reads before a family's pole face: the face with the most flux [T]."""
    study = layout.studies[0]
    readings = face_readings(
        layout.shapes[family],
        length=float(layout.length[0]) / study.rotor.skew_steps,
        angle=layout.families[family].piece_angle,
        angle_tolerance=0.0,
        grade=layout.grades[family][0],
        distance=READ_ABOVE if distance is None else distance,
    )
    return max(abs(reading.expected) for reading in readings)
