"""The one field kernel: stack-mean harmonics at the stator surface for many rotors at once."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.field.iron import IronSurfaces, carter_coefficient
from arrayopt.field.magnet import circle_harmonics
from arrayopt.field.recoil import settled_polarisation
from arrayopt.layout import Layout
from arrayopt.layout.build import MM
from arrayopt.layout.shapes import Arcs, Array

# Aliases of a sampled circle are kept under exp(-decay) of their own harmonic; the thin
# lines that stand for arcs have stronger high harmonics than whole blocks.
_BLOCK_DECAY, _ARC_DECAY = 7.0, 12.0
_AXIAL_NODES = 5  # Gauss points from the middle of the stack to the magnets' end


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
        The same with stator iron, steel ring and slots [T].
    ring : ndarray, shape (order, design)
        At the steel ring's surface [T]; 0 without a ring.
    polarisation : ndarray, shape (family, design)
        Polarisation after recoil [T].
    carter : ndarray, shape (design,)
        Carter's coefficient, 1 without slots.
    irons : IronSurfaces

    """

    layout: Layout
    orders: NDArray[np.int64]
    free: Array
    surface: Array
    ring: Array
    polarisation: Array
    carter: Array
    irons: IronSurfaces

    @property
    def turns(self) -> Array:
        """Orders per turn, shape (order, design)."""
        return self.orders[:, None] * self.layout.pole_pairs

    def radial_at(self, radius: Array) -> Array:
        """Radial harmonics between stator and magnets, shape (order, design) [T].

        Two-dimensional continuation of the stack mean from the stator surface.
        """
        n, stator = self.turns, self.irons.stator
        towards = n - 1 if self.layout.outer else -(n + 1)
        free = self.free * (radius / stator) ** towards
        iron = self.surface * self.layout.surface_radius / stator
        return np.asarray(free + self.irons.reflected(iron, self.ring, n, radius)[0])


def solve_field(layout: Layout, *, orders: Array, accurate_order: int) -> AirgapField:
    """Compute the airgap field of a batch of rotors.

    Parameters
    ----------
    layout : Layout
    orders : ndarray of int
        Harmonic orders wanted.
    accurate_order : int
        Sampling is fine enough up to this order; higher ones serve the images only.

    Returns
    -------
    AirgapField

    """
    irons, carter = _irons(layout)
    n = orders[:, None] * layout.pole_pairs
    towards_ring = (
        _unit_harmonics(layout, irons, n, accurate_order, at_ring=True)
        if irons.ring_iron.any()
        else np.zeros((len(layout.families), *n.shape))
    )
    free_unit = _unit_harmonics(layout, irons, n, accurate_order, at_ring=False)
    stator_unit, ring_unit = irons.surface_fields(free_unit, towards_ring, n)
    J = settled_polarisation(layout, irons, stator_unit, ring_unit, n)

    def total(unit: Array) -> Array:
        return np.asarray((unit * J[:, None, :]).sum(axis=0))

    # Flux, not flux density, carries over from the lengthened gap to the real surface.
    shift = irons.stator / layout.surface_radius
    return AirgapField(
        layout=layout,
        orders=orders,
        free=total(free_unit),
        surface=total(stator_unit) * shift,
        ring=total(ring_unit) * irons.ring_iron,
        polarisation=J,
        carter=carter,
        irons=irons,
    )


def free_fundamental(layout: Layout, *, accurate_order: int = 1) -> Array:
    """Free-space fundamental at the stator surface per tesla, shape (family, design)."""
    nothing = np.zeros(len(layout))
    irons = IronSurfaces(
        layout.outer, layout.surface_radius, layout.ring_radius, nothing, nothing
    )  # fmt: skip
    n = layout.pole_pairs[None, :]
    return _unit_harmonics(layout, irons, n, accurate_order, at_ring=False)[:, 0]


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
        radius = radius - (1 if layout.outer else -1) * (carter - 1) * gap
    iron = np.array([float(s.kind != "ironless") for s in stators])
    with_ring = (layout.ring_thickness > 0).astype(float)
    return IronSurfaces(layout.outer, radius, layout.ring_radius, iron, with_ring), carter


def _unit_harmonics(
    layout: Layout, irons: IronSurfaces, n: Array, accurate_order: int, *, at_ring: bool
) -> Array:
    """Free radial harmonics of each family per tesla, shape (family, order, design)."""
    p = layout.pole_pairs
    gap = np.abs(np.log(layout.gap_radius / irons.stator))
    arcs = any(isinstance(shape, Arcs) for shape in layout.shapes)
    decay = _ARC_DECAY if arcs else _BLOCK_DECAY
    samples = np.ceil((p * accurate_order + decay / 2 / gap) / 8).astype(int) * 8
    radius = irons.stator
    if at_ring:
        # Next to the magnets a coarse circle aliases: sample farther out, scale back in 2D.
        step = np.exp(decay / 2 / (samples - p * accurate_order))
        radius = (
            np.maximum(irons.ring, layout.outer_radius * step)
            if layout.outer
            else np.minimum(irons.ring, layout.inner_radius / step)
        )
    heights, weights = _axial_nodes(layout, irons, _AXIAL_NODES)
    out = np.empty((len(layout.families), *n.shape))
    orders = n // p
    radial, tangential = layout.direction_sums(np.asarray(orders[:, 0]))
    for count in np.unique(samples):
        members = samples == count
        for f, shape in enumerate(layout.shapes):
            cosine, sine = circle_harmonics(
                _take(shape, members),
                length=layout.length[members],
                radius=radius[members],
                z=heights[members],
                z_weight=weights[members],
                samples=int(count),
                orders=n[:, members].T,
                kinds=(bool(np.any(radial[f])), bool(np.any(tangential[f]))),
            )
            ring = p[members] * (radial[f][:, None] * cosine.T + tangential[f][:, None] * sine.T)
            out[f][:, members] = ring
    if at_ring:
        out = out * (radius / irons.ring) ** (n + 1 if layout.outer else 1 - n)
    return out


def _take(shape: Any, members: NDArray[np.bool_]) -> Any:
    fields = {f.name: getattr(shape, f.name)[members] for f in dataclasses.fields(shape)}
    return type(shape)(**fields)


def _axial_nodes(layout: Layout, irons: IronSurfaces, nodes: int) -> tuple[Array, Array]:
    """Return heights z and weights (sum 1) over half the stack, shape (design, node).

    The field changes over a gap's length at the magnets' ends and slowly elsewhere:
    ``distance from the end = gap sinh(u)`` spreads the Gauss points accordingly. Where
    the stack is longer than the magnets, a second panel goes outwards from their end.
    """
    stack, end = layout.stack / 2, np.minimum(layout.length, layout.stack) / 2
    gap = np.abs(layout.gap_radius - irons.stator)[:, None]
    x, w = np.polynomial.legendre.leggauss(nodes)

    def panel(depth: Array, outwards: int) -> tuple[Array, Array]:
        top = np.arcsinh(depth[:, None] / gap)
        u = top * (x + 1) / 2
        z = end[:, None] + outwards * gap * np.sinh(u)
        return z, gap * np.cosh(u) * top / 2 * w / stack[:, None]

    z, weight = panel(end, -1)
    if np.any(stack > end * (1 + 1e-9)):
        beyond = panel(stack - end, 1)
        z, weight = np.hstack([z, beyond[0]]), np.hstack([weight, beyond[1]])
    # A panel of no depth sits on the magnets' end face, where arcs have no value.
    return np.where(weight > 0, z, 0), weight
