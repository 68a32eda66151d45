"""Masses and moment of inertia of everything that turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.layout.build import Layout
from arrayopt.layout.pockets import carrier_ring, family_pockets
from arrayopt.quantities import MM, Array


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
    end, under the steel ring too. The other mass is counted at the shaft: it adds nothing
    to the inertia.
    """
    magnets = np.zeros(len(layout))
    inertia = np.zeros(len(layout))
    for shape, members, grades in zip(layout.shapes, layout.members, layout.grades, strict=True):
        per_area = members * layout.length * np.array([grade.density for grade in grades])
        magnets += per_area * shape.area
        inertia += per_area * shape.second_moment

    floor = layout.column(lambda s: s.carrier.floor_mm) * MM
    sign, steel_ring = layout.sign, layout.ring_thickness
    print_ring = carrier_ring(layout)
    lo, hi = print_ring.lo, print_ring.hi

    print_density = np.array([s.plastic(s.carrier.material).density for s in layout.studies])
    pocket_area, pocket_moment = np.zeros(len(layout)), np.zeros(len(layout))
    for family, members in enumerate(layout.members):
        pockets = family_pockets(layout, print_ring, family)
        pocket_area += members * pockets.area
        pocket_moment += members * pockets.second_moment
    carrier = print_density * (
        (np.pi * (hi**2 - lo**2) - pocket_area) * layout.length
        + np.pi * (print_ring.floor_hi**2 - print_ring.floor_lo**2) * floor
    )
    inertia += print_density * (
        (np.pi / 2 * (hi**4 - lo**4) - pocket_moment) * layout.length
        + np.pi / 2 * (print_ring.floor_hi**4 - print_ring.floor_lo**4) * floor
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
