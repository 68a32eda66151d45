"""The search: front, picks, costly figures, repeatability, continuing, limits, workers."""

import dataclasses
import itertools
import json
import multiprocessing
import operator
import os
import signal
import sys
from collections import Counter

import numpy as np
import pytest
from filelock import FileLock
from makers import make_study

from arrayopt.checks import check_limits
from arrayopt.errors import ArrayoptError, NothingFeasibleError, StudyError
from arrayopt.evaluation import evaluate, evaluate_batch
from arrayopt.export.search_tables import search_text
from arrayopt.layout import fit_faults
from arrayopt.machine import winding_faults
from arrayopt.search import fanout, optimise, read_search
from arrayopt.search.assess import Assessment, Goal, assess
from arrayopt.search.record import _LOCK, JOURNAL
from arrayopt.search.result import behind, correlation_ratio, pick_name, pick_names, picks
from arrayopt.search.run import BATCH, COSTLY_BATCH, GENERATION
from arrayopt.study import parse_study, revised_text, starter_text

HEAD, VARIABLES = starter_text().split("[search.variables]\n")
CHECKS = (("rotor", fit_faults), ("stator", winding_faults))
WIDTH = '"rotor.main.width_mm" = { low = 3.0, high = 5.0 }\n'
THICK = '"rotor.main.thickness_mm" = { low = 1.5, high = 4.0 }\n'
PEAK = 'objectives = ["machine.peak_torque_nm", "mass.rotor_g"]\n'
THREE = 'objectives = ["machine.continuous_torque_nm", "mass.rotor_g", "mass.inertia_kg_mm2"]\n'


def searched(variables=VARIABLES, *, values=None, keys="", bounds=""):
    """The starter study with another search, and some keys set."""
    text = f"{HEAD}{keys}\n[search.limits]\n{bounds}\n[search.variables]\n{variables}"
    return parse_study(revised_text(text, values or {}))


def same(one, other):
    """Whether two searches judged the same designs and found the same, without tolerance."""
    assert list(one.known.items()) == list(other.known.items())
    assert one.values == other.values
    assert one.picks == other.picks
    for f in one.objectives:
        np.testing.assert_array_equal(one.front[f.name].values, other.front[f.name].values)
    return True


def undominated(losses):
    """Rows that no other beats by more than rounding, by comparing all pairs."""
    slack = 1e-8 * np.abs(losses).max(axis=0)
    near = (losses[None] <= losses[:, None] + slack).all(axis=2)
    less = (losses[None] < losses[:, None] - slack).any(axis=2)
    return ~(near & less).any(axis=1)


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


