"""The front of best designs and the ones a builder would look at first."""

from __future__ import annotations

import numpy as np

from arrayopt.layout.shapes import Array


def efficient(*, torque: Array, mass: Array) -> Array:
    """Return the indices of designs that no other beats in both, from light to heavy.

    Examples
    --------
    >>> import numpy as np
    >>> torque, mass = np.array([1.0, 2.0, 1.5, 2.0]), np.array([1.0, 2.0, 3.0, 4.0])
    >>> efficient(torque=torque, mass=mass).tolist()
    [0, 1]
    """
    order = np.lexsort((-torque, mass))
    best = np.maximum.accumulate(np.concatenate([[-np.inf], torque[order][:-1]]))
    return np.asarray(order[torque[order] > best])


def knee(*, torque: Array, mass: Array) -> int:
    """Return the design farthest above the line between the ends of a front.

    Both axes run from 0 to 1 over the front, which is sorted from light to heavy.
    """
    t = (torque - torque[0]) / max(torque[-1] - torque[0], 1e-12)
    m = (mass - mass[0]) / max(mass[-1] - mass[0], 1e-12)
    return int(np.argmax(t - m))


def lightest(*, torque: Array, mass: Array, least_torque: float) -> int | None:
    """Return the lightest design of a front that reaches a torque."""
    reached = np.flatnonzero(torque >= least_torque * (1 - 1e-9))
    return int(reached[np.argmin(mass[reached])]) if len(reached) else None


def strongest(*, torque: Array, mass: Array, most_mass: float) -> int | None:
    """Return the design of a front with the most torque that is no heavier than a mass."""
    allowed = np.flatnonzero(mass <= most_mass * (1 + 1e-9))
    return int(allowed[np.argmax(torque[allowed])]) if len(allowed) else None
