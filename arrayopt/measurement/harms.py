"""What magnets that differ do to a rotor, each harm linear in their deviations."""

from __future__ import annotations

import numpy as np

from arrayopt.layout.shapes import Array
from arrayopt.machine import cogging_torque
from arrayopt.scatter.outcomes import pull
from arrayopt.scatter.sources import Ring

_ROUNDING = 1e-9  # of the largest linkage
_SMALL = 1e-4  # deviation at which products of two deviations no longer count
_FLAT = 1e-7  # of a square: what is smaller is rounding and second order


def harms(ring: Ring) -> dict[str, Array]:
    """Return what a unit of relative deviation of each magnet adds to each harm.

    Waves of odd multiples of the pole pairs p are the perfect ring's own; of all others:

    - ``stray_waves``: every wave below 3 p over the fundamental,
    - ``pull``: waves next to the ring's own times these, as in `pull`,
    - ``beat``: waves p + k and p - k as a phase links them, which together change the
      amplitude k times a turn: ``c(p+k) + conj c(p-k)`` (derived),
    - ``cogging_slots``: what with the ring's own waves gives torque of one wave a slot.

    Returns
    -------
    dict of str to ndarray of complex, shape (member, row)
        By the names of `OUTCOMES`; first order in the deviations.

    """
    m, p = ring.magnets, ring.study.rotor.pole_pairs
    n = m.waves
    own = (n % p == 0) & (n // p % 2 == 1)
    added, seen = np.where(own, 0, m.surface[:, 0]), np.where(own, 0, m.seen[:, 0])
    perfect = np.where(own, m.perfect, 0)
    linked = np.abs(ring.linkages[0])
    # Coils that cancel leave rounding, which is no harm.
    linkages = np.where(linked > _ROUNDING * linked.max(), ring.linkages[0], 0)
    c = n * linkages * seen / (linkages[p - 1] * m.perfect_seen[p - 1] * p)
    k = np.arange(1, p)
    # Of a square only what is linear: half the difference between magnets added and taken away.
    pulled = (pull(ring, perfect + added) - pull(ring, perfect - added)) / 2
    return {
        "stray_waves": added[:, n < 3 * p] / np.abs(m.perfect[p - 1]),
        "pull": pulled[:, None],
        "beat": c[:, p - 1 + k] + np.conj(c[:, p - 1 - k]),
        "cogging_slots": _cogging(ring, perfect, added)[:, None],
    }


def _cogging(ring: Ring, perfect: Array, added: Array) -> Array:
    """Cogging at one wave a slot by unit of each magnet's deviation, complex, shape (member,).

    Amplitudes alone are known. Their squares are a quadratic form of two dimensions, so products
    with two of the magnets tell all of it (derived); phases count from one of these.
    """
    p, slots = ring.study.rotor.pole_pairs, ring.study.stator.slots
    if slots % (2 * p) == 0:  # the perfect ring's own, which no small difference changes
        return np.zeros(len(added), dtype=complex)

    def squares(waves: Array) -> Array:
        # Both ways, so that what goes with the square of a deviation drops out.
        ends = [
            cogging_torque(ring.field, perfect + way * _SMALL * waves, waves=slots) / _SMALL
            for way in (1, -1)
        ]
        return np.asarray((ends[0] ** 2 + ends[1] ** 2) / 2)

    def products(i: int) -> Array:
        return np.asarray((squares(added + added[i]) - squares(added - added[i])) / 4)

    own = squares(added)
    i = int(own.argmax())
    if own[i] == 0:
        return np.zeros(len(added), dtype=complex)
    along = products(i) / np.sqrt(own[i])
    j = int((own - along**2).argmax())
    left = float(own[j] - along[j] ** 2)
    if left < _FLAT * own[i]:
        return np.asarray(along + 0j)
    across = (products(j) - along * along[j]) / np.sqrt(left)
    return np.asarray(along + 1j * across)
