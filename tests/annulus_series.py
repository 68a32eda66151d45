"""Exact plane field of an endless magnet ring between two irons, order by order, with recoil.

Boundary-value problem of Zhu, Howe, Bolte & Ackermann 1993, IEEE Trans. Magn. 29:124 and of Zhu,
Howe & Chan 2002, 38:229 (both from memory), set up afresh. mu0 = 1; B = -grad f in air and B =
-recoil grad f + J in the ring; f = 0 on iron. A ring without gaps is of one permeability all
round, so that every order n stands alone: J_r = radial cos(n t), J_t = tangential sin(n t),
neither of which depends on the radius while each arc is polarised in parallel.
"""

from __future__ import annotations

import numpy as np


def annulus(
    n: int,
    radial: float,
    tangential: float,
    *,
    magnet: tuple[float, float],
    iron: tuple[float | None, float | None],
    at: tuple[float, ...],
    recoil: float = 1.0,
) -> list[float]:
    """Radial flux density of order n at some radii outside the ring, as cos(n t).

    Parameters
    ----------
    n : int
        Waves per turn, 1 or more.
    radial, tangential : float
        Amplitudes of the polarisation.
    magnet : (float, float)
        Inner and outer radius of the ring.
    iron : (float or None, float or None)
        Radii of the iron surfaces inside and outside; None is no iron on that side.
    at : tuple of float
        Radii in the air, which the surfaces of ring and iron belong to.
    recoil : float
        Relative permeability of the ring.

    """
    ri, ro = magnet
    unit = np.sqrt(ri * ro)  # keeps powers near one
    # recoil laplace(f) = div J = (radial + n tangential) cos(n t) / r has the solution
    # c r cos(n t), and c r ln(r) cos(t) where r cos(t) has no source.
    source = (radial + n * tangential) / recoil
    c = source / 2 if n == 1 else source / (1 - n**2)

    def particular(r: float) -> tuple[float, float]:
        """Value and slope."""
        log = np.log(r / unit)
        return (c * r * log, c * (log + 1)) if n == 1 else (c * r, c)

    def f(r: float) -> np.ndarray:
        return np.array([(r / unit) ** n, (r / unit) ** -n])

    def df(r: float) -> np.ndarray:
        return n / r * f(r) * np.array([1, -1])

    # Unknowns: two in the space inside, two in the ring, two in the space outside.
    A, b = np.zeros((6, 6)), np.zeros(6)
    for row, air, r in ((0, slice(0, 2), ri), (2, slice(4, 6), ro)):
        value, slope = particular(r)
        A[row, air], A[row, 2:4], b[row] = f(r), -f(r), value
        A[row + 1, air], A[row + 1, 2:4] = df(r), -recoil * df(r)
        b[row + 1] = recoil * slope - radial
    inner, outer = iron
    A[4, 0:2] = [0, 1] if inner is None else f(inner)
    A[5, 4:6] = [1, 0] if outer is None else f(outer)
    x = np.linalg.solve(A, b)
    return [float(-np.dot(df(r), x[0:2] if r <= ri else x[4:6])) for r in at]


def segments(p: int, M: int, *, sense: int, harmonic: int = 1) -> tuple[float, float]:
    """Radial and tangential polarisation, of order harmonic times p, of M equal arcs a pole pair.

    Each arc is polarised in parallel, the one at angle a in direction a + sense p a: sense 1
    has its strong side inward, -1 outward. Per unit of polarisation; integrated over each arc.
    """
    radial = tangential = 0.0
    half, n = np.pi / (p * M), harmonic * p
    u, w = np.polynomial.legendre.leggauss(40)
    for k in range(p * M):
        a = 2 * np.pi * k / (p * M)
        t, turn = a + half * u, sense * p * a - half * u  # of the polarisation against the radius
        radial += half * np.dot(w, np.cos(turn) * np.cos(n * t)) / np.pi
        tangential += half * np.dot(w, np.sin(turn) * np.sin(n * t)) / np.pi
    return radial, tangential


def radial_poles(*, harmonic: int) -> tuple[float, float]:
    """Polarisation along the radius, whole poles in turn outward and inward: a square wave."""
    return 4 / (np.pi * harmonic) * np.sin(harmonic * np.pi / 2), 0.0
