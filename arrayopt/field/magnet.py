"""Harmonics of one magnet's free-space field round the whole circle, by magpylib.

Every magnet sits at angle zero. Its radial flux density on a cylinder is even in
angle for radial and odd for tangential polarisation, and even along the shaft, so
half a circle of half a stack says all. Only this module calls magpylib.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from magpylib.core import magnet_cuboid_Bfield
from numpy.typing import NDArray

from arrayopt.field.panels import Panels, graded_panels, wave_integrals
from arrayopt.layout.shapes import Arcs, Blocks, Shapes, gauss_points
from arrayopt.quantities import Array

CHUNK = 8192  # rows per kernel call: its temporaries then stay in the processor's cache
_THROUGH_ARC = 8  # thin blocks that stand for an arc
_THROUGH_X, _THROUGH_W = gauss_points(_THROUGH_ARC)
_THIN = 0.02  # their side over the distance to the circle: 2e-5 off a line
_CHORD = np.radians(3)  # of an arc where the observers are inside: 1e-4 of the radius off it
_FAR = 1e3  # radii to the faces of a block that are not to be seen: 1e-6 of the near one
# Digits (natural) of the field on its circle; thin lines are rougher than whole blocks.
_BLOCK_DIGITS, _LINE_DIGITS = 7.0, 8.0

# glibc hands freed blocks above a threshold back to the system, so that every temporary
# of the kernel is paged in anew, more than doubling its time. The threshold follows the
# largest block freed so far: one untouched 24 MB block raises it. No effect elsewhere.
np.empty(24 << 20, dtype=np.uint8)


def free_field(shape: Shapes, *, length: Array, points: Array) -> Array:
    """Free-space field of unit-polarised magnets, design by design.

    Parameters
    ----------
    shape : Blocks or Arcs
        Cross-sections, batch of d designs.
    length : ndarray, shape (d,)
        Magnet length along the shaft [m], centred on z = 0.
    points : ndarray, shape (3, d, n)
        Cartesian observers in the magnet's frame [m].

    Returns
    -------
    ndarray of complex, shape (2, d, n)
        Cartesian flux density across the shaft [T per T]: the real part belongs to
        polarisation along x, the imaginary part to polarisation along y. Inside a magnet this
        is mu0 H, without the magnet's own J.

    """
    if isinstance(shape, Arcs):
        return _arc_field(shape, length, points)
    local = points.copy()
    local[0] -= ((shape.lo + shape.hi) / 2)[:, None]
    return _field_in_frame(local, np.stack([shape.thickness, shape.width, length]), (1.0, 1j))


def _arc_field(shape: Arcs, length: Array, points: Array) -> Array:
    """Add the fields of an arc's charged faces: chords of its curved sides, and its flat sides.

    A block whose other faces are far away stands for each of them: magpylib's own formula for
    ring segments takes several hundred times as long.
    """
    count = np.ceil(shape.span / _CHORD).astype(int)
    owner = np.repeat(np.arange(len(count)), count)
    place = np.arange(len(owner)) - (np.cumsum(count) - count)[owner]
    angle = (shape.span / count)[owner]
    turn = (place + 0.5) * angle - shape.span[owner] / 2
    near = np.sinc(angle / 2 / np.pi)  # a chord's mean distance from the shaft over its arc's
    hi, lo, half = shape.hi[owner] * near, shape.lo[owner] * near, shape.span / 2
    flat, middle, thick = np.zeros_like(half), (shape.hi + shape.lo) / 2, shape.thickness
    # Outer, inner and either flat side: direction and distance of the face, place along it, width.
    faces = [
        (owner, turn, hi, 0 * hi, hi * angle),
        (owner, turn + np.pi, -lo, 0 * lo, lo * angle),
        (np.arange(len(half)), half + np.pi / 2, flat, -middle, thick),
        (np.arange(len(half)), -half - np.pi / 2, flat, middle, thick),
    ]
    owner, normal, distance, along, width = (np.concatenate(p) for p in zip(*faces, strict=True))
    depth = _FAR * shape.hi[owner]
    c, s = np.cos(normal)[:, None], np.sin(normal)[:, None]
    x, y, z = points[:, owner]
    local = np.stack([c * x + s * y, c * y - s * x, z])
    local[:2] -= np.stack([distance - depth / 2, along])[..., None]
    Bx, By = _field_in_frame(local, np.stack([depth, width, length[owner]]), (1.0, 0.0))
    charge = c + 1j * s  # of polarisation along x, and along y
    out = np.zeros((points.shape[1], 2, points.shape[2]), dtype=complex)
    np.add.at(out, owner, np.stack([c * Bx - s * By, s * Bx + c * By], axis=1) * charge[:, None])
    return np.moveaxis(out, 1, 0)


def _field_in_frame(points: Array, size: Array, polarisation: tuple[complex, complex]) -> Array:
    """Return mu0 H across the shaft in blocks' own frames; points (3, d, n), size (3, d)."""
    sides = np.broadcast_to(size[..., None], points.shape)
    B = _block_field(points.reshape(3, -1), sides.reshape(3, -1), polarisation)
    inside = (np.abs(points) < sides / 2).all(axis=0)
    own = np.array(polarisation)[:, None, None] * inside
    return np.asarray(B.reshape(2, *points.shape[1:]) - own)


