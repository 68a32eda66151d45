"""What readings say together, loose magnets, and what goes back into a study."""

import dataclasses

import numpy as np
import pytest
from makers import make_study

from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate
from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout
from arrayopt.measurement.apply import calibrated, changes
from arrayopt.measurement.as_built import AsBuilt
from arrayopt.measurement.estimates import (
    UNKNOWNS,
    Estimate,
    Reading,
    airgap_slope,
    estimate,
    linkage_left,
)
from arrayopt.measurement.heat_run import HeatFit
from arrayopt.measurement.loose import fit_loose, pole_reading
from arrayopt.measurement.records import HeatRun, Loose
from arrayopt.scatter.sources import study_ring
from arrayopt.study import parse_study

STUDY = make_study(
    pole_pairs=7, diameter=60.0, fill={"main": 0.8, "transverse": 0.6},
    values={"stator.slots": 12},
)  # fmt: skip


def reading(found, depends, *, expected=1.0, uncertainty=0.01, factor=1.0):
    return Reading(
        "k", "K", "V", "f.csv", found, expected, 0.9 * expected, 1.1 * expected, uncertainty,
        depends, factor,
    )  # fmt: skip


def ring_of(study):
    return study_ring(study, solve_field(build_layout(study), orders=ORDERS))


def test_one_reading_shares_out_by_how_far_each_may_be():
    """Exact: two Gaussian numbers whose sum is read; a remanence and a gap of equal effect."""
    study = STUDY.with_values({"tolerance.remanence_batch_percent": 4.0})
    first = {e.name: e.first for e in estimate(study, [], slope=-30.0)}
    slope = -first["remanence"] / first["airgap"]
    one = reading(0.95, {"remanence": 1.0, "airgap": slope}, uncertainty=0.01)
    by_name = {e.name: e for e in estimate(study, [one], slope=slope)}
    both = 2 * first["remanence"] ** 2
    told = both / (both + 0.01**2)
    assert by_name["remanence"].change == pytest.approx(-0.025 * told)
    assert by_name["airgap"].change * slope == pytest.approx(-0.025 * told)
    sd = first["remanence"] * np.sqrt(1 - told / 2)
    assert by_name["remanence"].uncertainty == pytest.approx(sd)
    assert list(by_name) == [*UNKNOWNS[:-1], "linkage"]
    # Their product is known as well as it was read.
    assert by_name["linkage"].change == pytest.approx(-0.05 * told)
    assert by_name["linkage"].uncertainty == pytest.approx(0.01 * np.sqrt(told))
    assert by_name["linkage"].informed
    assert not by_name["remanence"].informed
    assert not by_name["probe"].informed


def test_readings_of_one_meter_are_no_independent_ones():
    """Exact limit: any number of readings by a meter of 1 % leaves 1 %."""
    study = STUDY.with_values({"tolerance.remanence_batch_percent": 20.0})
    one = reading(1.0, {"remanence": 1.0, "meter": 1.0}, uncertainty=0.012)
    found = estimate(study, [one] * 50, slope=0.0)
    assert found[0].uncertainty == pytest.approx(0.01, rel=0.05)


def test_uncertainties_hold():
    """Simulated motors: two thirds of all estimates lie within one standard uncertainty."""
    rng = np.random.default_rng(6)
    slope = -30.0
    first = np.array([e.first for e in estimate(STUDY, [], slope=slope)][:4])
    scores = []
    for _ in range(300):
        true = first * rng.standard_normal(len(first))
        g, h, probe, copper = true
        true = np.append(true, g + slope * h)
        rows = [
            (g + slope * h, {"remanence": 1.0, "airgap": slope}, 0.012),
            (g + probe, {"remanence": 1.0, "probe": 1.0}, 0.005),
            (g + probe, {"remanence": 1.0, "probe": 1.0}, 0.04),
            (copper, {"copper": 1.0}, 0.01),
        ]
        readings = [
            reading(1 + value + sd * rng.standard_normal(), depends, uncertainty=sd)
            for value, depends, sd in rows
        ]
        found = estimate(STUDY, readings, slope=slope)
        scores.append([(e.change - t) / e.uncertainty for e, t in zip(found, true, strict=True)])
    assert np.std(scores, axis=0) == pytest.approx(1.0, abs=0.15)


def test_wrong_magnets_are_no_weak_remanence():
    """Exact: what they take is taken into account."""
    found = estimate(
        STUDY, [reading(0.96, {"remanence": 1.0}, factor=0.96, uncertainty=1e-4)], slope=0.0
    )
    assert found[0].change == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_slope_is_that_of_another_airgap(position):
    """Independent: two evaluations with gaps 0.02 mm apart on either side."""
    study = make_study(position=position, pole_pairs=7, diameter=60.0, values={"stator.slots": 12})
    wide, narrow = (
        float(evaluate(study.with_values({"airgap.length_mm": gap})).flux_linkage[0])
        for gap in (1.02, 0.98)
    )
    expected = (wide - narrow) / (wide + narrow) * 2 / 0.04e-3
    assert airgap_slope(ring_of(study)) == pytest.approx(expected, rel=0.06)


def test_linkage_left_by_a_missing_magnet():
    ring = ring_of(STUDY)
    count = len(ring.magnets.members)
    along = np.zeros(count)
    assert linkage_left(ring, along, along) == pytest.approx(1)
    assert linkage_left(ring, along - 0.1, along) == pytest.approx(0.9)
    along[0] = -1
    assert 0.93 < linkage_left(ring, along, 0 * along) < 0.97


