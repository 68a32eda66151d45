"""Files: never half-written, the same bytes every time, units on everything."""

import json
import os
import re
import stat
import subprocess
import sys

import numpy as np
import pytest
import xarray as xr

from arrayopt.comparison import compare
from arrayopt.errors import ArrayoptError
from arrayopt.evaluation import evaluate
from arrayopt.export.cut_list import cut_list
from arrayopt.export.files import csv_text, json_text, write_file, write_text
from arrayopt.export.pictures import rotor_picture, save
from arrayopt.export.results import figures_json, shown
from arrayopt.export.results_folder import write_comparison, write_evaluation, write_search
from arrayopt.export.workshop_folder import write_order
from arrayopt.figures import FIGURES
from arrayopt.search import optimise
from arrayopt.study import parse_study, starter_text

STUDY = parse_study(starter_text())


def write_all(out):
    """Everything that the commands write."""
    comparison = compare(STUDY)
    return [
        *write_evaluation(out, STUDY, evaluate(STUDY)),
        *write_comparison(out, comparison),
        *write_search(out, optimise(STUDY, trials=80), comparison),
        *write_order(out, cut_list(STUDY)),
    ]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    write_all(out)
    return out


# Writing


def test_write_file_makes_folders(tmp_path):
    target = tmp_path / "a" / "b ü" / "c.txt"
    assert write_text(target, "Länge 5 mm\n") == target
    assert target.read_bytes() == "Länge 5 mm\n".encode()
    assert [p.name for p in target.parent.iterdir()] == ["c.txt"]


def test_write_file_takes_a_path_as_text(tmp_path):
    assert write_text(str(tmp_path / "a.txt"), "x").read_text() == "x"


def test_files_are_readable_by_others_as_usual(tmp_path):
    usual = tmp_path / "usual"
    usual.write_text("x")
    mode = stat.S_IMODE(write_text(tmp_path / "ours", "x").stat().st_mode)
    assert mode == stat.S_IMODE(usual.stat().st_mode)


@pytest.mark.parametrize("old", [None, "old"])
@pytest.mark.parametrize("fault", [RuntimeError, KeyboardInterrupt])
def test_broken_off_writing_leaves_what_was_there(old, fault, tmp_path):
    target = tmp_path / "figures.json"
    if old:
        target.write_text(old)

    def fill(file):
        file.write_text("half")
        raise fault("stop")

    with pytest.raises(fault, match="stop"):
        write_file(target, fill)
    assert [p.read_text() for p in tmp_path.iterdir()] == ([old] if old else [])


def test_fill_sees_the_ending_and_the_old_file_stays_until_the_end(tmp_path):
    target = tmp_path / "picture.png"
    target.write_text("old")

    def fill(file):
        assert file.suffix == ".png"
        assert file.parent == tmp_path
        assert target.read_text() == "old"
        file.write_text("new")

    write_file(target, fill)
    assert target.read_text() == "new"


@pytest.mark.parametrize("inside", ["file/a.txt", "file/deep/a.txt"])
def test_folder_that_is_a_file(inside, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ArrayoptError, match=r"a\.txt cannot be written: .*; choose another"):
        write_text(tmp_path / inside, "y")
    assert (tmp_path / "file").read_text() == "x"


def test_target_that_is_a_folder(tmp_path):
    (tmp_path / "a.txt").mkdir()
    with pytest.raises(ArrayoptError, match=r"a\.txt cannot be written"):
        write_text(tmp_path / "a.txt", "y")
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


# Text


def test_csv_text():
    # exact: RFC 4180
    rows = [[1, "a,b"], [2.5, 'say "x"'], [None, "two\nlines"]]
    assert csv_text(["n", "text"], rows) == ('n,text\n1,"a,b"\n2.5,"say ""x"""\n,"two\nlines"\n')


def test_json_text():
    assert json.loads(json_text({"a": [1, None, "ü"]})) == {"a": [1, None, "ü"]}
    assert "\\u00fc" in json_text({"a": "ü"})


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_json_text_refuses_what_json_lacks(value):
    with pytest.raises(ValueError, match="not JSON compliant"):
        json_text({"a": value})


@pytest.mark.parametrize(
    ("value", "scale", "expected"),
    [(np.nan, 1, None), (0.0123456789012, 1e3, 12.3456789), (2, 1, 2.0), (-0.5, 100, -50.0)],
)
def test_shown(value, scale, expected):
    # exact: nine digits
    assert shown(value, scale) == expected


def test_missing_figures_are_null():
    study = parse_study(re.sub(r"\[heat\][^[]*(?=\[)", "", starter_text()))
    told = json.loads(json_text(figures_json(evaluate(study))))
    assert told["machine"]["continuous_torque_nm"] is None
    assert told["joint"]["continuous_torque_nm"] is None
    assert told["iron"]["ring_flux_density_t"] is None
    assert told["machine"]["motor_constant_nm_per_sqrt_w"] > 0


