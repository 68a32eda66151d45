"""Which of two designs is better, for two or three objectives: ranks, fronts, hypervolume.

Objectives come as losses: less is better in every column.
"""

from __future__ import annotations

import numpy as np

from arrayopt.quantities import Array


def dominated(losses: Array, *, by: Array) -> Array:
    """Tell which rows are no better in any objective than some row of another set, and differ.

    Parameters
    ----------
    losses : ndarray, shape (n, k)
    by : ndarray, shape (m, k)

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> import numpy as np
    >>> dominated(np.array([[1.0, 1.0], [0.0, 2.0]]), by=np.array([[1.0, 0.5]])).tolist()
    [True, False]
    """
    if not len(by) or not len(losses):
        return np.zeros(len(losses), dtype=bool)
    no_worse = np.all(by[None] <= losses[:, None], axis=2)
    better = np.any(by[None] < losses[:, None], axis=2)
    return np.asarray(np.any(no_worse & better, axis=1))


def front(losses: Array) -> Array:
    """Return the indices of the rows that no other dominates, by the first objective.

    Of equal rows the first stands for all. Rows are taken by their first objective, then the
    next, so that a row meets its betters first.

    Examples
    --------
    >>> import numpy as np
    >>> front(np.array([[1.0, 4.0], [2.0, 2.0], [3.0, 3.0], [2.0, 2.0]])).tolist()
    [0, 1]
    """
    order = np.lexsort((*losses.T[::-1],))
    if losses.shape[1] == 2:
        second = losses[order, 1]
        best = np.minimum.accumulate(np.concatenate([[np.inf], second[:-1]]))
        return np.asarray(order[second < best])
    kept = np.empty((0, losses.shape[1]))
    chosen = []
    for i in order:
        if not (kept <= losses[i]).all(axis=1).any():
            chosen.append(i)
            kept = np.vstack([kept, losses[i]])
    return np.array(chosen, dtype=int)


def standing(losses: Array, violation: Array) -> Array:
    """Return the indices of designs from best to worst, as Deb's rules have it.

    Designs that keep all limits come first, by the number of fronts to peel off before
    theirs, within a front by the room about them; the others follow by how much they miss.

    Parameters
    ----------
    losses : ndarray, shape (n, k)
    violation : ndarray, shape (n,)
        0 where all limits are kept.

    References
    ----------
    Deb, Pratap, Agarwal & Meyarivan 2002, IEEE Trans. Evol. Comput. 6:182 (from memory).

    """
    feasible = np.flatnonzero(violation <= 0)
    order: list[int] = []
    left = feasible
    while len(left):
        best = ~dominated(losses[left], by=losses[left])
        peeled = left[best]
        order.extend(peeled[np.argsort(-_room(losses[peeled]), kind="stable")])
        left = left[~best]
    others = np.flatnonzero(violation > 0)
    order.extend(others[np.argsort(violation[others], kind="stable")])
    return np.array(order, dtype=int)


def _room(losses: Array) -> Array:
    """Crowding distance: how far apart a row's neighbours are, summed over objectives."""
    room = np.zeros(len(losses))
    for column in losses.T:
        order = np.argsort(column, kind="stable")
        width = column[order[-1]] - column[order[0]]
        if width > 0:
            room[order[[0, -1]]] = np.inf
            room[order[1:-1]] += (column[order[2:]] - column[order[:-2]]) / width
    return room


def hypervolume(losses: Array, reference: Array) -> float:
    """Return the volume between a front and a reference point that it improves on.

    Parameters
    ----------
    losses : ndarray, shape (n, k)
        With k of 2 or 3.
    reference : ndarray, shape (k,)

    Examples
    --------
    >>> import numpy as np
    >>> hypervolume(np.array([[1.0, 2.0], [2.0, 1.0]]), np.array([3.0, 3.0]))
    3.0
    """
    inside = losses[(losses < reference).all(axis=1)]
    if not len(inside):
        return 0.0
    best = inside[front(inside)]
    if losses.shape[1] == 2:
        depths = np.diff(np.append(best[:, 0], reference[0]))
        return float((depths * (reference[1] - best[:, 1])).sum())
    # Slices along the first objective, each as deep as until the next design joins.
    depths = np.diff(np.append(best[:, 0], reference[0]))
    return float(
        sum(d * hypervolume(best[: i + 1, 1:], reference[1:]) for i, d in enumerate(depths) if d)
    )
