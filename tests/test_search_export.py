"""What a search prints and writes: table, JSON, CSV, pictures; the commands show and --choose."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter

import matplotlib.image
import numpy as np
import pytest
import xarray as xr

from arrayopt.comparison import compare
from arrayopt.evaluation import evaluate
from arrayopt.export import report_found, results_folder
from arrayopt.export.cut_list import cut_list
from arrayopt.export.order_tables import order_json
from arrayopt.export.results_folder import write_search
from arrayopt.export.search_pictures import course_picture, front_picture, variables_picture
from arrayopt.export.search_tables import search_json, search_text
from arrayopt.figures import FIGURES, figure
from arrayopt.search import optimise
from arrayopt.search.record import _LOCK, JOURNAL
from arrayopt.study import parse_study, revised_text, starter_text
from arrayopt.study.stock import StockRow

HEAD, VARIABLES = starter_text().split("[search.variables]\n")
FEW = ("--trials", "80")
THREE = 'objectives = ["machine.continuous_torque_nm", "mass.rotor_g", "order.magnets_price"]\n'
PICKS = ("knee", "most-continuous-torque", "least-rotor-mass")
# Invented: items, sizes and prices are no real shop's.
STOCK = tuple(
    StockRow(item=f"{width} by {thick}", length_mm=12, width_mm=width, thickness_mm=thick,
             polarised="thickness", grade="N42SH", price=1 + width * thick / 10, pieces_per_pack=10)
    for width in (3, 4, 5) for thick in (1, 1.5, 2, 3)
)  # fmt: skip


def from_stock():
    """A study with three objectives whose magnets come from a list."""
    text = f'{HEAD}stock = "stock.csv"\n{THREE}[search.variables]\n'
    text += '"rotor.magnets_per_pole_pair" = { choices = [2, 4] }\n'
    text += '"rotor.pole_pairs" = { choices = [10, 13, 14] }\n'
    sizes = {"rotor.main.width_mm": 4.0, "rotor.transverse.width_mm": 3.0}
    return parse_study(revised_text(text, sizes), stock=STOCK)


@pytest.fixture(scope="module")
def two():
    return optimise(parse_study(starter_text()), trials=80)


@pytest.fixture(scope="module")
def three():
    return optimise(from_stock(), trials=80)


@pytest.fixture(scope="module")
def folder(two, tmp_path_factory):
    out = tmp_path_factory.mktemp("two")
    write_search(out, two, compare(two.study))
    return out


@pytest.fixture(scope="module")
def folder_of_three(three, tmp_path_factory):
    out = tmp_path_factory.mktemp("three")
    write_search(out, three, compare(three.study))
    return out


# Table


def test_text_says_how_the_search_went(two):
    text = search_text(two)
    first = text.splitlines()[0]
    assert first == (
        f"{len(two.known)} different designs judged, {two.feasible} keep all limits, "
        f"{len(two.values)} on the front."
    )
    assert text.splitlines()[1].startswith("The last fifth of the designs enlarged the front by ")
    assert max(map(len, text.split("Cautions:")[0].splitlines())) < 160


def test_text_has_a_row_a_pick(two, three):
    for result in (two, three):
        text = search_text(result)
        for start in ("start  ", "knee of the front", "most continuous torque", "least mass of ro"):
            assert sum(line.startswith(start) for line in text.splitlines()) == 1
        assert "no worse than the start's" in text
        assert "Checks" in text
        for label in ("Magnets\n", "Rotor\n"):
            assert label.strip() in text
    assert "Price" not in search_text(two)
    assert "Price of" in search_text(three)


def test_text_names_the_items_of_picks(two, three):
    # exact: the list's items are called by their sizes
    assert "From the shop list" not in search_text(two)
    told = search_text(three).partition("From the shop list:\n")[2].partition("\n\n")[0]
    lines = dict(line.removeprefix("- ").rsplit(": ", 1) for line in told.splitlines())
    named = {name: line for names, line in lines.items() for name in names.split(", ")}
    assert set(named) == set(three.picks)
    for name, index in three.picks.items():
        main = three.design(index).rotor.main
        assert named[name].split(", ")[0] == f"main {main.width_mm:g} by {main.thickness_mm:g}"


def test_text_tells_rows_of_the_list_without_use(three):
    # exact: four names fit nowhere for one reason, three of them are said
    assert "rows of stock.csv can serve" not in search_text(three)
    long = [
        StockRow(item=f"long {i}", length_mm=20, width_mm=18, thickness_mm=15, grade="N42SH",
                 polarised="width") for i in range(4)
    ]  # fmt: skip
    study = from_stock().with_stock((*STOCK, *long))
    some = "long 0, long 1, long 2 and 1 more"
    line = f"12 of 16 rows of stock.csv can serve; {some}: no edge of 12 mm."
    assert line in search_text(optimise(study, trials=20)).splitlines()
    study = from_stock().with_stock((*STOCK, long[0]))
    line = "12 of 13 rows of stock.csv can serve; long 0: no edge of 12 mm."
    assert line in search_text(optimise(study, trials=20)).splitlines()


def test_text_tells_what_only_part_of_the_designs_was_held_to():
    bounds = '"magnets.demagnetised_percent" = { at_most = 1.0 }\n'
    text = f"{HEAD}[search.limits]\n{bounds}[search.variables]\n{VARIABLES}"
    told = search_text(optimise(parse_study(text), trials=40)).splitlines()
    assert " keep all limits, " in told[0]
    assert told[1] == (
        "magnets.demagnetised_percent was computed only for designs that may be on the front."
    )


def test_text_tells_checks_that_picks_miss():
    # independent: `evaluate` of the pick
    hot = revised_text(starter_text(), {"rotor.grade": "N52", "rotor.magnet_temperature_c": 60})
    result = optimise(parse_study(hot), trials=40)
    share = float(evaluate(result.design(result.picks["knee"]))["demagnetised"][0])
    assert share > 0.01
    text = search_text(result)
    knee = next(line for line in text.splitlines() if line.startswith("knee"))
    assert knee.rstrip().endswith("demagnetised share")
    assert "The search did not judge demagnetisation, cogging" in text
    assert '"magnets.demagnetised_percent" = { at_most = 1 } in [search.limits] keeps' in text
    assert search_json(result)["picks"]["knee"]["checks_missed"] == ["demagnetised share"]


def test_text_tells_a_start_outside_its_ranges():
    text = HEAD + '[search.variables]\n"rotor.main.width_mm" = { low = 3.0, high = 4.5 }\n'
    told = search_text(optimise(parse_study(text), trials=40))
    assert "rotor.main.width_mm = 5.0 of the start design is outside" in told


def test_text_tells_what_picks_are_held_to():
    # exact: the start is not in the space, so picks are the ends of the front
    text = HEAD + '[search.variables]\n"rotor.main.width_mm" = { choices = [2.5, 3.0] }\n'
    result = optimise(parse_study(text), trials=10)
    assert result.picks["least-rotor-mass"] == 0
    assert result.picks["most-continuous-torque"] == len(result.values) - 1
    told = search_text(result)
    assert "of all that keep the limits" in told
    assert "no worse than the start's" not in told


# JSON and CSV


def test_json_keys(two, three):
    for result in (two, three):
        content = search_json(result)
        assert set(content) == {
            "objectives", "designs_judged", "designs_feasible", "whole_space", "front_size",
            "front_growth_percent", "importance_percent", "start", "picks",
        }  # fmt: skip
        assert content["objectives"] == [f.key for f in result.objectives]
        assert content["designs_judged"] == len(result.known)
        assert content["designs_feasible"] == result.feasible
        assert content["front_size"] == len(result.values)
        assert content["whole_space"] is result.whole
        assert set(content["importance_percent"]) == {*content["objectives"], "front"}
        for shares in content["importance_percent"].values():
            assert set(shares) == set(result.space.distributions)
        assert set(content["picks"]) == set(result.picks)
        json.dumps(content, allow_nan=False)
        for name, pick in content["picks"].items():
            assert pick["design"] == result.picks[name]
            assert pick["values"] == result.values[pick["design"]]
            assert isinstance(pick["checks_missed"], list)


def test_json_of_picks_has_all_figures(two):
    # independent: `evaluate` of the pick
    content = search_json(two)
    figures = evaluate(two.design(two.picks["knee"]))
    for f in FIGURES:
        table, key = f.key.split(".")
        value = figures[f.name].item()
        # rtol: nine digits are given
        expected = None if np.isnan(value) else pytest.approx(value * f.scale, rel=1e-8)
        assert content["picks"]["knee"][table][key] == expected


@pytest.mark.parametrize("name", ["two", "three"])
def test_front_csv(name, request):
    result = request.getfixturevalue(name)
    out = request.getfixturevalue("folder" if name == "two" else "folder_of_three")
    rows = list(csv.DictReader(io.StringIO((out / "front.csv").read_text("utf-8"))))
    assert [int(row["design"]) for row in rows] == list(range(len(result.values)))
    columns = set(rows[0])
    assert {f.key for f in result.objectives} <= columns
    assert {key for values in result.values for key in values} <= columns
    assert "machine.peak_torque_nm" not in columns  # not computed, so not there
    for i, row in enumerate(rows):
        for f in result.objectives:
            value = float(result.front[f.name][i]) * f.scale
            assert float(row[f.key]) == pytest.approx(value, rel=1e-8)  # rtol: nine digits
        for key, value in result.values[i].items():
            assert row[key] == str(value)
        assert ("magnets.main.item" in row) is (name == "three")
        if name == "three":
            size = f"{float(row['rotor.main.width_mm']):g} by {row['rotor.main.thickness_mm']}"
            assert row["magnets.main.item"] == size.removesuffix(".0")
            assert row["magnets.main.polarised"] == "thickness"
            plain = result.values[i]["rotor.magnets_per_pole_pair"] == 2
            assert bool(row["magnets.transverse.item"]) is not plain
        if name == "two" and result.values[i]["rotor.magnets_per_pole_pair"] == 2:
            assert row["rotor.transverse.width_mm"] == ""


def test_front_netcdf(three, folder_of_three):
    with xr.open_dataset(folder_of_three / "front.nc", engine="h5netcdf") as data:
        data.load()
    assert data.sizes["design"] == len(three.values)
    assert data.attrs["designs_judged"] == len(three.known)
    for f in three.objectives:
        np.testing.assert_array_equal(data[f.name], three.front[f.name])


# Pictures


def test_files_of_a_search(folder, folder_of_three, two, three):
    same = {"front.csv", "front.nc", "front.png", "variables.png", "course.png"}
    picks = {f"{name}.toml" for name in two.picks}
    assert {p.name for p in folder.iterdir()} == same | picks
    picks = {f"{name}.toml" for name in three.picks}
    assert {p.name for p in folder_of_three.iterdir()} == same | picks | {"search-stock.csv"}
    assert set(two.picks) == set(PICKS)


@pytest.mark.parametrize("picture", ["front", "variables", "course"])
def test_pictures_are_drawn(picture, folder, folder_of_three):
    for out in (folder, folder_of_three):
        image = matplotlib.image.imread(out / f"{picture}.png")
        height, width = image.shape[:2]
        assert width >= 900
        assert height >= 500
        ink = (image[..., :3].min(axis=2) < 0.9).mean()
        assert 0.005 < ink < 0.5


def labels(drawing):
    return [text.get_text() for ax in drawing.axes for text in ax.texts]


def test_front_picture_shows_each_pair_of_objectives(two, three):
    comparison = compare(two.study)
    (panel,) = front_picture(two, comparison).axes
    assert (panel.get_xlabel(), panel.get_ylabel()) == (
        figure("rotor_mass").title,
        figure("continuous_torque").title,
    )
    panels = front_picture(three, compare(three.study)).axes
    assert len(panels) == 4
    pairs = {(ax.get_xlabel(), ax.get_ylabel()) for ax in panels[:3]}
    torque, mass, price = (f.title for f in three.objectives)
    assert pairs == {(mass, torque), (price, torque), (price, mass)}


def test_front_picture_plots_the_front_in_shown_units(two):
    (panel,) = front_picture(two, compare(two.study)).axes
    (line,) = [one for one in panel.lines if one.get_label() == "front"]
    mass = two.front["rotor_mass"].values * 1e3
    torque = two.front["continuous_torque"].values
    order = np.argsort(mass)
    np.testing.assert_allclose(line.get_xdata(), mass[order], rtol=1e-12)  # rtol: rounding
    np.testing.assert_allclose(line.get_ydata(), torque[order], rtol=1e-12)
    letters = ", ".join(labels(front_picture(two, compare(two.study))))
    for letter in ("S", "K", "A", "B", "P1", "P2", "P3", "P4"):
        assert letter in letters


def test_variables_picture_has_a_line_a_design_and_names_all_picks(two, three):
    for result in (two, three):
        drawing = variables_picture(result)
        columns = len(result.space.distributions) + len(result.objectives)
        lines = [one for one in drawing.axes[0].lines if len(one.get_xdata()) == columns]
        assert len(lines) == len(result.values) + len(set(result.picks.values()))
        told = ", ".join(labels(drawing))
        for letter, _ in zip("KABC", result.picks, strict=False):
            assert letter in [one.strip() for one in told.split(",")], "a pick without its letter"


def test_course_picture_keeps_its_legend_inside(two, three):
    for result in (two, three):
        drawing = course_picture(result)
        drawing.draw_without_rendering()
        box = drawing.legends[0].get_window_extent()
        assert box.x0 >= 0
        assert box.x1 <= drawing.bbox.x1
        assert box.y1 <= drawing.bbox.y1


def test_course_picture_grows_to_the_whole(two):
    left, right = course_picture(two).axes
    curve = left.lines[0]
    assert curve.get_ydata()[-1] == 100
    assert curve.get_xdata()[-1] == len(two.known)
    assert len(right.get_yticks()) == len(two.space.distributions)


# Commands


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A study and a folder of a search that was stopped before anything was written."""
    place = tmp_path_factory.mktemp("kept")
    file = place / "study.toml"
    file.write_text(starter_text(), encoding="utf-8")
    optimise(parse_study(starter_text()), trials=80, out=place / "out")
    return place


