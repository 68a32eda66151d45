"""What a search improves and holds to: faults in objectives and limits, and their units."""

from __future__ import annotations

import re

import numpy as np
import pytest

from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate
from arrayopt.figures import FIGURES, figure
from arrayopt.search.assess import Goal, assess
from arrayopt.study import parse_study, starter_text
from arrayopt.study.goals import limits, objectives

HEAD = starter_text().split("[search]\n")[0]
WIDTH = '[search.variables]\n"rotor.main.width_mm" = { low = 3.0, high = 5.0 }\n'
TABLES = {name: rf"\[{name}\][^[]*(?=\[)" for name in ("heat", "drive", "joint")}


def text(keys="", bounds="", *, without=()):
    """The starter study with keys of [search] and [search.limits], and without some tables."""
    head = HEAD
    for table in without:
        head, count = re.subn(TABLES[table], "", head)
        assert count == 1
    return f"{head}[search]\n{keys}\n[search.limits]\n{bounds}\n{WIDTH}"


def aims(*keys):
    return f"objectives = [{', '.join(f'{chr(34)}{key}{chr(34)}' for key in keys)}]"


def faults(keys="", bounds="", *, without=()):
    with pytest.raises(StudyError) as told:
        parse_study(text(keys, bounds, without=without))
    return told.value.faults


TORQUE, MASS = "machine.continuous_torque_nm", "mass.rotor_g"


# Objectives


@pytest.mark.parametrize(
    ("without", "expected"),
    [
        ((), ["continuous_torque", "rotor_mass"]),
        (("heat", "joint"), ["motor_constant", "rotor_mass"]),
    ],
)
def test_objectives_left_out(without, expected):
    # exact: torque and rotor mass
    study = parse_study(text(without=without))
    assert [f.name for f in objectives(study)] == expected


def test_objectives_in_the_order_given():
    # exact
    study = parse_study(text(aims("mass.inertia_kg_mm2", MASS, "machine.peak_torque_nm")))
    goal = Goal(study)
    assert [f.name for f in goal.objectives] == ["inertia", "rotor_mass", "peak_torque"]
    assert goal.signs.tolist() == [1, 1, -1]
    assert goal.costly == {"peak_torque"}


# Prices and a bore need a shop list and an inner rotor.
COMMON = [f.name for f in FIGURES if f.better and f.name not in ("price", "bore")]


@pytest.mark.parametrize("name", COMMON)
def test_all_that_can_be_better_can_be_an_objective(name):
    other = MASS if name != "rotor_mass" else TORQUE
    kept = '\n[tolerance.limits]\n"torque_constant_percent" = { at_least = 98.0 }\n'
    study = parse_study(text(aims(figure(name).key, other)) + kept)
    assert objectives(study)[0].name == name
    # independent: the study itself, judged as a search does, has the loss that evaluate tells
    goal = Goal(study)
    (judged,) = assess(goal, np.empty((0, 2)), [{}])
    value = float(goal.with_scatter(evaluate(study), study)[name][0])
    assert np.isfinite(value)
    loss = -value if figure(name).better == "more" else value
    # rtol: nine digits are kept
    assert judged.losses[0] == pytest.approx(loss, rel=1e-8)


def test_objective_without_a_figure_cannot_be_improved():
    # exact: an outer rotor has no bore
    with pytest.raises(StudyError, match="is that of an inner rotor; choose another figure"):
        parse_study(text(aims("size.bore_diameter_mm", MASS)))


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        (aims("mass.rotr_g", TORQUE), ("unknown figure", "'mass.rotr_g'", "mean mass.rotor_g")),
        (aims("machine.torque", MASS), ("'machine.torque'", "did you mean machine.")),
        (aims("xyz.qqq", MASS), ("'xyz.qqq'", "table of figures")),
        (aims("machine.winding_factor", MASS), ("winding_factor is neither good nor bad", MASS)),
        (aims("magnets.demagnetised_percent", MASS), ("neither good nor bad",)),
        (aims(MASS, TORQUE, MASS), ("one comes twice", MASS)),
        (aims(MASS, MASS), ("one comes twice",)),
        (aims(MASS), ("needs 2 or 3 figures; got 1; add another, or make one a limit in [",)),
        (aims(), ("needs 2 or 3 figures; got 0; add another",)),
        (
            aims(MASS, TORQUE, "size.bore_diameter_mm", "mass.magnets_g"),
            ("needs 2 or 3 figures; got 4; make one a limit in [search.limits]",),
        ),
        (aims("order.magnets_price", MASS), ("order.magnets_price", "add search.stock")),
        ('objectives = "mass.rotor_g"', ("search.objectives", "got 'mass.rotor_g'")),
        ("objectives = [1, 2]", ("search.objectives.0", "got 1")),
    ],
)
def test_wrong_objectives(keys, words):
    told = faults(keys)
    assert told[0].startswith("search.objectives")
    for word in words:
        assert word in told[0]
    assert len(told) == (2 if "[1, 2]" in keys else 1)


