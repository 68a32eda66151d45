"""Proposals: genes stay on their axes, nothing comes twice, the seed decides."""

from __future__ import annotations

import numpy as np
import pytest

from arrayopt.search.genetic import Axis, children, proposals, random_genes, steps

SMOOTH, COUNTED, LISTED = Axis(0, ordered=True), Axis(7, ordered=True), Axis(4, ordered=False)
AXES = [SMOOTH, COUNTED, LISTED]


def rng(seed=1):
    return np.random.default_rng(seed)


def name(genes):
    return (round(float(genes[0]), 6), int(genes[1]), int(genes[2]))


def proposed(seed, *, known=(), begun=(), size=50, parents=None):
    parents = random_genes(AXES, 30, rng(9)) if parents is None else parents
    return proposals(
        parents[:6], parents, AXES, size, rng(seed), name=name, known=known, begun=begun
    )


def assert_on_axes(genes):
    for column, axis in zip(genes.T, AXES, strict=True):
        assert (column >= 0).all()
        if axis.count:
            assert (column == column.astype(int)).all()
            assert (column < axis.count).all()
        else:
            assert (column <= 1).all()


@pytest.mark.parametrize("make", [children, steps])
@pytest.mark.parametrize("seed", range(4))
def test_genes_stay_on_their_axes(make, seed):
    # exact: parents at both ends of every axis, where a step could lead outside
    low = np.array([[0.0, 0, 0]])
    high = np.array([[1.0, 6, 3]])
    for parents in (low, high, np.vstack([low, high])):
        made = make(parents, AXES, 400, rng(seed))
        assert made.shape == (400, 3)
        assert_on_axes(made)


def test_random_genes_reach_all_of_each_axis():
    # exact: 1000 draws miss one of seven places with a chance of 1e-66
    genes = random_genes(AXES, 1000, rng())
    assert_on_axes(genes)
    assert set(genes[:, 1]) == set(range(7))
    assert set(genes[:, 2]) == set(range(4))
    # atol: ten standard deviations of a mean of 1000 draws from 0..1 are 0.09
    assert genes[:, 0].mean() == pytest.approx(0.5, abs=0.1)


def test_steps_change_one_gene_by_one_place():
    # exact
    front = np.array([[0.5, 3.0, 1.0]])
    made = steps(front, AXES, 500, rng())
    moved = made != front
    assert (moved.sum(axis=1) <= 1).all()
    assert moved.any(axis=0).all()
    assert set(made[:, 1]) == {2.0, 3.0, 4.0}
    # an axis without an order has no neighbours: any place may follow
    assert set(made[:, 2]) == {0.0, 1.0, 2.0, 3.0}
    # atol: a step of 0.03 of the range has not been seen to pass 6 of its spreads
    assert np.abs(made[:, 0] - 0.5).max() < 0.18


def test_steps_leave_the_front_as_it_is():
    front = random_genes(AXES, 5, rng())
    before = front.copy()
    steps(front, AXES, 50, rng())
    children(front, AXES, 50, rng())
    np.testing.assert_array_equal(front, before)


def test_children_mix_two_parents():
    # exact: without a change every gene is one of the parents'; some child has genes of both
    parents = np.array([[0.25, 1.0, 0.0], [0.75, 5.0, 3.0]])
    made = children(parents, AXES, 600, rng())
    from_one, from_other = made == parents[0], made == parents[1]
    whole = (from_one | from_other).all(axis=1)
    assert 0.2 < whole.mean() < 0.8  # (1 - 1/3)^3 = 0.3 are unchanged, and some change to the same
    assert (from_one.any(axis=1) & from_other.any(axis=1) & whole).any()


def test_better_parents_have_more_children():
    # exact: the better of two at random is the first of two with chance 3/4
    axes = [Axis(1000, ordered=False)] * 50  # a change hits one gene in fifty
    parents = np.array([[0.0] * 50, [1.0] * 50])
    made = children(parents, axes, 2000, rng())
    # atol: six standard deviations of a share of 3/4 among 2000, and changes of one in fifty
    assert np.mean(made[:, 0] == 0.0) == pytest.approx(0.75, abs=0.08)


# Proposals


def test_proposals_are_new_different_and_as_many_as_asked():
    known = {name(row) for row in random_genes(AXES, 30, rng(9))} | set(proposed(1)[:20])
    found = proposed(1, known=known)
    assert len(found) == len(set(found)) == 50
    assert not known & set(found)


def test_the_seed_decides():
    assert proposed(5) == proposed(5)
    assert proposed(5) != proposed(6)


def test_proposals_begin_with_those_given():
    # exact: known ones are left out, as many come as fit
    begun = [(0.1, 1, 1), (0.2, 2, 2), (0.3, 3, 3)]
    assert proposed(1, begun=begun)[:3] == begun
    assert proposed(1, begun=begun, known={begun[1]})[:2] == [begun[0], begun[2]]
    assert proposed(1, begun=begun, size=2) == begun[:2]


def test_first_generation_has_no_parents():
    none = np.empty((0, len(AXES)))
    assert len(set(proposed(1, parents=none))) == 50


def test_most_proposals_are_neighbours_of_the_front():
    # exact: a front of one design; a neighbour differs in one gene
    parents = np.vstack([[[0.5, 3.0, 1.0]], random_genes(AXES, 30, rng(3))])
    found = proposals(
        parents[:1], parents, AXES, 100, rng(), name=name, known={name(parents[0])}
    )  # fmt: skip
    apart = [sum(a != b for a, b in zip(one, (0.5, 3, 1), strict=True)) for one in found[:60]]
    assert set(apart) == {1}


def test_exhausted_space_gives_fewer():
    # exact: 6 x 4 places; what is known is not proposed again
    axes = [Axis(6, ordered=True), Axis(4, ordered=False)]

    def place(genes):
        return int(genes[0]), int(genes[1])

    def more(known, parents):
        return proposals(parents, parents, axes, 100, rng(2), name=place, known=known)

    none = np.empty((0, 2))
    all_of_it = {(i, j) for i in range(6) for j in range(4)}
    assert set(more(set(), none)) == all_of_it
    left = {(5, 3), (0, 0)}
    some = np.array([[2.0, 1.0]])
    assert set(more(all_of_it - left, some)) == left
    assert more(all_of_it, some) == []
