"""Confirming by finite elements: plan, record, waveforms, verdict. Fields are in published/."""

import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
from few_positions import COARSE, few_positions
from makers import make_study
from searches import searched

from arrayopt.confirmation import front as fronts
from arrayopt.confirmation import plan, results
from arrayopt.confirmation import run as runs
from arrayopt.confirmation.compared import Compared, verdict
from arrayopt.confirmation.completed import completed
from arrayopt.confirmation.kept import FILE
from arrayopt.confirmation.plan import loaded_count, no_load_count, periods, row_offsets, with_rows
from arrayopt.confirmation.run import confirm
from arrayopt.confirmation.scale import end_scale
from arrayopt.confirmation.waveforms import crossing, derivative, fundamental, spread_over_rows
from arrayopt.errors import ArrayoptError
from arrayopt.evaluation import evaluate
from arrayopt.export.confirm_folder import write_confirmation
from arrayopt.export.confirm_tables import confirm_json, confirm_text, front_csv, front_text
from arrayopt.search import optimise
from arrayopt.study import parse_study, starter_text
from arrayopt.study.sections import StudyFile

START = parse_study(starter_text())
SLOTS = {
    "stator.slot_opening_mm": 2.0, "stator.tooth_width_mm": 5.0, "stator.slot_depth_mm": 12.0,
    "stator.yoke_mm": 4.0,
}  # fmt: skip


def machine(slots, pole_pairs, **more):
    return make_study(
        kind="slotted", pole_pairs=pole_pairs, diameter=200.0, fill=0.5,
        values=SLOTS | {"stator.slots": slots, "stator.tooth_width_mm": 4.0} | more,
    )  # fmt: skip


# What a study does not say


def test_sizes_that_are_given_stay():
    study, assumed = completed(START)
    assert study == START
    assert assumed == ()


def test_missing_sizes_are_told_and_fit_in():
    bare = START.model_copy(
        update={
            "stator": START.stator.model_copy(
                update={"slot_depth_mm": None, "yoke_mm": None, "tooth_tip_mm": None}
            )
        }
    )
    study, assumed = completed(bare)
    assert [line.split(" ")[0] for line in assumed] == [
        "stator.tooth_tip_mm", "stator.slot_depth_mm", "stator.yoke_mm",
    ]  # fmt: skip
    assert all("mm assumed" in line for line in assumed)
    # common practice, no source: twice the tooth deep, six tenths of it behind
    assert study.stator.slot_depth_mm == 10.0
    assert study.stator.yoke_mm == 3.0
    narrow = bare.varied({"stator.surface_diameter_mm": 20.0})
    small, _ = completed(narrow)
    assert small.tooth_tip_mm + small.stator.slot_depth_mm + small.stator.yoke_mm < 10.0


def test_a_smooth_stator_without_yoke_is_told():
    assert "never saturates" in completed(make_study())[1][0]
    assert completed(make_study(values={"stator.yoke_mm": 3.0}))[1] == ()
    assert completed(make_study(kind="ironless"))[1] == ()


# Periods


@pytest.mark.parametrize(
    ("slots", "pole_pairs", "magnets", "cogging"),
    [
        # exact: lcm(slots, poles) a turn
        (12, 5, 4, 60), (24, 10, 4, 120), (9, 4, 2, 72), (36, 16, 4, 288), (27, 13, 4, 702),
        (36, 6, 2, 36),
        # with an odd number of magnets a pole pair's two poles differ: lcm(slots, pole pairs)
        (24, 10, 3, 120), (12, 5, 3, 60), (36, 6, 3, 36), (18, 8, 3, 72),
    ],
)  # fmt: skip
def test_cogging_periods(slots, pole_pairs, magnets, cogging):
    study = machine(slots, pole_pairs, **{"rotor.magnets_per_pole_pair": magnets}) if (
        magnets != 3
    ) else make_study(
        kind="slotted", pole_pairs=pole_pairs, diameter=200.0, fill=0.5,
        magnets_per_pole_pair=3, values=SLOTS | {"stator.slots": slots},
    )  # fmt: skip
    found = periods(study)
    assert round(2 * np.pi / found.cogging) == cogging
    # exact: turned by a cogging period and back by whole slots the rotor stands on whole poles
    pole = np.pi / pole_pairs * (1 if magnets % 2 == 0 else 2)
    whole = (found.cogging - found.shift * 2 * np.pi / slots) / pole
    assert whole == pytest.approx(round(whole), abs=1e-9)
    assert found.sign == ((-1) ** round(whole) if magnets % 2 == 0 else 1)
    # no position of the mean falls on a harmonic of cogging that would be mistaken for it
    waves = round(found.torque / found.cogging)
    assert waves % loaded_count(study) != 0