def whole_batches(trials):
    """Designs that are judged where so many are asked for, if they last."""
    return -(-trials // BATCH) * BATCH


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
        others = [g for g in result.objectives if g is not f]
        sign = {"more": 1, "less": -1}
        allowed = [
            i
            for i, one in enumerate(front)
            # The start itself may be on the front, so its own figures count as no worse.
            if all(
                sign[g.better] * (one[g.name] - start[g.name]) >= -1e-9 * abs(start[g.name])
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
    assert picks(Goal(searched()), losses, losses[0])["knee"] == expected


def test_knee_of_three_objectives_by_hand():
    # exact: all three run from 0 to 1; sums 2, 0.9, 1.5, 2
    losses = np.array([[0.0, 1.0, 1.0], [0.3, 0.3, 0.3], [1.0, 0.0, 0.5], [1.0, 1.0, 0.0]])
    assert picks(Goal(searched(keys=THREE)), losses, losses[0])["knee"] == 1


@pytest.mark.parametrize(
    ("start", "most_torque", "least_mass"),
    [((1.5, 25.0), 1, 1), ((3.0, 10.0), 0, 2), ((3.1, 9.0), None, None), ((0.5, 99.0), 2, 0)],
)
def test_picks_by_hand(start, most_torque, least_mass):
    # exact
    losses = losses_of([1.0, 2.0, 3.0], [10.0, 20.0, 30.0])
    found = picks(Goal(searched()), losses, np.array([-start[0], start[1]]))
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


SMALL = {
    "rotor.pole_pairs": [13, 14],
    "rotor.magnets_per_pole_pair": [2, 4],
    "rotor.main.width_mm": [3.5, 4.5, 5.5, 8.5],
    "rotor.main.thickness_mm": [2.0, 3.5],
    "rotor.transverse.width_mm": [1.5, 2.5, 3.5],
}


def space_text(space):
    return "".join(f'"{key}" = {{ choices = {values} }}\n' for key, values in space.items())


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


# Repeating and continuing


def test_same_seed_same_front_on_two_workers(found):
    assert same(optimise(searched(), trials=240, workers=2), found)


def test_same_seed_same_front_with_costly_figures():
    study = searched(WIDTH + THICK, keys=PEAK)
    assert same(optimise(study, trials=30, workers=2), optimise(study, trials=30))


def test_other_seed_other_front(found):
    other = optimise(searched(), trials=240, seed=2)
    assert other.known.keys() != found.known.keys()
    assert other.seed == 2


def test_the_study_gives_seed_and_trials():
    # exact
    text = HEAD.replace("trials = 5000", "trials = 30").replace("seed = 1", "seed = 2")
    study = parse_study(f"{text}[search.variables]\n{WIDTH}")
    assert same(optimise(study), optimise(searched(WIDTH), trials=40, seed=2))


def test_continued_search_equals_one_never_stopped(found, tmp_path):
    # exact: stopped within the first generation and within the second
    steps = (80, 170, 240)
    assert steps[0] < GENERATION < steps[1]
    new = []
    for trials in steps:
        told = []
        result = optimise(searched(), trials=trials, out=tmp_path, progress=told.append)
        new.append(told[-1].new)
    assert same(result, found)
    ends = [whole_batches(trials) for trials in steps]
    assert new == [ends[0], ends[1] - ends[0], ends[2] - ends[1]]


def test_continued_with_costly_figures(tmp_path, monkeypatch):
    # What costly figures are computed of depends on the front before a generation, here a short
    # one: stopped within the first and within the second.
    monkeypatch.setattr("arrayopt.search.run.GENERATION", 2 * COSTLY_BATCH)
    study = searched(WIDTH + THICK, keys=PEAK)
    for batches in (1, 3, 4):
        result = optimise(study, trials=batches * COSTLY_BATCH, out=tmp_path)
    assert len(result.known) == 4 * COSTLY_BATCH
    assert same(result, optimise(study, trials=4 * COSTLY_BATCH))


def test_progress(tmp_path):
    # exact: told after every batch and generation
    told = []
    result = optimise(searched(), trials=240, out=tmp_path, progress=told.append)
    done = [now.done for now in told]
    assert done == sorted(done)
    assert set(range(BATCH, 241, BATCH)) == set(done)
    assert {now.wanted for now in told} == {240}
    assert told[-1].new == 240
    assert told[-1].feasible == pytest.approx(result.feasible / 240)
    grown = [now.hypervolume for now in told if not np.isnan(now.hypervolume)]
    assert grown[0] == 1
    assert grown == sorted(grown)
    again = []
    optimise(searched(), trials=240, out=tmp_path, progress=again.append)
    assert {now.new for now in again} == {0}
    assert again[-1].hypervolume == grown[-1]


def test_finished_search_is_only_read(found, tmp_path):
    optimise(searched(), trials=240, out=tmp_path)
    kept = (tmp_path / JOURNAL).read_bytes()
    assert same(optimise(searched(), trials=240, out=tmp_path), found)
    fewer = optimise(searched(), trials=100, out=tmp_path)
    assert list(fewer.known.items()) == list(found.known.items())[: whole_batches(100)]
    after = (tmp_path / JOURNAL).read_bytes()
    assert after.startswith(kept)
    assert after.count(b'"place"') == kept.count(b'"place"') == 240


@pytest.mark.parametrize("after", [1, 2, 4, 5, 6, 7])
def test_interrupted_search_is_continued(after, found, tmp_path):
    told = Counter()

    def stop(_):
        told["batches"] += 1
        if told["batches"] == after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        optimise(searched(), trials=240, out=tmp_path, progress=stop)
    assert same(optimise(searched(), trials=240, out=tmp_path), found)


@pytest.mark.parametrize("lost", [1, 7, 20, 40, 100, "half a line", "nearly a line", "blank"])
def test_search_stopped_while_writing_is_continued(lost, found, tmp_path):
    optimise(searched(), trials=160, out=tmp_path)
    journal = tmp_path / JOURNAL
    lines = journal.read_bytes().splitlines(keepends=True)
    kept = {
        "half a line": [*lines[:-1], lines[-1][:100]],
        "nearly a line": [*lines[:-1], lines[-1][:-1]],
        "blank": lines,
    }.get(lost) or lines[:-lost]
    journal.write_bytes(b"".join(kept))
    assert same(optimise(searched(), trials=240, out=tmp_path), found)
    for line in journal.read_bytes().splitlines():
        json.loads(line)


@pytest.mark.parametrize("kept", [1, 2, 3, 4, 5, 6])
def test_search_stopped_before_it_began_is_continued(kept, tmp_path):
    study = searched(WIDTH)
    whole = optimise(study, trials=20, out=tmp_path)
    journal = tmp_path / JOURNAL
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(lines[:kept]))
    assert same(optimise(study, trials=20, out=tmp_path), whole)


@pytest.mark.parametrize(
    ("values", "seed", "more"),
    [
        ({"rotor.grade": "N52"}, None, {}),
        ({"limits.slot_fill": 0.4}, 1, {}),
        ({}, 2, {}),
        ({}, None, {"keys": THREE}),
        ({}, None, {"keys": PEAK}),
        ({}, None, {"bounds": '"mass.rotor_g" = { at_most = 99.0 }\n'}),
        ({}, None, {"variables": WIDTH.replace("5.0", "5.5")}),
    ],
)
def test_folder_of_another_search_is_refused(values, seed, more, tmp_path):
    optimise(searched(WIDTH), trials=10, out=tmp_path)
    before = (tmp_path / JOURNAL).read_bytes()
    other = searched(**({"variables": WIDTH} | more), values=values)
    with pytest.raises(ArrayoptError, match="another study, seed or version; give another --out"):
        optimise(other, trials=10, seed=seed, out=tmp_path)
    assert (tmp_path / JOURNAL).read_bytes() == before


def test_title_order_and_trials_may_change_within_a_folder(tmp_path):
    first = optimise(searched(WIDTH), trials=20, out=tmp_path)
    values = {"title": "another name", "order.motors": 12, "search.trials": 20}
    again = optimise(searched(WIDTH, values=values), out=tmp_path)
    assert same(again, first)
    assert again.study.title == "another name"


@pytest.mark.parametrize("content", [b"hello\n", b"\x00\xff", b"{}\n", b"[1]\n", b"1\n", b"half"])
def test_foreign_file_in_the_journals_place_is_refused(content, tmp_path):
    (tmp_path / JOURNAL).write_bytes(content)
    for search in (lambda: optimise(searched(WIDTH), trials=10, out=tmp_path),
                   lambda: read_search(tmp_path)):  # fmt: skip
        with pytest.raises(ArrayoptError, match="not a record of a search; remove it"):
            search()
        assert (tmp_path / JOURNAL).read_bytes() == content


def test_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ArrayoptError, match="cannot keep a search"):
        optimise(searched(WIDTH), trials=10, out=tmp_path / "file" / "out")


def test_folder_in_use_is_refused(tmp_path):
    with FileLock(tmp_path / _LOCK), pytest.raises(ArrayoptError, match="is in use by another"):
        optimise(searched(WIDTH), trials=10, out=tmp_path)
    assert not (tmp_path / JOURNAL).exists()
    assert len(optimise(searched(WIDTH), trials=10, out=tmp_path).known) == BATCH


def test_a_search_frees_its_folder_when_it_fails(tmp_path):
    def fail(_):
        raise RuntimeError("told")

    with pytest.raises(RuntimeError, match="told"):
        optimise(searched(WIDTH), trials=10, out=tmp_path, progress=fail)
    optimise(searched(WIDTH), trials=10, out=tmp_path)


@pytest.mark.parametrize("wrong", [{"trials": 0}, {"workers": 0}, {"trials": -5}])
def test_wrong_numbers(wrong):
    with pytest.raises(ArrayoptError, match="must be at least 1; got"):
        optimise(searched(WIDTH), **({"trials": 10} | wrong))


# Reading a search


def test_read_search_equals_the_result(found, tmp_path):
    optimise(searched(), trials=240, out=tmp_path)
    content = (tmp_path / JOURNAL).read_bytes()
    read = read_search(tmp_path)
    assert same(read, found)
    assert (read.seed, read.whole) == (found.seed, found.whole)
    assert read.study.model_dump() == found.study.model_dump()
    assert read.study.text == found.study.text
    # Only read: even half a line, which a search at work is about to end, stays.
    (tmp_path / JOURNAL).write_bytes(content[:-50])
    less = read_search(tmp_path)
    assert list(less.known.items()) == list(found.known.items())[:-1]
    assert (tmp_path / JOURNAL).read_bytes() == content[:-50]


def test_read_search_of_a_folder_in_use(tmp_path):
    optimise(searched(WIDTH), trials=20, out=tmp_path)
    with FileLock(tmp_path / _LOCK):
        assert len(read_search(tmp_path).known) == BATCH


def test_read_search_of_a_whole_space(tmp_path):
    whole = optimise(searched(space_text(SMALL)), trials=1000, out=tmp_path)
    read = read_search(tmp_path)
    assert same(read, whole)
    assert read.whole


def test_read_search_where_there_is_none(tmp_path):
    with pytest.raises(ArrayoptError, match="holds no search; give a folder"):
        read_search(tmp_path)
    with pytest.raises(ArrayoptError, match="holds no search"):
        read_search(tmp_path / "nowhere")


def test_read_search_that_has_not_begun(tmp_path):
    optimise(searched(WIDTH), trials=20, out=tmp_path)
    journal = tmp_path / JOURNAL
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(lines[0])
    with pytest.raises(ArrayoptError, match="has not begun"):
        read_search(tmp_path)


# Limits


NEAREST = {"winding": "has no balanced winding"}


@pytest.mark.parametrize(
    ("values", "variable", "binding"),
    [
        ({"rotor.wall_mm": 9.0}, WIDTH, "wall"),
        ({"limits.tooth_flux_density_t": 0.1}, WIDTH, "tooth_flux"),
        ({"limits.tooth_flux_density_t": 0.1}, VARIABLES, "tooth_flux"),
        ({"limits.ring_flux_density_t": 0.1, "rotor.steel_ring_mm": 1.0}, WIDTH, "ring_flux"),
        ({"limits.slot_fill": 0.05}, WIDTH, "slot_fill"),
        ({"limits.wire_fill": 0.05}, WIDTH, "wire_fill"),
        ({"rotor.magnet_temperature_c": 200}, WIDTH, "magnet_temperature"),
        ({}, '"rotor.pole_pairs" = { choices = [12, 24] }\n' + WIDTH, "winding"),
    ],
)
def test_nothing_feasible_names_the_binding_limit(values, variable, binding):
    # Where teeth are the limit, even designs that fit carry several times the flux allowed.
    with pytest.raises(
        NothingFeasibleError, match=NEAREST.get(binding, f"misses {binding} by")
    ) as told:
        optimise(searched(variable, values=values), trials=80)
    assert told.value.exit_code == 3
    assert "none of 80 designs keeps all limits; nearest was rotor." in str(told.value)
    assert "loosen that limit" in str(told.value)


def test_nothing_feasible_without_room():
    # independent: flat magnets leave sqrt(29^2 - 2.5^2) - 3 mm and a clearance of 0.1 mm
    assert (29**2 - 2.5**2) ** 0.5 - 3 - 0.1 < 25.85
    study = searched(
        '"rotor.steel_ring_mm" = { low = 25.85, high = 25.95 }\n',
        values={
            "rotor.position": "inner",
            "stator.surface_diameter_mm": 60.0,
            "stator.slot_opening_mm": 2.0,
            "rotor.pole_pairs": 8,
        },
    )
    with pytest.raises(NothingFeasibleError, match="misses room at the shaft by"):
        optimise(study, trials=80)


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        ('"mass.rotor_g" = { at_most = 20.0 }', r"misses mass\.rotor_g \(at most\) by"),
        ('"size.least_magnet_edge_mm" = { at_least = 9 }', r"edge_mm \(at least\) by"),
        ('"magnets.demagnetised_percent" = { at_least = 99 }', r"percent \(at least\) by"),
    ],
)
def test_nothing_within_a_limit_of_the_search(bounds, words):
    with pytest.raises(NothingFeasibleError, match=words) as told:
        optimise(searched(WIDTH, bounds=bounds), trials=10)
    assert "no design keeps " in str(told.value)


