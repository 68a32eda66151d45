"""Harmonics of one magnet's free-space field round the whole circle, by magpylib.

Every magnet sits at angle zero. Its radial flux density on a cylinder is even in
angle for radial and odd for tangential polarisation, and even along the shaft, so
half a circle of half a stack says all. Only this module calls magpylib.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from magpylib.core import magnet_cuboid_Bfield, magnet_cylinder_segment_Hfield
from numpy.typing import NDArray

from arrayopt.layout.shapes import Arcs, Array, Blocks, Shapes

CHUNK = 8192  # rows per kernel call: its temporaries then stay in the processor's cache
_THROUGH_ARC = 6  # thin blocks that stand for an arc
_THIN = 0.02  # their side over the distance to the circle: 2e-5 off a line

# glibc hands freed blocks above a threshold back to the system, so that every temporary
# of the kernel is paged in anew, more than doubling its time. The threshold follows the
# largest block freed so far: one untouched 24 MB block raises it. No effect elsewhere.
np.empty(24 << 20, dtype=np.uint8)


def free_field(shape: Shapes, *, length: Array, points: Array, tangential: Array) -> Array:
    """Free-space B of unit-polarised magnets, design by design.

    Parameters
    ----------
    shape : Blocks or Arcs
        Cross-sections, batch of d designs.
    length : ndarray, shape (d,)
        Magnet length along the shaft [m], centred on z = 0.
    points : ndarray, shape (d, n, 3)
        Cartesian observers in the magnet's frame [m].
    tangential : ndarray of bool, shape (n,)
        Observers at which the polarisation is along y instead of x.

    Returns
    -------
    ndarray, shape (d, n, 2)
        Radial and tangential flux density [T per T] in cylinder components about
        the shaft. Inside a magnet this is mu0 H, without the magnet's own J.

    """
    d, n, _ = points.shape
    radius = np.hypot(points[..., 0], points[..., 1]).ravel()
    turn = np.arctan2(points[..., 1], points[..., 0]).ravel()
    along_y = np.broadcast_to(tangential, (d, n)).ravel()
    out = np.empty((d * n, 2))
    design = np.repeat(np.arange(d), n)
    z = points[..., 2].ravel()
    for start in range(0, d * n, CHUNK):
        part = slice(start, start + CHUNK)
        rows = _Rows(radius[part], turn[part], z[part], along_y[part])
        if isinstance(shape, Blocks):
            out[part] = _block_rows(shape, length, design[part], rows)
        else:
            out[part] = _arc_rows(shape, length, design[part], rows)
    return out.reshape(d, n, 2)


class _Rows(NamedTuple):
    """Observers in cylinder coordinates, and where the polarisation is along y; shape (row,)."""

    radius: Array
    turn: Array
    z: Array
    along_y: Array


def _block_rows(shape: Blocks, length: Array, design: Array, rows: _Rows) -> Array:
    c, s = np.cos(rows.turn), np.sin(rows.turn)
    x = rows.radius * c - ((shape.lo + shape.hi) / 2)[design]
    points = np.stack([x, rows.radius * s, rows.z], axis=1)
    size = np.stack([shape.thickness, shape.width, length], axis=1)[design]
    J = np.zeros_like(points)
    J[:, 0], J[:, 1] = ~rows.along_y, rows.along_y
    B = magnet_cuboid_Bfield(points, size, J)
    inside = (np.abs(points) < size / 2).all(axis=1)
    Bx, By = B[:, 0] - inside * J[:, 0], B[:, 1] - inside * J[:, 1]
    return np.stack([Bx * c + By * s, By * c - Bx * s], axis=1)


def _arc_rows(shape: Arcs, length: Array, design: Array, rows: _Rows) -> Array:
    half, span = length / 2, shape.span / 2
    size = np.stack([shape.lo, shape.hi, -span, span, -half, half], axis=1)[design]
    J = np.full((len(rows.z), 3), (1.0, 0.0, np.pi / 2))
    J[:, 1] = np.where(rows.along_y, np.pi / 2, 0.0)
    # Units of polarisation in, so mu0 H in tesla out; components are cylindrical.
    points = np.stack([rows.radius, rows.turn, rows.z], axis=1)
    H = magnet_cylinder_segment_Hfield(points, size, J)
    return np.asarray(H[:, :2])


def circle_harmonics(
    shape: Shapes,
    *,
    length: Array,
    radius: Array,
    z: Array,
    z_weight: Array,
    samples: int,
    orders: NDArray[np.int64],
    kinds: tuple[bool, bool],
) -> tuple[Array, Array]:
    """Stack-mean harmonics of the radial flux density of one magnet.

    Parameters
    ----------
    shape, length, radius
        Magnet cross-sections, lengths and the cylinder's radius, batch of d designs [m].
    z, z_weight : ndarray, shape (d, k)
        Axial positions [m] and weights (sum 1).
    samples : int
        Samples on half a circle.
    orders : ndarray of int, shape (d, m)
        Harmonics per turn.
    kinds : (bool, bool)
        Whether the radial and the tangential response are wanted; the other is zero.

    Returns
    -------
    cosine, sine : ndarray, shape (d, m)
        Cosine harmonics for radial and sine harmonics for tangential polarisation [T per T].

    """
    circle = {"length": length, "radius": radius, "z": z, "z_weight": z_weight, "samples": samples}
    if isinstance(shape, Arcs):
        return _arc_harmonics(shape, circle, orders)
    return _block_harmonics(shape, circle, orders, kinds)


def _arc_harmonics(shape: Arcs, circle: dict[str, Any], orders: Array) -> tuple[Array, Array]:
    """Sum thin blocks through the thickness, turned through the span in closed form.

    A turned dipole has the same harmonics with another phase, so only the radius needs
    numbers: six thin blocks instead of ring segments, whose own formula takes a hundred
    times as long (derived; `tests` hold it against magpylib's ring segments).
    """
    d, m = orders.shape
    u, w = np.polynomial.legendre.leggauss(_THROUGH_ARC)
    middle = (shape.lo[:, None] + shape.hi[:, None] + shape.thickness[:, None] * u) / 2
    side = np.minimum(np.abs(shape.lo - circle["radius"]), np.abs(shape.hi - circle["radius"]))
    side = np.repeat(side * _THIN, _THROUGH_ARC)
    thin = Blocks(middle.ravel() - side / 2, middle.ravel() + side / 2, side)
    spread = {
        name: value if name == "samples" else np.repeat(value, _THROUGH_ARC, axis=0)
        for name, value in circle.items()
    }
    orders_each = np.repeat(orders, _THROUGH_ARC, axis=0)
    radial, tangential = _block_harmonics(thin, spread, orders_each, (True, True))
    weight = (w / 2 * shape.thickness[:, None] * middle)[..., None]
    C, S = (
        ((part / side[:, None] ** 2).reshape(d, _THROUGH_ARC, m) * weight).sum(axis=1)
        for part in (radial, tangential)
    )
    h = shape.span[:, None] / 2
    less, more = (h * np.sinc((orders + k) * h / np.pi) for k in (-1, 1))
    # Integrals of cos t cos nt and of sin t sin nt over the span.
    both, cross = less + more, less - more
    return C * both + S * cross, C * cross + S * both


def _block_harmonics(
    shape: Blocks, circle: dict[str, Any], orders: Array, kinds: tuple[bool, bool]
) -> tuple[Array, Array]:
    """Sample half a circle of half a stack and project."""
    radius, z, samples = circle["radius"], circle["z"], circle["samples"]
    d, k = z.shape
    turn = (np.arange(samples) + 0.5) * np.pi / samples
    x, y = radius[:, None] * np.cos(turn), radius[:, None] * np.sin(turn)
    grid = np.empty((d, samples, k, 3))
    grid[..., 0], grid[..., 1], grid[..., 2] = x[..., None], y[..., None], z[:, None, :]
    points = grid.reshape(d, samples * k, 3)
    phase = orders[:, :, None] * turn
    result = []
    for along_y, wanted in zip((False, True), kinds, strict=True):
        if not wanted:
            result.append(np.zeros(orders.shape))
            continue
        tangential = np.full(samples * k, along_y)
        B = free_field(shape, length=circle["length"], points=points, tangential=tangential)
        mean = (B[..., 0].reshape(d, samples, k) * circle["z_weight"][:, None, :]).sum(axis=2)
        wave = np.sin(phase) if along_y else np.cos(phase)
        result.append(2 / samples * (wave * mean[:, None, :]).sum(axis=2))
    return result[0], result[1]