def test_rows_lie_about_their_middle():
    study = START.with_values({"rotor.skew_steps": 3, "rotor.skew_step_deg": 2.0})
    np.testing.assert_allclose(np.degrees(row_offsets(study)), [-2, 0, 2], atol=1e-12)
    positions = with_rows(study, np.array([0.0, 0.1]), quadrature=7.0)
    # all rows see the current of the whole rotor
    assert [p.electrical for p in positions] == pytest.approx([0.0, 1.4] * 3)
    assert {p.quadrature for p in positions} == {7.0}


# Waveforms


def test_derivative_of_waves():
    x = np.arange(16) * 2 * np.pi / 16
    wave = np.sin(x) + 0.2 * np.cos(3 * x) + 5
    # exact
    np.testing.assert_allclose(derivative(wave), np.cos(x) - 0.6 * np.sin(3 * x), atol=1e-12)
    np.testing.assert_allclose(derivative(np.array([wave, wave]).T)[:, 1], derivative(wave))
    assert abs(fundamental(wave)) == pytest.approx(1.0)


def test_rows_cancel_the_wave_that_they_divide():
    x = np.arange(24) * 2 * np.pi / 24
    wave = np.cos(x) + np.cos(3 * x)
    # exact: three rows a third of the third harmonic's wave apart
    rows = spread_over_rows(wave, np.array([-1, 0, 1]) * 2 * np.pi / 9, waves=1)
    left = (1 + 2 * np.cos(2 * np.pi / 9)) / 3
    np.testing.assert_allclose(rows, left * np.cos(x), atol=1e-12)


def test_crossing():
    x = np.array([0.0, 1.0, 2.0])
    assert crossing(x, np.array([0.0, 0.1, 0.3]), 0.05) == pytest.approx(0.5)
    assert np.isnan(crossing(x, np.array([0.0, 0.1, 0.3]), 0.31))
    assert crossing(x, np.array([0.4, 0.5, 0.6]), 0.3) == 0.0


# Ends


def test_long_motors_have_no_ends():
    # limit: at forty wavelengths ends are nothing
    long = START.varied({"rotor.length_mm": 2000.0, "stator.stack_mm": 2000.0})
    assert end_scale(long).share == pytest.approx(1.0, abs=0.01)
    short = end_scale(START)
    assert 0.8 < short.share < 0.99
    assert short.remanence == short.share


def test_ends_that_change_the_shape_of_the_field_are_told():
    # few wide poles on a short stack: the third harmonic has other ends than the first
    wide = make_study(pole_pairs=2, shape="arc", fill=0.9, kind="slotted", values=SLOTS)
    assert end_scale(wide).uneven
    assert not end_scale(START).uneven


def test_short_magnets_are_a_shorter_slice():
    scale = end_scale(START.with_values({"rotor.length_mm": 9.0}))
    assert scale.length == pytest.approx(9e-3)
    assert scale.remanence == pytest.approx(scale.share * 12 / 9)


# The whole


@pytest.fixture(scope="module", autouse=True)
def fewer():
    with pytest.MonkeyPatch.context() as patch:
        few_positions(patch)
        yield


def test_the_starter_study_agrees(confirmed):
    found, _ = confirmed
    assert found.agrees
    rows = {row.key: row for row in found.compared}
    # independent: two models, see the differences that the README tells
    assert abs(rows["flux_linkage"].difference) < 2
    assert abs(rows["peak_torque"].difference) < 3
    assert abs(rows["inductance"].difference) < 8
    # sheet carries its flux: unsaturated teeth would carry more than the curve lets them
    assert rows["tooth_flux_density_peak"].elements < rows["tooth_flux_density_peak"].fast


def test_the_solution_agrees_with_itself(confirmed):
    figures = confirmed[0].figures
    # exact but for the mesh: a conservative field's mean torque over a period is zero
    assert abs(figures["cogging_mean"]) < 1e-6 * figures["cogging"]
    assert figures["cogging_energy_difference"] < 0.01
    assert figures["cogging_stress_difference"] < 0.05
    # exact: back-EMF times current is torque times speed; few positions leave 1e-4
    assert figures["torque_by_linkage"] == pytest.approx(figures["peak_torque"], rel=1e-3)
    assert figures["cogging_periods"] == 168