def test_nothing_feasible_in_a_whole_space():
    study = searched(space_text({"rotor.main.width_mm": [4.0, 5.0]}), values={"rotor.wall_mm": 9.0})
    with pytest.raises(NothingFeasibleError, match="none of the 2 designs of the space keeps all"):
        optimise(study, trials=20)


def test_nearest_miss_is_the_nearest():
    # independent: masses of all designs; the lightest is nearest to the limit
    widths = [3.0, 3.5, 4.0, 4.5]
    space = space_text({"rotor.main.width_mm": widths})
    study = searched(space, bounds='"mass.rotor_g" = { at_most = 30.0 }')
    grams = [
        float(evaluate(study.with_values({"rotor.main.width_mm": w}))["rotor_mass"][0]) * 1e3
        for w in widths
    ]
    with pytest.raises(NothingFeasibleError) as told:
        optimise(study, trials=20)
    nearest, missed = widths[int(np.argmin(grams))], 100 * (min(grams) / 30 - 1)
    expected = f"nearest was rotor.main.width_mm = {nearest}, which misses mass.rotor_g (at most) "
    assert f"{expected}by {missed:.3g} % of the limit" in str(told.value)


@pytest.mark.parametrize(
    ("variable", "values"),
    [
        ('"rotor.magnets_per_pole_pair" = { choices = [2] }', {}),
        ('"stator.slot_depth_mm" = { low = 5.0, high = 60.0 }', {}),
        ('"airgap.length_mm" = { low = 0.3, high = 2.0 }', {"carrier.skin_mm": 0.8}),
        ('"stator.slots" = { low = 9, high = 150, step = 3 }', {}),
        ('"winding.coil_span_slots" = { low = 1, high = 60 }', {}),
        ('"stator.tooth_width_mm" = { low = 3.0, high = 12.0 }', {}),
        ('"heat.winding_limit_c" = { low = 30.0, high = 150.0 }', {"heat.ambient_c": 60}),
    ],
)
def test_search_keeps_the_rules_between_keys(variable, values):
    try:
        study = searched(variable + "\n" + WIDTH, values=values)
    except StudyError as fault:
        assert "search.variables" in str(fault)  # refusing the variable is as good
        return
    result = optimise(study, trials=80)
    for design in result.values:
        parse_study(revised_text(study.text, design), checks=CHECKS)


