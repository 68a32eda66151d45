"""The search: front, picks, whole spaces, costly figures."""

import itertools
from collections import Counter

import numpy as np
import pytest
from searches import (
    CHECKS,
    PEAK,
    SMALL,
    THICK,
    THREE,
    WIDTH,
    searched,
    space_text,
    undominated,
    whole_batches,
)

from arrayopt.checks import check_limits
from arrayopt.errors import ArrayoptError
from arrayopt.evaluation import evaluate, evaluate_batch
from arrayopt.export.search_tables import search_text
from arrayopt.layout import fit_faults
from arrayopt.machine import winding_faults
from arrayopt.search import optimise
from arrayopt.search.assess import Goal, assess
from arrayopt.search.result import pick_name, pick_names, picks
from arrayopt.search.run import BATCH, GENERATION
from arrayopt.study import parse_study, revised_text


@pytest.fixture(scope="module")
def found():
    return optimise(searched(), trials=240)


@pytest.fixture(scope="module")
def three():
    return optimise(searched(keys=THREE), trials=240)


# Front and picks


def test_designs_are_judged_once_and_as_many_as_asked(found):
    # exact: 240 are whole batches; names differ
    assert len(found.known) == whole_batches(240) == 240
    assert not found.whole
    kept = [a for a in found.known.values() if a.feasible]
    assert found.feasible == len(kept) == found.kept.sum()
    assert 20 < found.feasible < 240


@pytest.mark.parametrize("trials", [1, BATCH, BATCH + 1, GENERATION + 1])
def test_trials_are_whole_batches(trials):
    # exact: a space without end
    assert len(optimise(searched(WIDTH), trials=trials).known) == whole_batches(trials)


def test_a_short_search_begins_with_the_start_and_all_layouts():
    # exact: one batch has the user's own design, and both numbers of magnets that may be tried
    result = optimise(searched(), trials=BATCH)
    assert len(result.known) == BATCH
    assert result.space.name(result.space.genes({})) in result.known
    counts = [result.space.params(name)["rotor.magnets_per_pole_pair"] for name in result.known]
    assert set(counts) == {2, 4}


@pytest.mark.parametrize("name", ["found", "three"])
def test_no_design_met_beats_the_front(name, request):
    # independent: all pairs
    result = request.getfixturevalue(name)
    met = result.losses[result.kept]
    best = met[undominated(met)]
    front = result.goal.losses(result.front)
    # rtol: losses are kept to nine digits
    expected = sorted(map(tuple, best))
    np.testing.assert_allclose(sorted(map(tuple, front)), expected, rtol=1e-8)
    # From the worst to the best of the first objective.
    assert (np.diff(front[:, 0]) <= 0).all()
    assert (front[0, 0] > front[-1, 0]) and len(front) > 5


@pytest.mark.parametrize("name", ["found", "three"])
def test_picks_are_what_they_are_called(name, request):
    # independent: every design of the front, one by one
    result = request.getfixturevalue(name)
    start = {f.name: result.start[f.name].item() for f in result.objectives}
    front = [{f.name: float(result.front[f.name][i]) for f in result.objectives}
             for i in range(len(result.values))]  # fmt: skip
    for f in result.objectives:
        # The starter keeps its limits and has none on these figures: it is the yardstick.
        others = [g for g in result.objectives if g is not f]
        assert result.held_to == result.objectives
        sign = {"more": 1, "less": -1}
        allowed = [
            i
            for i, one in enumerate(front)
            # The start itself may be on the front, so its own figures, to nine digits, count.
            if all(
                sign[g.better] * (one[g.name] - start[g.name]) >= -1e-8 * abs(start[g.name])
                for g in others
            )
        ]
        best = max((sign[f.better] * front[i][f.name] for i in allowed), default=None)
        pick = result.picks.get(pick_name(f))
        assert (pick is None) == (best is None)
        if pick is not None:
            assert pick in allowed
            # rtol: losses are kept to nine digits
            assert sign[f.better] * front[pick][f.name] == pytest.approx(best, rel=1e-8)
    assert set(result.picks) <= set(pick_names(result.study))
    assert "knee" in result.picks


def test_knee_is_farthest_from_the_line_between_the_ends(found):
    # independent: distance from the chord, both axes scaled to 1
    torque, mass = found.front["continuous_torque"].values, found.front["rotor_mass"].values
    t = (torque - torque.min()) / np.ptp(torque)
    m = (mass - mass.min()) / np.ptp(mass)
    height = np.cross(np.stack([m, t, 0 * m], 1), [1.0, 1.0, 0.0])[:, 2] / -np.sqrt(2)
    assert found.picks["knee"] == height.argmax()


