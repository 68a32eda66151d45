"""The as-built command: files simulated from the scan's own model, told, written, applied.

How well faults are found is tested beside the computation; here it is what a builder reads.
"""

import csv
import io
import json
import re
from dataclasses import replace
from math import degrees, nan, pi, radians, sqrt

import numpy as np
import pytest
from makers import make_study
from matplotlib.figure import Figure
from picture_words import check_words
from printed import number_paths, table

from arrayopt.evaluation import evaluate, load_study
from arrayopt.export.as_built_folder import write_as_built
from arrayopt.export.as_built_picture import as_built_picture, flag_levels
from arrayopt.export.as_built_results import as_built_json, magnets_csv
from arrayopt.export.as_built_tables import as_built_text, number_ranges
from arrayopt.export.as_built_words import findings, remanence_and_direction, scan_angle
from arrayopt.export.files import json_text
from arrayopt.layout.members import rotor_members
from arrayopt.machine import mean_turn
from arrayopt.measurement.as_built import as_built
from arrayopt.measurement.scan import scan_model
from arrayopt.study import parse_study

WRITTEN = ["as-built.json", "as-built.png", "as-built.svg", "as-built.txt", "magnets.csv"]
UNITS = ("_percent", "_mt", "_t", "_mm", "_deg", "_w", "_k", "_c", "_s", "_rpm", "_nm", "_per_w",
         "_per_rad")  # fmt: skip
UNITLESS = {"number", "found", "expected", "low", "high", "log_odds"}  # in a unit told beside
RPM = 800
NOISE = 1e-3  # T
BEFORE = "# A comment that must stay.\n"


@pytest.fixture(scope="module")
def study():
    """A motor of 28 magnets, quick to compute."""
    fill = {"main": 0.8, "transverse": 0.6}
    values = {"stator.slots": 12, "stator.slot_opening_mm": 3.0, "stator.tooth_width_mm": 6.0,
              "tolerance.rotors": 200}  # fmt: skip
    made = make_study(pole_pairs=7, diameter=60.0, fill=fill, kind="slotted", values=values)
    return parse_study(BEFORE + made.text)


@pytest.fixture(scope="module")
def model(study):
    return scan_model(study, radius=study.stator.surface_diameter_mm / 2e3, height=0.0)


@pytest.fixture(scope="module")
def computed(study):
    """Back-EMF constant and resistance of the study."""
    found = evaluate(study)
    return float(found.back_emf_constant[0]), float(found.resistance_cold[0])


@pytest.fixture
def measured(study, model, computed, tmp_path):
    """Write a study and files of a rotor built with faults; return their paths by name."""

    def write(*, faults=(), start="magnet 1", zero=0.0, span=360, flux=1.0, copper=1.0):
        count = len(model.members)
        rng = np.random.default_rng(4)
        u = np.zeros(len(model.variance))
        u[:count] = rng.normal(0, 0.005, count)
        for number, along, across in faults:
            u[number - 1] += along
            u[count + number - 1] += across
        angle = np.radians(np.arange(0, span, 1.0))
        expected, change = model.at(angle - radians(zero))
        read = flux * (expected + change @ u) + rng.normal(0, NOISE, len(angle))
        scan = f"# start = {start}\nangle_deg,flux_density_mt\n" + "".join(
            f"{degrees(a):.2f},{b * 1e3:.3f}\n" for a, b in zip(angle, read, strict=True)
        )
        constant, resistance = computed
        speed = RPM * pi / 30
        # Right magnets count for the back-EMF; wrong ones would leave less.
        sheet = (
            f"key,unit,found\nline_resistance,mohm,{2e3 * resistance * copper:.6g}\n"
            f"back_emf_rms,V,{flux * constant * speed / sqrt(2):.6g}\nspeed,rpm,{RPM}\n"
        )
        paths = {"study": tmp_path / "study.toml"}
        paths["study"].write_text(study.text, encoding="utf-8")
        for name, text in (("scan", scan), ("sheet", sheet)):
            paths[name] = tmp_path / f"{name}.csv"
            paths[name].write_text(text, encoding="utf-8")
        return paths

    return write