def test_front_keeps_limits_that_bind():
    # The ring's flux density is the limit here, so designs lie close to it.
    ring = {"rotor.steel_ring_mm": {"low": 1.0, "high": 12.0}}
    study = make_study(magnets_per_pole_pair=8, pole_pairs=8, fill=0.7, kind="slotted")
    result = optimise(study.with_values({"search": {"variables": ring}}), trials=160)
    assert 0 < result.feasible < 160
    for i in range(len(result.values)):
        design = result.design(i)
        missed = [c for c in check_limits(design, evaluate(design)) if not c.ok]
        assert missed == []


def test_front_keeps_limits_of_the_search(found):
    # exact: no design of the front of a search without them would be left out for nothing
    least, most = 75.0, 85.0
    bounds = f'"mass.rotor_g" = {{ at_least = {least}, at_most = {most} }}\n'
    result = optimise(searched(bounds=bounds), trials=240)
    grams = result.front["rotor_mass"].values * 1e3
    free = found.front["rotor_mass"].values * 1e3
    assert ((grams >= least) & (grams <= most)).all()
    assert (free < least).any()
    assert (free > most).any()
    assert result.feasible < 240


def test_designs_that_cannot_be_built_are_judged_without_a_field():
    goal = Goal(searched())
    widths = [{"rotor.main.width_mm": w} for w in (5.0, 30.0)]
    good, bad = assess(goal, np.empty((0, 2)), widths)
    assert good.feasible
    assert good.violation == 0
    assert (bad.losses, bad.feasible) == (None, False)
    assert bad.missed["wall"] > 0
    assert bad.violation > 1000  # behind all designs that have a field
    assert set(bad.missed) == {"rules", "winding", "room", "wall"}


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


