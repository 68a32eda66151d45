"""The search: space, front, picks, repeatability, continuing, limits."""

import itertools
import operator
from collections import Counter

import numpy as np
import pytest
from makers import make_study
from optuna.distributions import CategoricalDistribution, FloatDistribution, IntDistribution

from arrayopt.checks import check_limits
from arrayopt.errors import ArrayoptError, NothingFeasibleError, StudyError
from arrayopt.evaluation import evaluate, evaluate_batch
from arrayopt.layout import fit_faults
from arrayopt.machine import winding_faults
from arrayopt.search import optimise, start_outside
from arrayopt.search.assess import Assessment, assess
from arrayopt.search.fanout import pool, spread
from arrayopt.search.front import efficient, knee, lightest, strongest
from arrayopt.search.record import JOURNAL
from arrayopt.search.result import _growth
from arrayopt.search.space import distributions, identity, nearest, start_values, starting_points
from arrayopt.study import parse_study, revised_text, starter_text

HEAD, VARIABLES = starter_text().split("[search.variables]\n")
CHECKS = (("rotor", fit_faults), ("stator", winding_faults))
WIDTH = '"rotor.main.width_mm" = { low = 3.0, high = 5.0 }\n'


def searched(variables=VARIABLES, *, values=None):
    """The starter study with other variables, and some keys set."""
    text = HEAD + "[search.variables]\n" + variables
    return parse_study(revised_text(text, values or {}))


def front_of(result):
    """Values, torque and mass of a front, to compare without tolerance."""
    return (
        result.values,
        result.front[result.torque].values.tolist(),
        result.front["rotor_mass"].values.tolist(),
    )


@pytest.fixture(scope="module")
def found():
    return optimise(searched(), trials=240)


# Space


@pytest.mark.parametrize(
    ("variable", "expected"),
    [
        ("{ low = 10, high = 16 }", IntDistribution(10, 16)),
        ("{ low = 10, high = 16, step = 4 }", IntDistribution(10, 14, step=4)),
        ("{ choices = [10, 14] }", CategoricalDistribution((10, 14))),
    ],
)
def test_space_of_whole_numbers(variable, expected):
    assert distributions(searched(f'"rotor.pole_pairs" = {variable}')) == {
        "rotor.pole_pairs": expected
    }


@pytest.mark.parametrize(
    ("variable", "expected"),
    [
        ("{ low = 3.0, high = 6.0 }", FloatDistribution(3.0, 6.0)),
        ("{ low = 3, high = 6.5 }", FloatDistribution(3.0, 6.5)),
        ("{ low = 3.0, high = 6.0, step = 0.7 }", FloatDistribution(3.0, 5.8, step=0.7)),
        ("{ low = 3, high = 6, step = 0.5 }", FloatDistribution(3.0, 6.0, step=0.5)),
        ("{ choices = [4, 4.5] }", CategoricalDistribution((4, 4.5))),
    ],
)
def test_space_of_numbers(variable, expected):
    # exact: a range ends on its last whole step
    assert distributions(searched(f'"rotor.main.width_mm" = {variable}')) == {
        "rotor.main.width_mm": expected
    }


def test_search_needs_a_space():
    with pytest.raises(StudyError, match=r"search is missing; add \[search\.variables\]"):
        optimise(parse_study(HEAD.split("[search]")[0]))


@pytest.mark.parametrize(
    ("distribution", "value", "expected"),
    [
        (IntDistribution(10, 16, step=2), 13.2, 14),
        (IntDistribution(10, 16), 99, 16),
        (FloatDistribution(1.0, 2.0), 0.5, 1.0),
        (FloatDistribution(1.0, 2.0), 1.234, 1.234),
        (FloatDistribution(1.0, 2.0, step=0.25), 1.6, 1.5),
        (FloatDistribution(1.0, 2.0), None, 1.0),
        (CategoricalDistribution((2, 4, 8)), 5, 4),
        (CategoricalDistribution((2, 4, 8)), 8, 8),
        (CategoricalDistribution(("N42", "N52")), "N52", "N52"),
        (CategoricalDistribution(("N42", "N52")), "N48", "N42"),
        (CategoricalDistribution(("N42", "N52")), None, "N42"),
    ],
)
def test_nearest_allowed_value(distribution, value, expected):
    assert nearest(distribution, value) == expected


def test_start_is_the_study_itself():
    study = searched()
    assert study.with_values(start_values(study)).model_dump() == study.model_dump()


