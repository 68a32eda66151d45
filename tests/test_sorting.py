"""Sorting measured magnets: optimum, spares, kinds, figures, faults, files. All data invented."""

import csv
import dataclasses
import io
import json
import re
from itertools import permutations

import numpy as np
import pytest
from makers import make_study
from matplotlib.backends.backend_agg import FigureCanvasAgg

from arrayopt.errors import StudyError
from arrayopt.export.cut_list import cut_list
from arrayopt.export.polarity_map import map_svg, polarity_map
from arrayopt.export.sorting_tables import assignment_csv, sorting_json, sorting_text
from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout
from arrayopt.layout.members import rotor_members
from arrayopt.measurement import bags, sorting
from arrayopt.measurement.bags import pocket_kinds
from arrayopt.measurement.harms import harms
from arrayopt.measurement.loose import pole_reading
from arrayopt.measurement.records import Loose
from arrayopt.measurement.sorting import sort_magnets
from arrayopt.scatter.outcomes import outcomes, together
from arrayopt.scatter.sources import Drawn, study_ring
from arrayopt.study import starter_text

FILL = {"main": 0.8, "transverse": 0.6, "oblique": 0.7}
SLOTS = {"stator.slots": 12, "stator.slot_opening_mm": 2.0, "stator.tooth_width_mm": 5.0}


def kind_of(found, number):
    """The kind of magnet that a pocket takes."""
    return next(kind for kind in found.kinds if number in kind.pockets)


def motor(pole_pairs=5, magnets=4, **more):
    kind = more.pop("kind", "slotted")
    slots = SLOTS | ({"stator.slots": 9} if pole_pairs == 3 else {})
    slots = slots if kind == "slotted" else {"stator.slots": slots["stator.slots"]}
    values = slots | more.pop("values", {})
    return make_study(
        pole_pairs=pole_pairs, magnets_per_pole_pair=magnets, diameter=60.0, fill=FILL,
        kind=kind, values=values, **more,
    )  # fmt: skip


def ring_of(study):
    return study_ring(study, solve_field(build_layout(study), orders=ORDERS))


def bag(study, *, spares=0, scatter=0.02, seed=1, **more):
    """Readings of all the magnets that a rotor needs, as the study's pieces would read."""
    layout, rng = build_layout(study), np.random.default_rng(seed)
    labels, families, values = [], [], []
    for kind in pocket_kinds(layout, rotor_members(study)):
        count = len(kind.pockets) + spares
        index = [f.name for f in layout.families].index(kind.name.split(" ")[0])
        labels += [f"{kind.name[0]}{kind.name[-1]}{i + 1}" for i in range(count)]
        families += [kind.name] * count
        values += list(pole_reading(layout, index) * (1 + scatter * rng.standard_normal(count)))
    loose = Loose("bag.csv", 0, tuple(labels), tuple(families), np.array(values), "reading")
    return dataclasses.replace(loose, **more)


def deviations_by_pocket(found, loose):
    """Each magnet's reading over the mean of its bag, from the file and the assignment alone."""
    value = dict(zip(loose.labels, np.abs(loose.values), strict=True))
    bags = {}
    for label, family in zip(loose.labels, loose.families, strict=True):
        bags.setdefault(family, []).append(value[label])
    family_of = dict(zip(loose.labels, loose.families, strict=True))
    return np.array(
        [
            value[label] / np.mean(bags[family_of[label]]) - 1
            for _, label in sorted(found.assignment.items())
        ]
    )


def objectives(ring, placed, *, variance):
    """The objective written out: each harm's square over its random mean, mean of those there.

    For bags without spares whose magnets all share one variance: the mean is the sum of squares
    of all magnets' responses times it (exact, as these sum to nothing).
    """
    parts = []
    for response in harms(ring).values():
        expected = variance * (np.abs(response) ** 2).sum()
        if expected > 0:
            parts.append((np.abs(placed @ response) ** 2).sum(axis=-1) / expected)
    return np.mean(parts, axis=0)


@pytest.mark.parametrize(("pole_pairs", "magnets"), [(3, 2), (4, 2), (2, 2)])
def test_exact_optimum_of_one_family(pole_pairs, magnets):
    """Independent: all orders of up to 8 magnets; their objective written out another way."""
    study = motor(pole_pairs, magnets)
    loose = bag(study)
    found = sort_magnets(study, loose)
    d = deviations_by_pocket(found, loose)
    every = np.array(list(permutations(d)))
    ring = ring_of(study)
    values = objectives(ring, every, variance=d.var(ddof=1))
    # Exchanges that gain less than 1e-7 are left.
    assert found.objective_after == pytest.approx(values.min(), rel=1e-6, abs=1e-7)
    assert found.objective_after < 0.9 * values.mean()
    assert values.mean() == pytest.approx(1, rel=1e-9)  # over all orders


