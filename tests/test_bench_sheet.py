"""The bench sheet: expected readings by other roads, files to fill in and read back."""

from __future__ import annotations

import csv
import io
import json
from math import pi, sqrt
from pathlib import Path

import magpylib as magpy
import numpy as np
import pytest
import xarray as xr
from disturbed_array import disturbed_array, stack_mean_waves
from makers import make_study
from whole_array import whole_array

from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate, load_study
from arrayopt.export.bench_sheet import bench_sheet, bench_sheet_text, sheet_of, templates
from arrayopt.export.bench_sheet_folder import bench_sheet_picture, write_bench_sheet
from arrayopt.layout.members import first_place
from arrayopt.machine import phase_emf, phase_resistance
from arrayopt.materials import magnet_grade
from arrayopt.measurement.as_built import as_built
from arrayopt.measurement.expected import (
    bench_speed,
    expected_emf,
    expected_readings,
    expected_scan,
)
from arrayopt.measurement.files import read_measured
from arrayopt.measurement.records import HeatRun, Loose, Scan
from arrayopt.measurement.scan import bare_field
from arrayopt.quantities import MU0
from arrayopt.study import parse_study, revised_text, starter_text

RPM = pi / 30


def scatter_of(share, cogging=(0.0, 0.0)):
    """Figures of rotors between two values, evenly spread."""
    return xr.Dataset({
        "torque_share": ("rotor", np.linspace(*share, 101)),
        "cogging_slots": ("rotor", np.linspace(*cogging, 101)),
        "cogging_twice": ("rotor", np.zeros(101)),
    })  # fmt: skip


def by_key(study, **more):
    return {one.key: one for one in expected_readings(study, evaluate(study), **more)}


@pytest.fixture(scope="module")
def star():
    return make_study(pole_pairs=14, kind="slotted", fill=0.5)


@pytest.fixture(scope="module")
def results(star):
    return evaluate(star)


@pytest.fixture(scope="module")
def readings(star, results):
    scatter = scatter_of((0.9, 1.1), (0.0, 0.02))
    found = expected_readings(star, results, speed_rpm=800.0, scatter=scatter)
    return {one.key: one for one in found}


@pytest.fixture(scope="module")
def sheet():
    study = parse_study(starter_text())
    return sheet_of(study, evaluate(study), scatter_of((0.95, 1.05), (1e-3, 1e-2)))


# Readings


def line_amplitudes(study, results):
    """Amplitudes of the line's waveform over speed by order [V s/rad], by hand.

    Of two phases a third of a turn apart orders of three vanish and all others are the root of
    three of a phase's; a delta's line is a phase.
    """
    order = results["harmonic"].values
    phase = order * study.rotor.pole_pairs * results["linkage"][0].values
    kept = np.where(order % 3 == 0, 0.0, phase)
    return np.abs(kept) * (1 if study.winding.connection == "delta" else sqrt(3))


def test_back_emf_by_hand(star, results, readings):
    """Independent: rms of the harmonics one by one; the plain meter's mean by a fine sum."""
    amplitude = line_amplitudes(star, results) * 800 * RPM
    rms = sqrt((amplitude**2).sum() / 2)
    assert readings["back_emf_rms"].value == pytest.approx(rms, rel=1e-9)
    # Orders of this waveform are odd but for slots; the third is what tells it from a sine wave.
    assert readings["back_emf_peak"].value != pytest.approx(rms * sqrt(2), rel=1e-4)
    turn = np.linspace(0, 2 * pi, 100_001)[:-1]
    p, order, linkage = 14, results["harmonic"].values, results["linkage"][0].values
    wave = sum(
        m * p * flux * (np.sin(m * turn) - np.sin(m * (turn - 2 * pi / 3)))
        for m, flux in zip(order, linkage, strict=True)
    ) * (800 * RPM)
    # Peaks between the samples of 1/4 degree: 15 orders leave 1e-4.
    assert readings["back_emf_peak"].value == pytest.approx(np.abs(wave).max(), rel=1e-4)
    meter = np.abs(wave).mean() * pi / (2 * sqrt(2))
    assert readings["back_emf_meter"].value == pytest.approx(meter, rel=1e-4)
    assert readings["back_emf_rms"].value != pytest.approx(meter, rel=2e-5)


