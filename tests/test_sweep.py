"""Sweeps: other values of one or two keys, every figure."""

import csv
import io
import json

import numpy as np
import pytest
import xarray as xr
from makers import make_study

from arrayopt import sweep
from arrayopt.errors import NothingFeasibleError, StudyError
from arrayopt.evaluation import evaluate
from arrayopt.export.results_folder import write_sweep
from arrayopt.export.sweep_results import sweep_csv, sweep_json, sweep_text
from arrayopt.figures import FIGURES
from arrayopt.study import parse_study, revised_text, starter_text
from arrayopt.variation import default_figures, dimension_names, parse_vary

GAPS = {"airgap.length_mm": [0.8, 1.0, 1.3]}
BOTH = {"rotor.main.width_mm": [3.0, 4.0, 30.0], "rotor.pole_pairs": [13, 14]}


@pytest.fixture(scope="module")
def study():
    return parse_study(starter_text())


@pytest.fixture(scope="module")
def over_both(study):
    return sweep(study, BOTH)


# The Dataset


def test_dims_are_the_keys(study, over_both):
    # exact
    assert over_both["rotor_mass"].dims == ("width_mm", "pole_pairs")
    assert over_both["amplitude"].dims == ("width_mm", "pole_pairs", "harmonic")
    assert over_both["width_mm"].values.tolist() == BOTH["rotor.main.width_mm"]
    assert over_both["width_mm"].attrs == {"units": "mm", "long_name": "rotor.main.width_mm"}
    assert over_both.attrs["study"] == study.text
    for f in FIGURES:
        assert over_both[f.name].attrs["units"] == {"C": "degC"}.get(f.unit, f.unit)


@pytest.mark.parametrize(
    ("keys", "names"),
    [
        (["airgap.length_mm"], ["length_mm"]),
        (["rotor.main.width_mm", "rotor.main.thickness_mm"], ["width_mm", "thickness_mm"]),
        (["rotor.length_mm", "airgap.length_mm"], ["rotor_length_mm", "airgap_length_mm"]),
    ],
)
def test_dimension_names(keys, names):
    assert dimension_names(keys) == names


@pytest.mark.parametrize(("width", "pairs"), [(3.0, 13), (4.0, 14)])
def test_a_design_of_a_sweep_is_that_study_evaluated(study, over_both, width, pairs):
    # independent: the changed study written out, read afresh and evaluated alone
    values = {"rotor.main.width_mm": width, "rotor.pole_pairs": pairs}
    alone = evaluate(parse_study(revised_text(study.text, values)))
    one = over_both.sel(width_mm=width, pole_pairs=pairs)
    for f in FIGURES:
        if not np.isnan(one[f.name]):
            # rtol: the kernel shares sampling over a batch
            assert one[f.name].item() == pytest.approx(alone[f.name][0].item(), rel=1e-6), f.key


def test_figures_that_take_long_are_computed_when_named(study):
    quick = sweep(study, GAPS)
    assert np.isnan(quick["peak_torque"]).all()
    assert np.isnan(quick["demagnetised"]).all()
    keys = ["machine.peak_torque_nm", "magnets.demagnetised_percent"]
    whole = sweep(study, GAPS, figures=keys)
    alone = evaluate(study)
    at = GAPS["airgap.length_mm"].index(study.airgap.length_mm)
    for name in ("peak_torque", "demagnetised"):
        assert not np.isnan(whole[name]).any()
        assert whole[name][at].item() == pytest.approx(alone[name][0].item(), rel=1e-6, abs=1e-9)


def test_field_falls_with_the_gap_as_a_flat_array_has_it():
    # published: field of an endless flat array falls as exp(-k y), k = 2 pi/wavelength (Halbach
    # 1985, Trumper, Williams & Nguyen 1993, from memory); on many poles a ring is flat, and its
    # stator's surface is held while the gap moves the magnets away.
    study = make_study(pole_pairs=40, diameter=400.0, length=300.0, stack=300.0, kind="ironless")
    gaps = [2.0, 3.0, 4.0]
    values = {"stator.winding_thickness_mm": 0.5, "stator.coil_side_mm": 2.0}
    found = sweep(study.with_values(values), {"airgap.length_mm": gaps})
    falls = np.diff(np.log(found["fundamental"].values))
    # rtol: curvature moves the wavelength at the magnets by gap over radius, 2 %
    np.testing.assert_allclose(falls, -40 / 0.2 * 1e-3, rtol=0.03)