def test_exact_optimum_of_two_families():
    """Independent: 4! times 4! orders; variances of the two bags made equal."""
    study = motor(2, 4)
    loose = bag(study, scatter=0)
    shape = np.array([0.03, -0.02, 0.011, -0.021])
    main = [f == "main" for f in loose.families]
    values = loose.values.copy()
    values[main] *= 1 + shape
    values[np.logical_not(main)] *= 1 + shape[[2, 0, 1, 3]]
    loose = dataclasses.replace(loose, values=values)
    found = sort_magnets(study, loose)
    ring = ring_of(study)
    here = ring.family_of == 0
    orders = list(permutations(shape))
    placed = np.zeros((len(orders) ** 2, 8))
    placed[:, here] = np.repeat(orders, len(orders), axis=0)
    placed[:, ~here] = np.tile(orders, (len(orders), 1))
    every = objectives(ring, placed, variance=shape.var(ddof=1))
    assert found.objective_after == pytest.approx(every.min(), rel=1e-5, abs=1e-7)
    assert every.mean() == pytest.approx(1, rel=1e-9)


def test_exact_optimum_with_spares():
    """Independent: every choice and order of 4 from 6 magnets; a constant changes nothing."""
    study = motor(2, 2)
    loose = bag(study, spares=2, scatter=0.05)
    found = sort_magnets(study, loose)
    d = np.abs(loose.values) / np.abs(loose.values).mean() - 1
    values = objectives(ring_of(study), np.array(list(permutations(d, 4))), variance=d.var(ddof=1))
    assert found.objective_after == pytest.approx(values.min(), rel=1e-5, abs=1e-7)
    assert values.mean() == pytest.approx(1, rel=1e-9)
    assert len(found.left_over) == 2
    assert set(found.left_over) | set(found.assignment.values()) == set(loose.labels)


@pytest.mark.parametrize("spares", [0, 2])
@pytest.mark.parametrize("kind", ["slotted", "smooth", "ironless"])
def test_better_than_random_in_every_figure(kind, spares):
    """Every figure below its random mean; the objective below the best of 50 others' draws."""
    values = {} if kind == "slotted" else {
        "stator.winding_thickness_mm": 0.5, "stator.coil_side_mm": 4.0
    }  # fmt: skip
    study = motor(kind=kind, values=values)
    loose = bag(study, spares=spares)
    found = sort_magnets(study, loose)
    task = sorting._task(
        ring_of(study), found.kinds, found.deviations
    )  # its objective is checked above
    rng = np.random.default_rng(123)
    assert found.objective_after < min(task.objective(task.shuffled(rng)) for _ in range(50))
    by_name = {change.name: change for change in found.figures}
    for name in ("pull", "beat", "cogging_slots"):
        change = by_name[name]
        there = not (name == "pull" and kind == "ironless") and not (
            name == "cogging_slots" and kind != "slotted"
        )
        assert (change.mean > 0) == there
        assert change.after <= 0.5 * change.mean
        assert change.after <= change.doubtful <= change.mean
        assert change.low <= change.mean <= change.high
    stray = by_name["stray_waves"]
    assert stray.after < stray.low
    assert by_name["torque_share"].after == pytest.approx(1, abs=0.02)


def test_figures_recomputed_from_the_assignment():
    """Independent of the sorting: readings by label through `outcomes`."""
    study = motor()
    loose = bag(study, spares=1)
    found = sort_magnets(study, loose)
    ring = ring_of(study)
    d = deviations_by_pocket(found, loose)
    again = outcomes(ring, together([Drawn(d[None] @ ring.responses("along"))], ring, 1))
    for change in found.figures:
        # Sums in another order; pull and cogging are small differences of large sums.
        assert change.after == pytest.approx(again[change.name][0], rel=1e-6, abs=1e-12)
    assert [found.deviations[found.assignment[n]] for n in sorted(found.assignment)] == (
        pytest.approx(list(d), abs=1e-12)
    )


