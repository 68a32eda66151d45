"""Masses and moment of inertia of everything that turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from arrayopt.layout.build import MM, Layout
from arrayopt.layout.pockets import Ring, carrier_ring, family_pockets
from arrayopt.layout.shapes import LEAST_RADIUS, Array

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
    steel ring) less the pockets with their openings and reliefs, closed by a floor on one
    end. The other mass is counted at the shaft: it adds nothing to the inertia.
    """
    magnets = np.zeros(len(layout))
    inertia = np.zeros(len(layout))
    for shape, members, grades in zip(layout.shapes, layout.members, layout.grades, strict=True):
        per_area = members * layout.length * np.array([grade.density for grade in grades])
        magnets += per_area * shape.area
        inertia += per_area * shape.second_moment

    floor = layout.column(lambda s: s.carrier.floor_mm) * MM
    sign, steel_ring = 1 if layout.outer else -1, layout.ring_thickness
    print_ring = carrier_ring(layout)
    lo, hi = print_ring.lo, print_ring.hi

    print_density = np.array([s.plastic(s.carrier.material).density for s in layout.studies])
    pocket_area, pocket_moment = _pockets_inside(layout, print_ring)
    carrier = print_density * (
        (np.pi * (hi**2 - lo**2) - pocket_area) * layout.length + np.pi * (hi**2 - lo**2) * floor
    )
    inertia += print_density * (
        (np.pi / 2 * (hi**4 - lo**4) - pocket_moment) * layout.length
        + np.pi / 2 * (hi**4 - lo**4) * floor
    )

    near, far = layout.ring_radius, layout.ring_radius + sign * steel_ring
    density = layout.column(lambda s: s.steel(s.rotor.ring_steel).density)
    steel = density * np.pi * np.abs(far**2 - near**2) * layout.length
    inertia += steel * (near**2 + far**2) / 2
    return Masses(
        magnets=magnets,
        ring=steel,
        carrier=carrier,
        other=layout.column(lambda s: s.carrier.other_mass_g) * 1e-3,
        inertia=inertia,
        outermost_radius=np.maximum(far, hi) if layout.outer else print_ring.gap_side,
        bore_radius=np.full(len(layout), np.nan) if layout.outer else np.minimum(far, lo),
    )


def _pockets_inside(layout: Layout, ring: Ring) -> tuple[Array, Array]:
    """Area [m2] and polar second moment [m4] of all pockets, cut to the carrier's ring."""
    area, moment = np.zeros(len(layout)), np.zeros(len(layout))
    relief = np.pi / 2 * (layout.column(lambda s: s.carrier.corner_relief_mm) * MM) ** 2
    for i, (shape, members) in enumerate(zip(layout.shapes, layout.members, strict=True)):
        pockets = family_pockets(layout, ring, i)
        corners = 2.0 * pockets.gap_relief + 2.0 * pockets.back_relief
        cut = _area_inside(pockets.body, ring) + corners * relief
        if any(study.carrier.lip_mm for study in layout.studies):
            cut += _area_inside(pockets.mouth, ring)
        area += members * cut
        # Cutting takes only slivers, so the section keeps its radius of gyration.
        moment += members * cut * shape.second_moment / shape.area
    return area, moment


def _area_inside(polygons: Polygons, ring: Ring) -> Array:
    """Area of polygons within the carrier's ring [m2]."""
    area = shapely.area(polygons)
    # Most closed pockets lie wholly inside, and cutting takes much longer than asking.
    x, _, _, y = shapely.bounds(polygons).T
    reach = np.minimum(np.arctan2(y, np.maximum(x, LEAST_RADIUS)) * 1.1, np.pi)
    chord = ring.hi * np.cos(reach / (_CIRCLE_POINTS - 1))
    some = ~((_nearest(polygons) > ring.lo) & (_farthest(polygons) < chord)) & (area > 0)
    parts = _ring_parts(ring.lo[some], ring.hi[some], reach[some])
    area[some] = shapely.area(shapely.intersection(polygons[some], parts))
    return np.asarray(area)


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