def _block_field(points: Array, size: Array, polarisation: tuple[complex, complex]) -> Array:
    """Flux density Bx and By in blocks' own frames, shape (2, row).

    Rows are worked on in parts that stay in the processor's cache. magpylib's formula
    holds for positive x and negative y and z; points are mirrored there, which costs less
    here than magpylib's own masks.
    """
    along_x, along_y = polarisation
    kind = np.result_type(along_x, along_y, float)
    out = np.empty((2, points.shape[1]), dtype=kind)
    for start in range(0, points.shape[1], CHUNK):
        x, y, z = points[:, start : start + CHUNK]
        mirrored = np.stack([np.abs(x), -np.abs(y), -np.abs(z)])
        turn = np.where((x < 0) == (y < 0), -1.0, 1.0)
        J = np.zeros(mirrored.shape, dtype=kind)
        J[0], J[1] = along_x, along_y * turn
        B = magnet_cuboid_Bfield(mirrored.T, size[:, start : start + CHUNK].T, J.T).T
        out[0, start : start + CHUNK], out[1, start : start + CHUNK] = B[0], B[1] * turn
    return out


class Circle(NamedTuple):
    """Where harmonics are wanted, batch of d designs.

    Attributes
    ----------
    radius : ndarray, shape (d,)
        Of the cylinder [m].
    z, z_weight : ndarray, shape (d, k)
        Axial positions [m] and weights (sum 1).
    pole_pairs : ndarray of int, shape (d,)
    orders : ndarray of int, shape (m,)
        Harmonics per pole pair.

    """

    radius: Array
    z: Array
    z_weight: Array
    pole_pairs: NDArray[np.int64]
    orders: NDArray[np.int64]


def circle_harmonics(
    shape: Shapes, *, length: Array, circle: Circle, kinds: tuple[bool, bool]
) -> tuple[Array, Array]:
    """Stack-mean harmonics of the radial flux density of one magnet.

    Parameters
    ----------
    shape, length
        Magnet cross-sections and lengths [m], batch of d designs.
    circle : Circle
    kinds : (bool, bool)
        Whether the radial and the tangential response are wanted; the other is zero.

    Returns
    -------
    cosine, sine : ndarray, shape (d, m)
        Cosine harmonics for radial and sine harmonics for tangential polarisation [T per T].

    """
    if isinstance(shape, Arcs):
        return _arc_harmonics(shape, length, circle)
    near = _edges(shape, circle.radius)
    return _block_harmonics(shape, length, circle, kinds, edges=near, digits=_BLOCK_DIGITS)


