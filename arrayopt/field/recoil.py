"""Recoil permeability: each family's polarisation settles with the field that it sees."""

from __future__ import annotations

import numpy as np

from arrayopt.field.iron import IronSurfaces
from arrayopt.field.magnet import free_field
from arrayopt.layout import Layout
from arrayopt.layout.shapes import Arcs, Array, Shapes

# Gauss points a side of the cross-section. Arcs cost a hundred times as much a point;
# coarser points move the fundamental by less than 0.1 %.
_BLOCK_CROSS, _ARC_CROSS = 3, 2
_AXIAL = 2  # Gauss points along half the length


def settled_polarisation(
    layout: Layout, irons: IronSurfaces, stator_unit: Array, ring_unit: Array, orders: Array
) -> Array:
    """Polarisation of each family, shape (family, design) [T].

    Solves ``J = Br + (mu_r - 1) mu0 H`` with H the volume-mean field along the
    magnet's own polarisation from all families and their images: one cell a magnet.

    Parameters
    ----------
    layout, irons
    stator_unit, ring_unit : ndarray, shape (family, order, design)
        Surface harmonics with iron per tesla of each family.
    orders : ndarray, shape (order, design)
        Harmonics per turn.

    References
    ----------
    Derived; against the annulus solution of full rings at mu_r = 1.05 the fundamental of
    arrays is within 0.5 %, with a steel ring alone 1.5 %; plain arcs of few pole pairs, whose
    field varies most within a magnet, read up to 4 % high.

    """
    temperature = [study.rotor.magnet_temperature_c for study in layout.studies]
    remanence = np.array(
        [[g.remanence_at(t) for g, t in zip(row, temperature, strict=True)]
         for row in layout.grades]
    )  # fmt: skip
    recoil = np.array([[grade.recoil_permeability for grade in row] for row in layout.grades])
    seen = _neighbour_field(layout) + _image_field(layout, irons, stator_unit, ring_unit, orders)
    system = np.eye(len(layout.families))[..., None] - (recoil - 1)[:, None, :] * seen
    settled = np.linalg.solve(np.moveaxis(system, -1, 0), remanence.T[..., None])
    return np.asarray(settled[..., 0].T)


def _neighbour_field(layout: Layout) -> Array:
    """Free field of a pole pair's worth of magnets to either side, (seen by, from, design)."""
    M, d = layout.magnets_per_pole_pair, len(layout)
    F, sense = len(layout.families), 1 if layout.outer else -1
    owner = {k: i for i, family in enumerate(layout.families) for k in family.places}
    pitch = 2 * np.pi / (layout.pole_pairs * M)
    window = min(2 * M + 1, int(layout.pole_pairs.min()) * M)  # a ring of one pole pair is all
    offsets = range(-(window // 2), window - window // 2)
    u, w = np.polynomial.legendre.leggauss(_AXIAL)
    z = layout.length[:, None] / 2 * (u + 1) / 2
    seen = np.zeros((F, F, d))
    for f, (family, shape) in enumerate(zip(layout.families, layout.shapes, strict=True)):
        x, y, weight = _cross_points(shape)
        k, own = family.places[0], family.directions[0]
        for source in range(F):
            turns = [k + o for o in offsets if owner[(k + o) % M] == source]
            if not turns:
                continue
            points, axis, factor = [], [], []
            for K in turns:
                b = sense * 2 * np.pi * K / M
                angle = (pitch * (k - K))[:, None]
                px = x * np.cos(angle) - y * np.sin(angle)
                py = x * np.sin(angle) + y * np.cos(angle)
                for along_y, share in ((False, np.cos(b)), (True, np.sin(b))):
                    if abs(share) > 1e-12:
                        points.append(_with_z(px, py, z))
                        axis.append(along_y)
                        factor.append(share)
            n = x.shape[1] * _AXIAL
            B = free_field(
                layout.shapes[source],
                length=layout.length,
                points=np.concatenate(points, axis=1),
                tangential=np.repeat(axis, n),
            ).reshape(d, len(points), x.shape[1], _AXIAL, 2)
            mean = np.einsum("dpcak,p,a->dck", B, np.array(factor), w / 2)
            seen[f, source] = _along(own, mean, x, y, weight)
    return seen


def _image_field(
    layout: Layout, irons: IronSurfaces, stator_unit: Array, ring_unit: Array, orders: Array
) -> Array:
    """Field of the images in the iron, shape (seen by, from, design)."""
    rows = []
    pitch = 2 * np.pi / (layout.pole_pairs * layout.magnets_per_pole_pair)
    for family, shape in zip(layout.families, layout.shapes, strict=True):
        x, y, weight = _cross_points(shape)
        radius = np.hypot(x, y).T[:, None, None, :]  # (point, family, order, design)
        turn = np.arctan2(y, x).T + family.places[0] * pitch
        radial, tangential = irons.reflected(stator_unit, ring_unit, orders, radius)
        phase = orders * turn[:, None, None, :]
        B = np.stack([radial * np.cos(phase), tangential * np.sin(phase)]).sum(axis=3).T
        rows.append(
            [
                _along(family.directions[0], B[:, g], x, y, weight)
                for g in range(len(layout.families))
            ]
        )
    return np.array(rows)


def _cross_points(shape: Shapes) -> tuple[Array, Array, Array]:
    return shape.cross_points(_ARC_CROSS if isinstance(shape, Arcs) else _BLOCK_CROSS)


def _with_z(x: Array, y: Array, z: Array) -> Array:
    """Points at every z, shape (design, point * z, 3)."""
    d, n, k = x.shape[0], x.shape[1], z.shape[1]
    out = np.empty((d, n, k, 3))
    out[..., 0], out[..., 1], out[..., 2] = x[..., None], y[..., None], z[:, None, :]
    return out.reshape(d, n * k, 3)


def _along(own: float, field: Array, x: Array, y: Array, weight: Array) -> Array:
    """Section mean of (radial, tangential) fields along a direction given against the radius."""
    turn = own - np.arctan2(y, x)
    along = field[..., 0] * np.cos(turn) + field[..., 1] * np.sin(turn)
    return np.asarray((along * weight).sum(axis=1))