def test_plain_meter_is_right_for_a_sine_wave(star, results):
    """Exact: a meter that averages is calibrated for one."""
    one = results.copy(deep=True)
    one["linkage"][0, 1:] = 0.0
    found = {r.key: r.value for r in expected_readings(star, one)}
    assert found["back_emf_meter"] == pytest.approx(found["back_emf_rms"], rel=1e-5)
    assert found["back_emf_peak"] == pytest.approx(sqrt(2) * found["back_emf_rms"], rel=1e-5)


def test_star_and_delta(star, results, readings):
    """Independent: resistors and inductors in series and side by side."""
    R, L = phase_resistance(star, 20.0), float(results["inductance"][0])
    delta = by_key(star.with_values({"winding.connection": "delta"}))
    for found, share in ((readings, 2.0), (delta, 1 / (1 + 1 / 2))):
        assert found["line_resistance"].value == pytest.approx(share * R * 1e3, rel=1e-9)
        assert found["line_inductance"].value == pytest.approx(share * L * 1e3, rel=1e-9)
    rms = readings["back_emf_rms"].value / 800
    assert delta["back_emf_rms"].value / 1000 == pytest.approx(rms / sqrt(3), rel=1e-9)


@pytest.mark.parametrize("connection", ["star", "delta"])
def test_holding_torque_by_power(connection, star, results):
    """Independent: currents of the phases times their back-EMF, over speed, largest of a turn."""
    study = star.with_values({"winding.connection": connection})
    found = {r.key: r.value for r in expected_readings(study, results)}
    currents = (1, -1, 0) if connection == "star" else (2 / 3, -1 / 3, -1 / 3)
    order, linkage = results["harmonic"].values, results["linkage"][0].values[:, None]
    turn = np.linspace(0, 2 * pi, 1441)
    torque = sum(
        i * phase_emf(linkage, order, order[:, None] * 14, turn - k * 2 * pi / 3)[:, 0]
        for k, i in enumerate(currents)
    )
    assert found["holding_torque"] == pytest.approx(np.abs(torque).max(), rel=1e-6)


def test_bands(readings, results, star):
    for key in ("back_emf_peak", "back_emf_rms", "back_emf_meter", "holding_torque"):
        one = readings[key]
        assert (one.low / one.value, one.high / one.value) == pytest.approx((0.902, 1.098))
    one = readings["no_load_speed"]
    assert (one.value / one.high, one.value / one.low) == pytest.approx((0.902, 1.098))
    one = readings["cogging_peak"]
    assert (one.low, one.value, one.high) == pytest.approx((0.2, 10.0, 19.8))  # mN m
    plain = {r.key: r for r in expected_readings(star, results)}
    assert "cogging_peak" not in plain
    grade, one = magnet_grade("N42SH"), plain["back_emf_rms"]
    assert one.high / one.value == pytest.approx(grade.remanence_max / grade.remanence)


def test_conditions_are_rows(readings):
    values = [readings[k].value for k in ("speed", "magnet_temperature", "winding_temperature")]
    assert values == [800.0, 20.0, 20.0]
    assert readings["frequency"].value == pytest.approx(800 / 60 * 14)
    assert readings["rotor_mass"].unit == "g"


def test_no_cogging_without_slots():
    study = make_study(pole_pairs=10)
    assert "cogging_peak" not in by_key(study, scatter=scatter_of((0.9, 1.1), (0, 1e-3)))


