"""The tolerance command: tables, JSON, CSV, NetCDF, pictures, exit codes, wrong input."""

import csv
import io
import json
import re

import numpy as np
import pytest
import xarray as xr
from makers import make_study
from matplotlib.figure import Figure
from picture_words import check_words
from printed import number_paths, table

from arrayopt.export.files import json_text
from arrayopt.export.tolerance_folder import write_tolerance
from arrayopt.export.tolerance_picture import tolerance_picture
from arrayopt.export.tolerance_results import rotors_csv, tolerance_json
from arrayopt.export.tolerance_tables import cogging_text, source_limit, tolerance_text
from arrayopt.figures import OUTCOMES
from arrayopt.layout import build_layout
from arrayopt.scatter.run import tolerance, within
from arrayopt.scatter.sources import SOURCES, active_sources
from arrayopt.scatter.waves import feeding
from arrayopt.study import parse_study

ROTORS = 200
WRITTEN = ["rotors.csv", "tolerance.json", "tolerance.nc", "tolerance.png", "tolerance.svg",
           "tolerance.txt"]  # fmt: skip
UNITS = ("_a", "_percent", "_rad", "_nm", "_n", "_mm", "_deg", "_k", "_turn")
FAIR = '[tolerance.limits]\n"torque_constant_percent" = { at_least = 98.0, at_most = 104.0 }\n'
HARSH = '[tolerance.limits]\n"magnetic_pull_n" = { at_most = 0.0 }\n'


def small(text="", **values):
    """A motor of 28 magnets, quick to compute, of few rotors."""
    fill = {"main": 0.8, "transverse": 0.6, "oblique": 0.7}
    kind = values.pop("kind", "slotted")
    if kind == "slotted":
        values = {"stator.slot_opening_mm": 3.0, "stator.tooth_width_mm": 6.0, **values}
    values = {"stator.slots": 12, "tolerance.rotors": ROTORS, **values}
    study = make_study(pole_pairs=7, diameter=60.0, fill=fill, kind=kind, values=values)
    return parse_study(study.text + text)


@pytest.fixture(scope="module")
def scattered():
    study = small(FAIR, **{"order.motors": 4})
    return study, tolerance(study)


@pytest.fixture(scope="module")
def single():
    study = small()
    return study, tolerance(study)


@pytest.fixture
def file(tmp_path):
    def write(study):
        path = tmp_path / "study.toml"
        path.write_text(study if isinstance(study, str) else study.text, encoding="utf-8")
        return path

    return write


def test_tables(scattered):
    study, found = scattered
    text = tolerance_text(study, found)
    assert max(map(len, text.splitlines())) <= 100
    assert f"{ROTORS} rotors drawn, seed 1; sources are normal, 19 of 20" in text
    rows = {row[0]: row[1:] for row in table(text, "Figure")}
    assert all("[" in name for name in rows)
    torque = [float(cell) for cell in rows["Torque constant over the design's [%]"]]
    one = found.sel(figure="torque_share")
    expected = [one.nominal, one["mean"], one.deviation, *one.value.values[[1, 2, 3]]]
    assert torque == pytest.approx(
        [100 * float(v) for v in expected], abs=0.05 + 1e-9
    )  # as printed
    # Phases that are alike are told once.
    assert "Back-EMF of a phase, peak [V s/rad]" in rows
    assert not any("phase A" in name or "Imbalance" in name for name in rows)
    assert "neither magnets nor an off-centre shaft unbalance the phases" in text


def test_intervals_and_joint_spread(scattered):
    study, found = scattered
    text = tolerance_text(study, found)
    second = text[text.index("With 95 % confidence") :]
    assert "Mean range among" in second
    assert "4 motors" in second
    row = next(r for r in table(second, "Figure") if r[0].startswith("Least air"))
    one = found.sel(figure="least_gap")
    low, high = map(float, row[1].split(" to "))
    assert low == pytest.approx(float(one.value_low[1]) * 1e3, abs=5e-5 + 1e-9)
    assert high == pytest.approx(float(one.value_high[1]) * 1e3, abs=5e-5 + 1e-9)
    assert float(row[3]) == pytest.approx(float(one.joint_spread) * 1e3, abs=5e-5 + 1e-9)


def test_single_motor_and_too_few_rotors_for_an_order(single):
    assert "Mean range" not in tolerance_text(*single)
    many = small(**{"order.motors": 1000})
    text = tolerance_text(many, tolerance(many))
    assert "too few rotors to tell how far 1000 motors" in text
    assert "Mean range" not in text