def test_harms_are_the_figures_to_first_order():
    """Independent: `outcomes` of small deviations that leave each family's mean alone."""
    study = motor()
    ring = ring_of(study)
    d = np.random.default_rng(3).normal(0, 1e-4, (20, len(ring.magnets.members)))
    for family in range(2):
        here = ring.family_of == family
        d[:, here] -= d[:, here].mean(axis=1, keepdims=True)
    figures = outcomes(ring, together([Drawn(d @ ring.responses("along"))], ring, 20))
    found = harms(ring)
    for name in ("pull", "cogging_slots"):
        linear = np.abs(d @ found[name])[:, 0]
        np.testing.assert_allclose(linear, figures[name], rtol=0, atol=2e-3 * linear.max())
    # Of the beat the largest swing: no more than the sum, no less than the root of squares.
    parts = np.abs(d @ found["beat"])
    assert np.all(figures["beat"] <= parts.sum(axis=1) * 1.001)
    assert np.all(figures["beat"] >= 0.7 * np.linalg.norm(parts, axis=1))


def test_all_magnets_alike_do_no_harm():
    """Exact: what a family shares is a perfect ring's."""
    ring = ring_of(motor())
    for family in range(2):
        for name, response in harms(ring).items():
            shared = response[ring.family_of == family].sum(axis=0)
            assert np.abs(shared).max() < 1e-5 * np.abs(response).max(), name


def test_every_label_once_and_in_its_family():
    study = motor(values={"rotor.skew_steps": 2, "rotor.skew_step_deg": 1.5})
    loose = bag(study, spares=3)
    found = sort_magnets(study, loose)
    used = list(found.assignment.values())
    assert sorted(found.assignment) == [m.number for m in rotor_members(study)]
    assert len(used) == len(set(used)) == 40
    assert sorted([*used, *found.left_over]) == sorted(loose.labels)
    family = dict(zip(loose.labels, loose.families, strict=True))
    for member in found.members:
        assert family[found.assignment[member.number]] == member.family
        assert kind_of(found, member.number).name == member.family


def test_same_seed_same_placement():
    study = motor()
    loose = bag(study, spares=1)
    one, two = (sort_magnets(study, loose, seed=5) for _ in range(2))
    assert one.assignment == two.assignment
    assert one.figures == two.figures
    assert dict(sort_magnets(study, loose, seed=6).assignment) != dict(one.assignment)


def test_only_relative_readings_count():
    """Exact: another gain of the probe for each bag, and signs, change no placement."""
    study = motor()
    loose = bag(study)
    gain = np.where([f == "main" for f in loose.families], 2.0, 0.5)
    sign = np.where(np.arange(len(gain)) % 3, 1, -1)
    turned = dataclasses.replace(loose, values=loose.values * gain * sign)
    found, other = sort_magnets(study, loose), sort_magnets(study, turned)
    assert found.assignment == other.assignment
    assert not any("signs" in line for line in found.cautions)
    assert any("both signs" in line for line in other.cautions)
    assert any("check probe" in line for line in other.cautions)


def test_remanence_from_readings():
    """Exact: readings of the study's own pieces tell the grade; remanences tell themselves."""
    study = motor()
    loose = bag(study, scatter=0)
    found = sort_magnets(study, loose)
    grade = build_layout(study).grades[0][0]
    for kind in found.kinds:
        assert kind.remanence == pytest.approx(grade.remanence)
        assert kind.scatter == pytest.approx(0, abs=1e-9)
    told = dataclasses.replace(loose, values=np.full(len(loose.values), 1.3), kind="remanence")
    found = sort_magnets(study, told)
    assert [kind.remanence for kind in found.kinds] == pytest.approx([1.3, 1.3])
    assert found.objective_after == 0
    assert any("any placement" in line for line in found.cautions)
    assert "Mean remanence" in sorting_text(found)
    assert "remanence_t" in assignment_csv(found)


# Kinds


@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize("magnets", [2, 4, 6, 8])
@pytest.mark.parametrize("alike", [False, True])
def test_kinds_are_pieces_of_the_cut_list(shape, magnets, alike):
    """Independent: the cut list has a row for every piece; kinds of one piece share a row."""
    study = motor(3, magnets, shape=shape)
    if alike and shape == "block":
        tables = {"main", "transverse"} if magnets != 6 else {"main"}
        tables |= {"oblique"} if magnets > 4 else set()
        study = study.with_values(
            {
                f"rotor.{table}.{key}_mm": 3.0
                for table in tables & {"main", *_tables(study)}
                for key in ("width", "thickness")
            }
        )
    layout = build_layout(study)
    kinds = pocket_kinds(layout, rotor_members(study))
    pieces = {}
    for kind in kinds:
        piece = bags.piece_of(layout, kind.name)
        pieces[piece] = pieces.get(piece, 0) + len(kind.pockets)
    assert sorted(pieces.values()) == sorted(p.per_rotor for p in cut_list(study).pieces)


def _tables(study):
    return {member.table for member in rotor_members(study)}