def test_starting_points_scale_widths_with_the_pole_pitch():
    # exact: 14 to 10 pole pairs widens 5 mm to 7 mm; 2 mm to 2.8 mm, nearest step 2.75 mm
    points = {
        (p["rotor.pole_pairs"], p["rotor.magnets_per_pole_pair"]): p
        for p in starting_points(searched())
    }
    assert set(points) == set(itertools.product([10, 11, 13, 14, 16], [2, 4]))
    assert points[10, 4]["rotor.main.width_mm"] == 7.0
    assert points[10, 4]["rotor.transverse.width_mm"] == 2.75
    assert points[10, 4]["rotor.main.thickness_mm"] == 3.0


def test_sizes_of_unused_magnets_do_not_tell_designs_apart():
    study = searched()
    a = {"rotor.magnets_per_pole_pair": 2, "rotor.main.width_mm": 4.0}
    b = a | {"rotor.transverse.width_mm": 1.5}
    c = b | {"rotor.magnets_per_pole_pair": 4}
    assert identity(study, a) == identity(study, b)
    assert identity(study, b) != identity(study, c)
    assert dict(identity(study, c)) == c


def test_alike_designs_are_judged_once():
    # exact: 3 widths with 2 magnets per pole pair, 3 x 3 with 4
    space = (
        '"rotor.magnets_per_pole_pair" = { choices = [2, 4] }\n'
        '"rotor.main.width_mm" = { choices = [4.0, 4.5, 5.0] }\n'
        '"rotor.transverse.width_mm" = { choices = [1.0, 1.5, 2.0] }\n'
    )
    result = optimise(searched(space), trials=80)
    assert result.distinct == len(result.evaluated) == 12
    assert result.trials > 80


# Front and picks


@pytest.mark.parametrize(
    ("torque", "mass", "expected"),
    [
        ([1.0, 2.0, 3.0], [3.0, 2.0, 1.0], [2]),
        ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], [0, 1, 2]),
        ([3.0, 1.0, 2.0, 2.5], [3.0, 1.0, 2.0, 2.0], [1, 3, 0]),
        ([1.0, 1.0], [1.0, 1.0], [0]),
        ([2.0, 2.0], [2.0, 1.0], [1]),
        ([5.0], [1.0], [0]),
    ],
)
def test_efficient(torque, mass, expected):
    # exact: by hand
    assert efficient(torque=np.array(torque), mass=np.array(mass)).tolist() == expected


@pytest.mark.parametrize(
    ("torque", "expected"),
    [([0.0, 0.9, 1.0], 1), ([0.0, 0.1, 1.0], 0), ([1.0, 1.2, 1.9, 2.0], 2), ([3.0], 0)],
)
def test_knee(torque, expected):
    # exact: masses are evenly apart; the largest height over the chord
    assert knee(torque=np.array(torque), mass=np.arange(len(torque)) + 1.0) == expected


def test_lightest_and_strongest():
    torque, mass = np.array([1.0, 2.0, 3.0]), np.array([10.0, 20.0, 30.0])
    assert lightest(torque=torque, mass=mass, least_torque=1.5) == 1
    assert lightest(torque=torque, mass=mass, least_torque=3.0) == 2
    assert lightest(torque=torque, mass=mass, least_torque=3.1) is None
    assert strongest(torque=torque, mass=mass, most_mass=25.0) == 1
    assert strongest(torque=torque, mass=mass, most_mass=10.0) == 0
    assert strongest(torque=torque, mass=mass, most_mass=9.0) is None


def test_no_design_met_beats_the_front(found):
    torque, mass = found.front[found.torque].values, found.front["rotor_mass"].values
    assert (np.diff(mass) > 0).all()
    assert (np.diff(torque) > 0).all()
    assert len(found.evaluated) == found.feasible
    # rtol: designs met were judged with fewer harmonics than the front
    for other_torque, other_mass in found.evaluated:
        reached = torque[mass <= other_mass * (1 + 1e-6)]
        assert reached.max() >= other_torque * (1 - 1e-3)


def test_picks_are_what_they_are_called(found):
    torque, mass = found.front[found.torque].values, found.front["rotor_mass"].values
    start_torque = found.start[found.torque].item()
    start_mass = found.start["rotor_mass"].item()
    assert set(found.picks) == {"knee", "lightest", "strongest"}
    light, strong, bend = (found.picks[n] for n in ("lightest", "strongest", "knee"))
    # rtol: the start itself may be on the front
    assert torque[light] >= start_torque * (1 - 1e-9)
    assert (mass[torque >= start_torque] >= mass[light]).all()
    assert mass[strong] <= start_mass * (1 + 1e-9)
    assert (torque[mass <= start_mass] <= torque[strong]).all()
    # independent: distance from the chord between the ends, both axes scaled to 1
    t = (torque - torque[0]) / np.ptp(torque)
    m = (mass - mass[0]) / np.ptp(mass)
    height = np.cross(np.stack([m, t, 0 * m], 1), [1.0, 1.0, 0.0])[:, 2] / -np.sqrt(2)
    assert bend == height.argmax()


