"""Back-EMF waveforms and the torque ripple that they cause under sinusoidal current."""

from __future__ import annotations

import numpy as np

from arrayopt.quantities import Array

_SAMPLES = 96  # of one electrical turn; whole numbers of the sixth harmonic's waves


def phase_emf(linkages: Array, orders: Array, turns: Array, angles: Array) -> Array:
    """Back-EMF of phase A over mechanical speed, shape (angle, design) [V s/rad].

    Parameters
    ----------
    linkages : ndarray, shape (order, design)
        Signed harmonics of the flux linkage [Wb], a cosine series.
    orders : ndarray, shape (order,)
    turns : ndarray, shape (order, design)
        Waves per mechanical turn, m p.
    angles : ndarray, shape (angle,)
        Electrical angles from where phase A links most [rad].

    """
    return np.asarray(np.sin(np.outer(angles, orders)) @ (turns * linkages))


def line_emf(linkages: Array, orders: Array, turns: Array, angles: Array, delta: Array) -> Array:
    """Back-EMF between lines A and B over mechanical speed, shape (angle, design) [V s/rad].

    In star it is phase A less phase B. In delta it is phase A without the harmonics of
    order three and its multiples, which drive a current round the delta instead.
    """
    a = phase_emf(linkages, orders, turns, angles)
    b = phase_emf(linkages, orders, turns, angles - 2 * np.pi / 3)
    kept = np.where(orders[:, None] % 3 == 0, 0, linkages)
    return np.where(delta, phase_emf(kept, orders, turns, angles), a - b)


def third_harmonic(linkages: Array, orders: Array) -> Array:
    """Third harmonic of the phase back-EMF over its fundamental, shape (design,)."""
    third = np.abs(3 * linkages[orders == 3]).sum(axis=0)
    return np.asarray(third / np.abs(linkages[0]))


def torque_ripple(linkages: Array, orders: Array, turns: Array) -> Array:
    """Peak-to-peak torque over its mean under sinusoidal current, shape (design,).

    Current in phase with the back-EMF's fundamental; cogging comes on top. Skew is in the
    linkages.
    """
    angles = np.linspace(0, 2 * np.pi, _SAMPLES, endpoint=False)
    torque = sum(
        phase_emf(linkages, orders, turns, angles - shift) * np.sin(angles - shift)[:, None]
        for shift in 2 * np.pi / 3 * np.arange(3)
    )
    torque = np.asarray(torque)
    return np.asarray(np.ptp(torque, axis=0) / np.abs(torque.mean(axis=0)))