@pytest.mark.parametrize(
    ("pole_pairs", "speed"), [(1, 1000), (14, 1000), (24, 1000), (25, 950), (28, 850), (120, 200)]
)
def test_speed_that_meters_follow(pole_pairs, speed):
    """Round, and at most 400 Hz."""
    study = make_study(pole_pairs=10)
    rotor = study.rotor.model_copy(update={"pole_pairs": pole_pairs})
    assert bench_speed(study.model_copy(update={"rotor": rotor})) == speed
    assert speed / 60 * pole_pairs <= 400


# Curves


def polarisations(study):
    field = bare_field(study)
    names = [family.name for family in field.layout.families]
    return dict(zip(names, field.polarisation[:, 0], strict=True)), field.layout


def test_polarisation_of_the_bare_rotor():
    """Independent: magpylib's H in a magnet among the others gives its recoil back."""
    study = make_study(pole_pairs=10, kind="slotted", fill=0.7)
    J, _ = polarisations(study)
    grade = magnet_grade("N42SH")
    magnets = disturbed_array(study, J, {})
    for k, name in ((0, "main"), (1, "transverse")):
        one = magnets[k]
        u, w = np.polynomial.legendre.leggauss(6)
        grid = np.stack(np.meshgrid(u, u, u, indexing="ij"), axis=-1).reshape(-1, 3)
        weight = np.einsum("i,j,k->ijk", w, w, w).ravel() / 8
        points = one.orientation.apply(grid * np.array(one.dimension) / 2) + one.position
        H = weight @ one.orientation.inv().apply(magnets.getH(points))
        own = np.array(one.polarization) / np.linalg.norm(one.polarization)
        expected = grade.remanence + (grade.recoil_permeability - 1) * MU0 * (H @ own)
        # Few points stand for a magnet's volume in the package.
        assert J[name] == pytest.approx(expected, rel=1e-3)
        assert J[name] < 0.999 * grade.remanence


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("off", [0.0, 0.8e-3])
def test_scan_of_blocks(position, off):
    """Independent: every magnet in magpylib, sampled all round, some way above the middle."""
    study = make_study(position=position, pole_pairs=7, diameter=60.0, fill=0.7, kind="slotted",
                       values={"stator.slots": 12})  # fmt: skip
    J, layout = polarisations(study)
    radius = 30e-3 + (-off if position == "outer" else off)
    # One Gauss plane of a stack stands a quarter of it above the middle.
    waves = stack_mean_waves(
        disturbed_array(study, J, {}), radius=radius, stack=12e-3, waves=400, samples=2048, planes=1
    )
    angle, flux = expected_scan(study, radius=radius, height=3e-3)
    assert angle[:2] == pytest.approx([0, 1])
    assert len(angle) == 360
    turned = np.radians(angle) + 2 * pi * first_place(layout) / 28
    theirs = (np.exp(1j * np.outer(turned, np.arange(1, 401))) @ waves).real
    # Waves past 400 a turn and magpylib's sampling leave 1e-4 of the peak.
    np.testing.assert_allclose(flux, theirs, atol=5e-4 * np.abs(theirs).max(), rtol=0)
    # Magnet 1 is a main magnet with north towards the stator.
    assert flux[0] * (-1 if position == "outer" else 1) > 0.1


def test_scan_of_arcs():
    study = make_study(pole_pairs=7, diameter=60.0, shape="arc", magnets_per_pole_pair=2,
                       fill=0.8, kind="slotted", values={"stator.slots": 12})  # fmt: skip
    J, layout = polarisations(study)
    magnets = whole_array(study)
    for one in magnets:
        one.polarization = np.array(one.polarization) / magnet_grade("N42SH").remanence * J["main"]
    angle, flux = expected_scan(study, radius=30e-3, height=0.0)
    turned = np.radians(angle) + 2 * pi * first_place(layout) / 14
    out = np.stack([np.cos(turned), np.sin(turned), 0 * turned], axis=1)
    theirs = (magnets.getB(out * 30e-3) * out).sum(axis=1)
    # Arcs are thin lines in the kernel.
    np.testing.assert_allclose(flux, theirs, atol=2e-3 * np.abs(theirs).max(), rtol=0)


