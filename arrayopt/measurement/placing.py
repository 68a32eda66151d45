"""A quadratic assignment: magnets into pockets so that a square form of deviations is least."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from arrayopt.quantities import Array

_STARTS = 6  # placements that descents begin with
_KICKS = 300  # without a better placement, until the search ends
_MOST_KICKS = 4000
_EXCHANGED = 3  # pairs exchanged at random by a kick
_LEAST_GAIN = 1e-7  # of the objective, which is 1 for magnets placed at random

Order = NDArray[np.int64]


@dataclass(frozen=True)
class Task:
    """A quadratic assignment: least ``d' H d`` over the placements of magnets.

    Attributes
    ----------
    matrix : ndarray, shape (pocket, pocket)
        H; the objective of deviations d in pockets, 1 for the mean of random placements.
    deviations : ndarray, shape (magnet,)
    places_of : tuple of ndarray of int
        By kind: its pockets by number from 0, then, past the last pocket, a place for each
        spare, in which a magnet does nothing.
    magnets_of : tuple of ndarray of int
        By kind.

    """

    matrix: Array
    deviations: Array
    places_of: tuple[Order, ...]
    magnets_of: tuple[Order, ...]

    @property
    def pockets(self) -> int:
        """Pockets of the rotor."""
        return len(self.matrix)

    def objective(self, order: Order) -> float:
        """Return the square form of a placement, magnet by place."""
        d = self.deviations[order[: self.pockets]]
        return float(d @ self.matrix @ d)

    def shuffled(self, rng: np.random.Generator) -> Order:
        """Return a random placement: magnet by place, shape (magnet,)."""
        order = np.empty(len(self.deviations), dtype=np.int64)
        for places, magnets in zip(self.places_of, self.magnets_of, strict=True):
            order[places] = rng.permutation(magnets)
        return order

    def laid_by_strength(self) -> Order:
        """Return a placement from weak to strong and back, so that neighbours differ most."""
        order = np.empty(len(self.deviations), dtype=np.int64)
        for places, magnets in zip(self.places_of, self.magnets_of, strict=True):
            ranked = magnets[np.argsort(self.deviations[magnets], kind="stable")]
            ends = np.empty_like(ranked)
            ends[::2], ends[1::2] = (
                ranked[: (len(ranked) + 1) // 2],
                ranked[::-1][: len(ranked) // 2],
            )
            order[places] = ends
        return order


def best_placement(task: Task, rng: np.random.Generator) -> Order:
    """Return the best placement found: descents, then random kicks of the best of them."""
    descent = _Descent(task)
    starts = [task.laid_by_strength(), *(task.shuffled(rng) for _ in range(_STARTS - 1))]
    found = [descent.down(start) for start in starts]
    best = min(found, key=task.objective)
    least, idle = task.objective(best), 0
    several = [places for places in task.places_of if len(places) > 1]
    for _ in range(_MOST_KICKS if several else 0):
        kicked = best.copy()
        for _ in range(_EXCHANGED):
            places = several[int(rng.integers(len(several)))]
            i, j = rng.choice(places, 2, replace=False)
            kicked[i], kicked[j] = kicked[j], kicked[i]
        tried = descent.down(kicked)
        value, idle = task.objective(tried), idle + 1
        if value < least - _LEAST_GAIN:
            best, least, idle = tried, value, 0
        if idle == _KICKS or least < _LEAST_GAIN:
            break
    return best


class _Descent:
    """The exchange of two magnets that gains most, again and again.

    Exchanging i and j changes deviations by ``t = d_j - d_i`` at i and -t at j, and the
    objective by ``2 t (g_i - g_j) + t^2 (H_ii + H_jj - 2 H_ij)`` with ``g = H d``.
    """

    def __init__(self, task: Task) -> None:
        self.task, H = task, task.matrix
        pockets, count = len(H), len(task.deviations)
        self.square = np.zeros((pockets, count))
        self.square[:, :pockets] = np.diag(H) - 2 * H
        self.square += np.diag(H)[:, None]
        kind = np.empty(count, dtype=np.int64)
        for i, places in enumerate(task.places_of):
            kind[places] = i
        self.barred = np.where(kind[:pockets, None] == kind, 0.0, np.inf)

    def down(self, order: Order) -> Order:
        """Return the placement that no exchange of two betters."""
        task, H, pockets = self.task, self.task.matrix, self.task.pockets
        order, d = order.copy(), task.deviations[order]
        g = np.zeros(len(d))  # spares have no gradient
        g[:pockets] = H @ d[:pockets]
        while True:
            t = d - d[:pockets, None]
            gain = t * (2 * (g[:pockets, None] - g) + t * self.square) + self.barred
            i, j = divmod(int(gain.argmin()), len(d))
            if gain[i, j] > -_LEAST_GAIN:
                return order
            g[:pockets] += t[i, j] * (H[i] - (H[j] if j < pockets else 0))
            order[i], order[j] = order[j], order[i]
            d[i], d[j] = d[j], d[i]
