"""Arrays and plain layouts, each at its best, at equal rotor mass."""

import csv
import json
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr
from readme import ROOT
from searches import searched, space_text

from arrayopt import compare_layouts, load_study
from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate
from arrayopt.export.layout_tables import layouts_csv, layouts_json, layouts_text
from arrayopt.export.layouts_folder import write_layouts
from arrayopt.figures import figure
from arrayopt.layout import fit_faults
from arrayopt.search.layouts import LAYOUTS, LayoutFronts, layout_studies
from arrayopt.study import parse_study, starter_text

WRIST = load_study(ROOT / "studies/wrist/study.toml")
FEW = {"rotor.main.span_deg": [8.0, 14.0], "rotor.main.thickness_mm": [2.0, 4.0]}


@pytest.fixture(scope="module")
def fronts(tmp_path_factory):
    out = tmp_path_factory.mktemp("layouts")
    return compare_layouts(WRIST, trials=40, out=out), out


def invented(**found):
    """Fronts of which only masses [g] and torques are known."""
    found = {
        label: SimpleNamespace(
            front=xr.Dataset(
                {
                    "rotor_mass": ("design", np.array(mass) * 1e-3),
                    "continuous_torque": ("design", np.array(torque, dtype=float)),
                }
            )
        )
        for label, (mass, torque) in found.items()
    }
    return LayoutFronts(WRIST, figure("continuous_torque"), found, ())


def test_best_by_hand():
    # exact: the most torque among rotors that are light enough
    one = invented(array=([50, 60, 80], [1.0, 3.0, 2.0]))
    torque, design = one.best("array", np.array([40, 50, 59.9, 60, 100]) * 1e-3)
    np.testing.assert_array_equal(torque, [np.nan, 1.0, 1.0, 3.0, 3.0])
    np.testing.assert_array_equal(design, [-1, 0, 0, 1, 1])


def test_leads_by_hand():
    # exact: one leads until the other's heavy design, which then leads by half
    light, heavy = ([40, 50, 100], [1.0, 2.0, 2.0]), ([40, 70, 100], [0.5, 3.0, 3.0])
    first, second = invented(array=light, plain=heavy).leads("array", "plain")
    assert (first.leader, second.leader) == ("array", "plain")
    assert first.low == pytest.approx(0.040)
    # atol: a step of the 400 masses looked at
    assert first.high == pytest.approx(0.070, abs=2e-4)
    assert second.high == pytest.approx(0.100)
    assert first.most == pytest.approx(3.0)  # 2.0 against 0.5
    assert second.most == pytest.approx(0.5)  # 3.0 against 2.0


def test_only_masses_that_both_have_count():
    one = invented(array=([40, 60], [1.0, 2.0]), plain=([50, 90], [0.5, 0.6]))
    (lead,) = one.leads("array", "plain")
    assert (lead.low, lead.high) == (pytest.approx(0.050), pytest.approx(0.060))
    assert invented(array=([40], [1.0]), plain=([50, 60], [1.0, 2.0])).leads("array", "plain") == []
    assert one.middle == pytest.approx(0.052, abs=0.005)  # where both have a design


def test_no_torque_at_all_is_no_lead():
    # exact: as where the ambient is at a limit already
    none = invented(array=([40, 60], [0.0, 0.0]), plain=([40, 60], [0.0, 0.0]))
    assert [lead.leader for lead in none.leads("array", "plain")] == [None]


def test_layouts_a_hundredth_apart_are_even():
    (lead,) = invented(array=([40, 90], [1.0, 2.0]), plain=([40, 90], [0.992, 2.015])).leads(
        "array", "plain"
    )
    assert lead.leader is None
    assert lead.most == pytest.approx(1 / 0.992 - 1)


def test_a_lead_over_a_gram_of_a_hundred_is_chance():
    early, late = ([50, 90, 150], [1.0, 2.0, 3.0]), ([50, 91, 150], [0.9, 1.9, 2.8])
    # exact: before its second design the array has half of the other's torque, over 1 g of 100
    (lead,) = invented(array=late, plain=early).leads("array", "plain")
    assert lead.leader == "plain"
    behind = invented(array=([50, 90, 91, 150], [1, 2, 2.1, 3]), plain=([50, 89, 150], [0.9, 2, 2]))
    assert {lead.leader for lead in behind.leads("array", "plain")} == {"array"}