def losses_of(torque, mass):
    return np.stack([-np.array(torque, dtype=float), np.array(mass, dtype=float)], axis=1)


@pytest.mark.parametrize(
    ("torque", "expected"),
    [([0.0, 0.9, 1.0], 1), ([0.0, 0.1, 1.0], 0), ([1.0, 1.2, 1.9, 2.0], 2), ([3.0], 0)],
)
def test_knee_by_hand(torque, expected):
    # exact: masses are evenly apart; the largest height over the chord
    losses = losses_of(torque, np.arange(len(torque)) + 1.0)
    goal = Goal(searched())
    assert picks(goal, losses, evaluate_batch([goal.study]))["knee"] == expected


def test_knee_of_three_objectives_by_hand():
    # exact: all three run from 0 to 1; sums 2, 0.9, 1.5, 2
    losses = np.array([[0.0, 1.0, 1.0], [0.3, 0.3, 0.3], [1.0, 0.0, 0.5], [1.0, 1.0, 0.0]])
    goal = Goal(searched(keys=THREE))
    assert picks(goal, losses, evaluate_batch([goal.study]))["knee"] == 1


NARROW = '"rotor.main.width_mm" = { low = 3.0, high = 4.5 }\n'  # the starter has 5 mm


@pytest.mark.parametrize(
    ("start", "search", "most_torque", "least_mass"),
    [
        ((1.5, 25.0), {}, 1, 1),
        ((3.0, 10.0), {}, 0, 2),
        ((3.1, 9.0), {}, None, None),
        ((0.5, 99.0), {}, 2, 0),
        # Held to a limit of the user's instead of to the start, in that figure
        ((1.5, 25.0), {"bounds": '"mass.rotor_g" = { at_most = 1e5 }'}, 2, 1),
        ((1.5, 25.0), {"bounds": '"machine.continuous_torque_nm" = { at_least = 0.1 }'}, 1, 0),
        ((1.5, 25.0), {"bounds": '"joint.continuous_torque_nm" = { at_least = 0.1 }'}, 1, 0),
        # A start that the search cannot find, or that misses a limit, holds nothing back
        ((1.5, 25.0), {"variables": NARROW}, 2, 0),
        ((1.5, 25.0), {"bounds": '"machine.slot_fill_percent" = { at_most = 1.0 }'}, 2, 0),
    ],
)
def test_picks_by_hand(start, search, most_torque, least_mass):
    # exact
    losses = losses_of([1.0, 2.0, 3.0], [10.0, 20.0, 30.0])
    goal = Goal(searched(**search))
    figures = evaluate_batch([goal.study])
    figures["continuous_torque"].values[0], figures["rotor_mass"].values[0] = start
    found = picks(goal, losses, figures)
    assert found.get("most-continuous-torque") == most_torque
    assert found.get("least-rotor-mass") == least_mass


@pytest.mark.parametrize("name", ["found", "three"])
def test_front_designs_fit_and_keep_limits_as_studies(name, request):
    result = request.getfixturevalue(name)
    for i in list(range(0, len(result.values), 12)) + list(result.picks.values()):
        study = parse_study(revised_text(result.study.text, result.values[i]), checks=CHECKS)
        assert study.model_dump() == result.design(i).model_dump()
        results = evaluate(study)
        told = {"demagnetised share", "winding at continuous torque"}
        assert all(check.ok for check in check_limits(study, results) if check.name not in told)
        for f in result.objectives:
            # rtol: the kernel shares sampling over a batch
            assert results[f.name].item() == pytest.approx(result.front[f.name][i].item(), rel=1e-6)


def test_a_pick_says_in_its_title_what_it_is(found):
    for name, index in found.picks.items():
        pick = found.pick(name)
        assert pick.title == f"{found.study.title}: {name} of a search"
        assert pick.rotor == found.design(index).rotor
    assert found.pick("2").title.endswith(": design 2 of a search")
    assert found.pick("2").rotor == found.design(2).rotor


@pytest.mark.parametrize("name", ["lightest", "-1", "99999", "", "²", "1.0"])
def test_unknown_pick(name, found):
    with pytest.raises(ArrayoptError, match=r"no design .* was found; choose knee") as told:
        found.pick(name)
    assert f"a number from 0 to {len(found.values) - 1} of front.csv" in str(told.value)


