"""Ranking: dominated rows, fronts, standing and hypervolume, against counting and all pairs."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from optuna._hypervolume import compute_hypervolume  # private in optuna, so it may move

from arrayopt.search.ranking import dominated, front, hypervolume, standing

GRID = 6  # losses are whole numbers below this: ties and equal rows are frequent


def grid_losses(objectives, seed, *, rows=40):
    return np.random.default_rng(seed).integers(GRID, size=(rows, objectives)).astype(float)


def beats(one, other):
    """Whether a row is no worse in all and better in some, written out."""
    return all(a <= b for a, b in zip(one, other, strict=True)) and any(
        a < b for a, b in zip(one, other, strict=True)
    )


# Dominated


@pytest.mark.parametrize(
    ("row", "by", "expected"),
    [
        ([2.0, 2.0], [[1.0, 1.0]], True),
        ([2.0, 2.0], [[2.0, 1.0]], True),
        ([2.0, 2.0], [[2.0, 2.0]], False),
        ([2.0, 2.0], [[1.0, 3.0], [3.0, 1.0]], False),
        ([2.0, 2.0], [[9.0, 9.0], [2.0, 1.9]], True),
        ([2.0, 2.0, 2.0], [[2.0, 2.0, 1.0]], True),
        ([2.0, 2.0, 2.0], [[1.0, 1.0, 3.0]], False),
        ([np.inf, 1.0], [[0.0, 1.0]], True),
        ([np.inf, np.inf], [[np.inf, np.inf]], False),
    ],
)
def test_dominated_by_hand(row, by, expected):
    # exact
    assert dominated(np.array([row]), by=np.array(by)).tolist() == [expected]


@pytest.mark.parametrize("objectives", [2, 3])
@pytest.mark.parametrize("seed", range(3))
def test_dominated_as_all_pairs_say(objectives, seed):
    # independent: every row against every other, one number at a time
    losses, by = grid_losses(objectives, seed), 1 + grid_losses(objectives, seed + 50, rows=9)
    expected = [any(beats(one, row) for one in by) for row in losses]
    assert 0 < sum(expected) < len(losses)
    assert dominated(losses, by=by).tolist() == expected


def test_nothing_dominates_without_rows():
    # exact
    rows, none = np.ones((3, 2)), np.empty((0, 2))
    assert dominated(rows, by=none).tolist() == [False] * 3
    assert dominated(none, by=rows).tolist() == []


# Front


@pytest.mark.parametrize(
    ("losses", "expected"),
    [
        ([[1.0, 3.0], [2.0, 2.0], [3.0, 1.0]], [0, 1, 2]),
        ([[3.0, 1.0], [2.0, 2.0], [1.0, 3.0]], [2, 1, 0]),
        ([[1.0, 3.0], [2.0, 4.0], [2.0, 3.0]], [0]),
        ([[1.0, 1.0], [1.0, 1.0]], [0]),
        ([[2.0, 2.0], [2.0, 1.0]], [1]),
        ([[1.0, 2.0], [1.0, 1.0], [0.0, 1.0]], [2]),
        ([[5.0, 1.0]], [0]),
        ([[1.0, 2.0, 3.0], [1.0, 3.0, 2.0], [1.0, 3.0, 3.0]], [0, 1]),
        ([[1.0, 1.0, 1.0], [1.0, 1.0, 1.0]], [0]),
        ([[2.0, 1.0, 1.0], [1.0, 1.0, 2.0], [1.0, 1.0, 1.0]], [2]),
    ],
)
def test_front_by_hand(losses, expected):
    # exact
    assert front(np.array(losses)).tolist() == expected


@pytest.mark.parametrize("objectives", [2, 3])
@pytest.mark.parametrize("seed", range(5))
def test_front_as_all_pairs_say(objectives, seed):
    # independent: undominated rows, of equal ones the first, sorted by their numbers
    losses = grid_losses(objectives, seed)
    losses[-3:] = losses[:3]
    best = [
        i
        for i, row in enumerate(losses)
        if not any(beats(other, row) for other in losses)
        and not any((losses[k] == row).all() for k in range(i))
    ]
    expected = sorted(best, key=lambda i: tuple(losses[i]))
    assert front(losses).tolist() == expected


# Standing


def test_standing_by_hand():
    # exact: two fronts, ends of a front first, then the design with more room; then misses
    losses = np.array(
        [
            [9.0, 9.0],  # misses by 2
            [2.0, 6.0],  # second front
            [0.0, 10.0],  # end
            [1.0, 5.0],  # room 4/10 + 6/10
            [4.0, 4.0],  # room 9/10 + 5/10
            [10.0, 0.0],  # end
            [0.0, 0.0],  # best of all, but misses by 1
        ]
    )
    violation = np.array([2.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0])
    assert standing(losses, violation).tolist() == [2, 5, 4, 3, 1, 6, 0]


@pytest.mark.parametrize("objectives", [2, 3])
def test_standing_peels_fronts(objectives):
    # independent: number of fronts above each design by repeated search over all pairs
    losses = grid_losses(objectives, 7)
    violation = np.where(np.arange(len(losses)) % 4 == 0, np.arange(len(losses)) + 1.0, 0.0)
    depth, left, level = {}, [i for i, v in enumerate(violation) if v == 0], 0
    while left:
        best = [i for i in left if not any(beats(losses[k], losses[i]) for k in left)]
        depth |= dict.fromkeys(best, level)
        left, level = [i for i in left if i not in best], level + 1
    order = standing(losses, violation).tolist()
    assert sorted(order) == list(range(len(losses)))
    kept = [i for i in order if violation[i] == 0]
    assert order[: len(kept)] == kept
    assert [depth[i] for i in kept] == sorted(depth.values())
    missed = [violation[i] for i in order[len(kept) :]]
    assert missed == sorted(missed)


def test_standing_where_all_are_alike():
    # exact: nothing tells them apart, so they stay as they came
    assert standing(np.ones((3, 2)), np.zeros(3)).tolist() == [0, 1, 2]
    infinite = np.full((2, 2), np.inf)
    assert standing(infinite, np.array([3.0, 1.0])).tolist() == [1, 0]


# Hypervolume


@pytest.mark.parametrize(
    ("losses", "reference", "expected"),
    [
        ([[1.0, 1.0]], [3.0, 4.0], 6.0),
        ([[1.0, 2.0], [2.0, 1.0]], [3.0, 3.0], 3.0),
        ([[1.0, 2.0], [2.0, 1.0], [2.5, 2.5]], [3.0, 3.0], 3.0),
        ([[1.0, 1.0], [1.0, 1.0]], [2.0, 2.0], 1.0),
        ([[3.0, 1.0], [5.0, 0.0]], [3.0, 3.0], 0.0),
        ([[1.0, 1.0], [0.0, 5.0]], [3.0, 3.0], 4.0),
        ([[-2.0, -1.0]], [0.0, 0.0], 2.0),
        ([[0.0, 0.0, 0.0]], [1.0, 2.0, 3.0], 6.0),
        # two boxes of 2 that share 1
        ([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]], [2.0, 2.0, 1.0], 3.0),
        ([[1.0, 0.0, 0.0], [1.0, 0.0, 0.0]], [2.0, 2.0, 1.0], 2.0),
        ([[1.0, 0.0, 1.0]], [2.0, 2.0, 1.0], 0.0),
    ],
)
def test_hypervolume_by_hand(losses, reference, expected):
    # exact
    assert hypervolume(np.array(losses), np.array(reference)) == expected


def test_hypervolume_of_nothing():
    # exact
    assert hypervolume(np.empty((0, 2)), np.array([1.0, 1.0])) == 0


@pytest.mark.parametrize("objectives", [2, 3])
@pytest.mark.parametrize("seed", range(4))
def test_hypervolume_by_counting_boxes(objectives, seed):
    # independent: whole numbers, so the volume is the number of unit boxes behind some row;
    # exact besides, as all sums are of whole numbers
    losses = grid_losses(objectives, seed, rows=12)
    reference = np.full(objectives, GRID - 1.0)
    assert (losses >= reference).any()  # rows outside are among them
    boxes = itertools.product(range(GRID - 1), repeat=objectives)
    expected = sum(any((row <= box).all() for row in losses) for box in boxes)
    assert hypervolume(losses, reference) == expected


@pytest.mark.parametrize("objectives", [2, 3])
@pytest.mark.parametrize("seed", range(4))
def test_hypervolume_as_optuna_has_it(objectives, seed):
    # independent: optuna's own, private, computation
    rng = np.random.default_rng(seed)
    losses, reference = rng.random((60, objectives)), np.full(objectives, 0.9)
    losses[:5] = losses[5:10]  # equal rows
    losses[10:20, 0] = losses[20, 0]  # ties
    inside = losses[(losses < reference).all(axis=1)]
    assert len(inside) < len(losses)
    expected = compute_hypervolume(inside, reference)
    # rtol: sums in another order
    assert hypervolume(losses, reference) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("objectives", [2, 3])
def test_hypervolume_by_throwing_darts(objectives):
    # independent: share of random points of the unit box that some row beats
    rng = np.random.default_rng(11)
    losses = rng.random((15, objectives))
    darts = rng.random((200_000, objectives))
    hit = np.mean([(losses <= part[:, None]).all(axis=2).any(axis=1) for part in
                   np.split(darts, 100)])  # fmt: skip
    # atol: 4.5 standard deviations of a share of 0.5 from 200 000 darts, 4.5 * 0.5 / sqrt(2e5)
    assert hypervolume(losses, np.ones(objectives)) == pytest.approx(hit, abs=5e-3)
