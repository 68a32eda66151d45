"""Recoil permeability: each family's polarisation settles with the field that it sees."""

from __future__ import annotations

import numpy as np

from arrayopt.field.iron import IronSurfaces
from arrayopt.field.magnet import free_field
from arrayopt.layout import Layout
from arrayopt.layout.shapes import Arcs, Shapes, gauss_points
from arrayopt.quantities import Array

# Gauss points a side of the cross-section. Arcs of two come nearer to the annulus solution: at
# a permeability of 1.05 three are up to 0.7 % off it.
_BLOCK_CROSS, _ARC_CROSS = 3, 2
_AXIAL_GAUSS = gauss_points(2)  # along half the length


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
    M, F = layout.magnets_per_pole_pair, len(layout.families)
    window = min(2 * M + 1, int(layout.pole_pairs.min()) * M)  # a ring of one pole pair is all
    offsets = range(-(window // 2), window - window // 2)
    seen = np.zeros((F, F, len(layout)))
    for f, family in enumerate(layout.families):
        k, own = family.places[0], family.directions[0]
        for source in range(F):
            turns = [o for o in offsets if layout.family_at(k + o) == source]
            apart = sorted({abs(o) for o in turns})
            if not apart:
                continue
            means = dict(zip(apart, _mean_fields(layout, f, source, apart), strict=True))
            for o in turns:
                b = layout.direction_at(k + o)
                # Two sections are mirrored with their places: only signs change across.
                across = 1 if o >= 0 else -1
                Bx = means[abs(o)][0] * np.exp(-1j * across * b)
                By = means[abs(o)][1] * np.exp(-1j * across * b)
                seen[f, source] += np.cos(own) * Bx.real + np.sin(own) * across * By.real
    return seen


def _mean_fields(layout: Layout, family: int, source: int, apart: list[int]) -> Array:
    """Field of magnets some places ahead, mean over a magnet, in its frame; (place, 2, design).

    Complex as in `free_field`: real for a source polarised along its own radius, imaginary
    for one that is polarised across it.
    """
    shape, d = layout.shapes[family], len(layout)
    x, y, weight = _cross_points(shape)
    u, w = _AXIAL_GAUSS
    z = layout.length[:, None] / 2 * (u + 1) / 2
    pitch = 2 * np.pi / (layout.pole_pairs * layout.magnets_per_pole_pair)
    turn = (np.array(apart)[:, None] * pitch)[..., None]
    c, s = np.cos(turn), np.sin(turn)
    points = np.empty((3, d, len(apart), x.shape[1], len(u)))
    points[0] = np.moveaxis(c * x + s * y, 0, 1)[..., None]
    points[1] = np.moveaxis(c * y - s * x, 0, 1)[..., None]
    points[2] = z[:, None, None, :]
    B = free_field(
        layout.shapes[source], length=layout.length, points=points.reshape(3, d, -1)
    ).reshape(2, *points.shape[1:])
    Bx, By = np.moveaxis((B * weight[:, None, :, None] * w / 2).sum(axis=(3, 4)), 2, 1)
    c, s = c[..., 0], s[..., 0]
    return np.stack([c * Bx - s * By, s * Bx + c * By], axis=1)


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


def _along(own: float, field: Array, x: Array, y: Array, weight: Array) -> Array:
    """Section mean of (radial, tangential) fields along a direction given against the radius."""
    turn = own - np.arctan2(y, x)
    along = field[..., 0] * np.cos(turn) + field[..., 1] * np.sin(turn)
    return np.asarray((along * weight).sum(axis=1))