@pytest.fixture(scope="module")
def whole(study, model, tmp_path_factory):
    """A build with two faults, and files of every kind."""
    folder = tmp_path_factory.mktemp("whole")
    count, rng = len(model.members), np.random.default_rng(5)
    u = np.zeros(len(model.variance))
    u[5], u[16], u[count + 16] = -2.0, -1.0, 1.0
    angle = np.radians(np.arange(0, 360, 1.0))
    expected, change = model.at(-angle)
    read = expected + change @ u + rng.normal(0, NOISE, len(angle))
    texts = {
        "scan": "# direction = clockwise\nangle_deg,flux_density_mt\n" + "".join(
            f"{degrees(a):.2f},{b * 1e3:.3f}\n" for a, b in zip(angle, read, strict=True)),
        "emf": "time_s,line_ab_v\n" + "".join(
            f"{t:.5f},{4 * np.sin(7 * RPM * pi / 30 * t):.4f}\n" for t in np.arange(0, 0.1, 2e-4)),
        "cogging": "angle_deg,torque_mnm\n" + "".join(
            f"{a},{3 + 2 * np.cos(np.radians(12 * a)):.4f}\n" for a in range(0, 360, 3)),
        "loose": "magnet,family,remanence_t\n" + "".join(
            f"m{i},main,{1.0 if i == 3 else 1.30 + 0.001 * i}\n" for i in range(8)),
        "heat": "# current_a_rms = 3\n# ambient_c = 22\ntime_min,winding_c\n" + "".join(
            f"{m},{22 + 40 * (1 - np.exp(-m / 12)) + 0.1 * (m % 3 - 1):.3f}\n" for m in range(60)),
    }  # fmt: skip
    paths = []
    for name, text in texts.items():
        paths.append(folder / f"{name}.csv")
        paths[-1].write_text(text, encoding="utf-8")
    return as_built(study, paths)


def unfolded(text):
    """A text with its folded lines put together."""
    return re.sub(r"\n  (?=\S)", " ", text)


def test_good_build(run, measured):
    paths = measured()
    code, text, messages = run("as-built", paths["study"], paths["scan"], paths["sheet"])
    assert (code, messages) == (0, "")
    assert text.splitlines()[2] == "Agrees with the computation as far as it was measured."
    assert max(map(len, text.splitlines())) <= 100
    readings = {row[0]: row for row in table(text, "Reading")}
    assert all(row[5] == "yes" for row in readings.values())
    assert len(readings) == 3
    assert "Wrong magnets" not in text
    assert "Cautions" not in text


def test_flipped_magnet_is_named(run, measured, study):
    paths = measured(faults=[(6, -2.0, 0.0)], zero=10.0)
    code, text, _ = run("as-built", paths["study"], paths["scan"])
    member = rotor_members(study)[5]
    assert (member.family, member.north) == ("transverse", "clockwise")
    assert code == 3
    assert text.splitlines()[2] == "Does not agree with the computation:"
    assert (
        "- magnet 6 (transverse, north should point clockwise): the wrong way round, its north "
        "points anticlockwise"
    ) in unfolded(text)
    # Magnet 1 at 10 deg, five of 28 further on; the fit's start is good to a tenth of a degree.
    (where,) = re.findall(r"at ([\d.]+) deg of file 1", text)
    assert float(where) == pytest.approx(10 + 5 * 360 / 28, abs=0.3)
    assert "magnet 6: take it out and put it back the other way round" in text
    assert "A free pocket lets its neighbours jump" in text


def test_unknown_start_is_told(run, measured):
    paths = measured(start="unknown", zero=100.0)
    code, text, _ = run("as-built", paths["study"], paths["scan"])
    assert code == 0
    assert "where the scan starts is not known" in unfolded(text)


def test_half_scan(run, measured):
    paths = measured(span=181, faults=[(20, -1.0, 0.0)])
    code, printed, _ = run("as-built", paths["study"], paths["scan"], "--json")
    content = json.loads(printed)
    hidden = content["scans"][0]["magnets_out_of_sight"]
    # Magnet 20 stands at 244 deg, far from what was scanned: it must not be judged.
    assert code == 0
    assert 20 in hidden
    assert not {3, 4, 5, 6, 7, 8, 9, 10, 11, 12} & set(hidden)
    assert "Scan the whole turn, so that all magnets are judged." in content["next"]
    # Their uncertainties are those of the tolerances: nothing was learnt of them.
    magnets = content["scans"][0]["magnets"]
    assert [one["number"] for one in magnets if not one["seen"]] == hidden
    assert magnets[19]["remanence_standard_uncertainty_percent"] == pytest.approx(1, rel=0.02)
    code, text, _ = run("as-built", paths["study"], paths["scan"])
    assert f"out of sight, not judged: {number_ranges(hidden)}" in unfolded(text)