def test_torque_follows_the_current(confirmed):
    curves = confirmed[0].curves
    lost = curves["constant_lost"].values
    assert (np.diff(curves["torque"].values) > 0).all()
    assert lost[-1] == lost.max() > 0.01
    assert curves["torque_at_peak"].mean() == pytest.approx(float(curves["torque"][-1]))


def test_text_and_json_say_the_same(confirmed):
    found, _ = confirmed
    text, content = confirm_text(found), confirm_json(found)
    assert "Verdict (agrees)" in text
    assert "remanence x 0.9" in text
    for row in content["compared"]:
        assert row["name"] in text
    assert content["finite_elements"]["cogging_periods_per_turn"] == 168
    assert content["agrees"] is True
    assert len(content["torque"]) == 3
    assert all(line == line.rstrip() for line in text.splitlines())


def test_files(confirmed, tmp_path):
    found, _ = confirmed
    paths = write_confirmation(tmp_path, found)
    assert [p.name for p in paths] == [
        "confirm.json", "confirm.txt", "confirm.nc", "confirm.png", "sector.png",
    ]  # fmt: skip
    assert all(p.stat().st_size > 500 for p in paths)


def test_few_pole_pairs_have_enough_positions():
    # exact: three cogging periods an electrical turn would leave 48 positions for the back-EMF
    few = make_study(
        kind="slotted", pole_pairs=1, magnets_per_pole_pair=3, shape="arc", diameter=40.0,
        values=SLOTS | {"stator.slots": 3, "stator.slot_depth_mm": 8.0},
    )  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(plan, "NO_LOAD", 16)
        patch.setattr(plan, "A_TURN", 96)
        assert no_load_count(few) * round(2 * np.pi / periods(few).cogging) >= 96
        assert no_load_count(START) == 16


# Going on


def some_lost(out, tmp_path, count):
    """A copy of a record that lacks some tasks."""
    shutil.copy(out / FILE, tmp_path / FILE)
    with closing(sqlite3.connect(tmp_path / FILE)) as database, database:
        database.execute(
            f"DELETE FROM done WHERE key IN (SELECT key FROM done ORDER BY key LIMIT {count})"
        )


def test_any_temperature_is_judged(confirmed):
    # a temperature that six digits do not tell
    found, _ = confirmed
    odd = found.fast.copy(deep=True)
    odd["judged_at"][:] = 53.30500000000001
    planned = runs.plan(found.whole, odd, scale=found.scale, size=COARSE, current=np.nan)
    names = [task.name for task in planned if task.name.startswith("magnets")]
    assert set(names) == {"magnets 0"}
    assert results.judged_temperatures(odd) == [53.30500000000001]


def kept_tasks(folder):
    with closing(sqlite3.connect(folder / FILE)) as database:
        return database.execute("SELECT count(*) FROM done").fetchone()[0]


def test_a_stopped_run_loses_only_what_was_at_work(confirmed, tmp_path, monkeypatch):
    found, out = confirmed
    whole = kept_tasks(out)
    some_lost(out, tmp_path, 3)
    real, calls = runs.carried_out, []

    def stopped(task):
        calls.append(task)
        if len(calls) == 2:
            raise KeyboardInterrupt
        return real(task)

    monkeypatch.setattr(runs, "carried_out", stopped)
    with pytest.raises(KeyboardInterrupt):
        confirm(START, out=tmp_path, size=COARSE)
    assert kept_tasks(tmp_path) == whole - 2
    told = []
    again = confirm(START, out=tmp_path, size=COARSE, progress=told.append)
    assert [(now.done, now.new, now.wanted) for now in told] == [
        (whole - 1, 1, whole), (whole, 2, whole),
    ]  # fmt: skip
    assert again.figures == pytest.approx(found.figures, rel=1e-9, abs=1e-12, nan_ok=True)


def test_workers_find_the_same(confirmed, tmp_path):
    found, out = confirmed
    some_lost(out, tmp_path, 2)
    again = confirm(START, out=tmp_path, size=COARSE, workers=2)
    assert again.figures == pytest.approx(found.figures, rel=1e-9, abs=1e-12, nan_ok=True)


