"""What magnets that differ do to a rotor, each harm linear in their deviations."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from arrayopt.machine import cogging_torque
from arrayopt.quantities import Array
from arrayopt.scatter.outcomes import pull
from arrayopt.scatter.sources import Ring

_ROUNDING = 1e-9  # of the largest linkage
_SMALL = 1e-4  # deviation at which products of two deviations no longer count


def harms(ring: Ring) -> dict[str, Array]:
    """Return what a unit of relative deviation of each magnet adds to each harm.

    Of waves that are not the perfect ring's own:

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
    own = np.abs(m.perfect) > _ROUNDING * np.abs(m.perfect).max()
    rows, seen = ring.parts(ring.responses("along"))
    rows, seen = np.where(own, 0, rows), np.where(own, 0, seen)
    perfect, added = ring.parts(ring.perfect)[0], rows.mean(axis=1)
    linked = np.abs(ring.linkages[0])
    # Coils that cancel leave rounding, which is no harm.
    linkages = np.where(linked > _ROUNDING * linked.max(), ring.linkages[0], 0)
    c = n * linkages * seen / (linkages[p - 1] * m.perfect_seen[p - 1] * p)
    k = np.arange(1, p)
    slots = ring.study.stator.slots
    pulled = _slope(partial(pull, ring), perfect, rows)
    cogged = _slope(partial(cogging_torque, ring.field, waves=slots), perfect, rows)
    return {
        "stray_waves": added[:, n < 3 * p] / np.abs(m.perfect[p - 1]),
        "pull": pulled[:, None],
        "beat": c[:, p - 1 + k] + np.conj(c[:, p - 1 - k]),
        "cogging_slots": cogged[:, None],
    }


def _slope(harm: Callable[[Array], Array], perfect: Array, added: Array) -> Array:
    """Return how a harm changes with each magnet's deviation: what is square drops out."""
    ends = [harm(perfect + way * _SMALL * added) for way in (1, -1)]
    return np.asarray((ends[0] - ends[1]) / (2 * _SMALL))
