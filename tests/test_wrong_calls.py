"""Wrong calls from Python are told like wrong files: one sentence, no bare error of Python's."""

import numpy as np
import pytest
from readme import ROOT

from arrayopt import (
    ArrayoptError,
    as_built,
    compare_layouts,
    confirm,
    load_study,
    optimise,
    read_measured,
    read_search,
    sort_magnets,
    stray,
    sweep,
    tolerance,
    write_drawings,
)

STUDY = load_study(ROOT / "studies/ankle/study.toml")
MEASURED = ROOT / "studies/ankle/measured"
SCAN = MEASURED / "scan.csv"
AS_BUILT = as_built(STUDY, [MEASURED / "bench-sheet.csv"])

WRONG = {
    "no files": (lambda: as_built(STUDY, []), "give one at least"),
    "a scan for a bag": (lambda: sort_magnets(STUDY, *read_measured([SCAN])), "got a Scan"),
    "an estimate of no name": (lambda: AS_BUILT.estimate("foo"), "choose .*remanence"),
    "no worker": (lambda: confirm(STUDY, workers=0), "at least 1 worker"),
    "no mesh": (lambda: confirm(STUDY, size=-1.0), "size above 0"),
    "NaN for a mesh": (lambda: confirm(STUDY, size=np.nan), "size above 0"),
    "a key below a number": (
        lambda: STUDY.with_values({"rotor.pole_pairs.x": 0}), "pole_pairs is no table",
    ),
    "a point inside out": (lambda: stray(STUDY, points=[(-0.045, 0)]), "at least 0"),
    "a point among the magnets": (lambda: stray(STUDY, points=[(0.045, 0)]), "among the magnets"),
    "an unknown figure": (lambda: sweep(STUDY, {"airgap.length_mm": [1.0]}, figures="x"),
                          "unknown figure"),
    "no trials": (lambda: optimise(STUDY, trials=0), "at least 1"),
    "no rotors": (lambda: tolerance(STUDY.with_values({"tolerance.rotors": 0})), "from 200"),
    "no search": (lambda: compare_layouts(STUDY.with_values({"search": None})), "search is miss"),
    "no folder": (lambda: read_search("nowhere"), "holds no search"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_wrong_calls_are_told(name):
    call, told = WRONG[name]
    with pytest.raises(ArrayoptError, match=told):
        call()


def test_one_path_may_stand_for_a_list():
    (scan,) = read_measured(SCAN)
    (same,) = read_measured([str(SCAN)])
    np.testing.assert_array_equal(scan.flux, same.flux)


def test_folders_may_be_text(tmp_path, monkeypatch):
    monkeypatch.setattr("arrayopt.export.drawings.solids_available", lambda: False)
    assert write_drawings(str(tmp_path), STUDY)[0].parent == tmp_path


def test_keys_of_tables_that_the_study_leaves_out():
    without = STUDY.with_values({"drive": None})
    assert without.drive is None
    table = {"drive.voltage_v": 12.0, "drive.peak_current_a": 5.0}
    assert without.with_values(table).drive.voltage_v == 12.0
