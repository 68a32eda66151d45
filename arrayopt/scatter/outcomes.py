"""Figures of scattered rotors: torque constant, back-EMF, pull, cogging, least gap."""

from __future__ import annotations

import numpy as np
from scipy.fft import fft, next_fast_len

from arrayopt.machine import cogging_torque, flux_linkages
from arrayopt.quantities import MM, MU0, Array
from arrayopt.scatter.sources import Drawn, Ring

_TURN = 64  # angles of a turn at which a phase's amplitude is read, at least
_HAIR = 1e-6  # m, for a slope
_ROUNDING = 1e-10


def together(drawn: list[Drawn], ring: Ring, count: int) -> Drawn:
    """Add up what sources do to the same rotors."""
    waves = np.zeros((count, len(ring.perfect)), dtype=complex)
    radial = np.zeros((count, len(ring.magnets.members)))
    stator = np.zeros(count, dtype=complex)
    for one in drawn:
        waves += one.waves
        radial += one.radial
        stator += one.stator
    return Drawn(waves, radial, stator)


def outcomes(ring: Ring, rotors: Drawn) -> dict[str, Array]:
    """Compute the figures of scattered rotors, by the names of `OUTCOMES`, shape (rotor,)."""
    magnets = ring.magnets
    rows, seen = ring.parts(ring.perfect + rotors.waves)
    surface = rows.mean(axis=1)
    linked = _linkages(ring, seen, rotors.stator)
    found = _torque(ring, linked) | _back_emf(ring, linked)
    p, n = ring.study.rotor.pole_pairs, magnets.waves
    whole = np.abs(magnets.perfect)
    stray = (whole < _ROUNDING * whole.max()) & (n < 3 * p)
    fundamental = np.abs(surface[:, p - 1])
    found["stray_waves"] = _exact(np.linalg.norm(surface[:, stray], axis=1) / fundamental)
    slots = ring.study.stator.slots
    for name, k in (("cogging_slots", 1), ("cogging_twice", 2)):
        found[name] = np.abs(cogging_torque(ring.field, rows, waves=k * slots))
    found["pull"] = np.abs(pull(ring, rows)) + np.abs(rotors.stator) * _static_pull(ring)
    inwards = ring.layout.sign * rotors.radial
    air = ring.study.clearance_mm * MM
    found["least_gap"] = air + inwards.min(axis=1) - np.abs(rotors.stator)
    return found


def _linkages(ring: Ring, seen: Array, stator: Array) -> Array:
    """Linkage of each phase by waves in time, shape (rotor, phase, wave), stator off centre.

    A rotor moved by e, standing still, is moved by ``e exp(-i turn)`` in its own frame: what that
    adds to a wave is seen one wave faster, or slower, for e and its conjugate (derived).
    """
    K = ring.linkages
    linked = seen[:, None, :] * K
    if np.any(stator):
        x, y = ring.parts(ring.moved)[1]
        e = -stator[:, None, None]
        slower, faster = (x - 1j * y) / 2 * K, (x + 1j * y) / 2 * K
        linked[..., 1:] += e * slower[:, :-1]
        linked[..., :-1] += np.conj(e) * faster[:, 1:]
    return linked


def _torque(ring: Ring, linked: Array) -> dict[str, Array]:
    """Torque constant: the three phases' share along the design's axes, mean over a turn."""
    p = ring.study.rotor.pole_pairs
    one = ring.linkages[:, p - 1] * ring.magnets.perfect_seen[p - 1]
    kept = linked[:, :, p - 1] @ np.conj(one / np.abs(one)) / 3
    share = np.abs(kept) / np.abs(one[0])
    nominal = 1.5 * p * float(flux_linkages(ring.layout, ring.field)[0, 0])
    return {"torque_constant": nominal * share, "torque_share": share}


def _back_emf(ring: Ring, linked: Array) -> dict[str, Array]:
    """Peak of the sine wave with each phase's rms over a turn; imbalance; beat within a turn."""
    n, p = ring.magnets.waves, ring.study.rotor.pole_pairs
    emf = n * linked
    peak = np.sqrt((np.abs(emf) ** 2).sum(axis=2))
    found = {f"emf_{phase}": peak[:, i] for i, phase in enumerate("abc")}
    found["imbalance"] = _exact(np.ptp(peak, axis=1) / peak.mean(axis=1))
    # The amplitude over a turn: waves round the pole pairs', at twice as many angles as there are.
    envelope = np.abs(fft(emf[:, 0, : 2 * p - 1], next_fast_len(max(4 * p, _TURN)), axis=1))
    found["beat"] = _exact(np.ptp(envelope, axis=1) / 2 / envelope.mean(axis=1))
    return found


def _exact(share: Array) -> Array:
    """Return nothing where symmetry leaves rounding errors only."""
    return np.where(share < _ROUNDING, 0.0, share)


def pull(ring: Ring, rows: Array) -> Array:
    """Pull of a smooth stator on rotors that turn with it, complex, shape (rotor,) [N].

    Maxwell's stress on iron, ``pi R L/(2 mu0) sum B_n conj(B_n+1)`` (derived), row by row; zero
    without iron. Real part along magnet 1. Surface waves ``rows`` as in `Ring.parts`.
    """
    layout, irons = ring.layout, ring.field.irons
    if not irons.stator_iron[0]:
        return np.zeros(len(rows), dtype=complex)
    overlap = float(ring.field.overlap[0])
    # Flux carries over to the surface that Carter's coefficient moves, of the shared length.
    scale = float(layout.surface_radius[0] / irons.stator[0]) / overlap
    R, L = float(irons.stator[0]), overlap * float(layout.stack[0])
    products = (np.conj(rows[..., 1:]) * rows[..., :-1]).sum(axis=-1).mean(axis=-1)
    return np.asarray(np.pi * R * L / (2 * MU0) * scale**2 * products)


def _static_pull(ring: Ring) -> float:
    """Pull by a metre of the stator's axis off the shaft, in its worst direction [N/m]."""
    ends = [pull(ring, ring.parts(ring.perfect + _HAIR * way)[0][None])[0] for way in ring.moved]
    rest = pull(ring, ring.parts(ring.perfect)[0][None])[0]
    return float(max(abs(end - rest) for end in ends)) / _HAIR