def test_each_layout_is_what_it_is_called():
    found, _ = layout_studies(WRIST)
    assert tuple(found) == LAYOUTS
    for label, study in found.items():
        free = study.search.variables
        counts = free["rotor.magnets_per_pole_pair"].choices
        assert counts == ([4] if label.startswith("array") else [2])
        assert any(".transverse." in key for key in free) == label.startswith("array")
        ring = free["rotor.steel_ring_mm"]
        assert (ring.choices == [0.0]) == ("ring" not in label)
        assert study.search.objectives == ["machine.continuous_torque_nm", "mass.rotor_g"]
        # exact: a study of its own, with a search that can be repeated from its file
        assert parse_study(study.text).search == study.search


@pytest.mark.parametrize("name", ["wrist/study", "pan/study", "ankle/study"])
def test_plain_magnets_may_be_as_wide_as_fits(name):
    study = load_study(ROOT / f"studies/{name}.toml")
    found, told = layout_studies(study)
    plain, free = found["plain"], study.search.variables
    size = "span_deg" if study.rotor.main.shape == "arc" else "width_mm"
    key = f"rotor.main.{size}"
    most = plain.search.variables[key].high
    assert most > free[key].high
    assert any(key in line and f"{most:g}" in line for line in told)
    # independent: that width fits at some thickness with the fewest poles, a step more at none
    pairs = free.get("rotor.pole_pairs")
    values = {
        "rotor.magnets_per_pole_pair": 2, "rotor.transverse": None, "rotor.oblique": None,
        "rotor.pole_pairs": min(pairs.choices) if pairs else study.rotor.pole_pairs,
        "rotor.steel_ring_mm": 0.0, "search": None,
    }  # fmt: skip
    depth = free["rotor.main.thickness_mm"]
    deep = [{**values, "rotor.main.thickness_mm": t} for t in (depth.low, depth.high)]
    assert any(not fit_faults(study.with_values({**one, key: most})) for one in deep)
    step = free[key].step
    assert all(fit_faults(study.with_values({**one, key: most + step})) for one in deep)


def test_thin_blocks_of_an_inner_rotor_may_be_wider():
    # Their tightest place is at the back: what fits at 8 mm is far from what fits at 2.
    study = WRIST.with_values(
        {
            "rotor.main": {"shape": "block", "width_mm": 3.8, "thickness_mm": 4.0},
            "rotor.transverse": {"shape": "block", "width_mm": 1.8, "thickness_mm": 4.0},
            "search.variables": {
                "rotor.main.width_mm": {"low": 2.0, "high": 5.0, "step": 0.5},
                "rotor.main.thickness_mm": {"low": 2.0, "high": 8.0, "step": 0.5},
            },
        }
    )
    found, _ = layout_studies(study)
    assert found["plain"].search.variables["rotor.main.width_mm"].high > 6


@pytest.mark.parametrize(
    ("ring", "expected"),
    [
        ({"low": 0.25, "high": 2.25, "step": 0.5}, (0.25, 2.25, 0.5)),
        ({"low": 0.0, "high": 2.0, "step": 0.5}, (0.5, 2.0, 0.5)),
        ({"low": 0.0, "high": 2.0}, (0.1, 2.0, None)),
    ],
)
def test_rings_stay_on_the_users_steps(ring, expected):
    variables = {"rotor.main.span_deg": {"choices": [8.0, 14.0]}, "rotor.steel_ring_mm": ring}
    found, _ = layout_studies(WRIST.with_values({"search.variables": variables}))
    free = found["plain, steel ring"].search.variables["rotor.steel_ring_mm"]
    assert (free.low, free.high, free.step) == expected


def test_one_ring_thickness_and_magnets_past_the_shaft():
    variables = {
        "rotor.main.thickness_mm": {"low": 2.0, "high": 25.0},
        "rotor.steel_ring_mm": {"low": 0.0, "high": 0.1},
    }
    found, _ = layout_studies(WRIST.with_values({"search.variables": variables}))
    ringed = found["plain, steel ring"].search.variables
    assert ringed["rotor.steel_ring_mm"].choices == [0.1]
    assert ringed["rotor.main.span_deg"].high > 20


