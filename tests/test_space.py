"""The space of a search: values of each axis, names of designs, and where a search begins."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from makers import make_study
from optuna.distributions import CategoricalDistribution, FloatDistribution, IntDistribution
from shop import shopping

from arrayopt.errors import StudyError
from arrayopt.layout import fit_faults
from arrayopt.search import optimise, start_outside
from arrayopt.search.run import all_names
from arrayopt.search.space import nearest, space_of
from arrayopt.search.start import starting_names
from arrayopt.study import parse_study, revised_text, starter_text

HEAD, VARIABLES = starter_text().split("[search.variables]\n")
WIDTH = '"rotor.main.width_mm" = { low = 3.0, high = 5.0 }\n'
# One axis of each kind: smooth, stepped, whole numbers, listed numbers, listed texts.
KINDS = (
    WIDTH
    + '"rotor.main.thickness_mm" = { low = 2.0, high = 4.0, step = 0.25 }\n'
    + '"rotor.pole_pairs" = { low = 10, high = 16, step = 2 }\n'
    + '"rotor.transverse.width_mm" = { choices = [2.5, 1.0, 1.5] }\n'
    + '"rotor.main.flush" = { choices = ["gap", "centre", "back"] }\n'
    + '"rotor.grade" = { choices = ["N42SH", "N52", "N45H"] }\n'
)


def searched(variables=VARIABLES, values=None):
    """The starter study with other variables, and some keys set."""
    return parse_study(revised_text(HEAD + "[search.variables]\n" + variables, values or {}))


def space(variables=VARIABLES, values=None):
    return space_of(searched(variables, values))


# Values


@pytest.mark.parametrize(
    ("variable", "expected"),
    [
        ("{ low = 10, high = 16 }", IntDistribution(10, 16)),
        ("{ low = 10, high = 16, step = 4 }", IntDistribution(10, 14, step=4)),
        ("{ choices = [10, 14] }", CategoricalDistribution((10, 14))),
        ("{ choices = [10, 14, 10] }", CategoricalDistribution((10, 14))),
    ],
)
def test_space_of_whole_numbers(variable, expected):
    # exact
    assert space(f'"rotor.pole_pairs" = {variable}').distributions == {"rotor.pole_pairs": expected}


@pytest.mark.parametrize(
    ("variable", "expected"),
    [
        ("{ low = 3.0, high = 6.0 }", FloatDistribution(3.0, 6.0)),
        ("{ low = 3, high = 6.5 }", FloatDistribution(3.0, 6.5)),
        ("{ low = 3, high = 6 }", FloatDistribution(3.0, 6.0)),
        ("{ low = 3.0, high = 6.0, step = 0.7 }", FloatDistribution(3.0, 5.8, step=0.7)),
        ("{ low = 3, high = 6, step = 0.5 }", FloatDistribution(3.0, 6.0, step=0.5)),
        ("{ choices = [4, 4.5] }", CategoricalDistribution((4, 4.5))),
    ],
)
def test_space_of_numbers(variable, expected):
    # exact: a range ends on its last whole step
    assert space(f'"rotor.main.width_mm" = {variable}').distributions == {
        "rotor.main.width_mm": expected
    }


def test_allowed_values():
    # exact: by hand
    smooth, thick, pairs, wide, flush, grade = space(KINDS).allowed
    assert smooth is None
    assert thick == (2.0, 2.25, 2.5, 2.75, 3.0, 3.25, 3.5, 3.75, 4.0)
    assert pairs == (10, 12, 14, 16)
    assert all(isinstance(p, int) for p in pairs)
    assert wide == (2.5, 1.0, 1.5)
    assert (flush, grade) == (("gap", "centre", "back"), ("N42SH", "N52", "N45H"))


def test_steps_do_not_gather_rounding():
    # exact: 0.1 + 0.1 + 0.1 is not 0.3 in binary numbers, but 0.3 is what is meant
    (values,) = space('"rotor.main.width_mm" = { low = 0.3, high = 9.9, step = 0.1 }').allowed
    assert values == tuple(round(0.3 + k / 10, 1) for k in range(97))


def test_axes_tell_kinds_apart():
    # exact: texts have no order; a smooth range has no count
    axes = [(a.count, a.ordered) for a in space(KINDS).axes]
    assert axes == [(0, True), (9, True), (4, True), (3, True), (3, False), (3, False)]


@pytest.mark.parametrize(
    ("distribution", "value", "expected"),
    [
        (IntDistribution(10, 16, step=2), 13.2, 14),
        (IntDistribution(10, 16), 99, 16),
        (FloatDistribution(1.0, 2.0), 0.5, 1.0),
        (FloatDistribution(1.0, 2.0), 1.234, 1.234),
        (FloatDistribution(1.0, 2.0, step=0.25), 1.6, 1.5),
        (FloatDistribution(1.0, 2.0), None, 1.0),
        (FloatDistribution(1.0, 2.0, step=0.25), None, 1.0),
        (CategoricalDistribution((2, 4, 8)), 5, 4),
        (CategoricalDistribution((2, 4, 8)), 8, 8),
        (CategoricalDistribution(("N42", "N52")), "N52", "N52"),
        (CategoricalDistribution(("N42", "N52")), "N48", "N42"),
        (CategoricalDistribution(("N42", "N52")), None, "N42"),
    ],
)
def test_nearest_allowed_value(distribution, value, expected):
    # exact
    assert nearest(distribution, value) == expected


def test_search_needs_a_space():
    with pytest.raises(StudyError, match=r"search is missing; add \[search\.variables\]"):
        optimise(parse_study(HEAD.split("[search]")[0]))


# Names


def test_names_parameters_and_genes_lead_to_one_another():
    # exact: any genes name a design, whose genes and parameters name it again
    kinds = space(KINDS)
    rng = np.random.default_rng(4)
    for _ in range(50):
        genes = np.array([rng.random() if a.count == 0 else rng.integers(a.count)
                          for a in kinds.axes], dtype=float)  # fmt: skip
        name = kinds.name(genes)
        params = kinds.params(name)
        assert list(params) == list(kinds.distributions)
        assert kinds.name(kinds.genes(params)) == name
        assert kinds.name(kinds.genes_of(name)) == name
        np.testing.assert_array_equal(kinds.genes_of(name)[1:], genes[1:])
        assert kinds.values(params) == params  # without a shop list an axis is a key
        for (axis, value), values in zip(params.items(), kinds.allowed, strict=True):
            assert 3.0 <= value <= 5.0 if values is None else value in values, axis
            assert kinds.distributions[axis]._contains(
                kinds.distributions[axis].to_internal_repr(value)
            )


def test_values_by_hand():
    # exact: a quarter of 3..5 mm, the second thickness, ...
    kinds = space(KINDS)
    name = kinds.name(np.array([0.25, 1, 2, 2, 2, 1], dtype=float))
    assert kinds.params(name) == {
        "rotor.main.width_mm": 3.5,
        "rotor.main.thickness_mm": 2.25,
        "rotor.pole_pairs": 14,
        "rotor.transverse.width_mm": 1.5,
        "rotor.main.flush": "back",
        "rotor.grade": "N52",
    }


def test_smooth_sizes_are_rounded_within_their_range():
    # exact: six digits, but never beyond the ends
    smooth = space('"rotor.main.width_mm" = { low = 3.12345321, high = 4.98765432 }')
    assert smooth.name(np.array([0.0])) == (3.12345321,)
    assert smooth.name(np.array([1.0])) == (4.98765,)
    # 3.12345321 + 1.86420111 / 3 = 3.74485358
    assert smooth.name(np.array([1 / 3])) == (3.74485,)


def test_sizes_of_unused_magnets_do_not_tell_designs_apart():
    # exact: two magnets per pole pair have no transverse ones
    starter = space()
    a = {"rotor.magnets_per_pole_pair": 2, "rotor.main.width_mm": 4.0}
    b = a | {"rotor.transverse.width_mm": 1.5}
    c = b | {"rotor.magnets_per_pole_pair": 4}
    name_a, name_b, name_c = (starter.name(starter.genes(one)) for one in (a, b, c))
    assert name_a == name_b != name_c
    axes = list(starter.distributions)
    unused = [i for i, axis in enumerate(axes) if "transverse" in axis]
    assert len(unused) == 2
    assert [name_a[i] for i in unused] == [None, None]
    assert None not in name_c
    assert set(starter.params(name_a)) == set(axes) - {axes[i] for i in unused}
    # Their genes are the start's, so that children of theirs have sound sizes.
    own = starter.params(starter.name(starter.genes_of(name_a) + np.eye(6)[1]))
    assert own["rotor.transverse.width_mm"] == searched().rotor.transverse.width_mm


def test_size_counts_combinations():
    # exact: 5 pole pairs, 2 counts, 31 x 21 main, 21 x 21 transverse sizes
    assert space().size == 5 * 2 * 31 * 21 * 21 * 21
    assert space(KINDS).size == float("inf")


def test_all_names_of_a_small_space():
    # exact: 3 widths with 2 magnets per pole pair, 3 x 3 with 4
    small = space(
        '"rotor.magnets_per_pole_pair" = { choices = [2, 4] }\n'
        '"rotor.main.width_mm" = { choices = [4.0, 4.5, 5.0] }\n'
        '"rotor.transverse.width_mm" = { choices = [1.0, 1.5, 2.0] }\n'
    )
    found = all_names(small, most=12)
    assert found is not None
    designs = [tuple(small.params(name).values()) for name in found]
    plain = [(2, w) for w in (4.0, 4.5, 5.0)]
    array = list(itertools.product([4], (4.0, 4.5, 5.0), (1.0, 1.5, 2.0)))
    assert len(designs) == 12
    assert set(designs) == {*plain, *array}
    assert all_names(small, most=11) is None
    assert all_names(space(KINDS), most=10**9) is None
    assert all_names(space(), most=100) is None


# Where a search begins


def test_start_is_the_study_itself():
    study = searched()
    starter = space_of(study)
    assert study.with_values(starter.values(starter.start)).model_dump() == study.model_dump()
    assert starting_names(starter)[0] == starter.name(starter.genes(starter.start))


def test_start_outside_its_own_ranges_is_moved_and_told():
    study = searched('"rotor.main.width_mm" = { low = 3.0, high = 4.5, step = 0.5 }\n')
    assert space_of(study).start == {"rotor.main.width_mm": 4.5}
    (line,) = start_outside(study)
    assert "rotor.main.width_mm = 5.0 of the start design is outside" in line
    wide = searched('"rotor.main.width_mm" = { low = 3.0, high = 5.0, step = 0.5 }\n')
    assert start_outside(wide) == []
    assert start_outside(searched()) == []


def test_start_that_the_shop_list_lacks_is_told_by_magnet():
    # exact: the list's blocks of 5 x 3 and of 2 x 3 polarised along the 2 are of N42SH
    flush = '"rotor.transverse.flush" = { choices = ["back"] }\n'
    study = shopping(variables=flush, values={"rotor.grade": "N52"})
    main, transverse, other = start_outside(study)
    assert main == (
        "The start's main 5 x 3 N52 is not on the shop list; the search starts from the nearest, "
        "five: 5 x 3, 12 along the shaft."
    )
    assert transverse.startswith("The start's transverse 2 x 3 N52 is not on the shop list; ")
    assert other == (
        "rotor.transverse.flush = gap of the start design is outside its variable's range."
    )
    assert start_outside(shopping()) == []


def test_start_of_keys_that_the_study_leaves_out():
    # exact: what a key stands for where it is left out
    variables = '"rotor.main.grade" = { choices = ["N52", "N42SH"] }\n'
    assert space(variables).start == {"rotor.main.grade": "N52"}
    text = HEAD.replace("length_mm = 12.0              #", "#", 1)
    study = parse_study(
        text + '[search.variables]\n"rotor.length_mm" = { low = 8.0, high = 16.0, step = 1.0 }\n'
    )
    assert study.rotor.length_mm is None
    assert space_of(study).start == {"rotor.length_mm": 12.0}
    assert start_outside(study) == []


def test_starting_names_scale_widths_with_the_pole_pitch():
    # exact: 14 to 10 pole pairs widens 5 mm to 7 mm; 2 mm to 2.8 mm, nearest step 2.75 mm
    starter = space()
    points = [starter.params(name) for name in starting_names(starter)]
    both = [(p["rotor.pole_pairs"], p["rotor.magnets_per_pole_pair"]) for p in points]
    assert set(both) == set(itertools.product([10, 11, 13, 14, 16], [2, 4]))
    scaled = points[both.index((10, 4))]
    assert scaled["rotor.main.width_mm"] == 7.0
    assert scaled["rotor.transverse.width_mm"] == 2.75
    assert scaled["rotor.main.thickness_mm"] == 3.0
    assert len(set(starting_names(starter))) == len(points)
    assert points[0] == starter.start


def test_starting_names_fill_the_pitch():
    # independent: some designs to begin with fit, at each count of poles and magnets
    study = searched()
    starter = space_of(study)
    fitting = set()
    for name in starting_names(starter):
        design = study.with_values(starter.values(starter.params(name)))
        if not fit_faults(design):
            fitting.add((design.rotor.pole_pairs, design.rotor.magnets_per_pole_pair))
    assert fitting == set(itertools.product([10, 11, 13, 14, 16], [2, 4]))


# Axes of other kinds


def judged(variables, values=None, *, trials=20):
    return optimise(searched(variables, values), trials=trials)


@pytest.mark.parametrize(
    ("key", "choices"),
    [
        ("rotor.grade", ["N42SH", "N52", "N38"]),
        ("rotor.main.grade", ["N42SH", "N52"]),
        ("rotor.steel_ring_mm", [0.0, 2.0, 3.0]),
        ("rotor.main.flush", ["gap", "centre", "back"]),
        ("airgap.length_mm", [0.8, 1.0, 1.2]),
        ("winding.turns_per_coil", [18, 20, 22]),
    ],
)
def test_any_key_is_searched(key, choices):
    # exact: each choice judged once, and set in the study that it stands for
    listed = ", ".join(f'"{c}"' if isinstance(c, str) else str(c) for c in choices)
    found = judged(f'"{key}" = {{ choices = [{listed}] }}\n')
    assert len(found.known) == len(choices)
    for i, values in enumerate(found.values):
        assert values[key] in choices
        node = found.design(i)
        for step in key.split("."):
            node = getattr(node, step)
        assert node == values[key]
        assert parse_study(found.pick(str(i)).text).model_dump() == found.pick(str(i)).model_dump()


def test_length_is_searched():
    # independent: magnet mass is in proportion to length
    found = judged('"rotor.length_mm" = { choices = [10.0, 12.0, 15.0] }\n')
    mass = found.front["magnet_mass"].values
    lengths = np.array([values["rotor.length_mm"] for values in found.values])
    assert len(lengths) == 3
    # rtol: rounding
    np.testing.assert_allclose(mass / lengths, mass[0] / lengths[0], rtol=1e-12)


def test_overhang_is_searched():
    # independent: 12 mm of stack and twice the overhang
    text = HEAD.replace("length_mm = 12.0 ", "overhang_mm = 0.0 ", 1)
    study = parse_study(
        text + '[search.variables]\n"rotor.overhang_mm" = { choices = [0.0, 1.0, 2.0] }\n'
    )
    found = optimise(study, trials=20)
    mass = found.front["magnet_mass"].values
    lengths = 12.0 + 2 * np.array([values["rotor.overhang_mm"] for values in found.values])
    assert sorted(lengths) == [12.0, 14.0, 16.0]
    # rtol: rounding
    np.testing.assert_allclose(mass / lengths, mass[0] / lengths[0], rtol=1e-12)
    assert parse_study(found.pick("knee").text).rotor_length_mm in lengths


@pytest.mark.parametrize(("own", "other"), [("length", "overhang"), ("overhang", "length")])
def test_length_and_overhang_together_are_refused(own, other):
    # One stands instead of the other, so no design may have both.
    text = HEAD.replace("length_mm = 12.0 ", f"{own}_mm = {12.0 if own == 'length' else 1.0} ", 1)
    variables = f'[search.variables]\n"rotor.{other}_mm" = {{ choices = [1.0, 12.0] }}\n'
    with pytest.raises(StudyError, match=r"rotor\.overhang_mm|rotor\.length_mm"):
        parse_study(text + variables)


def test_oblique_magnets_of_six_and_eight():
    # exact: eight have transverse and oblique magnets, six have no transverse ones
    study = make_study(pole_pairs=5, magnets_per_pole_pair=8, kind="slotted")
    variables = {
        "rotor.magnets_per_pole_pair": {"choices": [6, 8]},
        "rotor.transverse.thickness_mm": {"choices": [2.0, 3.0]},
        "rotor.oblique.thickness_mm": {"choices": [2.0, 3.0]},
    }
    eight = space_of(study.with_values({"search": {"variables": variables}}))
    names = all_names(eight, most=100)
    assert names is not None
    assert len(names) == 2 + 4
    assert [name[1] is None for name in names] == [name[0] == 0 for name in names]
    assert all(name[2] is not None for name in names)


@pytest.mark.parametrize(
    "key", ["tolerance.seed", "sensor.radius_mm", "strength.overspeed_rpm", "joint.gear_ratio"]
)
def test_keys_that_no_figure_of_a_search_depends_on_are_refused(key):
    with pytest.raises(StudyError, match=f'{key}" is not something a search may change'):
        searched(f'"{key}" = {{ choices = [1, 2] }}\n')