def test_show_tells_what_optimise_does(kept, run, tmp_path):
    code, shown, messages = run("show", kept / "out", "--out", tmp_path / "shown")
    assert code == 0
    assert messages.startswith(f"written to {tmp_path / 'shown'}: front.csv")
    before = (kept / "out" / JOURNAL).read_bytes()
    again = run("show", kept / "out", "--out", tmp_path / "shown", "--json")
    assert json.loads(again[1])["designs_judged"] == 80
    assert (kept / "out" / JOURNAL).read_bytes() == before
    code, told, _ = run("optimise", kept / "study.toml", "--out", kept / "out", *FEW)
    assert (code, told) == (0, shown)
    for file in (tmp_path / "shown").iterdir():
        assert file.read_bytes() == (kept / "out" / file.name).read_bytes(), file.name


@pytest.mark.usefixtures("no_pictures")
def test_show_writes_beside_the_search(run, tmp_path):
    optimise(parse_study(starter_text()), trials=80, out=tmp_path)
    code, _, messages = run("show", tmp_path)
    assert code == 0
    (line,) = messages.splitlines()
    names = set(line.removeprefix(f"written to {tmp_path}: ").split(", "))
    assert names | {JOURNAL, _LOCK} == {p.name for p in tmp_path.iterdir()} | {_LOCK}
    assert {f"{name}.toml" for name in PICKS} <= names


