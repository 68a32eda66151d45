"""Where short labels stand so that each is told apart from the others and from what it names."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.quantities import Array

_ROUNDS = 3  # each label is placed anew in the light of the others
_DIRECTIONS = 16
_DISTANCES = (13.0, 20.0, 29.0, 40.0)
_MARKER = 8.0  # room that a marker takes to either side
_APART = 2.0  # between labels


def label_offsets(points: Array, sizes: Array, *, box: Array, others: Array) -> Array:
    """Return where the middles of labels go, from the points that they name.

    Parameters
    ----------
    points : ndarray, shape (label, 2)
        Places of what is named, in any unit that is the same along both axes.
    sizes : ndarray, shape (label, 2)
        Width and height of each label.
    box : ndarray, shape (2, 2)
        Lower left and upper right corner that labels keep inside.
    others : ndarray, shape (point, 2)
        Places that labels had better leave free.

    Returns
    -------
    ndarray, shape (label, 2)

    """
    labels = _Labels(points, sizes, box, others)
    angle = np.arange(_DIRECTIONS) * 2 * np.pi / _DIRECTIONS + np.pi / 4
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    steps = np.concatenate([distance * unit for distance in _DISTANCES])
    found = np.tile(steps[0], (len(points), 1))
    for _ in range(_ROUNDS):
        for i in range(len(points)):
            found[i] = steps[int(np.argmin([labels.cost(i, step, found) for step in steps]))]
    return found


@dataclass(frozen=True)
class _Labels:
    points: Array
    sizes: Array
    box: Array
    others: Array

    def cost(self, i: int, step: Array, found: Array) -> float:
        """Return how bad a place is for one label: hidden, ambiguous, far."""
        own, half = self.points[i], self.sizes[i] / 2
        middle, rest = own + step, np.arange(len(self.points)) != i
        points, box = self.points[rest], self.box
        cost = float(np.hypot(*step)) / 10
        cost += 1000.0 * bool((middle - half < box[0]).any() or (middle + half > box[1]).any())
        apart = np.abs(points + found[rest] - middle)
        cost += 500.0 * int((apart < half + self.sizes[rest] / 2 + _APART).all(axis=1).sum())
        cost += 500.0 * int((np.abs(self.points - middle) < half + _MARKER).all(axis=1).sum())
        # A line to the label that passes by another marker names that one.
        cost += 200.0 * int((_from_line(own, middle, points) < _MARKER).sum())
        cost += 20.0 * int((np.hypot(*(points - middle).T) < np.hypot(*step)).sum())
        covered = (np.abs(self.others - middle) < half + 1).all(axis=1)
        return cost + 1.5 * min(int(covered.sum()), 10)


def _from_line(start: Array, end: Array, points: Array) -> Array:
    """Distance of points from the straight line between two others."""
    along = end - start
    share = np.clip((points - start) @ along / (along @ along), 0, 1)
    return np.asarray(np.hypot(*(points - start - share[:, None] * along).T))


def spread(places: Array, *, apart: float) -> Array:
    """Return places on a line moved as little as need be until they stand apart.

    Examples
    --------
    >>> spread(np.array([0.5, 0.0, 0.5]), apart=0.25).tolist()
    [0.375, 0.0, 0.625]
    """
    order = np.argsort(places, kind="stable")
    groups: list[list[float]] = []  # places of labels that touch
    for place in places[order]:
        groups.append([float(place)])
        while len(groups) > 1 and _first(groups[-1], apart) - _last(groups[-2], apart) < apart:
            groups[-2:] = [groups[-2] + groups[-1]]
    moved = np.empty(len(places))
    moved[order] = [_first(group, apart) + k * apart for group in groups for k in range(len(group))]
    return moved


def _first(group: list[float], apart: float) -> float:
    return sum(group) / len(group) - apart * (len(group) - 1) / 2


def _last(group: list[float], apart: float) -> float:
    return _first(group, apart) + apart * (len(group) - 1)