def _arc_harmonics(shape: Arcs, length: Array, circle: Circle) -> tuple[Array, Array]:
    """Sum thin blocks through the thickness, turned through the span in closed form.

    A turned dipole has the same harmonics with another phase, so only the radius needs
    numbers: a few thin blocks instead of ring segments, whose own formula takes a hundred
    times as long (derived; `tests` hold it against magpylib's ring segments).
    """
    d, m = len(length), len(circle.orders)
    middle = (shape.lo[:, None] + shape.hi[:, None] + shape.thickness[:, None] * _THROUGH_X) / 2
    middle = middle.ravel()
    radius, z, z_weight, p = (np.repeat(a, _THROUGH_ARC, axis=0) for a in circle[:4])
    each = Circle(radius, z, z_weight, p, circle.orders)
    side = _THIN * np.abs(middle - each.radius)
    thin = Blocks(middle - side / 2, middle + side / 2, side)
    line = 1j * np.abs(np.log(middle / each.radius))[None]
    radial, tangential = _block_harmonics(
        thin,
        np.repeat(length, _THROUGH_ARC),
        each,
        (True, True),
        edges=line,
        digits=_LINE_DIGITS,
    )
    weight = (_THROUGH_W / 2 * shape.thickness[:, None] * middle.reshape(d, -1))[..., None]
    C, S = (
        ((part / side[:, None] ** 2).reshape(d, _THROUGH_ARC, m) * weight).sum(axis=1)
        for part in (radial, tangential)
    )
    h = shape.span[:, None] / 2
    n = circle.pole_pairs[:, None] * circle.orders
    less, more = (h * np.sinc((n + k) * h / np.pi) for k in (-1, 1))
    # Integrals of cos t cos nt and of sin t sin nt over the span.
    both, cross = less + more, less - more
    return C * both + S * cross, C * cross + S * both


def _edges(shape: Blocks, radius: Array) -> Array:
    """Edges of a block as complex angles on a circle (see `graded_panels`), (edge, design)."""
    half = shape.width / 2
    corners = [
        np.arctan2(half, x) + 1j * np.abs(np.log(np.hypot(x, half) / radius))
        for x in (shape.lo, shape.hi)
    ]
    # From inside, the middle of a flat face is nearer than its corners; its edges at the
    # magnet's ends are as rough there. Outside, or level with the face, it has none.
    flat = 1j * np.arccosh(np.maximum(shape.lo / radius, 1))
    return np.array([*corners, np.where(radius < shape.lo, flat, corners[1])])


def _block_harmonics(
    shape: Blocks,
    length: Array,
    circle: Circle,
    kinds: tuple[bool, bool],
    *,
    edges: Array,
    digits: float,
) -> tuple[Array, Array]:
    """Sample half a circle of half a stack on panels graded towards the edges, and project."""
    gap, p = edges.imag.min(axis=0), circle.pole_pairs
    # The fundamental has decayed across the gap, so the field needs that many digits more.
    panels = graded_panels(edges, size=np.abs(edges).max(axis=0), accuracy=digits + p * gap)
    values = _stack_means(shape, length, circle, panels, kinds)
    waves = p[:, None] * circle.orders
    zero = np.zeros(waves.shape)
    return (
        2 / np.pi * wave_integrals(values[0], panels, waves).real if kinds[0] else zero,
        2 / np.pi * wave_integrals(values[1], panels, waves).imag if kinds[1] else zero,
    )


def _stack_means(
    shape: Blocks, length: Array, circle: Circle, panels: Panels, kinds: tuple[bool, bool]
) -> tuple[Array, Array]:
    """Stack-mean radial flux density at panels' nodes of either kind, shape (panel, node)."""
    turn, design = panels.angles, panels.design
    c, s = np.cos(turn)[..., None], np.sin(turn)[..., None]
    r = circle.radius[design][:, None, None]
    points = np.empty((3, *turn.shape, circle.z.shape[1]))
    points[0] = r * c - ((shape.lo + shape.hi) / 2)[design][:, None, None]
    points[1] = r * s
    points[2] = circle.z[design][:, None, :]
    size = np.stack([shape.thickness, shape.width, length])[:, design, None, None]
    sides = np.broadcast_to(size, points.shape).reshape(3, -1)
    # One call for both kinds where both are wanted: the field is linear in the polarisation.
    polarisation = (float(kinds[0]), 1j if all(kinds) else float(kinds[1]))
    Bx, By = _block_field(points.reshape(3, -1), sides, polarisation).reshape(2, *points.shape[1:])
    mean = ((Bx * c + By * s) * circle.z_weight[design][:, None, :]).sum(axis=2)
    return mean.real, mean.imag if all(kinds) else mean
