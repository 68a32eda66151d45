"""From a layout to its airgap field: free multipoles, iron, slots, recoil."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from arrayopt.field.ends import end_shares
from arrayopt.field.free import free_harmonics, free_harmonics_at_ring
from arrayopt.field.iron import IronSurfaces, carter_coefficient
from arrayopt.field.recoil import settled_polarisation
from arrayopt.layout import Layout
from arrayopt.quantities import MM, Array

# Harmonics per pole pair that all figures are computed from.
ORDERS = np.arange(1, 16)


@dataclass(frozen=True)
class AirgapField:
    """Harmonics of the radial flux density, cosine series about a main magnet's axis.

    Attributes
    ----------
    orders : ndarray of int, shape (order,)
        Harmonic orders per pole pair; order m has m p waves per turn.
    free : ndarray, shape (order, design)
        Stack-mean radial amplitude in free space, at the stator surface as Carter's
        coefficient moves it (`irons.stator`) [T].
    surface : ndarray, shape (order, design)
        Stack mean at the stator surface with stator iron, steel ring and slots [T].
    ring : ndarray, shape (order, design)
        At the steel ring's surface, mean over the length that it shares with the
        stack [T]; 0 without a ring.
    overlap : ndarray, shape (design,)
        Length that magnets and stack share, over the stack's.
    polarisation : ndarray, shape (family, design)
        Polarisation after recoil [T].
    shares : ndarray, shape (family, design)
        Each family's share of the fundamental at the stator surface; they add up to 1.
    carter : ndarray, shape (design,)
        Carter's coefficient, 1 without slots.
    irons : IronSurfaces

    """

    layout: Layout
    orders: NDArray[np.int64]
    free: Array
    surface: Array
    ring: Array
    overlap: Array
    polarisation: Array
    shares: Array
    carter: Array
    irons: IronSurfaces

    @property
    def turns(self) -> Array:
        """Orders per turn, shape (order, design)."""
        return self.orders[:, None] * self.layout.pole_pairs

    def harmonics_at(self, radius: Array) -> Array:
        """Stack-mean radial harmonics at a radius on the stator's side, shape (order, design) [T].

        The magnets' own field is computed there; the iron's share is continued in two
        dimensions from the surfaces.
        """
        unit = free_harmonics(
            self.layout, radius=radius, length=self.layout.stack, orders=self.orders
        )
        free = (unit * self.polarisation[:, None, :]).sum(axis=0)
        iron = self.surface * self.layout.surface_radius / self.irons.stator
        ring = self.ring * self.overlap
        return np.asarray(free + self.irons.reflected(iron, ring, self.turns, radius)[0])


def solve_field(layout: Layout, *, orders: Array) -> AirgapField:
    """Compute the airgap field of a batch of rotors.

    Stator and ring reflect each other's field over the length that stack and magnets
    share, less what its ends lose on the way (`end_shares`).

    Parameters
    ----------
    layout : Layout
    orders : ndarray of int
        Harmonic orders wanted.

    Returns
    -------
    AirgapField

    """
    irons, carter = _irons(layout)
    n = orders[:, None] * layout.pole_pairs
    overlap = np.minimum(layout.length, layout.stack) / layout.stack
    free_unit = free_harmonics(layout, radius=irons.stator, length=layout.stack, orders=orders)
    ring_free, ends = np.zeros_like(free_unit), None
    if irons.ring_iron.any():
        ring_free = free_harmonics_at_ring(layout, orders=orders)
        ends = end_shares(layout, irons, n)
    stator_unit, ring_unit = irons.surface_fields(free_unit / overlap, ring_free, n, ends)
    J = settled_polarisation(layout, irons, stator_unit, ring_unit, n)

    def total(unit: Array) -> Array:
        return np.asarray((unit * J[:, None, :]).sum(axis=0))

    # Flux, not flux density, carries over from the lengthened gap to the real surface.
    shift = irons.stator / layout.surface_radius
    return AirgapField(
        layout=layout,
        orders=orders,
        free=total(free_unit),
        surface=total(stator_unit) * overlap * shift,
        ring=total(ring_unit) * irons.ring_iron,
        overlap=overlap,
        polarisation=J,
        shares=stator_unit[:, 0] * J / total(stator_unit)[0],
        carter=carter,
        irons=irons,
    )


def _irons(layout: Layout) -> tuple[IronSurfaces, Array]:
    """Iron surfaces, the stator's moved back by what its slots lengthen the gap."""
    stators = [study.stator for study in layout.studies]
    carter = np.ones(len(layout))
    radius = layout.surface_radius
    if stators[0].kind == "slotted":
        depth = layout.shapes[0].thickness
        recoil = np.array([grade.recoil_permeability for grade in layout.grades[0]])
        gap = np.abs(layout.gap_radius - radius) + depth / recoil
        opening = np.array([s.slot_opening_mm or 0.0 for s in stators]) * MM
        pitch = 2 * np.pi * radius / np.array([s.slots for s in stators])
        carter = carter_coefficient(slot_pitch=pitch, slot_opening=opening, gap=gap)
        radius = radius - layout.sign * (carter - 1) * gap
    iron = np.array([float(s.kind != "ironless") for s in stators])
    with_ring = (layout.ring_thickness > 0).astype(float)
    return IronSurfaces(layout.outer, radius, layout.ring_radius, iron, with_ring), carter