@pytest.mark.parametrize("height", [0.0, 3.5e-3])
def test_scan_of_a_skewed_rotor(height):
    """Independent: three short rotors in magpylib, each turned against the last."""
    values = {"stator.slots": 12, "rotor.skew_steps": 3, "rotor.skew_step_deg": 4.0}
    study = make_study(pole_pairs=7, diameter=60.0, kind="slotted", values=values)
    J, layout = polarisations(study)
    one = study.with_values({"rotor.skew_steps": 1, "rotor.length_mm": 4.0})
    rows = magpy.Collection()
    for row in range(3):
        part = disturbed_array(one, J, {})
        part.rotate_from_angax(4.0 * row, "z", anchor=0)
        part.move((0, 0, (row - 1) * 4e-3))
        rows.add(part)
    angle, flux = expected_scan(study, radius=30e-3, height=height)
    turned = np.radians(angle) + 2 * pi * first_place(layout) / 28
    out = np.stack([np.cos(turned), np.sin(turned), 0 * turned], axis=1)
    points = out * 30e-3 + [0, 0, height]
    theirs = (rows.getB(points) * out).sum(axis=1)
    np.testing.assert_allclose(flux, theirs, atol=1e-3 * np.abs(theirs).max(), rtol=0)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_scan_before_a_steel_ring(position):
    """Independent of the waves of single magnets: the kernel's harmonics of a very short stack."""
    values = {"stator.slots": 12, "rotor.steel_ring_mm": 1.5}
    study = make_study(position=position, pole_pairs=7, diameter=60.0, kind="slotted",
                       values=values)  # fmt: skip
    angle, flux = expected_scan(study, radius=30e-3, height=0.0)
    found = (np.exp(-7j * np.radians(angle)) @ flux) * 2 / len(angle)
    field = bare_field(study.varied({"stator.stack_mm": 0.01}))
    harmonic = float(field.harmonics_at(np.array([30e-3]))[0, 0])
    # Both read the ring's field a little off the magnets.
    assert abs(found) == pytest.approx(abs(harmonic), rel=3e-3)
    bare = study.with_values({"rotor.steel_ring_mm": 0.0})
    without = np.abs(expected_scan(bare, radius=30e-3, height=0.0)[1]).max()
    assert np.abs(flux).max() > 1.05 * without


def test_flux_over_main_is_the_scan(star, readings):
    _, flux = expected_scan(star, radius=41e-3, height=0.0)
    assert readings["flux_over_main"].value == pytest.approx(abs(flux[0]) * 1e3, rel=1e-9)


@pytest.mark.parametrize("pole_pairs", [4, 14, 16, 40])
def test_steps_of_a_scan_are_round_and_fine(pole_pairs):
    study = make_study(pole_pairs=pole_pairs, magnets_per_pole_pair=2, values={"stator.slots": 12})
    angle, _ = expected_scan(study, radius=41e-3, height=0.0)
    step = angle[1]
    assert step in {1.0, 0.5, 0.25, 0.2}
    assert len(angle) * step == pytest.approx(360)
    assert 360 / pole_pairs / step >= 24


def test_scan_where_there_is_no_room():
    study = make_study(pole_pairs=10, values={"rotor.steel_ring_mm": 1.5})
    for radius in (43e-3, 60e-3):
        with pytest.raises(StudyError, match="radius_mm must be"):
            expected_scan(study, radius=radius, height=0.0)


def test_back_emf_curve(star, results, readings):
    angle, volts = expected_emf(star, speed_rpm=800.0)
    assert angle[-1] == 360
    amplitude = line_amplitudes(star, results)[0] * 800 * RPM
    turn = np.radians(angle) * 14
    columns = np.array([np.sin(turn), np.cos(turn)]).T
    found = np.linalg.lstsq(columns, volts, rcond=None)[0]
    # Other orders are not quite square to the fundamental on steps that are no part of it.
    assert np.hypot(*found) == pytest.approx(amplitude, rel=3e-3)
    assert np.abs(volts).max() <= readings["back_emf_peak"].value * (1 + 1e-9)