def test_dataset_has_values_and_what_repeats_the_search(found):
    data = found.dataset()
    assert data.attrs["study"] == found.study.text
    assert (data.attrs["seed"], data.attrs["designs_judged"]) == (1, 240)
    for i, values in enumerate(found.values):
        for key in found.study.search.variables:
            value = data[key][i].item()
            assert value == values[key] if key in values else np.isnan(value)


# A space small enough to try everything


@pytest.mark.parametrize("keys", ["", THREE], ids=["two objectives", "three"])
def test_small_space_is_searched_to_its_end(keys):
    # independent: every combination, judged by fit, limits and comparison of all pairs
    study = searched(space_text(SMALL), keys=keys)
    designs = {}
    for combination in itertools.product(*SMALL.values()):
        values = dict(zip(SMALL, combination, strict=True))
        if values["rotor.magnets_per_pole_pair"] == 2:
            del values["rotor.transverse.width_mm"]
        designs[tuple(sorted(values.items()))] = study.with_values(values)
    fitting = {k: s for k, s in designs.items() if not fit_faults(s) + winding_faults(s)}
    assert 10 < len(fitting) < len(designs) - 10
    figures = evaluate_batch(list(fitting.values()))
    assert (figures["tooth_flux_density"].values < study.flux_limit("tooth")).all()
    names = ["continuous_torque", "rotor_mass", *(["inertia"] if keys else [])]
    losses = np.stack([figures[n].values for n in names], axis=1) * ([-1, 1, 1][: len(names)])
    best = {key for key, good in zip(fitting, undominated(losses), strict=True) if good}

    result = optimise(study, trials=1000)
    assert result.whole
    assert len(result.known) == len(designs)
    assert result.feasible == len(fitting)
    assert {tuple(sorted(values.items())) for values in result.values} == best
    assert "That is the whole space: no better design is in it." in search_text(result)


def test_alike_designs_are_judged_once():
    # exact: 3 widths with 2 magnets per pole pair, 3 x 3 with 4
    space = (
        '"rotor.magnets_per_pole_pair" = { choices = [2, 4] }\n'
        '"rotor.main.width_mm" = { choices = [4.0, 4.5, 5.0] }\n'
        '"rotor.transverse.width_mm" = { choices = [1.0, 1.5, 2.0] }\n'
    )
    result = optimise(searched(space), trials=12)
    assert result.whole
    assert len(result.known) == 12


MEDIUM = (
    '"rotor.main.width_mm" = { low = 3.0, high = 5.0, step = 0.25 }\n'
    '"rotor.main.thickness_mm" = { low = 2.0, high = 4.0, step = 0.25 }\n'
    '"rotor.transverse.width_mm" = { choices = [1.5, 2.0] }\n'
)


def test_a_large_part_of_a_space_is_not_called_the_whole():
    # exact: 9 x 9 x 2 designs
    result = optimise(searched(MEDIUM), trials=120)
    assert (len(result.known), result.whole) == (120, False)
    assert "That is the whole space" not in search_text(result)
    assert "other seeds and more trials may find a little more" in search_text(result)


def test_a_search_that_grows_into_the_whole_space_is_whole(tmp_path):
    # exact: what a search of few designs kept is no hindrance to judging all
    told = Counter()

    def watch(_):
        told["batches"] += 1
        assert told["batches"] < 60, "the search does not end"

    study = searched(MEDIUM)
    optimise(study, trials=60, out=tmp_path)
    result = optimise(study, trials=1000, out=tmp_path, progress=watch)
    whole = optimise(study, trials=1000)
    assert result.whole == (len(result.known) == 162)
    assert result.known.keys() == whole.known.keys()
    assert result.values == whole.values


# Costly figures


def worst(result, name, count=3):
    """Largest relative difference of a figure of the front from `evaluate` of the design."""
    rows = np.linspace(0, len(result.values) - 1, count).astype(int)
    apart = [
        abs(float(result.front[name][i]) / float(evaluate(result.design(i))[name][0]) - 1)
        for i in rows
    ]
    return max(apart)


