"""Cogging: torque of the slots in the field of the magnets, without current."""

from __future__ import annotations

from math import lcm

import numpy as np
from scipy.special import j0, j1

from arrayopt.field import AirgapField, carter_coefficient
from arrayopt.quantities import MM, MU0, Array
from arrayopt.study import Study


def like_poles(study: Study) -> int:
    """Return the poles that are alike: of an odd number of magnets north and south poles differ."""
    alike = study.rotor.magnets_per_pole_pair % 2 == 0
    return study.rotor.pole_pairs * (2 if alike else 1)


def cogging_periods(*, slots: int, poles: int) -> int:
    """Return how often a perfect ring cogs in a turn (textbook, from memory).

    Parameters
    ----------
    slots : int
    poles : int
        That are alike, see `like_poles`.

    Examples
    --------
    >>> cogging_periods(slots=12, poles=14)
    84
    """
    return lcm(slots, poles)


def cogging_torque(field: AirgapField, surface: Array, *, waves: int) -> Array:
    """Compute cogging with so many waves a turn of rotors with any magnets, complex [N m].

    A slot is a slit in the iron's surface. Waves m and k of the field B that smooth iron of the
    same magnetomotive force would have store the energy ``S B_m B_k f(m a, k a)/(2 mu0)`` a
    length in it, a half of its opening as an angle: ``S = b^2/(2 pi)``, or ``gamma g^2`` with
    Carter's gamma where a steel ring faces it, and ``f(x, y) = 2 (J1(x) J0(y) + J0(x) J1(y))/
    (x + y)``, the coupling of two waves at a slit in a thin screen. All Q slots turn what has
    n = m + k waves a turn into torque, n a multiple of Q.

    Parameters
    ----------
    field : AirgapField
        Of one design.
    surface : ndarray of complex, shape (rotor, row, wave)
        Waves from one at the stator's surface, row by row of a skewed rotor [T].
    waves : int
        A multiple of the slots.

    Returns
    -------
    ndarray of complex, shape (rotor,)
        The torque's peak, and its angle; zero without slots. Within 6 % of plane finite elements
        of ideal iron, whole rotors, where all waves up to n and half a dozen pole pairs more are
        given; openings of 0.1 to 0.3 slot pitches, tips at least half as deep as the opening.

    References
    ----------
    Derived; Carter's gamma as in `carter_coefficient`.

    """
    study, irons = field.layout.studies[0], field.irons
    if study.stator.kind != "slotted" or not study.stator.slot_opening_mm:
        return np.zeros(len(surface), dtype=complex)
    slots, opening = study.stator.slots, study.stator.slot_opening_mm * MM
    R, moved = float(field.layout.surface_radius[0]), float(irons.stator[0])
    n = np.arange(1, surface.shape[-1] + 1)
    overlap = float(field.overlap[0])
    # Back from the surface that Carter's coefficient moves to smooth iron at the real one.
    B = surface / overlap * (R / moved) ** (field.layout.sign * n)
    section = opening**2 / (2 * np.pi)
    if irons.ring_iron[0]:
        ring = float(irons.ring[0])
        B = B * (1 - _passed(moved, ring, n)) / (1 - _passed(R, ring, n))
        gap, pitch = abs(ring - R), 2 * np.pi * R / slots
        longer = carter_coefficient(
            slot_pitch=np.array(pitch), slot_opening=np.array(opening), gap=np.array(gap)
        )
        section = float(pitch * (1 - 1 / longer) * gap)  # gamma g, lost width, times g
    length = overlap * float(field.layout.stack[0])
    # Rows push one after the other; each has its share of the length.
    sums = _slit_sums(B, waves, opening / (2 * R)).mean(axis=-1)
    return np.asarray(slots * waves * section * length / (2 * MU0) * sums)


def _passed(near: float, far: float, n: Array) -> Array:
    """Share of a wave that comes back from the other iron."""
    return np.asarray((min(near, far) / max(near, far)) ** (2.0 * n))


def _slit_sums(B: Array, waves: int, a: float) -> Array:
    """Sum of all pairs of waves, positive and negative, with so many together, (rotor, row)."""
    N = B.shape[-1]
    both = np.concatenate([np.conj(B[..., ::-1]), np.zeros_like(B[..., :1]), B], axis=-1) / 2
    m = np.arange(-N, N + 1)
    u, v = both * j1(m * a), both * j0(m * a)
    one = np.arange(max(-N, waves - N), N + 1)
    other = waves - one
    pairs = u[..., N + one] * v[..., N + other] + v[..., N + one] * u[..., N + other]
    return np.asarray(4 * pairs.sum(axis=-1) / (waves * a))
