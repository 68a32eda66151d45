"""Masses and moment of inertia of everything that turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from arrayopt.layout.build import MM, Layout
from arrayopt.layout.shapes import Array

Polygons = NDArray[np.object_]  # one a design

_CIRCLE_POINTS = 129  # per neighbourhood of one pocket; chord error under 1e-4 of its area


@dataclass(frozen=True)
class Masses:
    """Masses [kg], inertia about the shaft [kg m2], radii [m], shape (design,).

    The hub's mass is in `other` and adds nothing to the inertia; the bore is NaN where
    the magnets are outside the stator.
    """

    magnets: Array
    ring: Array
    carrier: Array
    other: Array
    inertia: Array
    outermost_radius: Array
    bore_radius: Array

    @property
    def rotor(self) -> Array:
        """Mass of all that turns [kg]."""
        return self.magnets + self.ring + self.carrier + self.other


def rotor_masses(layout: Layout) -> Masses:
    """Return the masses of magnets, steel ring, printed carrier and the rest.

    The carrier is a ring from the skin on the gap side to the backing (or to the
    steel ring) less the pockets, closed by a floor on one end. The other mass is
    counted at the shaft: it adds nothing to the inertia.
    """
    magnets = np.zeros(len(layout))
    inertia = np.zeros(len(layout))
    for shape, members, grades in zip(layout.shapes, layout.members, layout.grades, strict=True):
        per_area = members * layout.length * np.array([grade.density for grade in grades])
        magnets += per_area * shape.area
        inertia += per_area * shape.second_moment

    skin = layout.column(lambda s: s.carrier.skin_mm) * MM
    backing = layout.column(lambda s: s.carrier.backing_mm) * MM
    floor = layout.column(lambda s: s.carrier.floor_mm) * MM
    ring = layout.ring_thickness
    sign = 1 if layout.outer else -1
    gap_side = layout.gap_radius - sign * skin
    back = layout.ring_radius + sign * np.where(ring > 0, 0, backing)
    lo, hi = np.minimum(gap_side, back), np.maximum(gap_side, back)
    lo = np.maximum(lo, 0)

    print_density = np.array([s.plastic(s.carrier.material).density for s in layout.studies])
    pocket_area, pocket_moment = _pockets_inside(layout, lo, hi)
    carrier = print_density * (
        (np.pi * (hi**2 - lo**2) - pocket_area) * layout.length + np.pi * (hi**2 - lo**2) * floor
    )
    inertia += print_density * (
        (np.pi / 2 * (hi**4 - lo**4) - pocket_moment) * layout.length
        + np.pi / 2 * (hi**4 - lo**4) * floor
    )

    near, far = layout.ring_radius, layout.ring_radius + sign * ring
    density = layout.column(lambda s: s.steel(s.rotor.ring_steel).density)
    steel = density * np.pi * np.abs(far**2 - near**2) * layout.length
    inertia += steel * (near**2 + far**2) / 2
    return Masses(
        magnets=magnets,
        ring=steel,
        carrier=carrier,
        other=layout.column(lambda s: s.carrier.other_mass_g) * 1e-3,
        inertia=inertia,
        outermost_radius=np.maximum(far, hi) if layout.outer else layout.gap_radius + skin,
        bore_radius=np.full(len(layout), np.nan) if layout.outer else np.minimum(far, lo),
    )


def _pockets_inside(layout: Layout, lo: Array, hi: Array) -> tuple[Array, Array]:
    """Area [m2] and polar second moment [m4] of all pockets, cut to the carrier's ring."""
    area, moment = np.zeros(len(layout)), np.zeros(len(layout))
    for shape, members in zip(layout.shapes, layout.members, strict=True):
        pockets = shape.pockets(clearance=layout.clearance)
        reach = np.minimum(shape.half_angle(clearance=2 * layout.clearance) * 1.1, np.pi)
        cut = shapely.area(pockets)
        # Most pockets lie wholly inside, and cutting takes much longer than asking.
        chord = hi * np.cos(reach / (_CIRCLE_POINTS - 1))
        some = ~((_nearest(pockets) > lo) & (_farthest(pockets) < chord))
        ring = _ring_parts(lo[some], hi[some], reach[some])
        cut[some] = shapely.area(shapely.intersection(pockets[some], ring))
        area += members * cut
        # Cutting takes only slivers, so the section keeps its radius of gyration.
        moment += members * cut * shape.second_moment / shape.area
    return area, moment


def _nearest(polygons: Polygons) -> Array:
    return np.asarray(shapely.distance(polygons, shapely.Point(0, 0)))


def _farthest(polygons: Polygons) -> Array:
    points, index = shapely.get_coordinates(polygons, return_index=True)
    first = np.searchsorted(index, np.arange(len(polygons)))
    return np.maximum.reduceat(np.hypot(*points.T), first)


def _ring_parts(lo: Array, hi: Array, reach: Array) -> Polygons:
    """Parts of rings between two radii, to an angle on either side of a magnet."""
    turn = reach[:, None] * np.linspace(-1, 1, _CIRCLE_POINTS)
    c, s = np.cos(turn), np.sin(turn)
    x = np.hstack([hi[:, None] * c, lo[:, None] * c[:, ::-1]])
    y = np.hstack([hi[:, None] * s, lo[:, None] * s[:, ::-1]])
    return np.asarray(shapely.polygons(np.stack([x, y], axis=-1)))
