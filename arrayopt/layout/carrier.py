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

_QUARTER = 180  # chords of a quarter circle: 1e-5 of the radius off it
_RELIEF_QUARTER = 8
_TOUCH = 1e-6  # mm2
_MARK = 1.5  # mm, size of the start mark


@dataclass(frozen=True)
class PocketPart:
    """What a pocket is made of, at angle zero: a block or ring segment, or a corner's disc.

    Attributes
    ----------
    outline : shapely.Polygon
        In mm; of ring segments the outer side first, then the inner one, as many chords each.
    disc : tuple of float or None
        Centre and radius of a disc [mm].

    """

    outline: shapely.Polygon
    disc: tuple[float, float, float] | None = None


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

    @property
    def outermost(self) -> float:
        """Outer radius of print and steel ring."""
        return max(self.outer_radius, self.steel_ring[1] if self.steel_ring else 0.0)

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
        edge = self.outermost + _MARK / 4
        top = edge + _MARK
        return shapely.Polygon([(0, edge), (_MARK / 2, top), (-_MARK / 2, top)])


def carrier_sections(study: Study) -> tuple[CarrierSection, ...]:
    """Return the cross-section of every row of magnets, from the floor up; one without skew."""
    layout = build_layout(study)
    ring = carrier_ring(layout)
    radii = float(ring.lo[0]) / MM, float(ring.hi[0]) / MM
    whole = _annulus(*radii)
    outlines = [
        shapely.union_all([part.outline for part in parts]) for parts in pocket_parts(study)
    ]
    magnets = [_scaled(shape.polygons[0]) for shape in layout.shapes]
    names = [family.name for family in layout.families]
    steel = None
    if study.rotor.steel_ring_mm:
        near = float(layout.ring_radius[0]) / MM
        sign = 1 if layout.outer else -1
        far = near + sign * study.rotor.steel_ring_mm
        steel = min(near, far), max(near, far)
    rows: dict[int, list[Pocket]] = {}
    for member in rotor_members(study):
        i = names.index(member.family)
        turn = member.angle + pi / 2
        outline = affinity.rotate(outlines[i], turn, origin=(0, 0), use_radians=True)
        rows.setdefault(member.row, []).append(
            Pocket(
                member=member,
                outline=_areas(shapely.intersection(outline, whole)),
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


def pocket_parts(study: Study) -> tuple[tuple[PocketPart, ...], ...]:
    """Return what the pockets of each family are made of; they reach past the print's edges."""
    layout = build_layout(study)
    ring = carrier_ring(layout)
    found = []
    for i, shape in enumerate(layout.shapes):
        pockets = family_pockets(layout, ring, i)
        parts = [_scaled(part) for part in (pockets.body[0], pockets.mouth[0]) if part.area > 0]
        discs = _reliefs(study, shape, pockets, outer=layout.outer)
        found.append((*(PocketPart(part) for part in parts), *discs))
    return tuple(found)


def _reliefs(study: Study, shape: Shapes, pockets: Pockets, *, outer: bool) -> list[PocketPart]:
    """Discs at a face's two corners, tangent to the pocket's sides: they weaken no wall."""
    radius, clearance = study.carrier.corner_relief_mm, study.rotor.clearance_mm
    near, far = float(pockets.near[0]) / MM, float(pockets.far[0]) / MM
    gap, back = (near, far) if outer else (far, near)
    found = []
    for face, wanted in ((gap, pockets.gap_relief[0]), (back, pockets.back_relief[0])):
        if not wanted:
            continue
        x, y = face, float(shape.width[0]) / 2 / MM + clearance - radius
        if isinstance(shape, Arcs):
            turn = float(shape.span[0]) / 2 + np.arcsin(clearance / face) - radius / face
            x, y = face * np.cos(turn), face * np.sin(turn)
        for side in (1, -1):
            outline = shapely.Point(x, side * y).buffer(radius, quad_segs=_RELIEF_QUARTER)
            found.append(PocketPart(outline, (x, side * y, radius)))
    return found


def _areas(geometry: shapely.Geometry) -> shapely.Geometry:
    """Leave out points and lines that cutting left where edges touch."""
    parts = [part for part in shapely.get_parts(geometry) if part.area > _TOUCH]
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def _annulus(lo: float, hi: float) -> shapely.Polygon:
    return _disc(hi).difference(_disc(lo)) if lo else _disc(hi)


def _disc(radius: float) -> shapely.Polygon:
    return shapely.Point(0, 0).buffer(radius, quad_segs=_QUARTER)


def _scaled(polygon: shapely.Geometry) -> shapely.Geometry:
    return affinity.scale(polygon, 1 / MM, 1 / MM, origin=(0, 0))