def test_another_mesh_is_solved_anew(confirmed, tmp_path, monkeypatch):
    shutil.copy(confirmed[1] / FILE, tmp_path / FILE)
    monkeypatch.setattr(runs, "carried_out", lambda _: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        confirm(START, out=tmp_path, size=2.9)


def test_a_record_that_is_none_is_told(tmp_path):
    (tmp_path / FILE).write_bytes(b"not a database, but long enough to be read as one" * 40)
    with pytest.raises(ArrayoptError, match=r"confirm\.sqlite cannot be used: .*remove that file"):
        confirm(START, out=tmp_path, size=COARSE)


# A study that says little


def test_without_drive_and_heat_only_no_load_is_told():
    study = make_study(pole_pairs=14).model_copy(update={"drive": None, "heat": None})
    found = confirm(study, size=COARSE)
    assert "peak_torque" not in found.figures
    assert "torque" not in found.curves
    assert list(found.maps) == ["no load"]
    text = confirm_text(found)
    assert "no cogging, as it should be without slots" in text
    assert "Torque" not in text
    assert "never saturates" in text


def test_without_a_drive_heat_says_how_far():
    figures = evaluate(START.model_copy(update={"drive": None}))
    continuous = float(figures["continuous_current"][0])
    study = START.model_copy(update={"drive": None})
    assert runs.reach(study, figures) == pytest.approx(3 * np.sqrt(2) * continuous)
    assert runs.reach(START, figures) == 25.0


# Verdict


GOOD = {
    "linkage": 10e-3, "ideal_linkage": 10e-3, "flux_loss": 0.0, "peak_torque": 2.0,
    "peak_current": 20.0, "torque_lost": 0.01, "ripple": 0.01, "demagnetised": 0.0,
    **{f"{part}{at}": 1.0 for part in results.IRON for at in ("", "_peak")},
}  # fmt: skip


def judged(*, fast_linkage=10.0, fast_torque=2.0, fast_loss=0.02, study=START, **changed):
    found = GOOD | changed
    rows = (
        Compared("flux", "flux_linkage", "mWb", fast_linkage, found["linkage"] * 1e3),
        Compared("torque", "peak_torque", "N m", fast_torque, found["peak_torque"]),
    )
    fast = {
        "flux_linkage": np.array([fast_linkage * 1e-3]), "torque_loss": np.array([fast_loss])
    }  # fmt: skip
    return verdict(study, fast, found, rows)


def test_what_agrees_is_said():
    lines, agrees = judged()
    assert agrees
    assert all("agree" in line and "does not" not in line for line in lines)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"linkage": 9e-3, "flux_loss": 0.1, "tooth": 1.8},
         "stator.tooth_width_mm 5 carries 1.80 T, its limit is 1.60: about 5.6 mm"),
        ({"linkage": 9e-3, "flux_loss": 0.1, "yoke": 2.0}, "stator.yoke_mm 4 carries 2.00 T"),
        ({"linkage": 9e-3, "flux_loss": 0.1, "tip": 2.0}, "stator.tooth_tip_mm 1 carries 2.00 T"),
        ({"linkage": 9e-3, "flux_loss": 0.1}, "No part is past its limit"),
        ({"linkage": 9.5e-3, "ideal_linkage": 9.5e-3}, "narrower slot openings"),
        # small causes together are enough not to agree, and the larger is named
        ({"linkage": 9.64e-3, "ideal_linkage": 9.82e-3, "flux_loss": 0.019}, "takes 1.9 %"),
        ({"linkage": 9.64e-3, "ideal_linkage": 9.8e-3, "flux_loss": 0.016}, "(Carter)"),
        ({"peak_torque": 1.8, "torque_lost": 0.09},
         "expects 2.0 % of the torque lost at 20 A, finite elements 9.0 %"),
        ({"peak_torque": 1.7, "torque_lost": 0.15, "tooth_peak": 1.9}, "takes 15 % of the torque"),
    ],
)  # fmt: skip
def test_what_fails_is_named_with_a_remedy(changed, words):
    lines, agrees = judged(**changed)
    assert not agrees
    assert any(words in line for line in lines)


def test_a_stator_without_slots_is_not_told_of_them():
    lines, agrees = judged(study=make_study(), linkage=9e-3, ideal_linkage=9e-3)
    assert not agrees
    assert "one polarisation a magnet" in lines[1]
    assert not any("slot" in line or "tip" in line for line in lines)


def test_closed_slots_have_no_reference():
    lines, _ = judged(flux_loss=np.nan, ideal_linkage=np.nan, torque_lost=np.nan)
    assert any(line.startswith("closed slots: the bridges") for line in lines)
    assert not any("nan" in line for line in lines)