@pytest.mark.parametrize("where", ["nothing", "empty"])
def test_show_of_no_search(where, run, tmp_path):
    (tmp_path / "empty").mkdir()
    code, out, messages = run("show", tmp_path / where)
    assert (code, out) == (2, "")
    assert messages.splitlines() == [
        f"{tmp_path / where} holds no search; give a folder that `arrayopt optimise` wrote to"
    ]


def test_show_of_a_study(run, tmp_path):
    (tmp_path / "study.toml").write_text(starter_text(), encoding="utf-8")
    code, _, messages = run("show", tmp_path / "study.toml")
    assert code == 2
    assert "is a file" in messages


def test_show_of_a_search_that_found_nothing(run, tmp_path):
    text = revised_text(starter_text(), {"limits.tooth_flux_density_t": 0.1})
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    found = run("optimise", tmp_path / "study.toml", "--out", tmp_path / "out", *FEW)
    code, out, messages = run("show", tmp_path / "out")
    assert (code, out) == (3, "")
    assert messages == found[2]
    assert "none of 80 designs keeps all limits" in messages


@pytest.mark.usefixtures("no_pictures_but_the_rotor")
def test_report_of_a_choice(kept, run, two, tmp_path, monkeypatch):
    calls = counted_calls(monkeypatch)
    out = tmp_path / "out"
    code, printed, messages = run(
        "report", kept / "study.toml", "--out", out, *FEW, "--choose", 3, "--json"
    )
    assert code == 0
    content = json.loads(printed)
    assert content["chosen"] == "3"
    assert content["optimise"] == json.loads(json.dumps(search_json(two)))
    assert content["cut_list"] == order_json(cut_list(two.pick("3")))
    assert {"assembly", "strength", "stray", "driver_data"} <= set(content)
    text = (out / "report.txt").read_text("utf-8")
    assert "1. Figures of the chosen design: 3" in text
    assert "2. Beside plain alternating layouts of the chosen design: 3" in text
    figures = json.loads((out / "figures.json").read_text("utf-8"))
    assert content["evaluate"] == figures
    start = json.loads((out / "start" / "figures.json").read_text("utf-8"))
    assert content["start"]["evaluate"] == start != figures
    assert "4. Cut list of the chosen design: 3" in text
    ordered = json.loads((out / "cut-list.json").read_text("utf-8"))
    assert ordered == content["cut_list"]
    chosen = parse_study((out / "chosen.toml").read_text("utf-8"))
    assert chosen.model_dump() == two.pick("3").model_dump()
    assert (out / "rotor.png").read_bytes() != (out / "start" / "rotor.png").read_bytes()
    assert "Design chosen from the search: 3" in (out / "report.html").read_text("utf-8")
    assert "chosen.toml" in messages
    # exact: the start and the chosen design are each evaluated, compared and drawn once
    assert set(calls.values()) == {2}, calls
    assert len(calls) == 6


