"""Reading what was measured on a finished motor. Every file here is invented."""

from __future__ import annotations

import io
import sys
from dataclasses import fields
from math import pi
from pathlib import Path

import numpy as np
import pytest

from arrayopt.errors import StudyError
from arrayopt.measurement.columns import KINDS, UNITS, names_of
from arrayopt.measurement.files import (
    Cogging,
    Emf,
    HeatRun,
    Loose,
    Scan,
    Sheet,
    read_measured,
)
from arrayopt.study import table

ANGLES = np.arange(0.0, 360.0, 30.0)
MILLITESLAS = 250.0 * np.cos(np.radians(4 * ANGLES)) + 1.5
ROUNDING = 1e-12  # the file has every digit; what is left is the product with a unit


def lines_of(header, *columns):
    rows = [
        ",".join("" if c is None else str(c) for c in row) for row in zip(*columns, strict=True)
    ]
    return "\n".join([header, *rows]) + "\n"


SCAN = lines_of("angle_deg,flux_density_mt", ANGLES, MILLITESLAS)
EMF = "# speed_rpm = 300\n" + lines_of(
    "angle_deg,line_ab_v,line_bc_v", ANGLES, np.sin(ANGLES), np.cos(ANGLES)
)
COGGING = lines_of("angle_deg,torque_mnm", ANGLES, np.sin(ANGLES))
HEAT = "# current_a_rms = 8\n" + lines_of("time_min,winding_c", [0, 1, 2, 4], [21, 30, 37, 47])
LOOSE = lines_of(
    "magnet,family,reading_mt", ["m1", "m2", "t1"], ["main"] * 2 + [""], [310, 305, 99]
)
SHEET = (
    "key,reading,expected,low,high,unit,found,how\n"
    'emf,"Back-EMF, peak",12.1,11.4,12.8,V,11.8,"scope, warm"\n'
    "mass,Rotor,120,116,124,g,,scales\n"
    "speed,No-load speed,400,380,420,rpm,402,drive\n"
)
EVERY = {"scan": SCAN, "emf": EMF, "cogging": COGGING, "heat": HEAT, "loose": LOOSE, "sheet": SHEET}


def write(folder, content, name="m.csv"):
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def read(folder, content):
    (measured,) = read_measured([write(folder, content)])
    return measured


def told(folder, content):
    """Faults of one file, without its path."""
    with pytest.raises(StudyError) as fault:
        read(folder, content)
    path = str(folder / "m.csv")
    assert all(line.startswith(path) for line in fault.value.faults)
    return [line.removeprefix(path).lstrip() for line in fault.value.faults]


def same(one, other):
    assert type(one) is type(other)
    for f in fields(one):
        a, b = getattr(one, f.name), getattr(other, f.name)
        pairs = [(a[k], b[k]) for k in a | b] if isinstance(a, dict) else [(a, b)]
        for x, y in pairs:
            if isinstance(x, np.ndarray):
                np.testing.assert_allclose(x, y, rtol=ROUNDING, atol=0)
            else:
                assert x == y, f.name


# What is read


def test_scan(tmp_path):
    # exact
    settings = "# radius_mm = 41.5\n# height_mm = -3\n# start = Unknown\n# direction = clockwise\n"
    scan = read(tmp_path, settings + SCAN)
    assert isinstance(scan, Scan)
    assert (scan.path, scan.skipped) == (str(tmp_path / "m.csv"), 0)
    assert (scan.radius, scan.height) == pytest.approx((0.0415, -0.003), rel=ROUNDING)
    assert (scan.start, scan.clockwise) == ("unknown", True)
    np.testing.assert_allclose(scan.angle, np.radians(ANGLES), rtol=ROUNDING)
    np.testing.assert_allclose(scan.flux, MILLITESLAS / 1000, rtol=ROUNDING)


def test_scan_without_settings(tmp_path):
    scan = read(tmp_path, SCAN)
    assert (scan.radius, scan.height, scan.start, scan.clockwise) == (None, 0, "magnet 1", False)


def test_emf_against_an_angle(tmp_path):
    emf = read(tmp_path, EMF)
    assert isinstance(emf, Emf)
    assert emf.speed == pytest.approx(10 * pi, rel=ROUNDING)  # exact: 5 turns a second
    assert emf.time is None
    assert list(emf.volts) == ["ab", "bc"]
    np.testing.assert_allclose(emf.volts["bc"], np.cos(ANGLES), rtol=ROUNDING)
    np.testing.assert_allclose(emf.angle, np.radians(ANGLES), rtol=ROUNDING)


def test_emf_against_time_of_all_leads(tmp_path):
    header = "time_ms,phase_a_mv,phase_b_v,phase_c_v,line_ab_v,line_bc_v,line_ca_v"
    emf = read(tmp_path, lines_of(header, np.arange(-4, 5), *[np.arange(9)] * 6))
    assert list(emf.volts) == ["a", "b", "c", "ab", "bc", "ca"]
    assert (emf.angle, emf.speed) == (None, None)
    np.testing.assert_allclose(emf.time, np.arange(-4, 5) / 1000, rtol=ROUNDING)
    np.testing.assert_allclose(emf.volts["a"], np.arange(9) / 1000, rtol=ROUNDING)