def test_lost_magnets_are_told_but_do_not_disagree():
    lines, agrees = judged(demagnetised=0.05)
    assert agrees
    assert "5.0 % of the magnets lose polarisation" in lines[-1]


def test_lost_magnets_stand_in_the_heading(confirmed):
    found, _ = confirmed
    assert "Verdict (agrees):" in confirm_text(found)
    assert "Verdict (agrees, MAGNETS ARE LOST):" in confirm_text(replace(found, loses=True))


def test_a_ring_that_saturates_is_named():
    study = START.with_values({"rotor.steel_ring_mm": 1.5})
    lines, _ = judged(study=study, linkage=9e-3, flux_loss=0.1, ring=2.0)
    assert any("rotor.steel_ring_mm 1.5 carries 2.00 T" in line for line in lines)


def test_ripple_is_told_but_does_not_disagree():
    lines, agrees = judged(ripple=0.2)
    assert agrees
    assert any("ripple of 20 %" in line and "rotor.skew_steps" in line for line in lines)


def test_differences():
    assert Compared("", "", "N m", 2.2, 2.0).difference == pytest.approx(10)
    assert Compared("", "", "%", 7.0, 5.0, share=True).difference == pytest.approx(2)
    assert Compared("", "", "N m", 0.0, 0.0).difference == 0
    assert np.isnan(Compared("", "", "N m", np.nan, 2.0).difference)


# A front


def test_the_knee_and_its_neighbours_are_solved(confirmed_front):
    found, _ = confirmed_front
    assert found.result.picks["knee"] in found.confirmed
    assert 2 <= len(found.confirmed) <= 5
    mean, least, most = found.bias
    assert least <= mean <= most
    # independent: the fast model reads within a few percent
    assert abs(mean) < 0.05
    assert "Bias of the fast model" in front_text(found)
    assert front_csv(found).count("\n") == len(found.ratios) + 1


def test_torque_at_the_joint_is_corrected_alike(confirmed_front):
    found, _ = confirmed_front
    before, after = found.result.front, found.corrected
    np.testing.assert_allclose(
        after["continuous_torque"] / before["continuous_torque"], found.ratios
    )
    np.testing.assert_allclose(after["joint_torque"] / before["joint_torque"], found.ratios)
    np.testing.assert_array_equal(after["rotor_mass"], before["rotor_mass"])


def test_a_design_that_loses_torque_leaves_the_front(confirmed_front):
    result = confirmed_front[0].result
    torque = confirmed_front[0].torque
    last = len(result.values) - 1
    same = fronts._ranked(result, torque, {0: 0.9, last: 0.9})
    # exact: all the same share less leaves the order
    assert same.kept.all()
    assert same.picks["knee"] == result.picks["knee"]
    knee = result.picks["knee"]
    worse = fronts._ranked(result, torque, {0: 1.0, knee - 1: 1.0, knee: 0.5, knee + 1: 1.0})
    assert not worse.kept[knee]
    assert worse.picks["knee"] != knee
    assert f"knee moves from design {knee}" in front_text(worse)


def test_a_limit_on_torque_counts_once_corrected(confirmed_front):
    found = confirmed_front[0]
    least = float(found.result.front["continuous_torque"].min())
    goal = searched(bounds=f'"machine.continuous_torque_nm" = {{ at_least = {least} }}\n')
    result = replace(found.result, goal=type(found.result.goal)(goal))
    low = fronts._ranked(result, found.torque, {0: 0.9})
    assert low.missed
    assert "miss a limit once corrected" in front_text(low)
    none = fronts._ranked(result, found.torque, {0: 1e-3})
    assert none.picks == {}
    assert "No design keeps all limits" in front_text(none)


def test_a_front_without_torque_is_told(tmp_path):
    keys = 'objectives = ["mass.rotor_g", "airgap.fundamental_t"]\n'
    optimise(searched(keys=keys), out=tmp_path, trials=80)
    with pytest.raises(ArrayoptError, match=r"none of continuous_torque.*knee\.toml"):
        fronts.confirm_front(tmp_path)


def test_every_table_counts_or_has_no_part_in_the_field():
    """A new table of a study must be put on one side."""
    counted = {"title", "rotor", "airgap", "stator", "winding", "materials"}
    assert runs._NO_PART | counted == set(StudyFile.model_fields)
    assert not runs._NO_PART & counted


def test_another_seed_of_tolerances_is_the_same_field():
    study = parse_study(starter_text())
    assert runs.plain_json(study.with_values({"tolerance.seed": 5})) == (runs.plain_json(study))