def test_keys_are_unique_and_end_in_their_unit():
    endings = {
        "T": "_t", "%": "_percent", "Wb": "_wb", "N m/A": "_nm_per_a", "V s/rad": "_v_s_per_rad",
        "rpm/V": "_rpm_per_v", "ohm": "_ohm", "N m/sqrt W": "_nm_per_sqrt_w", "A": "_a_rms",
        "N m": "_nm", "g": "_g", "mm": "_mm", "kg mm2": "_kg_mm2", "rpm": "_rpm", "mH": "_mh",
        "K/W": "_k_per_w", "C": "_c", "W": "_w",
    }  # fmt: skip
    assert len({f.key for f in FIGURES}) == len({f.name for f in FIGURES}) == len(FIGURES)
    for f in FIGURES:
        unit = f.shown_unit or f.unit
        if unit == "1":
            assert f.key.endswith(("_factor", "_coefficient", "_price"))
        else:
            assert f.key.endswith(endings[unit]), f.key


# Whole folders


@pytest.mark.parametrize("name", ["figures.nc", "comparison.nc", "front.nc"])
def test_netcdf_is_read_back_with_units(name, folder):
    with xr.open_dataset(folder / name, engine="h5netcdf") as data:
        data.load()
    assert {f.name for f in FIGURES} | {"amplitude"} <= set(data.variables)
    without = [
        key
        for key, variable in data.variables.items()
        if np.issubdtype(variable.dtype, np.number) and "units" not in variable.attrs
    ]
    assert without == []
    for f in FIGURES:
        assert data[f.name].attrs["units"] == {"C": "degC"}.get(f.unit, f.unit)
        assert data[f.name].attrs["long_name"] == f.label
    assert data.attrs["study"] == starter_text()
    assert {"arrayopt_version", "magpylib_version"} <= set(data.attrs)


def test_netcdf_keeps_every_number(folder):
    results = evaluate(STUDY)
    with xr.open_dataset(folder / "figures.nc", engine="h5netcdf") as data:
        xr.testing.assert_equal(data.load(), results)


def test_json_and_netcdf_agree(folder):
    told = json.loads((folder / "figures.json").read_text("utf-8"))
    with xr.open_dataset(folder / "figures.nc", engine="h5netcdf") as data:
        for f in FIGURES:
            table, key = f.key.split(".")
            value = data[f.name].item()
            # rtol: nine digits are given
            expected = None if np.isnan(value) else pytest.approx(value * f.scale, rel=1e-8)
            assert told[table][key] == expected


def test_same_study_same_bytes(folder, tmp_path):
    paths = write_all(tmp_path)
    assert len(paths) == len({path.name for path in paths}) == len(list(tmp_path.iterdir()))
    for path in paths:
        assert path.read_bytes() == (folder / path.name).read_bytes(), path.name


@pytest.mark.parametrize("ending", ["svg", "pdf"])
def test_other_picture_formats_hold_no_date(ending, tmp_path):
    files = []
    for name in ("a", "b"):
        picture = rotor_picture(STUDY, evaluate(STUDY))
        files.append(save(tmp_path / f"{name}.{ending}", picture).read_bytes())
    assert files[0] == files[1]
    assert b"CreationDate" not in files[0]
    assert b"<dc:date>" not in files[0]


def test_text_files_are_utf_8_with_plain_line_ends(folder):
    for file in folder.iterdir():
        if file.suffix in (".json", ".csv", ".txt", ".toml"):
            content = file.read_bytes()
            assert content.decode("utf-8").endswith("\n"), file.name
            assert b"\r" not in content, file.name


@pytest.mark.skipif(os.name == "nt", reason="limits of a process differ")
@pytest.mark.parametrize(
    ("command", "kilobytes"),
    [("evaluate", 30), ("drawings", 400)],
)
def test_full_disk_leaves_whole_files_or_none(command, kilobytes, tmp_path):
    """As where the disk is full: no file of this process may grow past so much.

    Thirty meet the NetCDF file and 400 the solid, whose libraries crash or say nothing.
    """
    study = tmp_path / "study.toml"
    study.write_text(starter_text(), encoding="utf-8")
    code = (
        f"import resource, sys; most = {kilobytes * 1024}; "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (most, most)); "
        f"sys.argv = ['arrayopt', {command!r}, {str(study)!r}, '--out']; "
        f"sys.argv.append({str(tmp_path / 'out')!r}); "
        "from arrayopt.cli import main; main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 2, done.stderr
    assert re.search("cannot be written: (File too large|the solid was cut short)", done.stderr)
    assert "Traceback" not in done.stderr
    # exact: no hidden file is left, and what is there can be read
    left = [path.name for path in (tmp_path / "out").iterdir()]
    assert not [name for name in left if name.startswith(".")]
    if "figures.json" in left:
        json.loads((tmp_path / "out/figures.json").read_text("utf-8"))