def test_designs_that_cannot_be_built_have_a_reason(over_both):
    wide = over_both.sel(width_mm=30.0)
    assert np.isnan(wide["rotor_mass"]).all()
    assert all(
        "wall" in str(reason) or "overlap" in str(reason) for reason in wide["reason"].values
    )
    assert (over_both.sel(width_mm=3.0)["reason"] == "").all()


def test_limits_missed_are_named(study):
    found = sweep(study, {"limits.tooth_flux_density_t": [0.3, 2.0]})
    assert found["limits_missed"].values.tolist() == ["tooth flux density", ""]
    assert (found["reason"] == "").all()


def test_rules_between_keys_are_reasons(study):
    found = sweep(study, {"stator.slot_opening_mm": [2.0, 40.0]})
    assert found["reason"].values[0] == ""
    assert "stator.slot_opening_mm must be smaller than the slot pitch" in found["reason"].values[1]


def test_nothing_that_can_be_built(study):
    with pytest.raises(NothingFeasibleError, match="none of the 2 designs can be built: rotor"):
        sweep(study, {"rotor.main.width_mm": [40.0, 50.0]})


def test_texts_may_be_varied(study):
    found = sweep(study, {"rotor.grade": ["N42SH", "N48H"]})
    assert found["grade"].values.tolist() == ["N42SH", "N48H"]
    assert found["fundamental"][1] > found["fundamental"][0]


# What is asked for


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("airgap.length_mm=0.8:1.2:0.2", [0.8, 1.0, 1.2]),
        ("airgap.length_mm=0.8:1.25:0.2", [0.8, 1.0, 1.2]),
        ("airgap.length_mm=1", [1.0]),
        ("rotor.pole_pairs=10:14:2", [10, 12, 14]),
        ("rotor.pole_pairs = 10, 14", [10, 14]),
        ("rotor.grade=N42,N52", ["N42", "N52"]),
        ("winding.wire=AWG 22,AWG 24", ["AWG 22", "AWG 24"]),
        ("rotor.transverse.flush=gap,back", ["gap", "back"]),
    ],
)
def test_what_vary_says(text, values):
    # exact
    ((key, found),) = parse_vary([text]).items()
    assert key == text.partition("=")[0].strip()
    assert found == values
    assert [type(v) for v in found] == [type(v) for v in values]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("airgap.length_mm", "has no values"),
        ("airgap.length_mm=", "has no values"),
        ("airgap.length_mm=1:2", "is no range LOW:HIGH:STEP"),
        ("airgap.length_mm=1:x:1", "is no range LOW:HIGH:STEP"),
        ("airgap.length_mm=1:2:0", "step that is not above 0; got 0"),
        ("airgap.length_mm=1:2:-1", "step that is not above 0; got -1"),
        ("airgap.length_mm=2:1:1", "low end above its high end; got 2 and 1"),
        ("airgap.length_mm=1:2:1e-9", "values, more than 10000"),
        ("airgap.length_mm=1,,2", "has an empty value"),
        ("airgap.length_mm=nan,1", "is not finite; got nan"),
    ],
)
def test_vary_that_is_wrong(text, told):
    with pytest.raises(StudyError, match=r"--vary .*write KEY=LOW:HIGH:STEP") as fault:
        parse_vary([text])
    assert told in str(fault.value)


def test_a_key_twice():
    with pytest.raises(StudyError, match="comes twice"):
        parse_vary(["airgap.length_mm=1", "airgap.length_mm=2"])