def test_front_designs_fit_and_keep_limits_as_studies(found):
    for i, values in enumerate(found.values):
        study = parse_study(revised_text(found.study.text, values), checks=CHECKS)
        assert study.model_dump() == found.design(i).model_dump()
        results = evaluate(study)
        assert all(check.ok for check in check_limits(study, results))
        for name in (found.torque, "rotor_mass"):
            # rtol: the kernel shares sampling over a batch
            assert results[name].item() == pytest.approx(found.front[name][i].item(), rel=1e-6)


def test_dataset_has_values_and_what_repeats_the_search(found):
    data = found.dataset()
    assert data.attrs["study"] == starter_text()
    assert (data.attrs["seed"], data.attrs["designs_judged"]) == (1, found.distinct)
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


def test_small_space_is_searched_to_its_end():
    # independent: every combination, judged by fit, limits and comparison of all pairs
    space = "".join(f'"{key}" = {{ choices = {values} }}\n' for key, values in SMALL.items())
    study = searched(space)
    designs = {}
    for combination in itertools.product(*SMALL.values()):
        values = dict(zip(SMALL, combination, strict=True))
        if values["rotor.magnets_per_pole_pair"] == 2:
            del values["rotor.transverse.width_mm"]
        designs[tuple(sorted(values.items()))] = study.with_values(values)
    fitting = {k: s for k, s in designs.items() if not fit_faults(s) + winding_faults(s)}
    assert 10 < len(fitting) < len(designs) - 10
    figures = evaluate_batch(list(fitting.values()))
    torque, mass = figures["continuous_torque"].values, figures["rotor_mass"].values
    assert (figures["tooth_flux_density"].values < study.flux_limit("tooth")).all()
    beaten = ((torque >= torque[:, None]) & (mass <= mass[:, None])).sum(axis=1) > 1
    best = {key for key, lost in zip(fitting, beaten, strict=True) if not lost}

    result = optimise(study, trials=1000)
    assert result.distinct == len(designs)
    assert result.feasible == len(fitting)
    assert {tuple(sorted(values.items())) for values in result.values} == best


# Repeating and continuing


def test_same_seed_same_front_on_two_workers(found):
    again = optimise(searched(), trials=240, workers=2)
    assert front_of(again) == front_of(found)
    assert again.picks == found.picks
    np.testing.assert_array_equal(again.evaluated, found.evaluated)


def test_other_seed_other_front(found):
    assert front_of(optimise(searched(), trials=240, seed=2)) != front_of(found)


def test_continued_search_equals_one_never_stopped(found, tmp_path):
    steps = []
    for trials in (80, 160, 240):
        result = optimise(searched(), trials=trials, out=tmp_path, progress=steps.append)
    assert front_of(result) == front_of(found)
    assert result.distinct == found.distinct
    assert len((tmp_path / JOURNAL).read_text().splitlines()) > 240
    assert sum(steps) == 80 + 160 + 240  # each run tells all its designs, old ones at once


def test_finished_search_is_only_read(found, tmp_path):
    optimise(searched(), trials=240, out=tmp_path)
    kept = (tmp_path / JOURNAL).read_bytes()
    assert front_of(optimise(searched(), trials=100, out=tmp_path)) == front_of(found)
    assert (tmp_path / JOURNAL).read_bytes().startswith(kept)


@pytest.mark.parametrize("after", [1, 2])
def test_interrupted_search_is_continued(after, found, tmp_path):
    told = Counter()

    def stop(_):
        told["generations"] += 1
        if told["generations"] == after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        optimise(searched(), trials=240, out=tmp_path, progress=stop)
    assert front_of(optimise(searched(), trials=240, out=tmp_path)) == front_of(found)


@pytest.mark.parametrize("lost", ["half a generation", "half a line"])
def test_search_stopped_while_writing_is_continued(lost, found, tmp_path):
    optimise(searched(), trials=160, out=tmp_path)
    journal = tmp_path / JOURNAL
    lines = journal.read_bytes().splitlines(keepends=True)
    kept = lines[:-40] if lost == "half a generation" else [*lines[:-1], lines[-1][:100]]
    journal.write_bytes(b"".join(kept))
    assert front_of(optimise(searched(), trials=240, out=tmp_path)) == front_of(found)


