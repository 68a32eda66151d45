"""Two-dimensional (infinitely long) multipoles of one magnet, and the ideal ring.

They tell how much of the ideal ring a layout reaches and how much its ends cost.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.layout import Layout
from arrayopt.quantities import Array

_POINTS = 8  # Gauss points a side; exact to 1e-6 for sections up to a pole pitch


def planar_fundamental(layout: Layout, *, radius: Array) -> Array:
    """Radial fundamental of each family per tesla, without ends, shape (family, design).

    A line dipole of moment density J at z0 has ``Br - i Bt = J exp(i t)/(2 pi (z - z0)^2)``;
    its expansion in z is integrated over the cross-section by Gauss points (derived).

    Parameters
    ----------
    layout : Layout
    radius : ndarray, shape (design,)
        Where the field is wanted [m]: inside an outer rotor, outside an inner one.

    """
    n = layout.pole_pairs
    radial, tangential = layout.direction_sums(np.array([1]))
    rows = []
    for shape, cos_sum, sin_sum in zip(layout.shapes, radial[:, 0], tangential[:, 0], strict=True):
        x, y, weight = shape.cross_points(_POINTS)
        z = x + 1j * y
        ratio = radius[:, None] / z if layout.outer else z / radius[:, None]
        power = ratio ** (n[:, None] + layout.sign)
        moment = n / (2 * np.pi) * shape.area / radius**2 * (weight * power.real).sum(axis=1)
        # An inner multipole of tangential polarisation has the opposite sign.
        rows.append(n * moment * (cos_sum - layout.sign * sin_sum))
    return np.array(rows)


def ideal_ring(
    *, pole_pairs: NDArray[np.int64], inner: Array, outer: Array, radius: Array, outside: bool
) -> Array:
    """Fundamental of a ring whose polarisation turns continuously, per tesla of remanence.

    Parameters
    ----------
    pole_pairs : ndarray of int
    inner, outer, radius : ndarray
        Ring radii and where the field is wanted [m].
    outside : bool
        False for the field inside the ring (outer rotor), True for outside.

    Returns
    -------
    ndarray
        Peak radial flux density over remanence, infinitely long ring in free space.

    References
    ----------
    Ni Mhiochain et al. 1999, J. Appl. Phys. 86:6412; Zhu & Howe 2001, IEE Proc.
    Electr. Power Appl. 148:299 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> p, ri, ro = np.array([2]), np.array([1.0]), np.array([2.0])
    >>> ideal_ring(pole_pairs=p, inner=ri, outer=ro, radius=ri, outside=False)
    array([1.])
    """
    p = np.asarray(pole_pairs, dtype=float)
    inner, outer, radius = (np.asarray(r, dtype=float) for r in (inner, outer, radius))
    if outside:
        return np.asarray(
            p / (p + 1) * (1 - (inner / outer) ** (p + 1)) * (outer / radius) ** (p + 1)
        )
    one = p == 1
    q = np.where(one, 2.0, p) - 1
    general = (q + 1) / q * (1 - (inner / outer) ** q)
    return np.asarray(np.where(one, np.log(outer / inner), general) * (radius / inner) ** (p - 1))