def test_sources(scattered):
    study, found = scattered
    text = tolerance_text(study, found)
    rows = table(text, "Source")
    assert {row[0] for row in rows} == {SOURCES[name] for name in active_sources(study)}
    shares = np.array([[float(cell) for cell in row[2:]] for row in rows])
    # Each of up to 13 cells is rounded to 0.1.
    assert shares.sum(axis=0) == pytest.approx(np.full(shares.shape[1], 100.0), abs=0.7)
    assert np.all(np.diff(shares.sum(axis=1)) <= 0.5)
    torque = found.variance_share.sel(figure="torque_share")
    largest = SOURCES[str(found.source.values[int(np.argmax(torque.values))])].lower()
    assert (
        f"Torque constant: {100 * float(torque.max()):.0f} % of the variance is by {largest}"
        in text
    )


def test_half_a_limit_does_what_is_told():
    """Independent: the deviation of rotors drawn with half the airgap's limit; 10 % is sampling."""
    study = small(**{"tolerance.rotors": 500})
    text = tolerance_text(study, tolerance(study))
    before, after = re.search(
        r"by airgap \(0.1 mm\);\n  half of that takes the standard deviation from (\S+) "
        r"to about (\S+) %",
        text,
    ).groups()
    halved = tolerance(study.with_values({"tolerance.airgap_mm": 0.05}))
    assert float(after) < 0.85 * float(before)
    assert float(after) == pytest.approx(100 * float(halved.torque_share.std(ddof=1)), rel=0.1)


def test_limits_in_words():
    """What is given, what the order asks for, the clearance, half the range of N42SH."""
    given = {"tolerance.tilt_deg": 2.5, "order.size_tolerance_mm": 0.08, "rotor.clearance_mm": 0.07}
    study = small(**given)
    (grade,) = {row.name: row for rows in build_layout(study).grades for row in rows}.values()
    half = 50 * (grade.remanence_max - grade.remanence_min) / grade.remanence
    expected = {
        "temperature": "10 K", "remanence": "2 %", "angle": "3 deg", "tilt": "2.5 deg",
        "size": "0.08 mm", "play": "0.07 mm", "off_centre": "0.05 mm",
        "remanence_batch": f"half the grade's range, {half:.2g} %",
    }  # fmt: skip
    assert {source: source_limit(study, source) for source in expected} == expected
    own = study.with_values({"tolerance.remanence_batch_percent": 1.5, "tolerance.play_mm": 0.2})
    assert source_limit(own, "remanence_batch") == "1.5 %"
    assert source_limit(own, "play") == "0.2 mm"
    wrong = {"tolerance.missing_percent": 1.0, "tolerance.swapped_percent": 0.5}
    assert source_limit(study.with_values(wrong), "mistakes") == "1 % missing,\n0.5 % swapped"


def test_yield_lines(scattered):
    study, found = scattered
    text = tolerance_text(study, found)
    kept = (found.torque_share >= 0.98) & (found.torque_share <= 1.04)
    assert 0.2 < float(kept.mean()) < 0.9
    ends = [100 * float(found[name]) for name in ("yield_low", "yield_high")]
    assert (
        f"Yield: {100 * float(kept.mean()):.1f} % of rotors keep all limits, {ends[0]:.1f} to "
        f"{ends[1]:.1f} % with 95 % confidence"
    ) in text
    rows = table(text[text.index("Yield") :], "Figure")
    assert [row[1] for row in rows] == ["at least 98", "at most 104"]
    for row, share in zip(
        rows, [found.torque_share >= 0.98, found.torque_share <= 1.04], strict=True
    ):
        assert row[2] == "100"
        assert float(row[3]) == pytest.approx(100 * float(share.mean()), abs=0.05 + 1e-9)


def test_without_limits_the_text_shows_how_one_is_set(single):
    study, found = single
    text = tolerance_text(study, found)
    assert "no limits are set" in text
    shown = text[text.index("  [tolerance.limits]") :]
    limited = parse_study(study.text + "\n".join(line.strip() for line in shown.splitlines()[:2]))
    # What is shown can be pasted, and 19 of 20 rotors keep it.
    kept = within(limited, {f.name: found[f.name].values for f in OUTCOMES})
    assert kept.mean() == pytest.approx(0.95, abs=0.015)