def test_cogging(tmp_path):
    cogging = read(tmp_path, COGGING)
    assert isinstance(cogging, Cogging)
    np.testing.assert_allclose(cogging.torque, np.sin(ANGLES) / 1000, rtol=ROUNDING)


def test_heat_run(tmp_path):
    # exact
    run = read(tmp_path, "# ambient_c = 20.5\n" + HEAT)
    assert isinstance(run, HeatRun)
    assert (run.current, run.ambient, run.resistance) == (8, 20.5, None)
    assert run.time.tolist() == [0, 60, 120, 240]
    assert run.winding.tolist() == [21, 30, 37, 47]


def test_heat_run_of_resistance_and_temperature(tmp_path):
    # exact: a row counts where either was read
    content = "# current_a_rms = 8\ntime_s,line_resistance_mohm,winding_c\n0,200,\n1,,25\n"
    run = read(tmp_path, content + "2,,\n3,300,30\n4,400,35\n")
    assert run.ambient is None
    assert run.time.tolist() == [0, 1, 3, 4]
    np.testing.assert_allclose(run.resistance, [0.2, np.nan, 0.3, 0.4], rtol=ROUNDING)
    np.testing.assert_array_equal(run.winding, [np.nan, 25, 30, 35])
    assert run.skipped == 1


def test_loose_magnets(tmp_path):
    loose = read(tmp_path, "# distance_mm = 0.5\n" + LOOSE)
    assert isinstance(loose, Loose)
    assert (loose.labels, loose.families) == (("m1", "m2", "t1"), ("main", "main", ""))
    assert (loose.kind, loose.distance) == ("reading", 0.0005)
    np.testing.assert_allclose(loose.values, [0.310, 0.305, 0.099], rtol=ROUNDING)


def test_loose_magnets_by_remanence(tmp_path):
    # exact
    loose = read(tmp_path, "remanence_t,magnet\n1.31,#1\n1.29,#2\n")
    assert (loose.labels, loose.families) == (("#1", "#2"), ("", ""))
    assert (loose.kind, loose.distance, loose.values.tolist()) == ("remanence", None, [1.31, 1.29])


def test_magnets_may_be_called_by_a_cross(tmp_path):
    # exact: below the header only a line without a reading beside its cross is a comment
    loose = read(tmp_path, "magnet,reading_t\n#1,0.31\n# pause\n#2,0.29\n#probe changed,\n")
    assert (loose.labels, loose.skipped) == (("#1", "#2"), 0)


def test_bench_sheet(tmp_path):
    # exact
    sheet = read(tmp_path, SHEET)
    assert isinstance(sheet, Sheet)
    assert sheet.found == {"emf": 11.8, "speed": 402}
    assert sheet.units == {"emf": "V", "speed": "rpm"}
    assert sheet.lines == {"emf": 2, "speed": 4}
    assert sheet.skipped == 1


def test_bench_sheet_of_two_columns(tmp_path):
    sheet = read(tmp_path, "found,key\n3,mass\n")
    assert (sheet.found, sheet.units) == ({"mass": 3}, {"mass": ""})


def test_several_files_come_in_their_order(tmp_path):
    paths = [write(tmp_path, text, f"{name}.csv") for name, text in EVERY.items()]
    kinds = [type(m) for m in read_measured([*paths, paths[0]])]
    assert kinds == [Scan, Emf, Cogging, HeatRun, Loose, Sheet, Scan]
    with pytest.raises(StudyError, match="give one at least"):
        read_measured([])


@pytest.mark.parametrize("name", EVERY)
def test_standard_input(name, tmp_path, monkeypatch):
    def pipe():
        raw = io.BytesIO(EVERY[name].encode())
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(raw, encoding="utf-8"))

    pipe()
    (piped,) = read_measured([Path("-")])
    assert piped.path == "standard input"
    assert type(piped) is type(read(tmp_path, EVERY[name]))
    pipe()
    with pytest.raises(StudyError, match="can be read only once; give - once"):
        read_measured([Path("-"), Path("-")])


# The same numbers however they are written


