"""Axes that stand side by side in one picture: heights from 0 to 1, marks at round numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.ticker import MaxNLocator

from arrayopt.quantities import Array

_MARKS, _STEPS = 5, [1, 2, 2.5, 5, 10]
_LETTERS = 14  # of a name
_CLOSE = 0.045  # marks nearer than that share no words


@dataclass(frozen=True)
class Scale:
    """What an axis of numbers or names spans, and where it is marked.

    Attributes
    ----------
    low, high : float
        Ends; of names their first and last place.
    marks : tuple of (float, str)
        Height and words of each mark; words are empty where there is no room for them.
    names : tuple
        Values in order where they are no numbers.

    """

    low: float
    high: float
    marks: tuple[tuple[float, str], ...]
    names: tuple[Any, ...] = ()

    def heights(self, values: Sequence[Any]) -> Array:
        """Return the height of each value, NaN where there is none."""
        there = [np.nan if v is None else self.names.index(v) if self.names else v for v in values]
        return (np.array(there, dtype=float) - self.low) / ((self.high - self.low) or 1)


def scale_of_choices(allowed: Sequence[Any]) -> Scale:
    """Return an axis with a mark at every choice."""
    if all(isinstance(v, int | float) for v in allowed):
        return _marked(min(allowed), max(allowed), sorted(allowed))
    last = max(len(allowed) - 1, 1)
    marks = [(i / last, _item(v)) for i, v in enumerate(allowed)]
    return Scale(0, last, _with_room(marks), tuple(allowed))


def scale_of_range(low: float, high: float) -> Scale:
    """Return an axis from end to end, with marks at the round numbers between."""
    whole = isinstance(low, int) and isinstance(high, int)
    ticks = [v for v in _round(low, high, whole=whole) if low <= v <= high]
    return _marked(low, high, ticks)


def scale_of_figures(values: Array) -> Scale:
    """Return an axis that holds all values and ends at round numbers."""
    ticks = _round(float(np.min(values)), float(np.max(values)), whole=False)
    return _marked(ticks[0], ticks[-1], ticks)


def _round(low: float, high: float, *, whole: bool) -> list[float]:
    """Round numbers from at most the low end to at least the high one."""
    ticks = MaxNLocator(_MARKS, steps=_STEPS, integer=whole).tick_values(low, high)
    return [float(f"{v:.9g}") for v in ticks]


def _marked(low: float, high: float, ticks: Sequence[float]) -> Scale:
    span = (high - low) or 1
    marks = [((v - low) / span, f"{v:g}") for v in ticks]
    return Scale(low, high, _with_room(marks))


def _with_room(marks: list[tuple[float, str]]) -> tuple[tuple[float, str], ...]:
    """Take away words that would touch those below them."""
    found: list[tuple[float, str]] = []
    last = -1.0
    for height, words in marks:
        told = height - last >= _CLOSE
        found.append((height, words if told else ""))
        last = height if told else last
    return tuple(found)


def _item(value: Any) -> str:
    """Shorten a name; of a choice of the shop list the item stays."""
    return str(value).partition(":")[0][:_LETTERS]
