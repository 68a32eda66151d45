"""Stresses by handbook formulas."""

from __future__ import annotations


def strip_stress(load: float, *, width: float, thickness: float) -> float:
    """Bending stress [Pa] of a skin across a pocket, a strip held firmly at both sides.

    Largest at the sides, ``w^2/12`` per pressure in bending moment.

    Parameters
    ----------
    load : float
        Per length along the shaft, even over the width [N/m].
    width, thickness : float
        [m].

    References
    ----------
    Beam with both ends fixed, textbook (from memory).

    Examples
    --------
    >>> round(strip_stress(1000.0, width=4e-3, thickness=0.5e-3) / 1e6, 6)
    8.0
    """
    return load * width / (2 * thickness**2)


def lip_stress(load: float, *, reach: float, thickness: float) -> float:
    """Bending stress [Pa] at the root of two lips that share a load per length [N/m] evenly.

    References
    ----------
    Cantilever under an even load, textbook (from memory).

    Examples
    --------
    >>> round(lip_stress(1000.0, reach=1e-3, thickness=0.5e-3) / 1e6, 6)
    6.0
    """
    return 1.5 * load * reach / thickness**2


def band_stress(
    pressure: float, *, radius: float, thickness: float, density: float, speed: float
) -> float:
    """Hoop stress [Pa] of a thin band that turns and bears a pressure from within.

    Parameters
    ----------
    pressure : float
        [Pa], taken as if it went all round.
    radius, thickness : float
        [m].
    density : float
        Of the band [kg/m3].
    speed : float
        [rad/s].

    References
    ----------
    ``p r/t + rho v^2``, Timoshenko, Strength of Materials (from memory).

    Examples
    --------
    >>> round(band_stress(1e5, radius=20e-3, thickness=1e-3, density=1250, speed=400.0))
    2080000
    """
    return pressure * radius / thickness + density * (speed * radius) ** 2


def annulus_stress(
    *, density: float, speed: float, inner: float, outer: float, poisson: float
) -> float:
    """Hoop stress at the bore [Pa] of a free ring from its own turning mass.

    ``(3 + nu)/4 rho w^2 [ro^2 + (1 - nu)/(3 + nu) ri^2]``, radii in metres, speed in rad/s.

    References
    ----------
    Timoshenko; Shigley & Mischke, Mechanical Engineering Design (from memory).

    Examples
    --------
    >>> round(annulus_stress(density=7850, speed=1e3, inner=0.1, outer=0.1, poisson=0.3))
    78500000
    """
    shape = outer**2 + (1 - poisson) / (3 + poisson) * inner**2
    return (3 + poisson) / 4 * density * speed**2 * shape


def thick_ring_stress(pressure: float, *, inner: float, outer: float) -> float:
    """Hoop stress at the bore [Pa] of a ring under a pressure from within; radii in metres.

    References
    ----------
    Lame: ``p (ro^2 + ri^2)/(ro^2 - ri^2)``, as in Timoshenko (from memory).

    Examples
    --------
    >>> round(thick_ring_stress(1e6, inner=1.0, outer=3.0))
    1250000
    """
    return pressure * (outer**2 + inner**2) / (outer**2 - inner**2)