@pytest.mark.parametrize(
    ("separator", "mark"),
    [(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")],
    ids=["comma", "semicolon", "semicolon and comma", "tab", "tab and comma"],
)
@pytest.mark.parametrize("name", EVERY)
def test_separators_and_decimal_marks(name, separator, mark, tmp_path):
    content = "".join(
        line if line.startswith("#") else line.replace(",", separator).replace(".", mark)
        for line in EVERY[name].replace("k, ", "k ").replace("e, ", "e ").splitlines(keepends=True)
    )
    same(read(tmp_path, content), read(tmp_path, EVERY[name]))


@pytest.mark.parametrize("quantity", UNITS)
def test_units_say_the_same(quantity, tmp_path):
    # independent: the same values in each unit, factors from the SI brochure (from memory)
    inside = {
        "deg": 180 / pi, "rad": 1, "s": 1, "ms": 1e3, "us": 1e6, "min": 1 / 60, "h": 1 / 3600,
        "t": 1, "mt": 1e3, "g": 1e4, "v": 1, "mv": 1e3, "nm": 1, "mnm": 1e3, "c": 1, "ohm": 1,
        "mohm": 1e3,
    }  # fmt: skip
    kind = next(k for k in KINDS if quantity in (*k.places, *k.values))
    other = next(
        q for q in (*kind.values, *kind.places) if (q in kind.places) != (quantity in kind.places)
    )
    values = np.linspace(0.1, 2.9, 12)
    settings = "".join(
        f"# {name} = 60\n" for name in ("speed_rpm", "current_a_rms") if name in kind.settings
    )
    found = []
    for name in names_of(quantity):
        cells = [repr(float(v)) for v in values * inside[name.rsplit("_", 1)[1]]]
        header = f"{name},{names_of(other)[0]}"
        found.append(
            read(
                tmp_path,
                settings
                + lines_of(header, cells, np.linspace(1, 3, 12) * 100 ** (other == "angle")),
            )
        )
    for one in found:
        same(one, found[0])
        arrays = [getattr(one, f.name) for f in fields(one)]
        arrays += list(one.volts.values()) if isinstance(one, Emf) else []
        assert any(
            isinstance(a, np.ndarray) and np.allclose(a, values, rtol=ROUNDING, atol=0)
            for a in arrays
        )


def with_expected(content):
    comments = [line for line in content.splitlines() if line.startswith("#")]
    header, *rows = content.splitlines()[len(comments) :]
    return "\n".join([*comments, f"{header},Expected_value", *(f"{row},1.5" for row in rows)])


@pytest.mark.parametrize("name", EVERY)
@pytest.mark.parametrize(
    "change",
    [
        lambda t: "\ufeff" + t,
        lambda t: t.replace("\n", "\r\n"),
        lambda t: t.replace("\n", "\r"),
        lambda t: t.rstrip("\n"),
        lambda t: t + "\n,,\n , \n",
        lambda t: "# made by hand, in the cellar: 3 = three\n\n" + t,
        lambda t: t + "# the end\n",
        lambda t: "\n".join(f"{line},," for line in t.splitlines()),
        with_expected,
        lambda t: t.replace("deg", "DEG").replace("mt", "mT").replace("key", "Key"),
    ],
    ids=[
        "byte order mark", "CRLF", "CR", "no end", "empty rows", "free text", "comment below",
        "spare columns", "expected column", "capitals",
    ],
)  # fmt: skip
def test_files_of_other_programs_are_read(name, change, tmp_path):
    one, other = read(tmp_path, change(EVERY[name])), read(tmp_path, EVERY[name])
    if isinstance(one, Sheet):  # its lines move with comments above
        assert (one.found, one.units) == (other.found, other.units)
    else:
        same(one, other)


@pytest.mark.parametrize("name", ["scan", "emf", "cogging", "heat", "loose"])
def test_order_of_columns_does_not_matter(name, tmp_path):
    content = "".join(
        line if line.startswith("#") else ",".join(reversed(line.strip().split(","))) + "\n"
        for line in EVERY[name].splitlines(keepends=True)
    )
    same(read(tmp_path, content), read(tmp_path, EVERY[name]))


@pytest.mark.parametrize("name", EVERY)
def test_quoted_cells_are_read_alike(name, tmp_path):
    # the way of the csv module and the quick way for plain files
    content = "".join(
        line
        if line.startswith("#") or '"' in line
        else '"' + line.strip().replace(",", '","') + '"\n'
        for line in EVERY[name].splitlines(keepends=True)
    )
    assert '"' in content
    same(read(tmp_path, content), read(tmp_path, EVERY[name]))


def test_notes_and_lines_of_spreadsheets(tmp_path):
    content = 'sep=;\n"# radius_mm = 41,5";;\n# height_mm = 2.5;;\nangle_deg;note;flux_density_mt\n'
    rows = [
        f'{a:g};"warm;\n""slow""";{b:g}'.replace(".", ",")
        for a, b in zip(ANGLES, ANGLES + 0.5, strict=True)
    ]
    scan = read(tmp_path, content + "\n".join(rows))
    assert (scan.radius, scan.height) == pytest.approx((0.0415, 0.0025), rel=ROUNDING)
    np.testing.assert_allclose(scan.flux, (ANGLES + 0.5) / 1000, rtol=ROUNDING)


def test_lines_are_counted_through_cells_of_several_lines(tmp_path):
    rows = "".join(f'{a},"one\ntwo",{"x" if a == 90 else 5}\n' for a in range(0, 360, 30))
    (fault,) = told(tmp_path, "# text\nangle_deg,note,flux_density_mt\n" + rows)
    assert fault.startswith("line 9: flux_density_mt must be a number; got 'x'")


def test_angles_of_any_order_and_start(tmp_path):
    angles = [700, 10, -90, 350, 350, 0, 20, 5]
    scan = read(tmp_path, lines_of("angle_deg,flux_density_g", angles, range(100, 108)))
    np.testing.assert_allclose(scan.angle, np.radians(angles), rtol=ROUNDING)


# Gaps


def test_gaps_are_skipped_and_counted(tmp_path):
    # exact
    content = SCAN + "360,\n361\n,\n"
    scan = read(tmp_path, content)
    assert (scan.skipped, len(scan.angle), len(scan.flux)) == (2, 12, 12)


def test_gaps_of_one_lead_are_nan(tmp_path):
    # exact
    rows = "".join(
        f"{a},{'' if a < 40 else a},{'' if a == 30 else 2},\n" for a in range(0, 360, 30)
    )
    emf = read(tmp_path, "# speed_rpm = 9\nangle_deg,phase_a_v,phase_b_v,phase_c_v\n" + rows)
    assert list(emf.volts) == ["a", "b"]  # nothing was read of the third lead
    assert emf.skipped == 1
    assert len(emf.angle) == 11
    assert np.isnan(emf.volts["a"]).tolist() == [True] + [False] * 10
    assert not np.isnan(emf.volts["b"]).any()


# Faults of a row. Each has its line, rule, what was received, remedy.

ROW_FAULTS = {
    "word": (SCAN + "9,wide\n", "line 14: flux_density_mt must be a number; got 'wide'; leave"),
    "nan": (
        SCAN + "9,nan\n",
        "line 14: flux_density_mt must be a number; got 'nan'; leave the cell",
    ),
    "inf": (SCAN + "9,-inf\n", "line 14: flux_density_mt must be a number; got '-inf'; leave"),
    "dash": (SCAN + "9,-\n", "line 14: flux_density_mt must be a number; got '-'; leave the cell"),
    "n/a": (SCAN + "9,n/a\n", "line 14: flux_density_mt must be a number; got 'n/a'; leave the"),
    "overflow": (
        SCAN + "9,1e999\n",
        "line 14: flux_density_mt must be a finite number; got '1e999'",
    ),
    "underscore": (SCAN + "9,1_0\n", "line 14: flux_density_mt must be a number; got '1_0'"),
    "other figures": (SCAN + "9,\u0663\n", "line 14: flux_density_mt must be a number; got"),
    "unit": (
        SCAN + "9,12 mT\n",
        "line 14: flux_density_mt must be a number alone; got '12 mT'; write no unit",
    ),
    "place is a word": (SCAN + "x,9\n", "line 14: angle_deg must be a number; got 'x'"),
    "no place": (SCAN + ",9\n", "line 14: angle_deg is empty beside a value; got '9'; fill it in"),
    "no time": (HEAT + ",50\n", "line 7: time_min is empty beside a value; got '50'; fill"),
    "no label": (LOOSE + ",main,300\n", "line 5: magnet is empty beside a value; got '300'; fill"),
    "no key": (SHEET + ",,,,,,3,\n", "line 5: key is empty beside a value; got '3'; fill"),
    "key twice": (
        SHEET + "emf,,,,,V,3,\n",
        "line 5: key comes twice, first on line 2; got 'emf'; keep one",
    ),
    "found is a word": (SHEET + "x,,,,,V,ok,\n", "line 5: found must be a number; got 'ok'; leave"),
    "decimal commas": (
        SCAN + "9,5,3,5\n",
        "line 14: more cells than the 2 columns; got '9,5,3,5'; decimal commas need semicolons",
    ),
    "one decimal comma": (
        SCAN + "9,3,5\n",
        "line 14: more cells than the 2 columns; got '9,3,5'; decimal commas need semicolons",
    ),
    "quoted decimal comma": (
        SCAN + '9,"3,5"\n',
        "line 14: flux_density_mt must have no decimal comma; got '3,5'; decimal commas need "
        "semicolons",
    ),
    "too many cells": (
        SCAN.replace(",", ";") + "9;3;5\n",
        "line 14: more cells than the 2 columns; got '9;3;5'; give each row a cell a column",
    ),
    "thousands": (
        SCAN + '9,"1,234.5"\n',
        "line 14: flux_density_mt must have no thousands mark; got '1,234.5'; write no thousands",
    ),
    "thousands of other countries": (
        SCAN.replace(",", ";") + "9;1.234,5\n",
        "line 14: flux_density_mt must have no thousands mark; got '1.234,5'; write no thousands",
    ),
    "thousands with blanks": (
        SCAN + "9,1 234\n",
        "line 14: flux_density_mt must have no thousands mark; got '1 234'",
    ),
    "thousands twice": (
        SCAN + "9,1.234.567\n",
        "line 14: flux_density_mt must have no thousands mark; got '1.234.567'",
    ),
    "point among commas": (
        SCAN.replace(",", ";").replace(".", ",") + "9;1.234\n",
        "line 14: flux_density_mt must have a decimal comma like most cells of this file; got "
        "'1.234'; write no thousands",
    ),
    "comma among points": (
        SCAN.replace(",", ";") + "9;1,234\n",
        "line 14: flux_density_mt must have a decimal point like most cells of this file; got "
        "'1,234'; write no thousands",
    ),
    "time stands": (
        HEAT + "4,50\n",
        "line 7: time_min must increase from row to row; got '4' after '4'; sort the rows",
    ),
    "time goes back": (
        HEAT + "3.5,50\n",
        "line 7: time_min must increase from row to row; got '3.5' after '4'; sort",
    ),
    "flux in mT": (
        SCAN.replace("mt", "t").replace("\n", "e-3\n").replace("te-3", "t") + "9,310\n",
        "line 14: flux_density_t must be from -3 to 3 T; got '310'; is this mT? then name the "
        "column flux_density_mt",
    ),
    "flux in G": (
        SCAN + "9,-3100\n",
        "line 14: flux_density_mt must be from -3 to 3 T; got '-3100'; is this G? then name "
        "the column flux_density_g",
    ),
    "flux of nothing": (
        SCAN.replace("mt", "g") + "9,31000\n",
        "line 14: flux_density_g must be from -3 to 3 T; got '31000'; check that reading",
    ),
    "volts": (
        EMF + "9,5001,1\n",
        "line 15: line_ab_v must be from -5000 to 5000 V; got '5001'; is this mV? then name "
        "the column line_ab_mv",
    ),
    "torque": (
        COGGING.replace("mnm", "nm") + "9,-1001\n",
        "line 14: torque_nm must be from -1000 to 1000 N m; got '-1001'; is this mN m?",
    ),
    "hot": (HEAT + "9,401\n", "line 7: winding_c must be from -60 to 400 degC; got '401'; check"),
    "cold": (HEAT + "9,-61\n", "line 7: winding_c must be from -60 to 400 degC; got '-61'; check"),
    "no resistance": (
        HEAT.replace("winding_c", "line_resistance_ohm") + "9,0\n",
        "line 7: line_resistance_ohm must be above 0 and at most 1e6 ohm; got '0'; check",
    ),
    "reading": (
        LOOSE + "x,,3001\n",
        "line 5: reading_mt must be from -3 to 3 T; got '3001'; is this G? then name the "
        "column reading_g",
    ),
    "remanence": (
        LOOSE.replace("reading", "remanence") + "x,,3001\n",
        "line 5: remanence_mt must be from -3 to 3 T; got '3001'; check",
    ),
    "angle": (SCAN + "9e9,1\n", "line 14: angle_deg must be within 10000 turns; got '9e9'; check"),
    "time": (
        HEAT + "1e9,50\n",
        "line 7: time_min must be from -1e8 to 1e8 s; got '1e9'; is this ms? then",
    ),
    "unended quote": (
        SCAN + '9,"3\n',
        "line 14: a quote is never closed; got '9,\"3'; write a quote inside a cell twice",
    ),
    "long unended quote": (SCAN + '9,"3\n' + "1,2\n" * 50_000, "line 14: a quote is never closed"),
    "quote amid a cell": (SCAN + '9,"3"5\n', "line 14: quotes must enclose a whole cell; got"),
}


@pytest.mark.parametrize("label", ROW_FAULTS)
def test_each_wrong_row_is_one_line(label, tmp_path):
    content, expected = ROW_FAULTS[label]
    (fault,) = told(tmp_path, content)
    assert fault.startswith(expected)
    assert fault.count("; ") >= 2


# Faults of the header

HEADER_FAULTS = {
    "no unit": (
        "angle_deg,flux_density",
        "the name of a column of flux_density ends in its unit; got 'flux_density'; use "
        "flux_density_t or flux_density_mt or flux_density_g",
    ),
    "wrong unit": (
        "angle_deg,flux_density_kg",
        "the name of a column of flux_density ends in its unit; got 'flux_density_kg'; use "
        "flux_density_t",
    ),
    "unit in brackets": (
        "angle_deg,flux_density [mT]",
        "the name of a column of flux_density ends in its unit; got 'flux_density [mt]'",
    ),
    "angle without unit": (
        "angle,flux_density_mt",
        "the name of a column of angle ends in its unit; got 'angle'; use angle_deg or angle_rad",
    ),
    "angle in turns": (
        "angle_turns,torque_nm",
        "the name of a column of angle ends in its unit; got 'angle_turns'",
    ),
    "unit of remanence": (
        "magnet,remanence_g",
        "the name of a column of remanence ends in its unit; got 'remanence_g'; use "
        "remanence_t or remanence_mt",
    ),
    "unknown column": (
        "angle_deg,flux_density_mt,temperature",
        "unknown column; got 'temperature'; nearest known ones: ",
    ),
    "typing slip": (
        "angle_deg,torque_nm,nots",
        "unknown column; got 'nots'; nearest known ones: note",
    ),
    "same name": (
        "angle_deg,torque_nm,torque_nm",
        "two columns of torque; got 'torque_nm, torque_nm'; keep one",
    ),
    "same quantity": (
        "angle_deg,torque_nm,torque_mnm",
        "two columns of torque; got 'torque_nm, torque_mnm'; keep one",
    ),
    "two angles": (
        "angle_deg,angle_rad,torque_nm",
        "two columns of angle; got 'angle_deg, angle_rad'; keep one",
    ),
    "angle and time": (
        "angle_deg,time_s,line_ab_v",
        "back-EMF has one column of angle or time; got",
    ),
    "reading and remanence": (
        "magnet,reading_mt,remanence_t",
        "a list of loose magnets has one column of reading or remanence; got",
    ),
    "no angle": (
        "flux_density_mt,note",
        "a scan needs another column; got 'flux_density_mt, note'; add one of angle_deg, angle_rad",
    ),
    "no time": (
        "winding_c,note",
        "a heat run needs another column; got 'winding_c, note'; add one of time_s, time_ms",
    ),
    "no reading": (
        "magnet,family",
        "a list of loose magnets needs another column; got 'magnet, family'; add one of reading_t",
    ),
    "no found": ("key,unit", "a bench sheet needs another column; got 'key, unit'; add found"),
    "no key": ("found,unit", "a bench sheet needs another column; got 'found, unit'; add key"),
    "column of another kind": (
        "angle_deg,torque_nm,time_s",
        "time_s is no column of cogging; take it out",
    ),
    "text of another kind": (
        "angle_deg,torque_nm,family",
        "family is no column of cogging; take it out",
    ),
    "unknown column of a sheet": (
        "key,found,torque_nm",
        "unknown column; got 'torque_nm'; nearest known ones: ",
    ),
    "no name": ("angle_deg,,torque_nm", "column without a name; name it, or take it out"),
    "two kinds": (
        "angle_deg,torque_nm,flux_density_mt",
        "columns of a scan and cogging in one file; got 'angle_deg, torque_nm, "
        "flux_density_mt'; write one file for each",
    ),
    "no kind": (
        "foo,bar",
        "columns of no known kind; got 'foo, bar'; a file is read as a scan: angle_deg and "
        "flux_density_mt, or as back-EMF: ",
    ),
    "no value": (
        "angle_deg,note",
        "columns of no known kind; got 'angle_deg, note'; a file is read as",
    ),
    "no header": (
        "0.0,12.5",
        "the first row must name the columns; got '0.0, 12.5'; add it; a file is read as",
    ),
    "blanks between": (
        "angle_deg flux_density_mt",
        "columns must be parted; got 'angle_deg flux_density_mt'; put commas, semicolons or "
        "tabs between them",
    ),
    "empty names": ('"",""', "the header names no column; write names above the rows"),
    "unended quote": (
        'angle_deg,"flux',
        "a quote is never closed; got 'angle_deg,\"flux'; write a quote",
    ),
}


@pytest.mark.parametrize("label", HEADER_FAULTS)
def test_each_wrong_header_is_one_line(label, tmp_path):
    header, expected = HEADER_FAULTS[label]
    settings = "# current_a_rms = 8\n" if "winding" in header else ""
    settings = "# speed_rpm = 8\n" if "line_ab" in header else settings
    (fault,) = told(tmp_path, settings + header + "\n" + "".join(f"{i},{i}\n" for i in range(9)))
    assert fault.startswith(f"line {1 + bool(settings)}: {expected}")


def test_header_of_no_kind_tells_slips_and_kinds(tmp_path):
    first, second, last = told(tmp_path, "angle,flux_mt,note\n1,2,\n")
    assert "use angle_deg or angle_rad" in first
    assert second.startswith("line 1: unknown column; got 'flux_mt'; nearest known ones: ")
    for kind in KINDS:
        assert f"{kind.name}: {kind.told}" in last
    assert "\n" not in last


@pytest.mark.parametrize("name", ["voltage", "Volts", "volt_v", "back_emf_v", "emf", "V", "ch1"])
@pytest.mark.parametrize("place", ["time_s", "angle_deg", "t"])
def test_volts_without_their_leads_are_told_the_names(name, place, tmp_path):
    first, *_ = [line for line in told(tmp_path, f"{place},{name}\n0,1\n") if name.lower() in line
                 and "unknown column" in line]  # fmt: skip
    assert f"got {name.lower()!r}; say between which leads: phase_a_v, " in first
    assert "line_ab_v" in first


def test_volts_beside_those_of_a_lead(tmp_path):
    (fault,) = told(tmp_path, "# speed_rpm = 300\nangle_deg,line_ab_v,voltage\n0,1,1\n")
    assert fault.startswith("line 2: unknown column; got 'voltage'; say between which leads: ")


def test_rows_are_looked_at_under_a_faulty_header(tmp_path):
    first, second = told(tmp_path, SCAN.replace("_mt", "_mt,speed", 1) + "x,\n")
    assert first.startswith("line 1: unknown column; got 'speed'")
    assert second.startswith("line 14: angle_deg must be a number; got 'x'")


# Faults of settings

SETTING_FAULTS = {
    "unknown": (
        "# radius = 3",
        SCAN,
        "line 1: unknown setting; got 'radius'; nearest known ones: radius_mm",
    ),
    "unknown without any": (
        "# radius = 3",
        COGGING,
        "line 1: unknown setting; got 'radius'; cogging has no settings",
    ),
    "of another kind": (
        "# speed_rpm = 3",
        SCAN,
        "line 1: speed_rpm is no setting of a scan; got '3'; it has radius_mm, height_mm",
    ),
    "of no kind": (
        "# speed_rpm = 3",
        SHEET,
        "line 1: speed_rpm is no setting of a bench sheet; got '3'; take the line out",
    ),
    "twice": (
        "# radius_mm = 3\n# radius_mm = 4",
        SCAN,
        "line 2: setting radius_mm comes twice; got '4'; keep one",
    ),
    "empty": ("# radius_mm =", SCAN, "line 1: radius_mm has no value; give it one"),
    "word": ("# radius_mm = wide", SCAN, "line 1: radius_mm must be a number; got 'wide'"),
    "nan": ("# radius_mm = nan", SCAN, "line 1: radius_mm must be a number; got 'nan'"),
    "unit": (
        "# radius_mm = 41 mm",
        SCAN,
        "line 1: radius_mm must be a number alone; got '41 mm'; write no unit",
    ),
    "decimal comma": (
        "# radius_mm = 41,5",
        SCAN,
        "line 1: radius_mm must have no decimal comma; got '41,5'; decimal commas need semicolons",
    ),
    "thousands": (
        "# radius_mm = 1.234,5",
        SCAN,
        "line 1: radius_mm must have no thousands mark; got '1.234,5'",
    ),
    "maybe thousands": (
        "# radius_mm = 1.234",
        SCAN.replace(",", ";").replace(".", ","),
        "line 1: radius_mm must have no thousands mark where decimals have a comma; got "
        "'1.234'; write no thousands",
    ),
    "colon": (
        "# radius_mm: 41",
        SCAN,
        "line 1: radius_mm must be followed by =; got ':'; write # radius_mm = 41",
    ),
    "negative": (
        "# radius_mm = -41",
        SCAN,
        "line 1: radius_mm must be from 0.1 to 1000; got '-41'",
    ),
    "far": ("# height_mm = 4100", SCAN, "line 1: height_mm must be from -1000 to 1000; got '4100'"),
    "start": (
        "# start = tooth 1",
        SCAN,
        "line 1: start must be magnet 1 or unknown; got 'tooth 1'",
    ),
    "direction": (
        "# direction = left",
        SCAN,
        "line 1: direction must be anticlockwise or clockwise; got 'left'",
    ),
    "ambient": ("# ambient_c = 900", HEAT, "line 1: ambient_c must be from -60 to 400; got '900'"),
    "distance": (
        "# distance_mm = -1",
        LOOSE,
        "line 1: distance_mm must be from 0 to 100; got '-1'",
    ),
    "no speed": (
        "#",
        EMF.replace("# speed_rpm = 300", "#"),
        ": speed_rpm is missing; add a line # speed_rpm = ...",
    ),
    "no motion": (
        "#",
        EMF.replace("300", "0"),
        "line 2: speed_rpm must be from 0.001 to 1e+06; got '0'",
    ),
    "no current": (
        "#",
        HEAT.replace("# current_a_rms = 8", "#"),
        ": current_a_rms is missing; add a line # current_a_rms = ...",
    ),
    "current is a word": (
        "#",
        HEAT.replace("= 8", "= eight"),
        "line 2: current_a_rms must be a number; got 'eight'",
    ),
    "below the header": (
        "#",
        SCAN + "# speed_rpm = 8",
        "line 15: speed_rpm is no setting of a scan",
    ),
}


@pytest.mark.parametrize("label", SETTING_FAULTS)
def test_each_wrong_setting_is_one_line(label, tmp_path):
    line, content, expected = SETTING_FAULTS[label]
    (fault,) = told(tmp_path, f"{line}\n{content}")
    assert fault.startswith(expected)


@pytest.mark.parametrize("line", ["# start: at the mark", "# 3 mm = gap", "#", "# B is 3 = three"])
def test_free_text_is_no_setting(line, tmp_path):
    same(read(tmp_path, f"{line}\n{SCAN}"), read(tmp_path, SCAN))


# Faults of a whole file

X = np.arange(7)
FILE_FAULTS = {
    "short scan": (
        lines_of("angle_deg,flux_density_mt", X * 50, X),
        ": a scan needs at least 8 rows with a value of flux_density_mt; got 7; "
        "fill in what was read; a printed sheet has its last column empty",
    ),
    "gaps only": (
        lines_of("angle_deg,flux_density_mt", X * 50, [None] * 7),
        ": a scan needs at least 8 rows with a value of flux_density_mt; got 0",
    ),
    "no rows": (
        "angle_deg,flux_density_mt\n",
        ": a scan needs at least 8 rows with a value of flux_density_mt; got 0",
    ),
    "short cogging": (lines_of("angle_deg,torque_nm", X, X), ": cogging needs at least 8 rows"),
    "short EMF": (lines_of("time_s,line_ab_v", X, X), ": back-EMF needs at least 8 rows"),
    "one short lead": (
        EMF.replace("_bc_v", "_bc_v,phase_a_v") + "9,1,1,1\n",
        ": back-EMF needs at least 8 rows with a value of phase_a_v; got 1",
    ),
    "short heat run": (
        HEAT[:-10],
        ": a heat run needs at least 3 rows with a value of winding_c; got 2",
    ),
    "one magnet": (
        "magnet,reading_mt\na,3\nb,\n",
        ": a list of loose magnets needs at least 2 rows with a value of reading_mt; got 1",
    ),
    "empty sheet": (
        "key,found\na,\nb,\n",
        ": a bench sheet needs at least 1 row with a value of found; got 0; fill in",
    ),
    "radians as degrees": (
        lines_of("angle_deg,flux_density_mt", np.radians(ANGLES), MILLITESLAS),
        "line 1: angle_deg of a scan must span at least 20 degrees; got 5.76 degrees; are "
        "these radians or turns?",
    ),
    "teslas as milliteslas": (
        lines_of("angle_deg,flux_density_mt", ANGLES, MILLITESLAS / 1000),
        "line 1: largest flux_density_mt of a scan must be at least 1 mT; got 0.2515 mT; is it "
        "in flux_density_t?",
    ),
    "teslas as gauss": (
        lines_of("angle_deg,flux_density_g", ANGLES, MILLITESLAS / 1000),
        "line 1: largest flux_density_g of a scan must be at least 1 mT; got 0.02515 mT; is it "
        "in flux_density_t or flux_density_mt?",
    ),
    "no field": (
        lines_of("angle_deg,flux_density_t", ANGLES, MILLITESLAS / 1e6),
        "line 1: largest flux_density_t of a scan must be at least 1 mT; got 0.2515 mT; check "
        "the probe",
    ),
    "nothing": ("", "holds nothing; give a header line"),
    "blanks": (" \n\n;;\n", "holds nothing; give a header line"),
    "comments": ("# radius_mm = 3\n", "holds only comments; give a header line"),
    "zero bytes": (SCAN.replace("0", "\0"), "is not a CSV file; it holds zero bytes; save it"),
    "Latin-1": ("# 20 °C\n".encode("latin-1"), "is not UTF-8 text; save it as UTF-8"),
    "UTF-16": (SCAN.encode("utf-16"), "is not UTF-8 text but UTF-16; save it as UTF-8"),
    "UTF-16, big end first": (
        b"\xfe\xff" + SCAN.encode("utf-16-be"),
        "is not UTF-8 text but UTF-16; save",
    ),
    "21 MB": (b"#" * 21_000_000, "is larger than 20 MB; average or thin the readings"),
}


@pytest.mark.parametrize("label", FILE_FAULTS)
def test_each_wrong_file_is_one_line(label, tmp_path):
    content, expected = FILE_FAULTS[label]
    (fault,) = told(tmp_path, content)
    assert fault.startswith(expected)


def test_least_numbers_of_rows_are_enough(tmp_path):
    # exact: one row more than those told above
    eight = np.arange(8)
    assert (
        len(read(tmp_path, lines_of("angle_deg,flux_density_mt", eight * 20 / 7, eight)).flux) == 8
    )
    assert len(read(tmp_path, lines_of("angle_deg,torque_nm", eight, eight)).torque) == 8
    assert len(read(tmp_path, lines_of("time_s,line_ab_v", eight, eight)).time) == 8
    assert len(read(tmp_path, HEAT[:-5]).time) == 3
    assert len(read(tmp_path, "magnet,reading_mt\na,3\nb,4\n").labels) == 2


@pytest.mark.parametrize("end", ["0,1\n", '0,"1"\n'], ids=["plain", "quoted"])
def test_most_rows(end, tmp_path, monkeypatch):
    monkeypatch.setattr(table, "_MOST_ROWS", 13)
    read(tmp_path, SCAN + end)
    (fault,) = told(tmp_path, SCAN + end + "\n# pause\n1,2\n" * 2)
    assert fault == ": must have at most 13 rows; got 15; average or thin the readings"


def test_long_file(tmp_path):
    # exact; nothing is asserted of its time
    n = 100_000
    thousandths = [f"{i / 1000:.3f}" for i in range(n)]
    scan = read(tmp_path, lines_of("angle_deg,flux_density_mt", thousandths, thousandths))
    assert scan.flux.shape == scan.angle.shape == (n,)
    np.testing.assert_allclose(scan.flux, np.arange(n) * 1e-6, rtol=ROUNDING)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(StudyError) as fault:
        read_measured([tmp_path / "no.csv", tmp_path])
    assert fault.value.faults == (
        f"{tmp_path / 'no.csv'} does not exist; give the CSV file of what was measured",
        f"{tmp_path} is a folder; give the file inside it",
    )


# All faults together


def test_faults_of_all_files_are_told_together(tmp_path):
    one = write(tmp_path, SCAN + "x,1\n9,y\n", "one.csv")
    two = write(tmp_path, EMF, "two.csv")
    three = write(tmp_path, HEAT.replace("= 8", "= 0") + "1,500\n", "three.csv")
    with pytest.raises(StudyError) as fault:
        read_measured([one, two, three, tmp_path / "four.csv"])
    starts = [
        f"{one} line 14: angle_deg must be a number",
        f"{one} line 15: flux_density_mt must be a number",
        f"{three} line 1: current_a_rms must be from",
        f"{three} line 7: time_min must increase",
        f"{three} line 7: winding_c must be from -60",
        f"{tmp_path / 'four.csv'} does not exist",
    ]
    assert len(fault.value.faults) == len(starts)
    for line in starts:
        assert any(told.startswith(line) for told in fault.value.faults), line


def test_ten_faults_of_a_file_and_how_many_more(tmp_path):
    bad = write(tmp_path, SCAN + "x,1\n" * 25, "bad.csv")
    other = write(tmp_path, SCAN + "x,1\n" * 10, "other.csv")
    with pytest.raises(StudyError) as fault:
        read_measured([bad, other])
    lines = fault.value.faults
    assert len(lines) == 21
    assert lines[9].startswith(f"{bad} line 23: angle_deg must be a number")
    assert lines[10] == f"{bad}: 15 more faults; correct those above first"
    assert lines[20].startswith(f"{other} line 23: ")


def test_messages_are_short_and_on_one_line(tmp_path):
    (fault,) = told(tmp_path, SCAN + '9,"' + "long\n" * 500 + '"\n')
    assert "\n" not in fault
    assert len(fault) < 300