@pytest.mark.parametrize(
    ("values", "seed"), [({"rotor.grade": "N52"}, None), ({"limits.slot_fill": 0.4}, 1), ({}, 2)]
)
def test_folder_of_another_search_is_refused(values, seed, tmp_path):
    optimise(searched(WIDTH), trials=10, out=tmp_path)
    with pytest.raises(ArrayoptError, match="another study, seed or version"):
        optimise(searched(WIDTH, values=values), trials=10, seed=seed, out=tmp_path)


def test_title_and_order_may_change_within_a_folder(tmp_path):
    first = optimise(searched(WIDTH), trials=10, out=tmp_path)
    values = {"title": "another name", "order.motors": 12, "search.trials": 20}
    assert front_of(optimise(searched(WIDTH, values=values), out=tmp_path)) == front_of(first)


@pytest.mark.parametrize("content", [b"hello\n", b"\x00\xff", b"{}\n", b"[1]\n"])
def test_foreign_file_in_the_journals_place_is_refused(content, tmp_path):
    (tmp_path / JOURNAL).write_bytes(content)
    with pytest.raises(ArrayoptError, match="not a record of a search"):
        optimise(searched(WIDTH), trials=10, out=tmp_path)
    assert (tmp_path / JOURNAL).read_bytes() == content


def test_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ArrayoptError, match="cannot keep a search"):
        optimise(searched(WIDTH), trials=10, out=tmp_path / "file" / "out")


# Limits


NEAREST = {"winding": "has no balanced winding"}


@pytest.mark.parametrize(
    ("values", "variable", "binding"),
    [
        ({"rotor.wall_mm": 9.0}, WIDTH, "wall"),
        ({"limits.tooth_flux_density_t": 0.1}, WIDTH, "tooth_flux"),
        ({"limits.tooth_flux_density_t": 0.1}, VARIABLES, "tooth_flux"),
        (
            {"limits.ring_flux_density_t": 0.1, "rotor.steel_ring_mm": 1.0},
            WIDTH,
            "ring_flux",
        ),
        ({"limits.slot_fill": 0.05}, WIDTH, "slot_fill"),
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


def test_nothing_feasible_without_room():
    study = searched(
        '"rotor.steel_ring_mm" = { low = 29.0, high = 30.0 }\n',
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
    result = optimise(study.with_values({"search": {"variables": ring}}), trials=240)
    for i in range(len(result.values)):
        design = result.design(i)
        missed = [c for c in check_limits(design, evaluate(design)) if not c.ok]
        assert missed == []


def test_designs_that_cannot_be_built_are_judged_without_a_field():
    study = searched(VARIABLES)
    widths = ({"rotor.main.width_mm": w} for w in (5.0, 30.0))
    good, bad = assess(study, list(widths))
    assert good.feasible
    assert (bad.torque, bad.mass, bad.feasible) == (0.0, 0.0, False)
    assert bad.missed["wall"] > 0


# Workers


def test_spread_keeps_the_order():
    with pool(2) as executor:
        assert executor is not None
        assert spread(executor, list, range(11), parts=2) == list(range(11))
        assert spread(executor, list, [], parts=2) == []
        with pytest.raises(ValueError, match="not in"):
            spread(executor, operator.methodcaller("index", 99), [1, 2, 3, 4], parts=2)
        assert spread(executor, list, range(3), parts=2) == [0, 1, 2]  # still at work


def test_one_worker_is_this_process():
    with pool(1) as executor:
        assert executor is None
        assert spread(executor, list, (1, 2), parts=1) == [1, 2]


def test_a_pick_says_in_its_title_what_it_is():
    found = optimise(searched('"rotor.main.width_mm" = { low = 3.0, high = 5.0 }\n'), trials=80)
    for name in found.picks:
        pick = found.pick(name)
        assert pick.title == f"{found.study.title}: {name} of a search"
        assert pick.rotor == found.design(found.picks[name]).rotor


def test_start_outside_its_own_ranges_is_told():
    study = searched('"rotor.main.width_mm" = { low = 3.0, high = 4.5, step = 0.5 }\n')
    (line,) = start_outside(study)
    assert "rotor.main.width_mm = 5.0 of the start design is outside" in line
    wide = searched('"rotor.main.width_mm" = { low = 3.0, high = 5.0, step = 0.5 }\n')
    assert start_outside(wide) == []


def test_growth_of_the_front_by_hand():
    # exact: areas under the steps of the front up to 4 kg, before and after the last design
    def met(torque, mass):
        return Assessment(torque, mass, {"wall": 0.0})

    early = [met(1.0, 1.0), met(2.0, 2.0), met(1.5, 3.0), met(0.5, 4.0)]
    assert _growth([*early, met(3.0, 3.0)]) == pytest.approx((1 + 2 + 3) / (1 + 2 + 2) - 1)
    assert _growth([*early, met(0.1, 3.5)]) == 0
