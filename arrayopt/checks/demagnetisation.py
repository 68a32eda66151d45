"""Which share of the magnets loses polarisation for good, and the grade that would keep it.

At every point of a magnet the reverse field is taken at its worst: that of all magnets and
of the iron, and the field of the peak current at the rotor position and electrical angle
that add most to it. Polarisation begins to be lost where it exceeds the grade's limit.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from math import gcd

import numpy as np

from arrayopt.field import ORDERS, AirgapField, solve_field
from arrayopt.field.inside import FieldInside, field_inside, polynomial
from arrayopt.layout import Layout, build_layout
from arrayopt.machine import armature, phase_peak_current, winding_of
from arrayopt.materials import MagnetGrade
from arrayopt.quantities import MU0, Array
from arrayopt.study import Study

PERCENTILES = (50, 90, 99)
# Field of the winding per ampere of phase amplitude, radial and tangential, at a radius, an
# angle of the stator and an electrical angle of the current.
ArmatureField = Callable[[Array, Array, Array], tuple[Array, Array]]

_POSITIONS_PER_SLOT, _POSITIONS_PER_GAP = 24, 6  # the finer of the two
_MOST_POSITIONS_PER_SLOT = 240
_RADII = 8
_PART = (np.arange(4) - 1.5) / 4  # places of the sixteen parts of a cell, in cells
_LETTERS = re.compile(r"(N\d+)[A-Z]*")


@dataclass(frozen=True)
class FamilyDemagnetisation:
    """Reverse field in the magnets of one family, along their own polarisation [A/m].

    Attributes
    ----------
    name, grade : str
    temperature_c : float
        The hottest or, where cold is worse for the grade, the coldest.
    limit : float
        Reverse field that the grade bears there.
    volume : float
        Of all members [m3].
    share : float
        Of the volume, beyond the limit.
    percentiles : tuple of float
        Of the reverse field by volume, at `PERCENTILES`.
    enough : str or None
        Weakest grade of the same remanence class that keeps the share within the
        study's limit; None if no known one does.
    direction : float
        Of the polarisation against the magnet's radius [rad].
    x, y, middle, end : ndarray, shape (through, across)
        Points of the section [m], and the reverse field there in the middle of the
        length and at the end.

    """

    name: str
    grade: str
    temperature_c: float
    limit: float
    volume: float
    share: float
    percentiles: tuple[float, ...]
    enough: str | None
    direction: float
    x: Array
    y: Array
    middle: Array
    end: Array


@dataclass(frozen=True)
class Demagnetisation:
    """Reverse field in all magnets of a rotor, with the peak current per phase [A] in it."""

    families: tuple[FamilyDemagnetisation, ...]
    current: float

    @property
    def share(self) -> float:
        """Volume beyond the limit over that of all magnets."""
        lost = sum(family.share * family.volume for family in self.families)
        return lost / sum(family.volume for family in self.families)


@dataclass(frozen=True)
class ReverseField:
    """Worst reverse field in one magnet, shape (through, across, height) [A/m].

    Attributes
    ----------
    inside : FieldInside
        Points and their shares of the volume.
    magnets : ndarray
        Of the magnets and the iron.
    current : ndarray
        What the current adds at its worst; the same at all heights.

    """

    inside: FieldInside
    magnets: Array
    current: Array

    def total(self, ratio: float = 1.0) -> Array:
        """Return the reverse field with the magnets' part scaled by a ratio."""
        return np.asarray(ratio * self.magnets + self.current)

    def share_beyond(self, limit: float, ratio: float = 1.0) -> float:
        """Share of the volume beyond a limit."""
        value, weight = _parts(self.total(ratio), self.inside.weight)
        return float(weight[value > limit].sum())

    def percentiles(self) -> tuple[float, ...]:
        """Percentiles by volume."""
        value, weight = _parts(self.total(), self.inside.weight)
        order = np.argsort(value)
        below = np.cumsum(weight[order]) - weight[order] / 2
        found = np.interp(np.array(PERCENTILES) / 100, below, value[order])
        return tuple(float(h) for h in found)


def demagnetisation(
    study: Study, *, temperature_c: float, coldest_c: float | None = None
) -> Demagnetisation:
    """Judge the magnets of a study at a temperature, with the drive's peak current if it has one.

    Of families whose coercivity falls in the cold, as ferrite's does, the coldest
    temperature is judged too and the worse of both returned. Currents are free to take any
    electrical angle at any rotor position, as those of a servo drive that lost its angle.

    Parameters
    ----------
    study : Study
    temperature_c : float
        Hottest that the magnets get.
    coldest_c : float, optional
        Coldest that they are used at; left out, only the hottest is judged.

    """
    current = 0.0 if study.drive is None else phase_peak_current(study)
    worst = _families(study, temperature_c, current)
    if coldest_c is not None and any(_weak_in_the_cold(study, f.grade) for f in worst):
        cold = _families(study, coldest_c, current)
        worst = [max(pair, key=_severity) for pair in zip(worst, cold, strict=True)]
    return Demagnetisation(tuple(worst), current)


def _severity(family: FamilyDemagnetisation) -> tuple[float, float]:
    return family.share, family.percentiles[-1] - family.limit


def _weak_in_the_cold(study: Study, grade: str) -> bool:
    return study.magnet_grade(grade).coercivity_coefficient > 0