def counted_calls(monkeypatch):
    """Count what takes the time of a report."""
    calls = Counter()

    def count(module, name):
        own = getattr(module, name)

        def counted(*arguments, **options):
            calls[name] += 1
            return own(*arguments, **options)

        monkeypatch.setattr(module, name, counted)

    for name in ("evaluate", "compare"):
        count(report_found, name)
    for name in ("flux_picture", "rotor_picture", "machine_picture", "demagnetisation_map"):
        count(results_folder, name)
    return calls


@pytest.mark.parametrize("choose", ["lightest", "-1", "knee.toml", "1.5", ""])
def test_report_of_an_unknown_choice(choose, kept, run, tmp_path):
    # Before anything is computed or written.
    code, out, messages = run(
        "report", kept / "study.toml", "--out", tmp_path / "out", *FEW, f"--choose={choose}"
    )
    assert (code, out) == (2, "")
    assert messages.splitlines() == [
        f"--choose {choose} names no design; give {', '.join([*PICKS, 'start'])} or a number of "
        "front.csv"
    ]
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("no_pictures")
def test_report_of_a_number_beyond_the_front(kept, run, tmp_path):
    code, _, messages = run(
        "report", kept / "study.toml", "--out", tmp_path / "out", *FEW, "--choose", "99999"
    )
    assert code == 2
    assert "no design '99999' was found; choose knee" in messages


def test_optimise_help_names_what_it_takes(run):
    told = run("optimise", "--help")[1]
    for option in ("--trials", "--seed", "--workers", "--cluster", "--storage", "--out", "--json"):
        assert option in told
    assert "--storage" in run("show", "--help")[1]
    assert "--choose" in run("report", "--help")[1]