def test_one_piece_for_both_families():
    """With no families said, magnets of one piece may go to either; said, they may not."""
    study = motor(
        2, 4, values={f"rotor.{t}.{k}_mm": 3.0
                      for t in ("main", "transverse") for k in ("width", "thickness")}
    )  # fmt: skip
    loose = bag(study)
    silent = dataclasses.replace(loose, families=("",) * 8)
    one, two = sort_magnets(study, silent), sort_magnets(study, loose)
    assert [kind.name for kind in one.kinds] == ["main and transverse"]
    assert [kind.name for kind in two.kinds] == ["main", "transverse"]
    assert any("same piece" in line for line in two.cautions)
    by_label = dict(zip(loose.labels, loose.families, strict=True))
    crossed = [m for m in one.members if by_label[one.assignment[m.number]] != m.family]
    assert crossed


def test_single_family_needs_no_column():
    study = motor(3, 2)
    loose = bag(study)
    silent = dataclasses.replace(loose, families=("",) * 6)
    assert sort_magnets(study, silent).assignment == sort_magnets(study, loose).assignment


def test_arcs_cannot_be_turned_inside_out():
    study = motor(3, 4, shape="arc")
    loose = bag(study)
    found = sort_magnets(study, loose)
    assert [kind.name for kind in found.kinds] == ["main out", "main in", "transverse"]
    for member in found.members:
        if member.family == "main":
            assert kind_of(found, member.number).name == f"main {member.north}"
    main = dataclasses.replace(loose, families=tuple(f.split(" ")[0] for f in loose.families))
    with pytest.raises(StudyError, match="must be main out or main in or transverse; got 'main'"):
        sort_magnets(study, main)


# Faults


def fault(study, loose, match, count=None):
    with pytest.raises(StudyError, match=match) as told:
        sort_magnets(study, loose)
    assert count is None or len(told.value.faults) == count
    assert all(line.startswith("bag.csv: ") for line in told.value.faults[:10])


def test_faults_of_readings():
    study = motor()
    loose = bag(study)
    fewer = dataclasses.replace(
        loose, labels=loose.labels[1:], families=loose.families[1:], values=loose.values[1:]
    )
    fault(study, fewer, "has 10 pockets of main magnets; got 9 readings; measure 1 more", 1)
    twice = dataclasses.replace(loose, labels=(loose.labels[1], *loose.labels[1:]))
    fault(study, twice, "label of its own; 'mn2' comes 2 times; rename it", 1)
    values = loose.values.copy()
    median = np.median(np.delete(values[:10], 3))
    values[3] = -0.68 * median
    fault(study, dataclasses.replace(loose, values=values), "'mn4' must be within 30 %", 1)
    values[3] = 0.72 * median
    assert sort_magnets(study, dataclasses.replace(loose, values=values)).assignment
    fault(study, dataclasses.replace(loose, values=0 * values), "must not be 0", 1)
    many = 1001
    large = Loose("bag.csv", 0, tuple(map(str, range(many))), ("main",) * many, np.ones(many),
                  "remanence")  # fmt: skip
    fault(study, large, "at most 1000 magnets can be sorted at once; got 1001")


def test_faults_of_families():
    study = motor()
    loose = bag(study)
    fault(study, dataclasses.replace(loose, families=("",) * 20),
          "10 main and 10 transverse; got no families; add a column", 1)  # fmt: skip
    lacking = dataclasses.replace(loose, families=("", *loose.families[1:]))
    fault(study, lacking, "must be main or transverse; got '' for 1 magnets, the first 'mn1'", 1)
    fault(
        study,
        dataclasses.replace(loose, families=("oblique",) * 20),
        "got 'oblique' for 20 magnets",
        1,
    )
    capitals = tuple(f" {family.upper()} " for family in loose.families)
    found = sort_magnets(study, dataclasses.replace(loose, families=capitals))
    assert found.assignment == sort_magnets(study, loose).assignment


# Files and command


def test_map_has_every_label():
    study = motor()
    labels = {n: f"bag-{n:03d}$" for n in range(1, 21)}
    shown = {text.get_text() for ax in polarity_map(study, labels=labels).axes for text in ax.texts}
    assert set(labels.values()) <= shown
    svg = map_svg(study, labels=labels)
    assert svg == map_svg(study, labels=labels)
    assert b"bag-" not in map_svg(study)
    long = {1: "a" * 40, 2: "\U0001f9f2"}
    shown = {text.get_text() for ax in polarity_map(study, labels=long).axes for text in ax.texts}
    assert {"a" * 13 + "...", "?"} <= shown


