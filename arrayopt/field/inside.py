"""Field inside the magnets point by point: every magnet of the ring and its images in the iron.

A magnet of one polarisation along its cross-section is a prism whose sides carry magnetic
charge, and a charged rectangle has a closed form. So blocks and arcs are the same code, and
an iron cylinder is the same charges turned outside in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.field.images import ring_sources
from arrayopt.field.kernel import AirgapField
from arrayopt.field.sheets import Sheets, field_along
from arrayopt.layout import Layout
from arrayopt.layout.shapes import Arcs, Shapes
from arrayopt.quantities import Array

# Points through the section, across half of it, and along half the length. Against two and
# a half times as many each way: percentiles of the reverse field within 0.4 %, the share of
# volume beyond a limit within 0.001 where it is under 5 %, and within 0.005 elsewhere (0.02
# where a steel ring makes half of a magnet alike).
THROUGH, ACROSS, ALONG = 24, 16, 6
# The field of far sources is smooth and read from a coarse grid.
_COARSE = 6  # points a side
_CHUNK = 1 << 15  # field values worked on at once: they then stay in the processor's cache


@dataclass(frozen=True)
class FieldInside:
    """Field in one member of a family, in the frame that has this magnet at angle zero.

    Attributes
    ----------
    x, y : ndarray, shape (through, across)
        Points of the cross-section [m]; x runs away from the shaft.
    z : ndarray, shape (height,)
        Heights from the middle, first, to the end of the magnet, last [m].
    weight : ndarray, shape (through, across, height)
        Share of the magnet's volume that a point stands for; adds up to 1. Middle and
        end have none, they are there to be looked at.
    direction : float
        Angle of the polarisation against the magnet's own radius [rad].
    along : ndarray, shape (through, across, height)
        mu0 H along the polarisation [T]; negative is a reverse field.

    """

    x: Array
    y: Array
    z: Array
    weight: Array
    direction: float
    along: Array


def field_inside(
    layout: Layout,
    field: AirgapField,
    family: int,
    *,
    through: int = THROUGH,
    across: int = ACROSS,
    along: int = ALONG,
) -> FieldInside:
    """Return the field in one magnet of a layout of one design, at its settled polarisation.

    Rows of a skewed rotor are taken as one magnet. Iron ends where the shorter of stack
    and magnets ends, and has its images there.

    Parameters
    ----------
    layout, field
        A batch of one.
    family : int
        Place of the family in the layout.
    through, across, along : int
        Points through the section, across half of it, and along half the length.

    References
    ----------
    Field of a charged rectangle: textbook integral of Coulomb's law (derived). Images in
    a cylinder: inversion, exact in two dimensions (derived), between two of them repeated;
    along the shaft they are as long as the magnet, exact for a flat long iron only.

    """
    shape, place = layout.shapes[family], layout.families[family].places[0]
    direction = layout.families[family].directions[0]
    z, z_weight = _heights(float(layout.length[0]), float(shape.thickness[0]), along)
    u, v = (2 * np.arange(n) + 1 - n for n in (through, 2 * across))
    # Points crowd towards the faces, where the field changes fast.
    s, t = np.sin(np.pi / 2 * u / through), np.sin(np.pi / 4 * v / across)
    mirrored = abs(np.sin(2 * direction)) < 1e-9  # then the field along m is even in y
    kept = t[across:] if mirrored else t
    x, y = _points(shape, s, kept)
    near, far = ring_sources(layout, field, place)
    m = np.array([np.cos(direction), np.sin(direction)])
    values = _along(near, x, y, z, m)
    if far:
        node = np.sin(np.pi / 2 * (2 * np.arange(_COARSE) + 1 - _COARSE) / _COARSE)
        low, high = kept[0], kept[-1]
        side = (low + high) / 2 + (high - low) / 2 * node
        coarse = _along(far, *_points(shape, node, side), z, m)
        values += np.einsum("ia,jb,abk->ijk", polynomial(node, s), polynomial(side, kept), coarse)
    if mirrored:
        x, y = np.hstack([x[:, ::-1], x]), np.hstack([-y[:, ::-1], y])
        values = np.concatenate([values[:, ::-1], values], axis=1)
    section = np.outer(_cells(through), _cells(2 * across))
    if isinstance(shape, Arcs):
        section = section * np.hypot(x, y)
    weight = (section / section.sum())[..., None] * z_weight
    return FieldInside(x, y, z, weight, direction, values)


def _cells(n: int) -> Array:
    """Widths of the cells round points that crowd towards both ends."""
    return np.diff(np.sin(np.pi * (np.arange(n + 1) / n - 0.5)))


def _heights(length: float, thickness: float, n: int) -> tuple[Array, Array]:
    """Gauss points that crowd towards the end, with middle and end at no weight; weights."""
    u, w = np.polynomial.legendre.leggauss(n)
    deep = np.arcsinh(length / 2 / thickness)
    t = deep * (1 - u) / 2
    z = length / 2 - thickness * np.sinh(t)
    weight = w * np.cosh(t)
    ends = [0.0]
    return (
        np.concatenate([ends, z, [length / 2]]),
        np.concatenate([ends, weight / weight.sum(), ends]),
    )


def _points(shape: Shapes, s: Array, t: Array) -> tuple[Array, Array]:
    """Points of the section from shares -1 to 1 of its thickness and of its width."""
    lo, hi = float(shape.lo[0]), float(shape.hi[0])
    depth = ((lo + hi) / 2 + (hi - lo) / 2 * s)[:, None]
    if isinstance(shape, Arcs):
        turn = float(shape.span[0]) / 2 * t
        return depth * np.cos(turn), depth * np.sin(turn)
    x, y = np.broadcast_arrays(depth, float(shape.width[0]) / 2 * t)
    return x, y


def _along(sources: list[Sheets], x: Array, y: Array, z: Array, m: Array) -> Array:
    """Field along a direction at all points and heights, shape (*x.shape, height) [T]."""
    points = np.array([x.ravel(), y.ravel()])
    total = np.zeros((points.shape[1], len(z)))
    for sheets in sources:
        step = max(_CHUNK // total.size, 1)
        for i in range(0, len(sheets.charge), step):
            total += field_along(sheets.some(slice(i, i + step)), points, z, m)
    return total.reshape(*x.shape, len(z))


def polynomial(nodes: Array, at: Array) -> Array:
    """Values at points from values at nodes, by the polynomial through them, (point, node)."""
    apart = nodes[:, None] - nodes + np.eye(len(nodes))
    away = (at[:, None] - nodes)[:, None, :]
    itself = np.eye(len(nodes), dtype=bool)
    return np.asarray(np.where(itself, 1.0, away / apart).prod(axis=2))
