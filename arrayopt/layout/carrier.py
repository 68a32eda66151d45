"""The printed carrier's cross-section: ring of print, pockets, magnets, steel ring, start mark.

Lengths in mm, seen from the open side, magnet 1 at the top: y runs along its axis, x to the right.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import pi

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from arrayopt.layout.build import Layout, build_layout
from arrayopt.layout.members import Member, rotor_members
from arrayopt.layout.pockets import Pockets, Ring, carrier_ring, family_pockets
from arrayopt.layout.shapes import Shapes
from arrayopt.quantities import MM, Array
from arrayopt.study.models import Study

_QUARTER = 180  # chords of a quarter circle: 1e-5 of the radius off it
_RELIEF_QUARTER = 8
_TOUCH = 1e-6  # mm2
_PAST = 1e-3  # of a radius, by which open pockets reach past the print's edge
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
class Round:
    """A circle that curved parts of outlines were made of as chords: centre, radius [mm], chord.

    ``chord`` is the angle of one chord [rad].
    """

    x: float
    y: float
    radius: float
    chord: float


@dataclass(frozen=True)
class Pocket:
    """One pocket with its magnet, polygons in mm; ``rounds`` are the circles of its own."""

    member: Member
    outline: shapely.Polygon
    magnet: shapely.Polygon
    rounds: tuple[Round, ...]


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
        Thickness of the closed end plate under this row; 0 where there is none.
    floor_radii : tuple of float
        Inner and outer radius of that plate; it carries a steel ring.
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
    floor_radii: tuple[float, float]
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
        return _areas(self.ring.difference(shapely.union_all([p.outline for p in self.pockets])))

    @property
    def loose_parts(self) -> int:
        """Parts that the print falls into without its floor."""
        return len(shapely.get_parts(self.printed))

    @cached_property
    def rounds(self) -> tuple[Round, ...]:
        """Circles that the outlines of print and pockets follow."""
        edges = [r for r in (self.inner_radius, self.outer_radius) if r]
        own = (circle for pocket in self.pockets for circle in pocket.rounds)
        return (*(Round(0.0, 0.0, r, pi / 2 / _QUARTER) for r in edges), *dict.fromkeys(own))

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
    parts = pocket_parts(study)
    outlines = [shapely.union_all([part.outline for part in family]) for family in parts]
    magnets = [_scaled(shape.polygons[0]) for shape in layout.shapes]
    names = [family.name for family in layout.families]
    faces = [_faces(layout, ring, i) for i in range(len(names))]
    steel = None
    if study.rotor.steel_ring_mm:
        near = float(layout.ring_radius[0]) / MM
        sign = layout.sign
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
                rounds=(*faces[i], *_turned_discs(parts[i], turn)),
            )
        )
    return tuple(
        CarrierSection(
            row=row,
            height=float(layout.length[0]) / MM / study.rotor.skew_steps,
            floor=study.carrier.floor_mm if row == 1 else 0.0,
            floor_radii=(float(ring.floor_lo[0]) / MM, float(ring.floor_hi[0]) / MM),
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
    ring, found = carrier_ring(layout), []
    for i, shape in enumerate(layout.shapes):
        pockets = family_pockets(layout, ring, i)
        found.append((_body(shape, pockets), *_necks(shape, pockets), *_reliefs(pockets)))
    return tuple(found)


def _body(shape: Shapes, pockets: Pockets) -> PocketPart:
    """Return the pocket, carried on through sides that are open over its whole width."""
    faces = [
        _past(pockets, gap=gap, narrower=0.0) if narrower[0] == 0 else face
        for narrower, face, gap in (
            (pockets.gap_narrower, pockets.gap_face, True),
            (pockets.back_narrower, pockets.back_face, False),
        )
    ]
    lo, hi = faces[:: pockets.sign]
    return _part(shape.outlines(lo=lo, hi=hi, widen=pockets.clearance))


def _necks(shape: Shapes, pockets: Pockets) -> list[PocketPart]:
    """Return openings narrower than the pocket, between lips or through what is thin."""
    found = []
    middle = (pockets.gap_face + pockets.back_face) / 2
    for narrower, gap in ((pockets.gap_narrower, True), (pockets.back_narrower, False)):
        if narrower[0] > 0:
            outwards = pockets.sign * (-1 if gap else 1)
            # They begin in the pocket's middle, lest chords leave a gap.
            ends = middle, _past(pockets, gap=gap, narrower=narrower)
            lo, hi = ends[::outwards]
            found.append(_part(shape.outlines(lo=lo, hi=hi, widen=pockets.clearance - narrower)))
    return found


def _past(pockets: Pockets, *, gap: bool, narrower: Array | float) -> Array:
    """Face of an opening that reaches past the print's edge over its whole width."""
    circle = pockets.ring.gap_side if gap else pockets.ring.back
    if gap == (pockets.sign < 0):
        return np.asarray(circle * (1 + _PAST))
    if pockets.arc:
        return np.asarray(circle * (1 - _PAST))
    return np.asarray(
        np.sqrt(np.maximum(circle**2 - (pockets.half - narrower) ** 2, 0)) * (1 - _PAST)
    )


def _reliefs(pockets: Pockets) -> list[PocketPart]:
    """Discs at a face's two corners, tangent to the pocket's sides: they weaken no wall."""
    found = []
    for face, radius in (
        (pockets.gap_face, pockets.gap_relief), (pockets.back_face, pockets.back_relief),
    ):  # fmt: skip
        if not radius[0]:
            continue
        x, y, r = (float(v) / MM for v in (face[0], (pockets.half - radius)[0], radius[0]))
        if pockets.arc:
            # Through the corner itself: the wall runs on tangent within r/(2 x).
            turn = float(pockets.half[0]) + np.arcsin(float(pockets.clearance[0]) / MM / x)
            turn -= 2 * np.arcsin(r / (2 * x))
            x, y = x * np.cos(turn), x * np.sin(turn)
        for side in (1, -1):
            outline = shapely.Point(x, side * y).buffer(r, quad_segs=_RELIEF_QUARTER)
            found.append(PocketPart(outline, (x, side * y, r)))
    return found


def _part(outlines: NDArray[np.object_]) -> PocketPart:
    return PocketPart(_scaled(outlines[0]))


def _faces(layout: Layout, ring: Ring, family: int) -> tuple[Round, ...]:
    """Circles of the faces of arcs and of their pockets; blocks have none."""
    shape, pockets = layout.shapes[family], family_pockets(layout, ring, family)
    if not pockets.arc:
        return ()
    radii = (pockets.gap_face, pockets.back_face, shape.lo, shape.hi)
    # As wide as a pocket is at its widest, over the chords of one side.
    wide = shape.half_angle(clearance=pockets.clearance)
    chord = 2 * float(wide[0]) / (len(shapely.get_coordinates(shape.polygons[0])) // 2 - 1)
    return tuple(Round(0.0, 0.0, r, chord) for r in sorted({float(v[0]) / MM for v in radii}))


def _turned_discs(parts: tuple[PocketPart, ...], turn: float) -> list[Round]:
    """Circles of the reliefs of a pocket that is turned about the shaft."""
    found = []
    for x, y, radius in (part.disc for part in parts if part.disc is not None):
        at = complex(x, y) * np.exp(1j * turn)
        found.append(Round(float(at.real), float(at.imag), radius, pi / 2 / _RELIEF_QUARTER))
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