def test_waves_and_cogging(scattered):
    """Exact: 12 slots and 7 pole pairs: 12 - 7, 12 + 7, 24 - 7, 24 + 7; lcm(12, 14) = 84."""
    study, found = scattered
    assert feeding(study) == {5: 12, 19: 12, 17: 24, 31: 24}
    text = tolerance_text(study, found)
    rows = {row.split()[0]: row for row in text[text.index("Waves of the") :].splitlines() if row}
    assert "feeds cogging with 12 waves a turn" in rows["5"]
    assert "ring off its shaft" in rows["6"]
    assert "7" not in rows
    assert "84 = lcm(12 slots, 14 poles)" in text
    assert f"{100 * float(found.wave_high.sel(wave=6)):.2f}" in rows["6"].split()
    own = study.with_values({"rotor.pole_pairs": 2})
    assert "already cogs with 12 = lcm(12 slots, 4 poles)" in cogging_text(own)


def test_ironless_has_no_pull_and_no_cogging():
    values = {"stator.winding_thickness_mm": 0.8, "stator.coil_side_mm": 4.0}
    study = small(kind="ironless", **values)
    text = tolerance_text(study, tolerance(study))
    assert "ull" not in text
    assert "ogging" not in text
    assert "Torque constant [N m/A]" in text


def test_caution_where_rotors_may_touch(scattered):
    study, found = scattered
    assert "may touch" not in tolerance_text(study, found)
    tight = small(**{"tolerance.airgap_mm": 1.0})
    results = tolerance(tight)
    share = 100 * float((results.least_gap <= 0).mean())
    text = tolerance_text(tight, results)
    assert f"Rotors may touch the stator: {share:.1f} % of them have no air left" in text
    assert len(tolerance_json(tight, results)["cautions"]) == 2


def test_mistakes():
    wrong = {f"tolerance.{key}_percent": 1.0 for key in ("missing", "flipped", "swapped")}
    study = small(**wrong)
    results = tolerance(study)
    text = tolerance_text(study, results)
    assert max(map(len, text.splitlines())) <= 100
    assert "Missing, flipped, swapped    1 % missing," in text
    assert "of the variance is by missing, flipped, swapped;" in text
    row = tolerance_json(study, results)["sources"][-1]
    assert (row["source"], row["missing_percent"], row["swapped_percent"]) == ("mistakes", 1.0, 1.0)


def test_nothing_off_and_even_spread():
    nothing = {f"tolerance.{key}": 0.0 for key in (
        "remanence_batch_percent", "remanence_percent", "angle_deg", "size_mm", "position_mm",
        "play_mm", "tilt_deg", "eccentricity_mm", "off_centre_mm", "oval_mm", "airgap_mm",
        "temperature_k")}  # fmt: skip
    even = small(**(nothing | {"tolerance.distribution": "uniform", "tolerance.airgap_mm": 0.1}))
    text = tolerance_text(even, tolerance(even))
    assert "sources are uniform, all are within" in text
    assert [row[0] for row in table(text, "Source")] == ["Airgap"]
    still = small(**nothing)
    results = tolerance(still)
    assert "Nothing scatters" in tolerance_text(still, results)
    json_text(tolerance_json(still, results))
    tolerance_picture(still, results)


def test_unlike_phases_are_told():
    """Slots of one phase that stand together feel an off-centre shaft."""
    study = small(**{"stator.slots": 9, "rotor.pole_pairs": 4, "tolerance.off_centre_mm": 0.3})
    text = tolerance_text(study, tolerance(study))
    assert "Imbalance between phases [%]" in text
    assert "Back-EMF of phase C, peak [V s/rad]" in text
    assert "unbalance the phases" not in text


def test_json(scattered, single):
    study, found = scattered
    content = json.loads(json_text(tolerance_json(study, found)))
    counts = {"at_least", "at_most"}  # in the unit of the figure they bound
    for path in number_paths(content):
        named = [key for key in path if key.endswith(UNITS) or key in counts]
        assert named, path
    for f in OUTCOMES:
        one = found.sel(figure=f.name)
        for name, key in (("nominal", "design"), ("mean", "mean"), ("deviation", "deviation")):
            assert content[key][f.key] == pytest.approx(float(one[name]) * f.scale, rel=1e-8)
        told = content["mean_range_among_motors"][f.key]
        assert told == pytest.approx(float(one.joint_spread) * f.scale, rel=1e-8)
        for q, row in zip(found.percentile.values, content["percentiles"], strict=True):
            assert row["percentile"] == q
            expected = float(one.value.sel(percentile=q)) * f.scale
            assert row["value"][f.key] == pytest.approx(expected, rel=1e-8)
            low, high = row["value_low"][f.key], row["value_high"][f.key]
            # Of 300 rotors too few lie beyond the 1st and 99th percentile to bound it.
            assert low is None or low <= row["value"][f.key]
            assert high is None or row["value"][f.key] <= high
            assert (low is None) == (row["percentile"] == 1)
            assert (high is None) == (row["percentile"] == 99)
    assert [row["source"] for row in content["sources"]] == list(found.source.values)
    assert next(r for r in content["sources"] if r["source"] == "airgap")["limit_mm"] == 0.1
    assert content["yield_percent"] == pytest.approx(100 * float(found["yield"]), rel=1e-8)
    assert [row["figure"] for row in content["limits"]] == ["torque_constant_percent"] * 2
    assert content["phases_alike"] is True
    assert tolerance_json(*single)["yield_percent"] is None


