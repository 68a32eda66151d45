"""The printed carrier's cross-section: ring of print, pockets, magnets, steel ring, start mark.

Lengths in mm, seen from the open side, magnet 1 at the top: y runs along its axis, x to the right.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import pi

import numpy as np
import shapely
from shapely import affinity

from arrayopt.layout.build import MM, build_layout
from arrayopt.layout.members import Member, rotor_members
from arrayopt.layout.pockets import Pockets, carrier_ring, family_pockets
from arrayopt.layout.shapes import Arcs, Shapes
from arrayopt.study.models import Study

_QUARTER = 360  # points of a quarter circle: 2e-6 of the radius off it
_RELIEF_QUARTER = 8
_MARK = 1.5  # mm, size of the start mark


@dataclass(frozen=True)
class Pocket:
    """One pocket with its magnet, polygons in mm."""

    member: Member
    outline: shapely.Polygon
    magnet: shapely.Polygon


@dataclass(frozen=True)
class CarrierSection:
    """Cross-section of the magnet ring in one row of magnets, in mm.

    Attributes
    ----------
    row : int
        From 1 at the floor.
    height : float
        Of the row along the shaft.
    floor : float
        Thickness of the closed end plate under the lowest row.
    inner_radius, outer_radius : float
        Of the print.
    pockets : tuple of Pocket
        By number.
    steel_ring : tuple of float or None
        Inner and outer radius.
    outer : bool
        Magnets outside the stator: the gap is at the inner radius.

    """

    row: int
    height: float
    floor: float
    inner_radius: float
    outer_radius: float
    pockets: tuple[Pocket, ...]
    steel_ring: tuple[float, float] | None
    outer: bool

    @cached_property
    def ring(self) -> shapely.Polygon:
        """The print without pockets."""
        return _annulus(self.inner_radius, self.outer_radius)

    @cached_property
    def printed(self) -> shapely.Geometry:
        """The print with its pockets; in parts where pockets go right through it."""
        return self.ring.difference(shapely.union_all([p.outline for p in self.pockets]))

    @cached_property
    def start_mark(self) -> shapely.Polygon:
        """A triangle off the ring's edge that points at magnet 1's axis in the lowest row."""
        edge = max(self.outer_radius, *(self.steel_ring or ())) + _MARK / 4
        top = edge + _MARK
        return shapely.Polygon([(0, edge), (_MARK / 2, top), (-_MARK / 2, top)])


def carrier_sections(study: Study) -> tuple[CarrierSection, ...]:
    """Return the cross-section of every row of magnets, from the floor up; one without skew."""
    layout = build_layout(study)
    ring = carrier_ring(layout)
    radii = float(ring.lo[0]) / MM, float(ring.hi[0]) / MM
    by_family = [family_pockets(layout, ring, i) for i in range(len(layout.families))]
    whole = _annulus(*radii)
    relief = study.carrier.corner_relief_mm
    outlines = [
        _outline(shape, pockets, outer=layout.outer, clearance=float(layout.clearance[0]),
                 relief=relief * MM)
        for shape, pockets in zip(layout.shapes, by_family, strict=True)
    ]  # fmt: skip
    magnets = [_scaled(shape.polygons[0]) for shape in layout.shapes]
    names = [family.name for family in layout.families]
    steel = None
    if study.rotor.steel_ring_mm:
        near = float(layout.ring_radius[0]) / MM
        sign = 1 if layout.outer else -1
        steel = tuple(sorted((near, near + sign * study.rotor.steel_ring_mm)))
    rows: dict[int, list[Pocket]] = {}
    for member in rotor_members(study):
        i = names.index(member.family)
        turn = member.angle + pi / 2
        outline = affinity.rotate(outlines[i], turn, origin=(0, 0), use_radians=True)
        rows.setdefault(member.row, []).append(
            Pocket(
                member=member,
                outline=shapely.intersection(outline, whole),
                magnet=affinity.rotate(magnets[i], turn, origin=(0, 0), use_radians=True),
            )
        )
    return tuple(
        CarrierSection(
            row=row,
            height=float(layout.length[0]) / MM / study.rotor.skew_steps,
            floor=study.carrier.floor_mm,
            inner_radius=radii[0],
            outer_radius=radii[1],
            pockets=tuple(pockets),
            steel_ring=steel,
            outer=layout.outer,
        )
        for row, pockets in rows.items()
    )


def _outline(
    shape: Shapes, pockets: Pockets, *, outer: bool, clearance: float, relief: float
) -> shapely.Geometry:
    """One pocket at angle zero with opening and reliefs, in mm, to be cut to the ring."""
    parts = [pockets.body[0], pockets.mouth[0]]
    near, far = float(pockets.near[0]), float(pockets.far[0])
    gap, back = (near, far) if outer else (far, near)
    for face, wanted in ((gap, pockets.gap_relief[0]), (back, pockets.back_relief[0])):
        if wanted:
            parts += _reliefs(shape, face, clearance=clearance, radius=relief)
    return _scaled(shapely.union_all([part for part in parts if part.area > 0]))


def _reliefs(
    shape: Shapes, face: float, *, clearance: float, radius: float
) -> list[shapely.Geometry]:
    """Discs at the two corners of a face, tangent to the pocket's sides: they weaken no wall."""
    if isinstance(shape, Arcs):
        turn = float(shape.span[0]) / 2 + np.arcsin(clearance / face) - radius / face
        centre = face * np.cos(turn), face * np.sin(turn)
    else:
        centre = face, float(shape.width[0]) / 2 + clearance - radius
    return [
        shapely.Point(centre[0], side * centre[1]).buffer(radius, quad_segs=_RELIEF_QUARTER)
        for side in (1, -1)
    ]


def _annulus(lo: float, hi: float) -> shapely.Polygon:
    return _disc(hi).difference(_disc(lo)) if lo else _disc(hi)


def _disc(radius: float) -> shapely.Polygon:
    return shapely.Point(0, 0).buffer(radius, quad_segs=_QUARTER)


def _scaled(polygon: shapely.Geometry) -> shapely.Geometry:
    return affinity.scale(polygon, 1 / MM, 1 / MM, origin=(0, 0))