# Workers

PID = "__import__('os').getpid()"


def test_a_team_keeps_the_order():
    with fanout.team(workers=2) as spread:
        assert list(spread(eval, [str(i) for i in range(11)])) == list(range(11))
        assert list(spread(list, [])) == []
        with pytest.raises(ValueError, match="not in"):
            list(spread(operator.methodcaller("index", 99), [[1], [2]]))
        assert list(spread(list, [(1,), (2,)])) == [[1], [2]]  # still at work


def test_one_worker_is_this_process():
    with fanout.team(workers=1) as spread:
        assert list(spread(eval, [PID])) == [os.getpid()]


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_killed_worker_is_replaced():
    # exact: nothing is lost or done out of order
    pool = fanout._Pool(1)
    try:
        slow = [f"__import__('time').sleep(0.05) or {i}" for i in range(6)]
        results = pool.map(eval, [PID, *slow])
        first = next(results)
        assert first != os.getpid()
        os.kill(first, signal.SIGKILL)
        assert list(results) == list(range(6))
        (second,) = pool.map(eval, [PID])
        assert second not in (first, os.getpid())
    finally:
        pool.close()


def test_workers_that_die_again_and_again(monkeypatch):
    monkeypatch.setattr(fanout, "_BREAKS", 1)
    told = pytest.raises(ArrayoptError, match=r"worker processes died 2 times; .* fewer --workers")
    with told, fanout.team(workers=2) as spread:
        list(spread(eval, ["__import__('os')._exit(1)"]))


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_search_goes_on_when_a_worker_is_killed(found, tmp_path):
    killed = []

    def kill(now):
        if now.done == 40 and not killed:
            victim = multiprocessing.active_children()[0]
            os.kill(victim.pid, signal.SIGKILL)
            killed.append(victim.pid)

    result = optimise(searched(), trials=240, workers=2, out=tmp_path, progress=kill)
    assert len(killed) == 1
    assert same(result, found)
    assert same(read_search(tmp_path), found)


def test_an_unknown_cluster_is_told():
    try:
        import distributed  # noqa: F401
    except ImportError:
        with pytest.raises(ArrayoptError, match='needs the package\'s extra "cluster"'):
            optimise(searched(WIDTH), trials=10, cluster="tcp://127.0.0.1:1")
