"""Harmonics of whole rings in free space, averaged along the shaft."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
from numpy.typing import NDArray

from arrayopt.field.magnet import circle_harmonics
from arrayopt.layout import Layout
from arrayopt.layout.shapes import Arcs, Array

# Aliases of a sampled circle are kept under exp(-decay) of their own harmonic; the thin
# lines that stand for arcs have stronger high harmonics than whole blocks.
_BLOCK_DECAY, _ARC_DECAY = 7.0, 12.0
_AXIAL_NODES = 5  # Gauss points from the middle of the stack to the magnets' end
# First circle behind the magnets, as a share of their length and of radius per pole pair.
_RING_LENGTHS, _RING_POLES = 1 / 30, 0.15
_RING_DEEPEST = 0.2  # and at most this share of their own radius


def free_harmonics(
    layout: Layout, *, radius: Array, length: Array, orders: Array, accurate_order: int
) -> Array:
    """Compute the free-space radial field of a ring with unit polarisation.

    Parameters
    ----------
    layout : Layout
    radius : ndarray, shape (design,)
        Of the cylinder, on either side of the magnets [m].
    length : ndarray, shape (design,)
        Length about the middle over which the field is averaged [m].
    orders : ndarray of int, shape (order,)
        Harmonic orders per pole pair.
    accurate_order : int
        Sampling is fine enough up to this order.

    Returns
    -------
    ndarray, shape (family, order, design)
        Amplitudes of the cosine series about a main magnet's axis, one tesla in that
        family alone [T per T].

    """
    p = layout.pole_pairs
    n = orders[:, None] * p
    near = np.where((radius < layout.gap_radius) == layout.outer, layout.gap_radius, _back(layout))
    arcs = any(isinstance(shape, Arcs) for shape in layout.shapes)
    decay = _ARC_DECAY if arcs else _BLOCK_DECAY
    apart = np.abs(np.log(near / radius))
    samples = np.ceil((p * accurate_order + decay / 2 / apart) / 8).astype(int) * 8
    heights, weights = _axial_nodes(layout, length, np.abs(near - radius))
    radial, tangential = layout.direction_sums(orders)
    out = np.empty((len(layout.families), *n.shape))
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
    return out


def free_fundamental(layout: Layout, *, radius: Array | None = None) -> Array:
    """Stack-mean free fundamental per tesla, shape (family, design); at the stator's surface."""
    radius = layout.surface_radius if radius is None else radius
    one = np.array([1])
    return free_harmonics(layout, radius=radius, length=layout.stack, orders=one, accurate_order=1)[
        :, 0
    ]


def free_harmonics_at_ring(layout: Layout, *, orders: Array) -> Array:
    """Free harmonics at the steel ring's surface, mean over what magnets and stack share.

    The ring stands so close to the magnets that a circle there would need a great many
    samples. Three circles farther out are each scaled back as if the field had no ends;
    what is left to vary with the distance d is the effect of the ends, and is extrapolated
    as ``a + b d + c d ln d``, the form that fringing at an edge takes (within 0.5 % of
    dense sampling at the ring itself). Shape (family, order, design) [T per T].
    """
    n = orders[:, None] * layout.pole_pairs
    sign = 1 if layout.outer else -1
    back, ring = _back(layout), layout.ring_radius
    apart = np.abs(ring - back)
    first = np.minimum(_RING_LENGTHS * layout.length, _RING_POLES * back / layout.pole_pairs)
    # Circles within a small inner rotor must keep clear of the shaft's centre.
    first = np.minimum(np.maximum(first, apart), _RING_DEEPEST * back)
    shared = np.minimum(layout.length, layout.stack)
    distances = first * np.array([1, 2, 4])[:, None]
    fringing = _fringing(distances / first)  # (circle, form, design)
    wanted = _fringing(apart / first)[..., None]
    weights = np.linalg.solve(fringing.transpose(2, 1, 0), wanted.transpose(1, 0, 2))[..., 0].T
    value = np.zeros((len(layout.families), *n.shape))
    for distance, weight in zip(distances, weights, strict=True):
        radius = back + sign * distance
        free = free_harmonics(
            layout, radius=radius, length=shared, orders=orders, accurate_order=orders.max()
        )
        value += weight * free * (radius / ring) ** (n + 1 if layout.outer else 1 - n)
    return value


def _fringing(distance: Array) -> Array:
    """Return 1, d and d ln d, on the axis before the last."""
    log = np.log(np.where(distance > 0, distance, 1))
    return np.stack([np.ones_like(distance), distance, distance * log], axis=-2)


def _back(layout: Layout) -> Array:
    """Radius of the magnets' farthest point from the gap."""
    return layout.outer_radius if layout.outer else layout.inner_radius


def _take(shape: Any, members: NDArray[np.bool_]) -> Any:
    fields = {f.name: getattr(shape, f.name)[members] for f in dataclasses.fields(shape)}
    return type(shape)(**fields)


def _axial_nodes(layout: Layout, length: Array, apart: Array) -> tuple[Array, Array]:
    """Return heights z and weights (sum 1) over half a length, shape (design, node).

    The field changes over the distance to the magnets at their ends and slowly elsewhere:
    ``distance from the end = apart sinh(u)`` spreads the Gauss points accordingly. Where
    the length exceeds the magnets', a second panel goes outwards from their end.
    """
    half, end = length / 2, np.minimum(layout.length, length) / 2
    apart = apart[:, None]
    x, w = np.polynomial.legendre.leggauss(_AXIAL_NODES)

    def panel(depth: Array, outwards: int) -> tuple[Array, Array]:
        top = np.arcsinh(depth[:, None] / apart)
        u = top * (x + 1) / 2
        z = end[:, None] + outwards * apart * np.sinh(u)
        weight = np.cosh(u) * w
        # An even field along a panel must have itself as its mean.
        return z, weight / weight.sum(axis=1, keepdims=True) * (depth / half)[:, None]

    z, weight = panel(end, -1)
    if np.any(half > end * (1 + 1e-9)):
        beyond = panel(half - end, 1)
        z, weight = np.hstack([z, beyond[0]]), np.hstack([weight, beyond[1]])
    # A panel of no depth sits on the magnets' end face, where arcs have no value.
    return np.where(weight > 0, z, 0), weight
