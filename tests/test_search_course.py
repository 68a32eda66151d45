"""How a search went: growth, importance."""

import dataclasses

import numpy as np
import pytest
from searches import (
    THREE,
    WIDTH,
    searched,
)

from arrayopt.search import optimise
from arrayopt.search.assess import Assessment
from arrayopt.search.result import behind, correlation_ratio


@pytest.fixture(scope="module")
def found():
    return optimise(searched(), trials=240)


@pytest.fixture(scope="module")
def three():
    return optimise(searched(keys=THREE), trials=240)


# How a search went


def met(torque, mass, *, missed=0.0):
    return Assessment((-torque, mass), {"wall": missed})


def with_known(found, judged):
    return dataclasses.replace(found, known={(i,): one for i, one in enumerate(judged)})


EARLY = [met(1.0, 1.0), met(2.0, 2.0), met(1.5, 3.0), met(0.5, 4.0)]


def test_growth_and_convergence_by_hand(found):
    # exact: areas under the steps of the front over 0.5 N m and up to 4 kg
    grown = with_known(found, [*EARLY, met(3.0, 3.0)])
    before, after = 0.5 + 2 * 1.5, 0.5 + 1.5 + 2.5
    # rtol: the reference point lies a millionth beyond the worst values
    assert grown.growth == pytest.approx(after / before - 1, rel=1e-4)
    marks, share = grown.convergence
    assert marks.tolist() == [0, 1, 2, 3, 4, 5]
    expected = np.array([0.0, 1.5, before, before, before, after]) / after
    np.testing.assert_allclose(share, expected, atol=1e-5)  # atol: as above
    assert with_known(found, [*EARLY, met(0.6, 3.5)]).growth == 0


def test_growth_ignores_what_misses_a_limit(found):
    # exact
    judged = [*EARLY, met(9.0, 0.1, missed=0.5)]
    assert with_known(found, judged).growth == 0


def test_growth_of_a_front_that_came_at_the_end(found):
    # exact: no front at all before, so no share
    judged = [met(1.0, 1.0, missed=1.0)] * 4 + [met(1.0, 1.0)]
    assert np.isnan(with_known(found, judged).growth)


def test_growth_and_convergence_of_a_real_search(found):
    marks, share = found.convergence
    assert (np.diff(share) >= 0).all()
    assert (share[0], share[-1], marks[-1]) == (0, 1, 240)
    assert 0 <= found.growth < 1


def test_behind_the_front_by_hand():
    # exact: the least improvement of all objectives at once, front scaled to 1
    losses = np.array([[0.0, 10.0], [2.0, 0.0], [2.0, 10.0], [1.0, 10.0], [4.0, 0.0]])
    np.testing.assert_allclose(behind(losses), [0, 0, 1, 0.5, 1])


def test_correlation_ratio_by_hand():
    # exact: means 2 and 5, spread of 4.5 between groups of a whole variance of 3.25
    groups, values = np.array([0.0, 0, 1, 1]), np.array([1.0, 3.0, 4.0, 6.0])
    assert correlation_ratio(groups, values) == pytest.approx(2.25 / 3.25)
    assert correlation_ratio(groups, np.ones(4)) == 0
    assert correlation_ratio(np.array([]), np.array([])) == 0
    # a smooth axis in ten groups explains all but what lies within a group: 1 - 1/100
    smooth = np.linspace(0, 1, 100_001)
    assert correlation_ratio(smooth, smooth) == pytest.approx(0.99, abs=1e-3)


def test_importance_tells_what_matters(found):
    # exact: shares; thickness matters to mass, and sizes of transverse magnets count where used
    assert set(found.importance) == {"continuous_torque", "rotor_mass", "front"}
    for shares in found.importance.values():
        assert set(shares) == set(found.space.distributions)
        assert all(0 <= share <= 1 + 1e-12 for share in shares.values())
    only = optimise(searched(WIDTH), trials=80)
    # atol: one variable explains all but what varies within ten groups
    assert only.importance["rotor_mass"]["rotor.main.width_mm"] == pytest.approx(1, abs=0.03)