def test_loose_magnets():
    """Exact: readings of a known remanence; an odd one is named and left out of the mean."""
    layout = build_layout(STUDY)
    main, across = pole_reading(layout, 0), pole_reading(layout, 1)
    Br = layout.grades[0][0].remanence
    values = np.array([1.0, 0.98, -1.02, 0.7, 1.0, 1.01]) * [main] * np.ones(6)
    values[4:] = np.array([1.0, 1.01]) * across
    loose = Loose(
        "l.csv", 0, ("a", "b", "c", "d", "e", "f"), ("main",) * 4 + ("transverse",) * 2, values,
        "reading",
    )  # fmt: skip
    bag, other = fit_loose(STUDY, loose).families
    assert bag.mean == pytest.approx(Br)
    assert bag.odd == ("d",)
    assert other.mean == pytest.approx(1.005 * Br)
    assert other.odd == ()
    farther = Loose("l.csv", 0, ("a", "b"), ("main",) * 2, np.full(2, main), "reading", 2e-3)
    assert fit_loose(STUDY, farther).families[0].mean > 1.1 * Br


def test_loose_magnets_of_no_family_are_told():
    loose = Loose("l.csv", 0, ("a", "a"), ("side", ""), np.ones(2), "remanence")
    with pytest.raises(StudyError) as fault:
        fit_loose(STUDY, loose)
    assert len(fault.value.faults) >= 2
    assert "'side'" in str(fault.value)


def built(study, **given):
    changed = {"remanence": (-0.04, 0.004), "airgap": (1e-4, 1e-5), "probe": (0, 0.03),
               "copper": (0.0, 0.05)} | given  # fmt: skip
    firsts = {e.name: e.first for e in estimate(study, [], slope=-30.0)}
    changed["linkage"] = changed["remanence"]
    estimates = tuple(Estimate(name, *changed[name], firsts[name]) for name in firsts)
    return AsBuilt(study, (), (), estimates, (), (), (), (), (), ())


TEXT = STUDY.text.replace('grade = "N42SH"', 'grade = "N42SH"  # from the bag')


def test_changes_and_comments():
    study = parse_study(TEXT)
    found = built(study)
    new = calibrated(study, found)
    again = parse_study(new.text)
    assert "# from the bag" in new.text
    assert again.rotor.grade == "N42SH as built"
    old = study.magnet_grade("N42SH").remanence
    assert again.magnet_grade(again.rotor.grade).remanence == pytest.approx(0.96 * old, abs=1e-4)
    assert again.airgap.length_mm == pytest.approx(1.1)
    assert "winding.mean_turn_mm" not in changes(study, found)
    both = float(evaluate(again).flux_linkage[0] / evaluate(study).flux_linkage[0])
    slope = airgap_slope(ring_of(study))
    assert both == pytest.approx((1 - 0.04) * (1 + slope * 1e-4), rel=3e-3)


@pytest.mark.parametrize("ratio", [0.8, 0.9, 0.95, 1.05])
def test_the_applied_study_computes_what_was_read(ratio):
    """Exact: whatever the tolerances expected, and however bent the flux is over the gap."""
    found = built(STUDY, remanence=(0.3 * (ratio - 1), 0.004))
    one = reading(ratio, {"remanence": 1.0, "airgap": -30.0})
    other = reading(1 / ratio, {"remanence": -1.0, "airgap": 30.0}, uncertainty=0.03)
    found = dataclasses.replace(found, readings=(one, other))
    new = parse_study(calibrated(STUDY, found).text)
    again = float(evaluate(new).flux_linkage[0] / evaluate(STUDY).flux_linkage[0])
    assert again == pytest.approx(ratio, rel=1e-3)


def test_a_flux_that_no_gap_gives_is_told():
    found = dataclasses.replace(
        built(STUDY), readings=(reading(2.9, {"remanence": 1.0, "airgap": -30.0}),)
    )
    with pytest.raises(StudyError, match="no airgap from"):
        calibrated(STUDY, found)


def test_a_heat_run_goes_where_the_study_has_one():
    own = "run = { current_a_rms = 5.0, rise_k = 60.0 }  # an early one"
    study = parse_study(TEXT.replace("thermal_resistance_k_per_w = 2.4", own))
    run = HeatRun("h.csv", 0, np.arange(3.0), None, None, 4.0, 20.0)
    fit = HeatFit(
        run, False, 20.0, 2.0, 0.1, 300.0, 10.0, 20.0, 41.5, 1.0, 0.1, 2.4, *np.zeros((3, 3))
    )
    found = dataclasses.replace(built(study), heats=(fit,))
    new = parse_study(calibrated(study, found).text)
    assert (new.heat.run.current_a_rms, new.heat.run.rise_k) == (4.0, 41.5)
    assert "# an early one" in new.text


def test_grades_of_ones_own_and_of_a_family():
    """A second round starts from the first one's grade; points in names part no keys."""
    study = parse_study(
        TEXT.replace("N42SH", "my N42.5")
        + '[materials.magnets."my N42.5"]\nlike = "N42SH"\nremanence_typical_t = 1.31\n'
    ).with_values({"rotor.transverse.grade": "N45H", "rotor.remanence": "minimum"})
    new = parse_study(calibrated(study, built(study)).text)
    assert new.rotor.grade == "my N42 5 as built"
    assert new.rotor.transverse.grade == "N45H as built"
    assert new.rotor.remanence == "typical"
    least = study.magnet_grade("my N42.5").remanence
    assert new.magnet_grade(new.rotor.grade).remanence == pytest.approx(0.96 * least, abs=1e-4)
    twice = parse_study(calibrated(new, built(new)).text)
    assert twice.rotor.grade == new.rotor.grade
    assert twice.magnet_grade(new.rotor.grade).remanence == pytest.approx(0.96**2 * least, abs=2e-4)


def test_nothing_told_nothing_changed():
    assert changes(STUDY, built(STUDY, remanence=(0, 0.02), airgap=(0, 5e-5))) == {}
