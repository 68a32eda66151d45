"""Harmonics of a field that is rough near a magnet and smooth everywhere else on its circle.

Half a circle is halved again and again towards the magnet's edges. On each panel the field is
a short series of Legendre polynomials, and these are integrated against waves exactly,
however many waves a panel holds (Filon's idea): far from the magnet a few points do.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import spherical_jn

from arrayopt.layout.shapes import gauss_points
from arrayopt.quantities import Array

NODES = 6  # Gauss points a panel
_LEVELS = 20  # halvings at most; a panel is then 3e-6 rad
_NODE_X, _NODE_W = gauss_points(NODES)


class Panels(NamedTuple):
    """Panels of a batch in the order of their designs; shape (panel,) each.

    Attributes
    ----------
    design : ndarray of int
    level : ndarray of int
        How often half the circle was halved: a panel is pi/2^level wide.
    middle : ndarray
        Angle of its middle [rad].

    """

    design: NDArray[np.int64]
    level: NDArray[np.int64]
    middle: Array

    @property
    def angles(self) -> Array:
        """Angles of the Gauss points, shape (panel, node) [rad]."""
        return np.asarray(self.middle[:, None] + half_width(self.level)[:, None] * _NODE_X)


def half_width(level: NDArray[np.int64]) -> Array:
    """Half of a panel's width [rad]."""
    return np.asarray(np.pi / 2 / 2.0**level)


def graded_panels(edges: Array, *, size: Array, accuracy: Array) -> Panels:
    """Halve half a circle until every panel is small beside its distance to the edges.

    Parameters
    ----------
    edges : ndarray of complex, shape (edge, design)
        Where the field, as a function of a complex angle, stops being smooth: an edge at
        angle a and radius R has ``a + i ln(R/r)`` on a circle of radius r.
    size : ndarray, shape (design,)
        Angle within which the field does not decay yet [rad].
    accuracy : ndarray, shape (design,)
        Natural logarithm of field over error wanted.

    References
    ----------
    An expansion in N Legendre polynomials leaves ``rho^-N``, with rho the sum of the half axes
    of the ellipse round the panel that runs through the edge (Bernstein 1912, from memory).

    """
    count = edges.shape[1]
    design, middle = np.arange(count), np.full(count, np.pi / 2)
    kept: list[Panels] = []
    for level in range(_LEVELS):
        half = np.pi / 2 / 2.0**level
        apart = edges[:, design] - middle
        t = apart / half
        root = np.sqrt(t * t - 1)
        rho = np.maximum(np.abs(t + root), np.abs(t - root))
        digits = NODES * np.log(rho) + np.log(np.abs(apart) / size[design])
        fine = (digits >= accuracy[design]).all(axis=0) | (level == _LEVELS - 1)
        kept.append(Panels(design[fine], np.full(fine.sum(), level), middle[fine]))
        design = np.repeat(design[~fine], 2)
        if not design.size:
            break
        middle = (middle[~fine][:, None] + np.array([-half / 2, half / 2])).ravel()
    joined = Panels(*(np.concatenate(parts) for parts in zip(*kept, strict=True)))
    order = np.argsort(joined.design, kind="stable")
    return Panels(*(part[order] for part in joined))


def wave_integrals(values: Array, panels: Panels, waves: NDArray[np.int64]) -> Array:
    """Integrate a field over half a circle against ``exp(i n angle)``.

    Parameters
    ----------
    values : ndarray, shape (panel, node)
        At `Panels.angles`.
    panels : Panels
        At least one a design.
    waves : ndarray of int, shape (design, order)
        Waves per turn n.

    Returns
    -------
    ndarray of complex, shape (design, order)

    """
    kinds, kind = np.unique(waves, axis=0, return_inverse=True)
    weights = np.array([_weights(tuple(row.tolist())) for row in kinds])
    weight = weights[kind[panels.design], panels.level]
    turned = np.exp(1j * panels.middle[:, None] * waves[panels.design])
    parts = turned * (weight @ values[..., None])[..., 0]
    starts = np.searchsorted(panels.design, np.arange(len(waves)))
    return np.asarray(np.add.reduceat(parts, starts, axis=0))


@lru_cache(maxsize=256)
def _weights(waves: tuple[int, ...]) -> Array:
    """Weights of a panel's nodes about its middle, complex, shape (level, order, node).

    References
    ----------
    Integral of ``P_k(x) exp(i w x)`` over -1..1: ``2 i^k j_k(w)`` (NIST DLMF 18.17.19,
    from memory; the tests hold it against quadrature).

    """
    k = np.arange(NODES)
    half = half_width(np.arange(_LEVELS))
    w = half[:, None] * np.array(waves)
    moments = 1j**k * spherical_jn(k, w[..., None])
    legendre = np.polynomial.legendre.legvander(_NODE_X, NODES - 1)  # (node, k)
    series = (2 * k + 1) * legendre * _NODE_W[:, None]  # integrates values to coefficients, twice
    return np.asarray(half[:, None, None] * (moments @ series.T))
