"""Periodic waveforms from evenly spaced positions."""

from __future__ import annotations

from math import pi

import numpy as np

from arrayopt.confirmation.plan import periods
from arrayopt.quantities import Array
from arrayopt.study import Study


def over_turn(study: Study, values: Array) -> Array:
    """Half slots' values over an electrical turn, from those over one cogging period.

    When the rotor turns by a cogging period, the field moves on by whole slots.

    Parameters
    ----------
    study : Study
    values : ndarray, shape (position, half slot)

    Returns
    -------
    ndarray, shape (position of the turn, half slot)

    """
    found = periods(study)
    count = round(2 * pi / study.rotor.pole_pairs / found.cogging)
    moved = [np.roll(values, 2 * found.shift * k, axis=1) * found.sign**k for k in range(count)]
    return np.concatenate(moved)


def derivative(values: Array) -> Array:
    """Differentiate a period over its angle, 2 pi a period, along the first axis (by waves)."""
    spectrum = np.fft.rfft(values, axis=0)
    order = np.arange(len(spectrum))
    if len(values) % 2 == 0:
        order[-1] = 0  # the shortest wave has no slope at its own points
    shape = (-1, *[1] * (values.ndim - 1))
    return np.fft.irfft(1j * order.reshape(shape) * spectrum, n=len(values), axis=0)


def spread_over_rows(values: Array, offsets: Array, *, waves: int) -> Array:
    """Mean of a period over rows turned by offsets [rad of the period], along the first axis."""
    spectrum = np.fft.rfft(values, axis=0)
    order = waves * np.arange(len(spectrum))
    share = np.exp(1j * np.outer(order, offsets)).mean(axis=1)
    shape = (-1, *[1] * (values.ndim - 1))
    return np.fft.irfft(spectrum * share.reshape(shape), n=len(values), axis=0)


def fundamental(values: Array) -> complex:
    """Complex amplitude of a period's first wave."""
    return complex(2 * np.fft.rfft(values)[1] / len(values))


def crossing(x: Array, y: Array, level: float) -> float:
    """Where a curve first reaches a level, NaN where it does not (straight between points).

    Examples
    --------
    >>> import numpy as np
    >>> crossing(np.array([0.0, 1.0, 2.0]), np.array([0.0, 0.1, 0.3]), 0.2)
    1.5
    """
    above = np.flatnonzero(y >= level)
    if not len(above):
        return float("nan")
    k = int(above[0])
    if k == 0:
        return float(x[0])
    return float(x[k - 1] + (level - y[k - 1]) / (y[k] - y[k - 1]) * (x[k] - x[k - 1]))