@pytest.mark.parametrize(
    ("vary", "told"),
    [
        ({"rotor.main.wdth_mm": [1.0]}, "did you mean width_mm?"),
        ({"rotor.pole_pairs": [10.5]}, "10.5 is not allowed there"),
        ({"rotor.pole_pairs": [0]}, "0 is not allowed there"),
        ({"rotor.grade": ["N42", "N99"]}, "unknown grade; got 'N99'"),
        ({"title": ["x"]}, "is not something a sweep may change"),
        ({"search.trials": [10]}, "is not something a sweep may change"),
        ({"airgap.length_mm": [1.0, 1.0]}, "has a value twice"),
        ({"heat.run.rise_k": [50.0]}, "no table heat.run"),
        ({}, "must name one or two keys; got 0"),
        ({"airgap.length_mm": [1.0], "rotor.pole_pairs": [1], "rotor.wall_mm": [1.0]}, "got 3"),
        (
            {
                "airgap.length_mm": np.linspace(1, 2, 200).tolist(),
                "rotor.pole_pairs": range(1, 101),
            },
            "20000 designs, more than 10000",
        ),
    ],
)
def test_sweeps_that_are_wrong(study, vary, told):
    with pytest.raises(StudyError) as fault:
        sweep(study, vary)
    assert told in str(fault.value)


def test_all_faults_of_a_sweep_together(study):
    with pytest.raises(StudyError) as fault:
        sweep(study, {"rotor.x": [1], "airgap.length_mm": [-1.0]}, figures=["mass.rotor_kg"])
    lines = str(fault.value).splitlines()
    assert len(lines) == 3
    assert "did you mean mass.rotor_g" in lines[2]


# Outputs


def test_csv_has_every_design_and_figure(over_both):
    rows = list(csv.DictReader(io.StringIO(sweep_csv(over_both, BOTH))))
    assert len(rows) == 6
    assert list(rows[0])[:4] == [*BOTH, "reason", "limits_missed"]
    for row in rows:
        place = {
            "width_mm": float(row["rotor.main.width_mm"]),
            "pole_pairs": int(row["rotor.pole_pairs"]),
        }
        mass = over_both["rotor_mass"].sel(place).item()
        assert bool(row["reason"]) == np.isnan(mass)
        if row["mass.rotor_g"]:
            assert float(row["mass.rotor_g"]) == pytest.approx(1e3 * mass, rel=1e-8)


def test_json_says_the_same(over_both):
    said = json.loads(json.dumps(sweep_json(over_both, BOTH), allow_nan=False))
    assert said["vary"] == {key: list(values) for key, values in BOTH.items()}
    assert [d["reason"] is None for d in said["designs"]] == [True] * 4 + [False] * 2
    assert said["designs"][0]["figures"]["mass.rotor_g"] == pytest.approx(
        1e3 * over_both["rotor_mass"].values[0, 0], rel=1e-8
    )


def test_table_marks_the_study_and_is_cut(study):
    figures = default_figures(study)
    assert figures == ["machine.continuous_torque_nm", "mass.rotor_g"]
    short = sweep_text(study, sweep(study, GAPS), GAPS, figures)
    (own,) = [line for line in short.splitlines() if line.startswith("*  ")]
    assert own.split()[1] == "1"
    assert short.endswith("* the study as it is")
    many = {"airgap.length_mm": [round(0.8 + 0.01 * i, 2) for i in range(60)]}
    long = sweep_text(study, sweep(study, many), many, figures)
    assert len(long.splitlines()) < 60
    assert "20 rows in the middle are left out" in long


def test_table_titles_tell_keys_apart(study):
    lengths = {"rotor.length_mm": [10.0, 12.0], "airgap.length_mm": [1.0, 1.2]}
    text = sweep_text(study, sweep(study, lengths), lengths, default_figures(study))
    head = text.split("\n--")[0]
    columns = list(zip(*[line.split()[:2] for line in head.splitlines()[2:5]], strict=True))
    assert columns == [("Magnet", "length", "[mm]"), ("Airgap", "length", "[mm]")]
    assert "Limits missed" in text
    assert "Cannot be built" not in text