def test_rings_and_choices_of_the_study_are_kept():
    choices = {**FEW, "rotor.steel_ring_mm": [0.0, 1.5, 2.0]}
    study = WRIST.with_values(
        {"search.variables": {key: {"choices": values} for key, values in choices.items()}}
    )
    found, told = layout_studies(study)
    assert found["plain, steel ring"].search.variables["rotor.steel_ring_mm"].choices == [1.5, 2.0]
    assert found["plain"].search.variables["rotor.main.span_deg"].choices == [8.0, 14.0]
    assert told == ["plain: rotor.main.span_deg keeps to the choices of the search"]


def test_rings_are_thick_enough_for_the_largest_plain_magnets():
    found, _ = layout_studies(WRIST)
    ringed = found["plain, steel ring"]
    free = ringed.search.variables
    largest = ringed.with_values(
        {
            "rotor.magnets_per_pole_pair": 2, "rotor.transverse": None, "search": None,
            "rotor.main.span_deg": 23.2,  # as wide as fits at that thickness
            "rotor.main.thickness_mm": free["rotor.main.thickness_mm"].high,
            "rotor.steel_ring_mm": free["rotor.steel_ring_mm"].high,
        }
    )  # fmt: skip
    flux = evaluate(largest)["ring_flux_density"].item()
    assert flux < largest.flux_limit("ring")


def test_a_plain_study_has_no_array_to_search():
    study = searched(
        space_text({"rotor.main.width_mm": [4.0, 5.0]}),
        values={"rotor.magnets_per_pole_pair": 2, "rotor.transverse": None},
    )
    found, told = layout_studies(study)
    assert list(found) == ["plain", "plain, steel ring"]
    assert any("no array is searched" in line for line in told)


def test_a_study_without_search_is_told():
    with pytest.raises(StudyError, match="search is missing"):
        compare_layouts(parse_study(starter_text().split("[search]")[0]))


def test_magnets_from_a_shop(tmp_path):
    study = load_study(ROOT / "studies/ankle/from-stock.toml")
    result = compare_layouts(study, trials=10)
    write_layouts(tmp_path, result)
    assert load_study(tmp_path / "array.toml").stock == study.stock
    items = {row.item for row in study.stock}
    assert set(result.found) >= {"array", "plain"}
    for found in result.found.values():
        assert {params["rotor.main"].split(":")[0] for params in found.params} <= items


def test_searches_go_on_where_they_were(fronts):
    # exact: the folders hold the searches, so nothing is judged anew
    found, out = fronts
    again = compare_layouts(WRIST, trials=40, out=out)
    assert (out / "plain-steel-ring/search.journal").is_file()
    for label, result in found.found.items():
        assert again.found[label].values == result.values


def test_text_and_data_say_the_same(fronts):
    found, _ = fronts
    text, data = layouts_text(found), layouts_json(found)
    json.dumps(data, allow_nan=False)
    for label, row in data["layouts"].items():
        best = found.best(label, found.masses)[0]
        assert row["best"] == [None if np.isnan(v) else pytest.approx(v) for v in best]
        assert label.split(",")[0] in text
    rows = list(csv.DictReader(layouts_csv(found).splitlines()))
    assert len(rows) == sum(len(result.values) for result in found.found.values())
    assert {row["layout"] for row in rows} == set(found.found)
    for lead in found.leads("array", "plain, steel ring"):
        if lead.leader:
            assert f"{lead.leader} leads from {lead.low * 1e3:.0f}" in text


def test_the_command(run, tmp_path):
    study = ROOT / "studies/wrist/study.toml"
    code, text, told = run("layouts", study, "--trials", "20", "--out", tmp_path)
    assert code == 0
    assert "Array against plain, steel ring: " in text
    written = ("layouts.txt", "layouts.json", "layouts.csv", "layouts.png", "array.toml",
               "plain.toml", "plain-steel-ring.toml", "array-steel-ring.toml")  # fmt: skip
    assert all(name in told and (tmp_path / name).stat().st_size for name in written)
    ringed = load_study(tmp_path / "plain-steel-ring.toml")
    assert ringed.rotor.magnets_per_pole_pair == 2
    # exact: the files are the designs of the table
    told = json.loads((tmp_path / "layouts.json").read_text("utf-8"))["designs"]
    values = told["plain, steel ring"]["values"]
    assert ringed.rotor.main.span_deg == values["rotor.main.span_deg"]