def test_readings_out_of_band_are_named(run, measured):
    paths = measured(copper=1.5)
    code, text, _ = run("as-built", paths["study"], paths["sheet"])
    assert code == 3
    first = unfolded(text).split("\n\n")[1].splitlines()
    assert first[1].startswith("- Line-to-line resistance: ")
    assert first[2].startswith("- Wire in one turn of a coil: ")
    assert first[2].endswith("outside the tolerances")
    rows = {row[0]: row for row in table(text, "Motor as built")}
    assert rows["Wire in one turn of a coil"][5] == "outside the tolerances"
    assert rows["Gain of the probe"][2:] == ["-", "-", "%", "not measured"]
    assert "Count turns, strands and paths" in unfolded(text)


def test_estimates_in_units_of_a_builder(run, measured, study):
    """Exact: 3 % less wire in every turn is 3 % less resistance; a tenth of that is its prior."""
    paths = measured(copper=0.97)
    code, printed, _ = run("as-built", paths["study"], paths["sheet"], "--json")
    rows = {row["name"]: row for row in json.loads(printed)["estimates"]}
    assert code == 0
    turn = mean_turn(study) * 1e3
    assert rows["copper"]["study_mm"] == pytest.approx(turn, rel=1e-8)  # nine digits shown
    assert rows["copper"]["found_mm"] == pytest.approx(0.97 * turn, rel=0.003)
    assert rows["copper"]["standing"] == "measured"
    grade = study.magnet_grade(study.rotor.grade)
    assert rows["remanence"]["study_t"] == pytest.approx(grade.remanence, rel=1e-8)
    assert rows["airgap"]["study_mm"] == 1.0
    # Without a scan nothing tells of the probe.
    assert rows["probe"]["standing"] == "not measured"


def test_json_agrees_with_the_text(whole):
    text, content = as_built_text(whole), json.loads(json_text(as_built_json(whole)))
    for path in number_paths(content):
        assert path[-1] in UNITLESS or any(key.endswith(UNITS) for key in path), path
    assert max(map(len, text.splitlines())) <= 100
    assert content["agrees"] is whole.agrees is False
    told = unfolded(text)
    for reason in content["reasons"] + content["next"]:
        assert f"- {reason}" in told
    rows = table(text, "Reading")
    cells = [row for row in rows if row[1]]  # without second lines of labels
    assert len(cells) == len(content["readings"]) == len(whole.readings)
    for row, reading in zip(cells, content["readings"], strict=True):
        # Four digits are printed.
        assert float(row[1]) == pytest.approx(reading["found"], rel=6e-4)
        assert float(row[2]) == pytest.approx(reading["expected"], rel=6e-4)
        assert row[5] == ("yes" if reading["agrees"] else "NO")
    scan = content["scans"][0]
    shared = {row[0]: row for row in table(text, "Scan of file 1")}
    assert float(shared["Level over the study's"][1]) == pytest.approx(
        scan["level_percent"], abs=0.051
    )
    assert [one["magnets"] for one in content["wrong_magnets"]] == [[6], [17]]
    # A clockwise scan counts the other way round: magnet 6 is 5 of 28 before a whole turn.
    places = content["wrong_magnets"][0]["places"][0]["angles_deg"]
    assert places == [pytest.approx(360 - 5 * 360 / 28, abs=0.3)]