def test_reasons_stand_whole_under_the_table(study, over_both):
    text = sweep_text(study, over_both, BOTH, default_figures(study))
    table, _, notes = text.partition("Cannot be built:\n")
    reasons = dict.fromkeys(str(r) for r in over_both["reason"].values.ravel() if r)
    told = " ".join(notes.split())
    for letter, reason in zip("ABCDEF", reasons, strict=False):
        assert f"{letter}: {' '.join(reason.split())}" in told
        assert any(line.endswith(f"  {letter}") for line in table.splitlines())
    assert max(map(len, notes.splitlines())) <= 100
    assert not any(reason[:30] in table for reason in reasons)


def test_many_reasons_are_cut(study):
    # exact: each width has a reason with its own numbers
    vary = {"rotor.main.width_mm": [round(9 + 0.25 * i, 2) for i in range(30)]}
    vary["rotor.main.width_mm"][0] = 4.0
    results = sweep(study, vary)
    different = {str(r) for r in results["reason"].values if r}
    assert len(different) > 14
    text = sweep_text(study, results, vary, default_figures(study))
    assert f"{len(different) - 12} more reasons are in sweep.csv" in text
    assert "A1" in text  # letters go on after Z


@pytest.mark.parametrize(
    "vary",
    [
        GAPS,
        {"rotor.grade": ["N42SH", "N48H"]},
        {"rotor.grade": ["N42SH", "N48H"], "airgap.length_mm": [0.8, 1.0, 1.2]},
        {"rotor.main.width_mm": [3.0, 4.0, 5.0, 9.0], "airgap.length_mm": [0.8, 1.0, 1.2]},
    ],
)
def test_files_of_a_sweep(study, vary, tmp_path):
    results = sweep(study, vary)
    paths = write_sweep(tmp_path, study, results, vary, default_figures(study))
    assert [path.name for path in paths] == ["sweep.csv", "sweep.nc", "sweep.png"]
    with xr.open_dataset(tmp_path / "sweep.nc", engine="h5netcdf") as read:
        xr.testing.assert_allclose(read["rotor_mass"], results["rotor_mass"])
        assert read["reason"].values.tolist() == results["reason"].values.tolist()
    picture = (tmp_path / "sweep.png").read_bytes()
    assert picture.startswith(b"\x89PNG")
    assert len(picture) > 15_000
    write_sweep(tmp_path, study, results, vary, default_figures(study))
    assert (tmp_path / "sweep.png").read_bytes() == picture  # the same again


def test_the_command(run, tmp_path):
    file = tmp_path / "study.toml"
    file.write_text(starter_text(), encoding="utf-8")
    vary = ("--vary", "airgap.length_mm=0.8:1.2:0.2", "--out", tmp_path / "out")
    code, out, messages = run("sweep", file, *vary)
    assert code == 0, messages
    assert out.count("\n") > 8
    assert "sweep.csv, sweep.nc, sweep.png" in messages
    _, said, _ = run("sweep", file, "--vary", "rotor.pole_pairs=13,14", "--json")
    assert [d["values"] for d in json.loads(said)["designs"]] == [
        {"rotor.pole_pairs": 13}, {"rotor.pole_pairs": 14}
    ]  # fmt: skip
    for wrong, expected, told in (
        (("--vary", "rotor.pole_pairs=x"), 2, "'x' is not allowed there"),
        (("--vary", "airgap.length_mm=1", "--figure", "mass"), 2, "unknown figure; got 'mass'"),
        (("--vary", "rotor.main.width_mm=50"), 3, "none of the 1 designs can be built"),
        ((), 2, "Missing option '--vary'"),
    ):
        code, _, messages = run("sweep", file, *wrong)
        assert code == expected
        assert told in messages
    assert "--vary KEY=..." in run("sweep", "--help")[1]


def test_values_of_numpy_ranges(study):
    # exact: a range of numpy is the same sweep as the numbers it holds
    one = sweep(study, {"rotor.pole_pairs": np.arange(13, 15)})
    other = sweep(study, {"rotor.pole_pairs": [13, 14]})
    np.testing.assert_array_equal(one.fundamental, other.fundamental)