# Files


@pytest.fixture
def written(sheet, tmp_path, request):
    request.getfixturevalue("no_pictures")
    write_bench_sheet(tmp_path, sheet)
    return tmp_path


def filled(path, blank, expected, settings=()):
    """Fill a file's empty column, from another one or by a rule; returns what was written."""
    lines = path.read_text("utf-8").splitlines()
    head = [line for line in lines if line.startswith("#")]
    for name, value in settings:
        head = [f"# {name} = {value}" if line == f"# {name} =" else line for line in head]
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    place, found = rows[0].index(blank), []
    for row in rows[1:]:
        assert not row[place]
        row[place] = row[rows[0].index(expected)] if isinstance(expected, str) else expected(row)
        found.append(float(row[place]))
    with path.open("w", encoding="utf-8", newline="") as file:
        file.writelines(f"{line}\n" for line in head)
        csv.writer(file).writerows(rows)
    return np.array(found)


def test_sheet_is_read_back(written, sheet):
    path = written / "bench-sheet.csv"
    filled(path, "found", "expected")
    (read,) = read_measured([path])
    assert list(read.found) == [one.key for one in sheet.readings]
    for one in sheet.readings:
        assert read.found[one.key] == pytest.approx(one.value, rel=1e-5)
        assert read.units[one.key] == one.unit


def test_scan_is_read_back(written, sheet):
    path = written / "scan.csv"
    filled(path, "flux_density_mt", "expected_flux_density_mt")
    (read,) = read_measured([path])
    assert isinstance(read, Scan)
    np.testing.assert_allclose(np.degrees(read.angle), sheet.scan[0], atol=1e-9, rtol=0)
    np.testing.assert_allclose(read.flux, sheet.scan[1], atol=1e-6, rtol=0)
    assert (read.radius, read.height) == (pytest.approx(sheet.radius), 0.0)
    assert (read.start, read.clockwise, read.skipped) == ("magnet 1", False, 0)


def test_back_emf_is_read_back(written, sheet):
    path = written / "emf.csv"
    filled(path, "line_ab_v", "expected_line_ab_v")
    (read,) = read_measured([path])
    np.testing.assert_allclose(read.volts["ab"], sheet.emf[1], atol=1e-4, rtol=0)
    np.testing.assert_allclose(np.degrees(read.angle), sheet.emf[0], atol=1e-9, rtol=0)
    assert read.speed == pytest.approx(sheet.speed_rpm * RPM)


def test_cogging_is_read_back(written):
    path = written / "cogging.csv"
    torque = filled(path, "torque_mnm", lambda row: f"{np.sin(float(row[0])):.3f}")
    (read,) = read_measured([path])
    np.testing.assert_allclose(read.torque, torque * 1e-3, atol=1e-12, rtol=0)
    assert np.degrees(np.ptp(read.angle)) == pytest.approx(359)


def test_loose_magnets_are_read_back(written, sheet):
    path = written / "loose.csv"
    values = filled(path, "reading_mt", "expected_mt")
    (read,) = read_measured([path])
    assert isinstance(read, Loose)
    assert len(set(read.labels)) == len(read.labels) == sum(p.ordered for p in sheet.order.pieces)
    assert {label[0]: f for label, f in zip(read.labels, read.families, strict=True)} == {
        "M": "main", "T": "transverse"
    }  # fmt: skip
    np.testing.assert_allclose(read.values, values * 1e-3, rtol=1e-9)
    main = sheet.order.pieces[0].readings[0]
    assert read.values[0] == pytest.approx(main.expected, rel=1e-5)
    assert read.distance == pytest.approx(1e-3)