def test_other_files_are_told(whole):
    """Independent: what the files were made with."""
    text = as_built_text(whole)
    kinds = [row[2] for row in table(text, "  File")]
    assert kinds == ["scan, 360 readings", "back-EMF, AB", "cogging, 120 readings",
                     "8 loose magnets", "heat run, 60 readings"]  # fmt: skip
    waves = {row[0]: row for row in table(text, "Cogging  ")}
    # 2 mN m and 3 mN m, printed to 0.01.
    assert float(waves["12 waves a turn, peak"][1]) == pytest.approx(2.0, abs=0.006)
    assert float(waves["mean: friction and iron loss"][1]) == pytest.approx(3.0, abs=0.006)
    (emf,) = table(text, "Back-EMF  ")
    assert float(emf[2]) == pytest.approx(4 / (RPM * pi / 30), rel=2e-3)  # printed to four digits
    heat = {row[0]: row for row in table(text, "Heat run of file 5")}
    (fit,) = whole.heats
    assert float(heat["Thermal resistance, winding to air"][1]) == pytest.approx(
        fit.thermal_resistance, abs=5e-4 + 1e-9
    )
    assert float(heat["Rise it settles at"][1]) == pytest.approx(40, abs=0.3)  # of readings
    assert "loose main magnet m3: far from the others of the bag" in text


def test_magnets_csv(whole):
    rows = list(csv.DictReader(io.StringIO(magnets_csv(whole))))
    assert [int(row["number"]) for row in rows] == list(range(1, 29))
    findings_by_number = {row["number"]: row["finding"] for row in rows if row["finding"]}
    assert findings_by_number == {"6": "flipped", "17": "turned anticlockwise"}
    # As the scan was made; a few uncertainties of a degree and a percent.
    for number, turn in (("6", 180), ("17", 90)):
        row = rows[int(number) - 1]
        assert abs(float(row["direction_off_deg"])) == pytest.approx(turn, abs=4)
        assert float(row["remanence_off_percent"]) == pytest.approx(0, abs=3)
    assert {row["seen"] for row in rows} == {"yes"}


def test_turned_and_missing_magnets_as_vectors(whole):
    """Derived: a quarter turn leaves all of the remanence, a missing magnet has no direction."""
    (fit,) = whole.scans
    pairs, spread = fit.magnets.copy(), fit.uncertain.copy()
    pairs[:4] = [(-1.0, 1.0), (-1.0, 0.0), (-0.3, 0.0), (0.0, -0.1)]
    spread[:4] = (0.01, 0.03)
    values, uncertain = remanence_and_direction(replace(fit, magnets=pairs, uncertain=spread))
    expected = [(0, pi / 2), (-1, nan), (-0.3, 0), (sqrt(1.01) - 1, -np.arctan(0.1))]
    # The radius has a floor of 1e-6.
    np.testing.assert_allclose(values[:4], expected, rtol=0, atol=2e-6)
    # Turned by a quarter, the two uncertainties change places; less remanence points worse.
    np.testing.assert_allclose(uncertain[[0, 2]], [(0.03, 0.01), (0.01, 0.03 / 0.7)], rtol=1e-9)


def test_angles_are_those_of_the_rows(whole):
    """A scan that begins at 400 deg has its magnets from there on."""
    (fit,) = whole.scans
    moved = replace(fit, scan=replace(fit.scan, angle=fit.scan.angle + radians(400)))
    for member in fit.model.members:
        assert 400 <= scan_angle(moved, member) < 760
        turns = (scan_angle(moved, member) - scan_angle(fit, member)) / 360
        assert turns == pytest.approx(round(turns), abs=1e-9)  # rounding of doubles


def test_ranges_of_numbers():
    assert number_ranges([4]) == "4"
    assert number_ranges([1, 2, 5, 6, 7, 9]) == "1, 2, 5 to 7, 9"


def test_flags_stand_in_lines_without_touching():
    # exact: by hand; words take 78 degrees, late ones stand to the left of their line
    assert flag_levels([]) == []
    assert flag_levels([0.0, 100.0, 200.0]) == [0, 0, 0]
    assert flag_levels([0.0, 10.0, 20.0, 90.0]) == [0, 1, 2, 0]
    assert flag_levels([210.0, 300.0]) == [0, 1]
    assert max(flag_levels([float(x) for x in range(30)])) == 3