def test_labels_stay_on_the_sheet():
    study = motor()
    drawing = polarity_map(study, labels=dict.fromkeys(range(1, 21), "WWWWWWWW"))
    page, renderer = drawing.bbox, FigureCanvasAgg(drawing).get_renderer()
    for ax in drawing.axes:
        for text in ax.texts:
            if text.get_text() != "WWWWWWWW":
                continue
            box = text.get_window_extent(renderer)
            assert page.x0 <= box.x0
            assert box.x1 <= page.x1
            assert page.y0 <= box.y0
            assert box.y1 <= page.y1


def test_tables_agree():
    study = motor(values={"rotor.skew_steps": 2, "rotor.skew_step_deg": 1.5})
    loose = bag(study, spares=1)
    found = sort_magnets(study, loose)
    content = json.loads(json.dumps(sorting_json(found), allow_nan=False))
    rows = list(csv.DictReader(io.StringIO(assignment_csv(found))))
    assert list(rows[0]) == [
        "pocket", "row", "family", "north", "magnet", "reading_mt", "deviation_percent",
    ]  # fmt: skip
    assert {int(row["pocket"]): row["magnet"] for row in rows} == dict(found.assignment)
    assert [row["magnet"] for row in content["assignment"]] == [row["magnet"] for row in rows]
    reading = dict(zip(loose.labels, loose.values * 1e3, strict=True))
    for row in rows:
        assert float(row["reading_mt"]) == pytest.approx(reading[row["magnet"]])
    assert [row["magnet"] for row in content["left_over"]] == list(found.left_over)
    pull = content["figures"]["magnetic_pull_n"]
    assert pull["after"] < pull["before_mean"]
    text = sorting_text(found)
    assert all(re.search(rf"\b{label}\b", text) for label in loose.labels)
    assert f"Left over: {', '.join(found.left_over)}" in text


@pytest.fixture
def starter(tmp_path):
    file = tmp_path / "study.toml"
    file.write_text(starter_text(), encoding="utf-8")
    return file


def readings(file, loose):
    lines = [
        f"{label},{family},{value * 1e3:.2f}"
        for label, family, value in zip(loose.labels, loose.families, loose.values, strict=True)
    ]
    file.write_text("magnet,family,reading_mt\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return file


def test_command(run, starter, tmp_path):
    from arrayopt.evaluation import load_study

    study = load_study(starter)
    file = readings(tmp_path / "bag.csv", bag(study, spares=1))
    code, out, messages = run("sort", starter, file, "--out", tmp_path / "out")
    assert code == 0
    assert messages.startswith("written to")
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {"sorting.txt", "sorting.json", "assignment.csv", "polarity-map.svg"}
    assert (tmp_path / "out" / "sorting.txt").read_text("utf-8") == out
    code, told, _ = run("sort", starter, file, "--json", "--seed", 1)
    assert code == 0
    assert told == (tmp_path / "out" / "sorting.json").read_text("utf-8")


def test_command_tells_faults(run, starter, tmp_path):
    from arrayopt.evaluation import load_study

    scan = tmp_path / "scan.csv"
    angles = np.arange(0, 360, 10)
    scan.write_text(
        "angle_deg,flux_density_mt\n"
        + "\n".join(f"{a},{100 * np.cos(np.radians(a)):.3f}" for a in angles),
        encoding="utf-8",
    )
    code, out, messages = run("sort", starter, scan)
    assert (code, out) == (2, "")
    assert "got another kind of file" in messages
    few = bag(load_study(starter))
    few = dataclasses.replace(
        few, labels=few.labels[1:], families=few.families[1:], values=few.values[1:]
    )
    code, out, messages = run("sort", starter, readings(tmp_path / "few.csv", few))
    assert (code, out) == (2, "")
    assert "measure 1 more" in messages
    code, out, messages = run("sort", starter, tmp_path / "none.csv")
    assert (code, out) == (2, "")
    assert "none.csv does not exist" in messages


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("label", ["M11", "W", "Magnet-11", "WWWWWWWWWWWWWWWW"])
def test_no_word_of_the_map_is_cut(position, label):
    """Every text, as large as it is drawn, stands on the sheet and within the axes that clip it."""
    study = make_study(position=position, pole_pairs=5, diameter=60.0)
    labels = {member.number: label for member in rotor_members(study)}
    drawing = polarity_map(study, labels=labels)
    drawing.canvas.draw()
    for ax in drawing.axes:
        for text in ax.texts:
            box = text.get_window_extent()
            assert ax.bbox.x0 <= box.x0, text.get_text()
            assert box.x1 <= ax.bbox.x1, text.get_text()
            assert ax.bbox.y0 <= box.y0, text.get_text()
            assert box.y1 <= ax.bbox.y1, text.get_text()
