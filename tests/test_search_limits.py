"""Limits of a search: the nearest miss, rules between keys."""

import numpy as np
import pytest
from makers import make_study
from searches import CHECKS, THREE, VARIABLES, WIDTH, searched, space_text

from arrayopt.checks import check_limits
from arrayopt.errors import NothingFeasibleError, StudyError
from arrayopt.evaluation import evaluate
from arrayopt.machine import winding_faults
from arrayopt.search import optimise
from arrayopt.search.assess import Goal, assess
from arrayopt.study import parse_study, revised_text


@pytest.fixture(scope="module")
def found():
    return optimise(searched(), trials=240)


@pytest.fixture(scope="module")
def three():
    return optimise(searched(keys=THREE), trials=240)


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


def test_counts_that_wind_are_named_where_no_design_winds():
    # independent: the line that `winding_faults` has for one study
    variables = '"rotor.pole_pairs" = { choices = [12, 24] }\n'
    study = searched(variables + WIDTH)
    lines = [winding_faults(study.with_values({"rotor.pole_pairs": p}))[0] for p in (12, 24)]
    with pytest.raises(NothingFeasibleError) as told:
        optimise(study, trials=80)
    assert any(f"no design keeps winding ({line});" in str(told.value) for line in lines)
    assert "or rotor.pole_pairs = " in str(told.value)


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