def test_arcs_with_north_inwards_have_labels_of_their_own():
    study = make_study(pole_pairs=5, shape="arc", magnets_per_pole_pair=2,
                       values={"order.spares_percent": 10.0})  # fmt: skip
    sheet = sheet_of(study, evaluate(study), None)
    rows = templates(sheet)["loose.csv"](sheet).splitlines()
    rows = [row.split(",") for row in rows if not row.startswith("#")][1:]
    assert [row[0] for row in rows] == [f"M{i}" for i in range(1, 13)]
    assert all(float(row[2]) > 0 for row in rows)
    assert "cogging.csv" not in templates(sheet)


def test_heat_run_is_read_back(written):
    path = written / "heat-run.csv"
    settings = ("current_a_rms", "4.5"), ("ambient_c", "21")
    filled(path, "winding_c", lambda row: f"{21 + float(row[0]) / 4:g}", settings)
    (read,) = read_measured([path])
    assert isinstance(read, HeatRun)
    assert (read.current, read.ambient) == (4.5, 21.0)
    assert read.time[1] == pytest.approx(60)
    assert read.winding[1] == pytest.approx(21.25)


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("bench-sheet.csv", "at least 1 row with a value of found; got 0; fill in what was found"),
        ("scan.csv", "a scan needs at least 8 rows with a value of flux_density_mt; got 0"),
        ("emf.csv", "back-EMF needs at least 8 rows with a value of line_ab_v; got 0"),
        ("cogging.csv", "cogging needs at least 8 rows with a value of torque_mnm; got 0"),
        ("loose.csv", "loose magnets needs at least 2 rows with a value of reading_mt; got 0"),
        ("heat-run.csv", "current_a_rms has no value; give it one"),
    ],
)
def test_empty_files_say_so(name, told, written):
    with pytest.raises(StudyError) as fault:
        read_measured([written / name])
    assert told in str(fault.value)
    assert all(line.startswith(str(written / name)) for line in fault.value.faults)


def test_readings_are_not_written_over(written, sheet):
    write_bench_sheet(written, sheet)  # blank ones are
    for name, blank in (("scan.csv", "flux_density_mt"), ("loose.csv", "reading_mt")):
        filled(written / name, blank, lambda row: "1" if row[0] in {"7", "M7"} else "0")
    (written / "emf.csv").write_text("time_s;phase_a_v\n0;1,5\n", encoding="utf-8")
    before = {path: path.read_bytes() for path in written.iterdir()}
    with pytest.raises(StudyError) as fault:
        write_bench_sheet(written, sheet)
    assert [line.split(" holds readings")[0] for line in fault.value.faults] == [
        str(written / name) for name in ("scan.csv", "emf.csv", "loose.csv")
    ]
    assert {path: path.read_bytes() for path in written.iterdir()} == before


def test_text_and_picture(sheet):
    text = bench_sheet_text(sheet)
    for one in sheet.readings:
        assert one.label in text
    assert text.count("________  ") >= len(sheet.readings)
    for part in ("guard", "implanted", "hot enough", "generator", "Local codes".lower()):
        assert part in text
    assert max(len(line) for line in text.split("Files to fill in")[0].splitlines()) <= 120
    scan, emf = bench_sheet_picture(sheet).axes
    assert "[mT]" in scan.get_ylabel()
    assert "[V]" in emf.get_ylabel()
    assert "[°]" in scan.get_xlabel()
    assert emf.get_xlabel() == "Angle of the shaft [°]"
    line = scan.lines[1]
    angle, flux = line.get_data()
    assert flux[np.flatnonzero(angle == 0)[0]] == pytest.approx(sheet.scan[1][0] * 1e3)
    assert flux[np.flatnonzero(angle == -5)[0]] == pytest.approx(sheet.scan[1][-5] * 1e3)


def test_words_of_the_picture_keep_to_their_axes(sheet):
    """Numbers stand clear of the frame, labels on the sheet, and two waves fill the right side."""
    drawing = bench_sheet_picture(sheet)
    drawing.draw_without_rendering()
    scan, emf = drawing.axes
    assert len(scan.texts) >= 3
    for text in scan.texts:
        box = text.get_window_extent()
        assert scan.bbox.x0 + 2 < box.x0
        assert box.x1 < scan.bbox.x1 - 2
    for ax in drawing.axes:
        for label in (ax.xaxis.label, ax.yaxis.label):
            box = label.get_window_extent()
            assert drawing.bbox.x0 <= box.x0
            assert box.x1 <= drawing.bbox.x1
    # exact: two electrical periods of the shaft
    assert emf.get_xlim() == pytest.approx((0, 2 * 360 / sheet.study.rotor.pole_pairs))