def test_picture_says_what_it_shows(whole):
    drawing = as_built_picture(whole)
    assert isinstance(drawing, Figure)
    scan, left, remanence, direction, readings, loose, heat = drawing.axes
    flags = [text.get_text() for text in scan.texts]
    assert flags == ["6: the wrong way round", "17: quarter turn anticlockwise"]
    assert [line.get_label() for line in scan.lines if line.get_label()[0] != "_"] == [
        "expected", "fitted", "measured"]  # fmt: skip
    assert "mT" in left.get_ylabel()
    assert "%" in remanence.get_ylabel()
    assert {text.get_text().split(":")[0] for text in direction.texts} == {"6", "17"}
    assert len(readings.get_yticklabels()) == len(whole.readings)
    assert [text.get_text() for text in loose.texts] == ["m3"]
    assert "[K]" in heat.get_ylabel()
    # What is wrong stands above the curve.
    highest = max(
        float(np.max(line.get_ydata())) for line in scan.lines if line.get_label()[0] != "_"
    )
    assert all(text.xy[1] > highest for text in scan.texts)
    check_words(drawing)
    # Only what was measured is drawn.
    alone = replace(whole, scans=(), looses=(), heats=())
    assert len(as_built_picture(alone).axes) == 1
    assert not findings(alone)


@pytest.mark.usefixtures("no_pictures")
def test_files(run, measured, tmp_path, whole):
    paths, out = measured(), tmp_path / "out"
    code, text, messages = run("as-built", paths["study"], paths["scan"], "--out", out)
    assert code == 0
    assert messages.startswith(f"written to {out}: ")
    assert sorted(path.name for path in out.iterdir()) == WRITTEN
    assert (out / "as-built.txt").read_text("utf-8").strip() == text.strip()
    alone = replace(whole, scans=())
    names = [path.name for path in write_as_built(tmp_path / "alone", alone)]
    assert sorted(names) == [name for name in WRITTEN if name != "magnets.csv"]


def test_malformed_files_are_told_together(run, measured, tmp_path):
    paths = measured()
    lines = paths["scan"].read_text("utf-8").splitlines()
    lines[4] = "2.00,many"
    paths["scan"].write_text("\n".join(lines), encoding="utf-8")
    paths["sheet"].write_text("key,unit,found\nback_emf_mrs,V,3\n", encoding="utf-8")
    code, out, messages = run("as-built", paths["study"], paths["scan"])
    assert (code, out) == (2, "")
    assert f"{paths['scan']} line 5" in messages
    assert "'many'" in messages
    missing = tmp_path / "none.csv"
    code, out, messages = run("as-built", paths["study"], paths["scan"], missing)
    assert (code, out) == (2, "")
    assert f"{paths['scan']} line 5" in messages
    assert f"{missing} does not exist" in messages
    # Readable, but not of this motor: two files, both told.
    other = tmp_path / "other.csv"
    flat = "angle_deg,flux_density_mt\n" + "".join(f"{a},5\n" for a in range(360))
    other.write_text(flat, encoding="utf-8")
    short = tmp_path / "short.csv"
    short.write_text(
        "angle_deg,torque_mnm\n" + "".join(f"{a},1\n" for a in range(8)), encoding="utf-8"
    )
    code, out, messages = run("as-built", paths["study"], other, short)
    assert (code, out) == (2, "")
    assert f"{other}: no 7 pole pairs a turn" in messages
    assert f"{short}: cogging must be read over two slots" in messages
    code, out, messages = run("as-built", paths["study"], paths["sheet"])
    assert (code, out) == (2, "")
    assert f"{paths['sheet']} line 2: unknown reading; got 'back_emf_mrs'" in messages