@pytest.mark.parametrize(
    ("key", "without", "tables"),
    [
        (TORQUE, ("heat",), ["heat"]),
        ("joint.continuous_torque_nm", ("heat",), ["heat"]),
        ("joint.continuous_torque_nm", ("joint",), ["joint"]),
        ("joint.continuous_torque_nm", ("heat", "joint"), ["heat", "joint"]),
        ("machine.peak_torque_nm", ("drive",), ["drive"]),
        ("joint.peak_torque_nm", ("drive",), ["drive"]),
        ("joint.peak_torque_nm", ("joint",), ["joint"]),
        ("heat.iron_loss_w", ("heat",), ["heat"]),
    ],
)
def test_objectives_that_need_a_table(key, without, tables):
    told = faults(aims(key, "mass.magnets_g"), without=without)
    assert list(told) == [
        f"search.objectives: {key} needs the table [{table}]; add it" for table in tables
    ]


# Limits


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('"mass.rotr_g" = { at_most = 80 }', ('"mass.rotr_g"', "unknown figure", MASS)),
        ('"mass.rotor_g" = { }', ('"mass.rotor_g" needs at_least or at_most',)),
        (
            '"mass.rotor_g" = { at_least = 90, at_most = 80 }',
            ("at_least must not be above at_most", "got 90 and 80", "swap"),
        ),
        ('"mass.rotor_g" = { at_most = "80" }', ('"mass.rotor_g".at_most', "got '80'")),
        ('"mass.rotor_g" = { at_most = inf }', ('"mass.rotor_g".at_most', "finite", "got inf")),
        ('"mass.rotor_g" = { most = 80 }', ('"mass.rotor_g".most', "not a key", "got 80")),
        ('"mass.rotor_g" = 80', ('"mass.rotor_g"', "{ at_most = ... }", "got 80")),
        ("mass.rotor_g = { at_most = 80 }", ("in quotes",)),
        ('"order.magnets_price" = { at_most = 9 }', ("order.magnets_price", "add search.stock")),
    ],
)
def test_wrong_limits(line, words):
    (told,) = faults("", line)
    assert told.startswith("search.limits")
    for word in words:
        assert word in told


@pytest.mark.parametrize(
    ("key", "without", "table"),
    [
        ("heat.copper_loss_w", ("heat",), "heat"),
        ("iron.torque_loss_percent", ("drive",), "drive"),
        ("machine.no_load_speed_rpm", ("drive",), "drive"),
        ("joint.peak_torque_nm", ("joint",), "joint"),
    ],
)
def test_limits_that_need_a_table(key, without, table):
    (told,) = faults("", f'"{key}" = {{ at_most = 1 }}', without=without)
    assert told == f'search.limits."{key}": {key} needs the table [{table}]; add it'


def test_faults_of_objectives_and_limits_come_together():
    told = faults(
        aims("mass.rotr_g", "machine.winding_factor"),
        '"mass.rotor_g" = { }\n"size.wal" = { at_least = 1 }\n',
    )
    assert len(told) == 4


@pytest.mark.parametrize(
    ("key", "shown", "si"),
    [
        ("mass.rotor_g", 80, 0.08),
        ("size.outer_diameter_mm", 95, 0.095),
        ("airgap.thd_percent", 5, 0.05),
        ("machine.no_load_speed_rpm", 3000, 100 * np.pi),
        ("mass.inertia_kg_mm2", 150, 150e-6),
        ("machine.phase_inductance_mh", 0.3, 3e-4),
        ("machine.torque_constant_nm_per_a", 0.1, 0.1),
    ],
)
def test_limits_are_in_the_unit_of_their_key(key, shown, si):
    # exact: the unit that the key ends in
    study = parse_study(text("", f'"{key}" = {{ at_least = {shown}, at_most = {shown} }}'))
    ((f, low, high),) = limits(study)
    assert f.key == key
    # rtol: rounding
    assert (low, high) == pytest.approx((si, si), rel=1e-12)


def test_missed_limits_are_shares_past_them():
    # exact: a tenth above, and a tenth below, what the design has
    plain = parse_study(text())
    grams = float(evaluate(plain)["rotor_mass"][0]) * 1e3
    bounds = (
        f'"mass.rotor_g" = {{ at_most = {grams / 1.1!r} }}\n'
        f'"mass.magnets_g" = {{ at_least = 0.0 }}\n'
        f'"size.outer_diameter_mm" = {{ at_least = 200.0 }}\n'
    )
    study = parse_study(text("", bounds))
    (judged,) = assess(Goal(study), np.empty((0, 2)), [{}])
    outer = float(evaluate(study)["outer_diameter"][0]) * 1e3
    assert not judged.feasible
    # rtol: nine digits are kept
    assert judged.missed["mass.rotor_g at most"] == pytest.approx(0.1, rel=1e-6)
    assert judged.missed["size.outer_diameter_mm at least"] == pytest.approx(
        1 - outer / 200, rel=1e-6
    )
    assert judged.missed["mass.magnets_g at least"] < 0
    expected = judged.missed["mass.rotor_g at most"] + 1 - outer / 200
    assert judged.violation == pytest.approx(expected, rel=1e-6)