def test_notes_on_frequency(sheet):
    study, results = sheet.study, evaluate(sheet.study)
    fast = bench_sheet_text(sheet_of(study, results, None, speed_rpm=2000.0))
    assert "At 2000 rpm the back-EMF has 466.7 Hz" in fast
    assert "turn slower, at 1000 rpm" in fast
    slow = bench_sheet_text(sheet_of(study, results, None, speed_rpm=100.0))
    assert "A hand drill does 300 to 1500 rpm" in slow
    assert "Hz: many plain" not in bench_sheet_text(sheet)


# The command


@pytest.fixture
def study_file(tmp_path):
    text = revised_text(starter_text(), {"tolerance.rotors": 200})
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.usefixtures("no_pictures")
def test_command(run, study_file, tmp_path):
    out = tmp_path / "out"
    code, told, messages = run("bench-sheet", study_file, "--json", "--rpm", 600, "--radius", 40.5,
                               "--out", out)  # fmt: skip
    assert code == 0
    content = json.loads(told)
    assert content["speed_rpm"] == 600
    assert content["scan"]["radius_mm"] == 40.5
    assert "Back-EMF at 600 rpm, rms" in {row["reading"] for row in content["readings"]}
    assert {row["key"] for row in content["readings"]} >= {"cogging_peak", "back_emf_meter"}
    names = set(messages.split(": ")[1].strip().split(", "))
    assert names == {path.name for path in out.iterdir()}
    assert "# radius_mm = 40.5" in (out / "scan.csv").read_text("utf-8")
    assert "# speed_rpm = 600" in (out / "emf.csv").read_text("utf-8")


@pytest.mark.parametrize(
    ("option", "told"),
    [
        (("--rpm", "0"), "Invalid value for '--rpm'"),
        (("--rpm", "nan"), "Invalid value for '--rpm'"),
        (("--radius", "-3"), "Invalid value for '--radius'"),
        (("--radius", "43"), "the scan: radius_mm must be outside the magnets"),
    ],
)
def test_wrong_options(option, told, run, study_file):
    code, out, messages = run("bench-sheet", study_file, *option)
    assert (code, out) == (2, "")
    assert told in messages


@pytest.mark.parametrize("name", ["ankle", "pan", "wrist"])
def test_filled_in_with_what_is_expected_it_agrees(name, tmp_path):
    """Every file that the sheet writes, filled in, is read back; nothing is wrong then."""
    study = load_study(Path(__file__).parents[1] / "studies" / name / "study.toml")
    study = study.varied({"tolerance.rotors": 400})
    write_bench_sheet(tmp_path, bench_sheet(study))
    files = []
    for file in ("bench-sheet.csv", "scan.csv", "emf.csv", "loose.csv"):
        path = tmp_path / file
        lines = path.read_text("utf-8").splitlines()
        head = next(i for i, line in enumerate(lines) if not line.startswith("#"))
        rows = list(csv.DictReader(lines[head:]))
        names = list(rows[0])
        found = "found" if "found" in names else names[-1]
        source = next(n for n in names if n.startswith("expected"))
        for row in rows:
            row[found] = row[source]
        out = io.StringIO()
        writer = csv.DictWriter(out, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        path.write_text("\n".join(lines[:head]) + "\n" + out.getvalue(), "utf-8")
        files.append(path)
    found = as_built(study, files)
    assert found.agrees
    assert found.wrong == ()
    assert len(found.readings) > 8
    level = next(one for one in found.estimates if one.name == "linkage")
    assert level.change == pytest.approx(0, abs=5e-3)
