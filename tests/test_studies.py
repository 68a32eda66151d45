"""Every shipped study runs through the whole job."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
import xarray as xr
from readme import ROOT

from arrayopt.cli import commands
from arrayopt.evaluation import evaluate, load_study
from arrayopt.study import starter_stock

STUDIES = sorted((ROOT / "studies").glob("*/*.toml"))


# Whole reports of one outer and one inner rotor; of the others what comes before and after.
WHOLE = ("ankle/study", "wrist/study")


def command(*arguments: str | Path) -> None:
    commands.main([str(one) for one in arguments], standalone_mode=False)


def test_there_are_studies() -> None:
    names = [f"{path.parent.name}/{path.stem}" for path in STUDIES]
    assert names == ["ankle/from-stock", "ankle/study", "pan/study", "wrist/study"]


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
        assert stored.sizes["design"] == len(front) > 3
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