@pytest.mark.parametrize(
    ("name", "factor", "rpm", "remedy"),
    [
        ("time_s", 1e3, RPM / 1e3, "rpm; is it time_ms? ("),
        ("time_ms", 1.0, RPM * 1e3, "rpm; is it time_s? ("),
        ("time_s", 1.0, None, "100 times that; check its unit"),
    ],
    ids=["milliseconds", "seconds", "volts"],
)
def test_back_emf_in_another_unit(name, factor, rpm, remedy, run, study, computed, tmp_path):
    # exact: the wave turns a thousand times too slowly or too fast, or its volts are too many
    speed = RPM * pi / 30
    peak = computed[0] * speed * (1 if rpm else 100)
    rows = [(t, peak * np.sin(7 * speed * t)) for t in np.arange(0, 0.1, 2e-4)]
    texts = [f"{name},line_ab_v,line_bc_v"]
    texts += [f"{t * factor:.9g},{v:.6g},{v:.6g}" for t, v in rows]
    file = tmp_path / "emf.csv"
    file.write_text("\n".join(texts), encoding="utf-8")
    (tmp_path / "study.toml").write_text(study.text, encoding="utf-8")
    code, out, messages = run("as-built", tmp_path / "study.toml", file)
    assert (code, out) == (2, "")
    assert messages.count(remedy) == len(messages.splitlines()) == (1 if rpm else 2)
    if rpm:
        told = float(re.search(r"speed would be (\S+) rpm", messages)[1])
        assert told == pytest.approx(rpm, rel=0.006)  # three digits are shown


def test_wrong_usage(run, measured):
    paths = measured()
    code, _, messages = run("as-built", paths["study"])
    assert code == 2
    assert "MEASURED..." in messages
    code, _, messages = run("as-built", "-", "-")
    assert code == 2
    assert "got - for both" in messages
    code, _, messages = run("as-built", paths["study"], paths["scan"], "--force")
    assert code == 2
    assert "give --apply FILE with it" in messages


def test_standard_input(run, measured):
    paths = measured()
    code, text, _ = run("as-built", paths["study"], "-", stdin=paths["sheet"].read_text("utf-8"))
    assert code == 0
    assert table(text, "  File")[0][1:] == ["standard input", "bench sheet, 3 found"]


def test_apply(run, measured, tmp_path, computed):
    """The study that is written evaluates nearer to what was measured."""
    flux, copper = 0.97, 1.03
    paths, target = measured(flux=flux, copper=copper), tmp_path / "built.toml"
    files = (paths["study"], paths["scan"], paths["sheet"])
    code, _, messages = run("as-built", *files, "--apply", target)
    assert code == 0
    assert f"written: {target}, with\n  " in messages
    assert "\n  winding.mean_turn_mm = " in messages
    assert target.read_text("utf-8").startswith(BEFORE)
    found = evaluate(load_study(target))
    again = float(found.back_emf_constant[0]) / computed[0], float(found.resistance_cold[0])
    # What is left is what the tolerances, taken as a reading of their own, hold back.
    assert again[0] == pytest.approx(flux, abs=0.01)
    assert again[1] / computed[1] == pytest.approx(copper, abs=0.004)
    before = target.read_bytes()
    code, out, messages = run("as-built", *files, "--apply", target)
    assert (code, out) == (2, "")
    assert messages == f"{target} is there already; give another name or --force\n"
    assert target.read_bytes() == before
    target.write_text("", encoding="utf-8")
    code, _, _ = run("as-built", *files, "--apply", target, "--force")
    assert code == 0
    assert target.read_bytes() == before


def test_nothing_to_apply(run, measured, tmp_path):
    paths, target = measured(), tmp_path / "built.toml"
    file = tmp_path / "cogging.csv"
    rows = (f"{a},{np.cos(np.radians(12 * a)):.4f}\n" for a in range(0, 360, 3))
    file.write_text("angle_deg,torque_mnm\n" + "".join(rows), encoding="utf-8")
    code, _, messages = run("as-built", paths["study"], file, "--apply", target)
    assert code == 0
    assert messages.startswith(f"{target} not written: nothing was measured")
    assert not target.exists()


def test_cogging_past_what_unequal_magnets_make_is_told_but_no_fault(run, measured, tmp_path):
    """A perfect ring cogs too, by an amount that only `confirm` computes."""
    paths = measured()
    sheet = tmp_path / "cogging-sheet.csv"
    sheet.write_text("key,unit,found\ncogging_peak,mN m,5000\n", encoding="utf-8")
    code, out, _ = run("as-built", paths["study"], paths["scan"], sheet)
    assert code == 0
    assert "not judged" in out
    assert "which `arrayopt confirm` computes" in unfolded(out)
    code, out, _ = run("as-built", paths["study"], paths["scan"], sheet, "--json")
    agrees = {row["key"]: row["agrees"] for row in json.loads(out)["readings"]}
    assert (code, agrees["cogging_peak"]) == (0, None)