def _families(study: Study, temperature: float, current: float) -> list[FamilyDemagnetisation]:
    """Judge all families at one temperature."""
    # Not `with_values`: magnets may be hotter than a study may say, and that is to be told.
    rotor = study.rotor.model_copy(update={"magnet_temperature_c": float(temperature)})
    warm = study.model_copy(update={"rotor": rotor})
    layout = build_layout(warm)
    field = solve_field(layout, orders=ORDERS)
    winding = armature(layout, field).field_at if current else None
    found = []
    for i, family in enumerate(layout.families):
        field_there = reverse_field(layout, field, i, armature_field=winding, current=current)
        grade, shape = layout.grades[i][0], layout.shapes[i]
        total = field_there.total()
        found.append(
            FamilyDemagnetisation(
                name=family.name,
                grade=grade.name,
                temperature_c=float(temperature),
                limit=grade.reverse_limit(temperature),
                volume=float(shape.area[0] * layout.length[0] * layout.members[i, 0]),
                share=field_there.share_beyond(grade.reverse_limit(temperature)),
                percentiles=field_there.percentiles(),
                enough=weakest_enough(warm, grade, field_there),
                direction=field_there.inside.direction,
                x=field_there.inside.x,
                y=field_there.inside.y,
                middle=total[..., 0],
                end=total[..., -1],
            )
        )
    return found


def reverse_field(
    layout: Layout,
    field: AirgapField,
    family: int,
    *,
    armature_field: ArmatureField | None = None,
    current: float = 0.0,
) -> ReverseField:
    """Return the worst reverse field in the magnets of a family.

    Parameters
    ----------
    layout, field
        A batch of one, solved at the temperature wanted.
    family : int
        Place of the family in the layout.
    armature_field : callable, optional
        Field of the winding, linear in the currents, such as `Armature.field_at`.
    current : float
        Amplitude of the phase currents [A].

    """
    inside = field_inside(layout, field, family)
    extra = np.zeros(inside.x.shape)
    if armature_field is not None:
        extra = current / MU0 * _worst_current(layout.studies[0], armature_field, inside)
    return ReverseField(inside, -inside.along / MU0, extra[..., None])


def weakest_enough(study: Study, grade: MagnetGrade, field: ReverseField) -> str | None:
    """Name the weakest known grade of the same class that keeps the share within the limit.

    The field is taken to scale with the grade's remanence at the study's magnet
    temperature, as if all families had it; within a class that differs by a percent or two.
    """
    temperature = study.rotor.magnet_temperature_c
    same = [
        study.magnet_grade(name)
        for name in study.known("magnets")
        if _remanence_class(study, name) == _remanence_class(study, grade.name)
    ]
    for other in sorted(same, key=lambda g: (g.reverse_limit(temperature), g.name != grade.name)):
        ratio = other.remanence_at(temperature) / grade.remanence_at(temperature)
        share = field.share_beyond(other.reverse_limit(temperature), ratio)
        if share * 100 <= study.limits.demagnetised_percent:
            return other.name
    return None


def _remanence_class(study: Study, name: str) -> str:
    """Grade without the letters that stand for coercivity; that of its model for one's own."""
    own = study.materials.magnets.get(name)
    listed = own.like if own else name
    letters = _LETTERS.fullmatch(listed)
    return letters[1] if letters else listed


def _worst_current(study: Study, armature_field: ArmatureField, inside: FieldInside) -> Array:
    """Largest field along the polarisation per ampere, over positions and electrical angles.

    Fields are linear in the currents, so over all electrical angles the largest is the
    root of the squares of two of them a quarter turn apart: exact. Only positions are
    sampled, in steps of a sixth of the gap, over which the field of a slot opening
    spreads: four times as many raise the field by less than 1 % of itself, and move
    shares of the volume by less than 0.0005.
    """
    slots, period = study.stator.slots, _slots_per_period(study)
    pitch = np.pi * study.stator.surface_diameter_mm / slots
    per_slot = int(np.ceil(_POSITIONS_PER_GAP * pitch / study.airgap.length_mm))
    n = min(max(per_slot, _POSITIONS_PER_SLOT), _MOST_POSITIONS_PER_SLOT) * period
    angle = 2 * np.pi / slots * period * np.arange(n) / n
    radius, turn = np.hypot(inside.x, inside.y), np.arctan2(inside.y, inside.x)
    nodes = np.cos(np.pi * (np.arange(_RADII) + 0.5) / _RADII)
    near, far = np.log(radius.min()), np.log(radius.max())
    log_nodes = (near + far) / 2 + (far - near) / 2 * nodes
    quarter = np.array([0.0, np.pi / 2])[:, None]
    # (component, electrical angle, radius, position) from few radii to all points; one
    # radius at a time, for the winding sums many orders over each of these
    few = np.stack([armature_field(r, angle, quarter) for r in np.exp(log_nodes)], axis=2)
    own = inside.direction - turn
    worst = np.empty(radius.shape)
    for i in range(len(radius)):
        both = np.einsum("aj,cqjn->cqan", polynomial(log_nodes, np.log(radius[i])), few)
        along = both[0] * np.cos(own[i])[:, None] + both[1] * np.sin(own[i])[:, None]
        worst[i] = np.sqrt((along**2).sum(axis=0).max(axis=-1))
    return worst


def _slots_per_period(study: Study) -> int:
    """Slots after which the winding is the same but for the names and signs of its phases."""
    slots, winding = study.stator.slots, winding_of(study)
    return slots // gcd(slots, 6 * study.rotor.pole_pairs) * (3 - winding.layers)


def _parts(value: Array, weight: Array) -> tuple[Array, Array]:
    """Cut every cell of the section in sixteen, the field linear in it; values and weights.

    Level lines then cut through cells instead of taking or leaving whole rows of them.
    """
    seen = weight.any(axis=(0, 1))
    value, weight = value[..., seen], weight[..., seen]
    down, side = np.gradient(value, axis=(0, 1))
    parts = (
        value[..., None, None]
        + down[..., None, None] * _PART[:, None]
        + side[..., None, None] * _PART
    )
    return parts.ravel(), np.repeat(weight.ravel(), _PART.size**2) / _PART.size**2