def test_rotors_csv(scattered):
    _, found = scattered
    rows = list(csv.DictReader(io.StringIO(rotors_csv(found))))
    assert len(rows) == ROTORS
    assert list(rows[0]) == ["rotor", *(f.key for f in OUTCOMES), "kept"]
    for f in OUTCOMES:
        column = [float(row[f.key]) for row in rows]
        assert column == pytest.approx(found[f.name].values * f.scale, rel=1e-8)
    assert [row["kept"] == "yes" for row in rows] == found.kept.values.tolist()


def test_files(scattered, tmp_path):
    study, found = scattered
    paths = write_tolerance(tmp_path / "out", study, found)
    assert sorted(path.name for path in paths) == WRITTEN
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == WRITTEN
    with xr.open_dataset(tmp_path / "out/tolerance.nc", engine="h5netcdf") as kept:
        assert np.array_equal(kept["pull"].values, found["pull"].values)
        assert kept["pull"].attrs["units"] == "N"
        assert parse_study(kept.attrs["study"]) == study
    assert (tmp_path / "out/tolerance.png").stat().st_size > 20000


def test_picture_says_what_it_shows(scattered):
    study, found = scattered
    drawing = tolerance_picture(study, found)
    assert isinstance(drawing, Figure)
    histograms, bars = [drawing.axes[i] for i in (0, 1, 3, 4)], drawing.axes[2]
    assert all("[" in ax.get_xlabel() and ax.get_ylabel() == "Rotors" for ax in histograms)
    limits = [text.get_text() for text in histograms[0].texts]
    assert limits == ["5 %", "95 %", "at least", "at most"]
    x = [line.get_xdata()[0] for line in histograms[0].lines]
    assert x[-2:] == [98.0, 104.0]
    letters = {text.get_text()[0] for text in bars.texts}
    assert letters == {"T", "P", "B"}
    assert len(bars.get_yticklabels()) == found.sizes["source"]
    check_words(drawing)


@pytest.mark.usefixtures("no_pictures")
def test_command(run, file, tmp_path):
    out = tmp_path / "out"
    path = file(small(FAIR))
    code, text, messages = run("tolerance", path, "--rotors", "200", "--seed", "5", "--out", out)
    assert code == 0
    assert "200 rotors drawn, seed 5" in text
    assert messages.startswith(f"written to {out}: ")
    assert sorted(p.name for p in out.iterdir()) == WRITTEN
    assert (out / "tolerance.txt").read_text("utf-8").strip() == text.strip()
    code, printed, _ = run(
        "tolerance", "-", "--rotors", "200", "--seed", "5", "--json", stdin=path.read_text("utf-8")
    )
    assert code == 0
    assert json.loads(printed) == json.loads((out / "tolerance.json").read_text("utf-8"))


def test_exit_code_where_no_rotor_keeps_the_limits(run, file):
    code, text, _ = run("tolerance", file(small(HARSH)), "--rotors", "200")
    assert code == 3
    assert "NOT ONE ROTOR KEEPS THEM" in text
    assert "Yield: 0.0 % of rotors keep all limits, 0.0 to 1.8 %" in text


@pytest.mark.parametrize(
    "option", [("--rotors", "199"), ("--rotors", "200001"), ("--rotors", "many"), ("--seed", "-1")]
)
def test_wrong_options(option, run, file):
    code, out, messages = run("tolerance", file(small()), *option)
    assert (code, out) == (2, "")
    assert messages.startswith("Usage: arrayopt tolerance")
    assert option[0] in messages
    assert option[1] in messages


def test_unknown_limit_is_told(run, file, tmp_path):
    text = small().text + '[tolerance.limits]\n"magnetic_pull" = { at_most = 3.0 }\n'
    code, out, messages = run("tolerance", file(text), "--out", tmp_path / "out")
    assert (code, out) == (2, "")
    assert 'tolerance.limits."magnetic_pull"' in messages
    assert "magnetic_pull_n" in messages
    assert not (tmp_path / "out").exists()
