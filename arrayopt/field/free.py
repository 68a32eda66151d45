"""Harmonics of whole rings in free space, averaged along the shaft."""

from __future__ import annotations

import numpy as np

from arrayopt.field.magnet import Circle, circle_harmonics
from arrayopt.layout import Layout
from arrayopt.layout.shapes import gauss_points
from arrayopt.quantities import Array

# Gauss points from the middle of the stack to the magnets' end
_GAUSS = gauss_points(5)
_TOUCHING = 3e-4  # of the magnets' radius: nearer circles are not sampled


def free_harmonics(layout: Layout, *, radius: Array, length: Array, orders: Array) -> Array:
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

    Returns
    -------
    ndarray, shape (family, order, design)
        Amplitudes of the cosine series about a main magnet's axis, one tesla in that
        family alone [T per T].

    """
    p = layout.pole_pairs
    near = np.where((radius < layout.gap_radius) == layout.outer, layout.gap_radius, _back(layout))
    heights, weights = axial_nodes(layout, length, np.abs(near - radius))
    circle = Circle(radius, heights, weights, p, orders)
    radial, tangential = layout.direction_sums(orders)
    rings = []
    for shape, along, across in zip(layout.shapes, radial, tangential, strict=True):
        kinds = bool(np.any(along)), bool(np.any(across))
        cosine, sine = circle_harmonics(shape, length=layout.length, circle=circle, kinds=kinds)
        rings.append(p * (along[:, None] * cosine.T + across[:, None] * sine.T))
    return np.array(rings)


def free_harmonics_at_ring(layout: Layout, *, orders: Array) -> Array:
    """Free harmonics at the steel ring's surface, mean over what magnets and stack share.

    A ring that touches the magnets is read a hair's breadth away and scaled back as if the
    field had no ends. Shape (family, order, design) [T per T].
    """
    n = orders[:, None] * layout.pole_pairs
    radius = radius_at_ring(layout, least=_TOUCHING)
    shared = np.minimum(layout.length, layout.stack)
    free = free_harmonics(layout, radius=radius, length=shared, orders=orders)
    return np.asarray(free * (radius / layout.ring_radius) ** (layout.sign * n + 1))


def radius_at_ring(layout: Layout, *, least: float) -> Array:
    """Radius at which the field at the ring is read: at least some share of it off the magnets."""
    back, sign = _back(layout), layout.sign
    return np.asarray(back + sign * np.maximum(np.abs(layout.ring_radius - back), least * back))


def _back(layout: Layout) -> Array:
    """Radius of the magnets' farthest point from the gap."""
    return layout.outer_radius if layout.outer else layout.inner_radius


def axial_nodes(layout: Layout, length: Array, apart: Array) -> tuple[Array, Array]:
    """Return heights z and weights (sum 1) over half a length, shape (design, node).

    The field changes over the distance to the magnets at their ends and slowly elsewhere:
    ``distance from the end = apart sinh(u)`` spreads the Gauss points accordingly. Where
    the length exceeds the magnets', a second panel goes outwards from their end.
    """
    half, end = length / 2, np.minimum(layout.length, length) / 2
    apart = apart[:, None]
    x, w = _GAUSS

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
