"""Every shipped study runs through the whole job."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from printed import table
from readme import ROOT, parts

from arrayopt import as_built, compare_layouts, cut_list, optimise
from arrayopt.cli import commands
from arrayopt.evaluation import evaluate, evaluate_batch, load_study
from arrayopt.study import starter_stock

STUDIES = sorted((ROOT / "studies").glob("*/*.toml"))


# The whole report of one; of the others what comes before and after.
WHOLE = ("ankle/study",)


def command(*arguments: str | Path) -> None:
    commands.main([str(one) for one in arguments], standalone_mode=False)


def test_there_are_studies() -> None:
    names = [f"{path.parent.name}/{path.stem}" for path in STUDIES]
    assert names == [
        "ankle/from-stock", "ankle/study", "elbow/study", "pan/study", "wrist/study",
    ]  # fmt: skip


# The page of a whole report draws every picture; their files would draw them again.
@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize("path", STUDIES, ids=lambda p: f"{p.parent.name}-{p.stem}")
def test_shipped_study_runs_to_the_cut_list(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = ("--out", tmp_path)
    if f"{path.parent.name}/{path.stem}" in WHOLE:
        command("report", path, *out, "--trials", "80")
        assert "4. Cut list" in capsys.readouterr().out
    else:
        command("optimise", path, *out, "--trials", "80")
        for after in ("evaluate", "cut-list", "assembly", "strength", "stray"):
            command(after, tmp_path / "knee.toml", "--out", tmp_path)
        assert "Cautions" in capsys.readouterr().out
    study = load_study(path)
    figures = json.loads((tmp_path / "figures.json").read_text("utf-8"))
    with_heat = figures["machine"]["continuous_torque_nm"] is not None
    assert with_heat == (study.heat is not None)
    front = list(csv.DictReader((tmp_path / "front.csv").read_text("utf-8").splitlines()))
    with xr.open_dataset(tmp_path / "front.nc", engine="h5netcdf") as stored:
        assert stored.sizes["design"] == len(front) >= 3
    order = json.loads((tmp_path / "cut-list.json").read_text("utf-8"))
    knee = load_study(tmp_path / "knee.toml")
    members = knee.rotor.pole_pairs * knee.rotor.magnets_per_pole_pair
    assert order["total"]["per_rotor"] == members
    # The study file of a pick gives the figures that the front lists for it.
    mass = float(evaluate(knee)["rotor_mass"][0]) * 1e3
    assert any(float(row["mass.rotor_g"]) == pytest.approx(mass, rel=1e-6) for row in front)


def test_starters_are_as_shipped() -> None:
    # exact: the invented shop list that `new --stock` writes is that of the study beside it
    assert starter_stock() == (ROOT / "studies/ankle/stock.csv").read_text("utf-8")


# What the stories say


def story(name: str, command: str) -> str:
    text = (ROOT / f"studies/{name}/README.md").read_text("utf-8")
    (body,) = (b for c, b in parts(text).items() if c.startswith(command))
    return body


def test_elbow_has_the_lightest_rotor_that_gives_the_torque() -> None:
    """Independent: every lighter design of the whole space is computed anew and misses a limit."""
    study = load_study(ROOT / "studies/elbow/study.toml")
    found = optimise(study)
    assert found.whole
    best = found.pick("least-rotor-mass")
    figures = evaluate(best)
    assert figures["joint_torque"].item() >= 2.2
    assert evaluate(study)["joint_torque"].item() < 2.2
    mass = figures["rotor_mass"].item()
    lighter = [
        study.varied(dict(found.space.values(found.space.params(name))))
        for name, judged in found.known.items()
        if judged.losses is not None and judged.losses[1] < mass * (1 - 1e-6)
    ]
    assert len(lighter) > 50
    results = evaluate_batch(lighter)
    short = results["joint_torque"].values < 2.2
    full = results["tooth_flux_density"].values > study.flux_limit("tooth")
    yoke = results["yoke_flux_density"].values > study.flux_limit("yoke")
    ring = results["ring_flux_density"].values > study.flux_limit("ring")
    assert (short | full | yoke | ring).all()
    # frozen: 14 poles, four magnets a pole pair, no ring
    rotor = best.rotor
    assert (rotor.pole_pairs, rotor.magnets_per_pole_pair, rotor.steel_ring_mm) == (7, 4, 0.0)


def test_frozen_wrist_layouts_at_fewer_trials() -> None:
    """The table of the story, found again but for a little by a third of the trials."""
    rows = table(story("wrist", "layouts"), "  Mass of")
    fronts = compare_layouts(load_study(ROOT / "studies/wrist/study.toml"), trials=320)
    mass = np.array([float(row[0]) for row in rows]) * 1e-3
    for column, label in ((1, "array"), (3, "plain, steel ring")):
        told = np.array([np.nan if row[column] == "-" else float(row[column]) for row in rows])
        again = fronts.best(label, mass)[0]
        both = np.isfinite(told) & np.isfinite(again) & (mass > 0.06)  # few designs are lighter
        assert both.sum() >= 4
        # rtol: what more trials find
        assert (again[both] <= told[both] * 1.01).all()
        assert (again[both] >= told[both] * 0.85).all()
    told = np.array([[float(row[1]), float(row[3])] for row in rows if "-" not in row])
    assert (told[:, 0] > told[:, 1]).all()


def test_pan_order_by_hand() -> None:
    # exact: 16 places of main, 16 of transverse and 32 of oblique magnets, 25 motors, 4 % spares
    order = cut_list(load_study(ROOT / "studies/pan/study.toml"))
    assert [piece.ordered for piece in order.pieces] == [416, 416, 832]
    # 14 x 3 x 5 mm of 7.5 g/cm3 (sintered NdFeB, handbook value from memory); rtol: 7.4 to 7.6
    assert order.pieces[0].mass_g == pytest.approx(14 * 3 * 5 * 7.5e-3, rel=0.015)


def test_ankle_readings_tell_the_magnet_that_was_turned() -> None:
    """The readings were made up with magnet 23 in the wrong way round."""
    folder = ROOT / "studies/ankle/measured"
    found = as_built(
        load_study(ROOT / "studies/ankle/study.toml"),
        [folder / "scan.csv", folder / "bench-sheet.csv"],
    )
    assert not found.agrees
    assert [([m.number for m in members], kind) for members, kind in found.wrong] == [
        ([23], "flipped")
    ]
