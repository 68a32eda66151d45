"""Flux density in the plane across the middle of the magnets, between and inside them."""

from __future__ import annotations

import numpy as np

from arrayopt.field.images import ring_sources
from arrayopt.field.kernel import AirgapField
from arrayopt.field.sheets import sheet_fields
from arrayopt.layout import Layout
from arrayopt.layout.shapes import Arcs, Shapes
from arrayopt.quantities import Array

_CHUNK = 1 << 19  # field values worked on at once


def field_in_plane(layout: Layout, field: AirgapField, *, radii: Array, angles: Array) -> Array:
    """Return the flux density in mid-length on a polar grid, with stator and steel ring.

    Valid on the magnets' side of each iron. Images are exact for long irons in two dimensions.

    Parameters
    ----------
    layout, field
        A batch of one.
    radii : ndarray, shape (radius,)
        [m].
    angles : ndarray, shape (angle,)
        From the axis of a main magnet [rad].

    Returns
    -------
    ndarray, shape (2, radius, angle)
        Radial and tangential flux density [T].

    """
    r, turn = np.meshgrid(radii, angles, indexing="ij")
    c, s = np.cos(turn), np.sin(turn)
    points = np.array([(r * c).ravel(), (r * s).ravel()])
    total = np.zeros((2, points.shape[1]))
    middle = np.zeros(1)
    near, far = ring_sources(layout, field, 0)
    for sheets in (*near, *far):
        step = max(_CHUNK // points.shape[1], 1)
        for i in range(0, len(sheets.charge), step):
            part = sheet_fields(sheets.some(slice(i, i + step)), points, middle)
            total += part[:2, ..., 0].sum(axis=1)
    x, y = total.reshape(2, *r.shape)
    B = np.array([c * x + s * y, c * y - s * x])
    return B + _polarisation(layout, field, r, turn)


def _polarisation(layout: Layout, field: AirgapField, r: Array, turn: Array) -> Array:
    """Polarisation at points, radial and tangential; zero outside the magnets."""
    M = layout.magnets_per_pole_pair
    count = int(layout.pole_pairs[0]) * M
    pitch = 2 * np.pi / count
    place = np.round(turn / pitch).astype(int)
    found = np.zeros((2, *r.shape))
    for k in range(M):
        i = layout.family_at(k)
        J = float(field.polarisation[i, 0])
        # Wide magnets reach past the middle to their neighbours, so these are asked too.
        for shift in (-1, 0, 1):
            off = turn - (place + shift) * pitch
            here = ((place + shift) % M == k) & _inside(layout.shapes[i], r, off)
            b = layout.direction_at(k) - off
            found[0][here] = J * np.cos(b[here])
            found[1][here] = J * np.sin(b[here])
    return found


def _inside(shape: Shapes, r: Array, turn: Array) -> Array:
    lo, hi = float(shape.lo[0]), float(shape.hi[0])
    if isinstance(shape, Arcs):
        return np.asarray((r > lo) & (r < hi) & (np.abs(turn) < float(shape.span[0]) / 2))
    x, y = r * np.cos(turn), r * np.sin(turn)
    return np.asarray((x > lo) & (x < hi) & (np.abs(y) < float(shape.width[0]) / 2))