def test_peak_torque_as_objective():
    result = optimise(searched(WIDTH + THICK, keys=PEAK), trials=20)
    assert result.goal.costly == {"peak_torque"}
    assert set(pick_names(result.study)) == {"knee", "most-peak-torque", "least-rotor-mass"}
    # rtol: the kernel shares sampling over a batch
    assert worst(result, "peak_torque") < 1e-6
    # The front is of saturated torque: what the search ranked it by.
    kept = {tuple(row) for row in result.losses[result.kept]}
    for i in range(len(result.values)):
        loss = (-float(result.front["peak_torque"][i]), float(result.front["rotor_mass"][i]))
        # rtol: losses are kept to nine digits
        assert min(max(abs(a / b - 1) for a, b in zip(loss, row, strict=True)) for row in kept) < (
            1e-8
        )


def costly_space():
    """Designs of all kinds, whose magnets and iron matter differently."""
    return {
        "rotor.main.width_mm": [3.5, 5.0],
        "rotor.main.thickness_mm": [2.0, 4.0],
        "rotor.transverse.width_mm": [1.5, 2.0],
        "rotor.grade": ["N42SH", "N45"],
    }


def test_costly_figures_computed_late_change_nothing():
    # independent: every design of a small space through `evaluate`, and all pairs
    values = {"rotor.magnet_temperature_c": 60}
    text = space_text(costly_space()).replace("'", '"')
    bounds = '"magnets.demagnetised_percent" = { at_most = 12.0 }\n'
    study = searched(text, values=values, keys=PEAK, bounds=bounds)
    rows, excluded = {}, 0
    for combination in itertools.product(*costly_space().values()):
        design = study.with_values(dict(zip(costly_space(), combination, strict=True)))
        if fit_faults(design):
            continue
        figures = evaluate(design)
        if figures["tooth_flux_density"][0] > study.flux_limit("tooth"):
            continue
        if figures["demagnetised"][0] > 0.12:
            excluded += 1
            continue
        rows[combination] = -float(figures["peak_torque"][0]), float(figures["rotor_mass"][0])
    assert len(rows) > 4
    assert excluded > 4
    losses = np.array(list(rows.values()))
    best = {key for key, good in zip(rows, undominated(losses), strict=True) if good}
    result = optimise(study, trials=100)
    assert result.whole
    assert {tuple(values.values()) for values in result.values} == best


@pytest.mark.parametrize(
    ("figure", "name", "values"),
    [
        ("magnets.demagnetised_percent", "demagnetised", {"rotor.grade": "N45",
                                                          "rotor.magnet_temperature_c": 60}),
        ("iron.torque_loss_percent", "torque_loss", {}),
    ],
)  # fmt: skip
def test_costly_limit_excludes_designs(figure, name, values):
    # independent: `evaluate` of designs that a search without the limit has on its front
    sizes = {"rotor.main.width_mm": [3.5, 4.25, 5.0], "rotor.main.thickness_mm": [1.5, 2.5, 3.5]}
    free = optimise(searched(space_text(sizes), values=values), trials=20)
    shares = [float(evaluate(free.design(i))[name][0]) for i in range(len(free.values))]
    limit = float(np.median(shares))
    bounds = f'"{figure}" = {{ at_most = {100 * limit!r} }}\n'
    held = optimise(searched(space_text(sizes), values=values, bounds=bounds), trials=20)
    assert held.goal.costly == {name}
    assert (held.front[name].values <= limit * (1 + 1e-9)).all()
    # rtol: the kernel shares sampling over a batch
    assert worst(held, name) < 1e-6
    kept = [tuple(row.values()) for row in held.values]
    beyond = [tuple(row.values()) for row, s in zip(free.values, shares, strict=True) if s > limit]
    assert beyond
    assert not set(beyond) & set(kept)


def test_costly_figures_are_computed_of_few():
    # exact: a design that another beats with costly figures at their best has them not computed
    study = searched(WIDTH + THICK, keys=PEAK)
    goal = Goal(study)
    designs = [{"rotor.main.width_mm": w} for w in (4.0, 4.5)]
    nobody = np.empty((0, 2))
    unbeatable = np.array([[-1e9, 0.0]])
    for one, values in zip(assess(goal, nobody, designs), designs, strict=True):
        truth = evaluate(study.with_values(values))
        # rtol: losses are kept to nine digits, and the kernel shares sampling over a batch
        assert -one.losses[0] == pytest.approx(truth["peak_torque"].item(), rel=1e-6)
        assert truth["torque_loss"].item() > 0.01
    for one, values in zip(assess(goal, unbeatable, designs), designs, strict=True):
        truth = evaluate(study.with_values(values))
        # independent: torque constant times current, without saturation
        ideal = truth["torque_constant"].item() * study.drive.peak_current_a
        assert -one.losses[0] == pytest.approx(ideal, rel=1e-6)
