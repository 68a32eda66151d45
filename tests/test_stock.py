"""The shop list: reading, directions, lengths, arcs, price. Every list here is invented."""

from __future__ import annotations

import itertools
import json
import re
from math import acos, ceil, cos, degrees, radians, sin

import numpy as np
import pytest
from makers import make_study

from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate, evaluate_batch, load_study
from arrayopt.layout import choices, fit_faults, stock_faults, stock_tables
from arrayopt.machine import winding_faults
from arrayopt.search import optimise
from arrayopt.search.space import space_of
from arrayopt.study import parse_study, revised_text, starter_stock, starter_text
from arrayopt.study.stock import StockRow, read_stock, stock_table

HEADER = "item,shape,length_mm,width_mm,thickness_mm,polarised,grade,price,pieces_per_pack\n"
# Invented: items, sizes, prices and packs are no real shop's.
LIST = HEADER + (
    "five,block,12,5,3,thickness,N42SH,4.00,10\n"
    "four,block,12,4,2.5,thickness,N45H,3.50,10\n"
    "cube,block,12,3,3,thickness,N42SH,4.00,10\n"
    "flat,block,12,3,2,thickness,N42SH,2.50,20\n"
    "along,block,12,2,3,width,N52,3.00,20\n"
    "lying,block,3,12,2.5,thickness,N42SH,3.00,20\n"
    "axial,block,2,3,12,length,N42SH,2.80,20\n"
    "six,block,6,4,3,thickness,N42SH,1.60,20\n"
    "ten,block,10,4,3,thickness,N42SH,2.60,20\n"
    "ten thin,block,10,2,3,width,N42SH,,\n"
)
ARC_HEADER = "item,shape,length_mm,span_deg,thickness_mm,inner_radius_mm,polarised,grade,price\n"
ARCS = {"rotor.main": {"shape": "arc", "span_deg": 6.5, "thickness_mm": 3.0},
        "rotor.transverse": {"shape": "arc", "span_deg": 3.6, "thickness_mm": 3.0}}  # fmt: skip
GRADES = ("N42SH", "N45H", "N52", "N42")
HEAD = starter_text().split("[search]\n")[0]
PAIRS = '"rotor.pole_pairs" = { choices = [10, 14] }\n'
RADIUS, GAP = 41.0, 1.0  # of the starter's stator and airgap


def rows_of(text):
    """Rows of a list, without a file."""
    lines = [line.split(",") for line in text.splitlines()]
    return tuple(
        StockRow.model_validate({k: v for k, v in zip(lines[0], line, strict=False) if v})
        for line in lines[1:]
    )


def shopping(rows=LIST, variables=PAIRS, *, keys="", values=None, bounds=""):
    """The starter study with a shop list; clearances are 0.1 mm."""
    text = (
        f'{HEAD}[search]\nstock = "stock.csv"\n{keys}\n[search.limits]\n{bounds}\n'
        f"[search.variables]\n{variables}"
    )
    text = revised_text(text, values or {})
    return parse_study(text, stock=rows_of(rows) if isinstance(rows, str) else rows)


# Reading


def read(tmp_path, content):
    path = tmp_path / "stock.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_stock(path, grades=GRADES)


def told(tmp_path, content):
    with pytest.raises(StudyError) as fault:
        read(tmp_path, content)
    return [line.replace(f"{tmp_path / 'stock.csv'} ", "") for line in fault.value.faults]


def test_rows_are_read(tmp_path):
    # exact
    rows = read(tmp_path, LIST)
    assert len(rows) == 10
    five = rows[0]
    assert (five.item, five.shape, five.polarised, five.grade) == (
        "five", "block", "thickness", "N42SH",
    )  # fmt: skip
    assert (five.length_mm, five.width_mm, five.thickness_mm) == (12, 5, 3)
    assert (five.price, five.pieces_per_pack) == (4, 10)
    assert (rows[-1].price, rows[-1].pieces_per_pack) == (None, 1)


@pytest.mark.parametrize(
    "change",
    [
        lambda t: "\ufeff" + t,
        lambda t: t.replace("\n", "\r\n"),
        lambda t: "# a note, with a comma\n\n" + t,
        lambda t: t.replace("cube,block", "# cube gone\n\ncube,block"),
        lambda t: t.replace(",", " , "),
        lambda t: t.rstrip("\n"),
        lambda t: t + ",,,,,,,,\n",
    ],
    ids=["byte order mark", "CRLF", "comment", "comment inside", "blanks", "no end", "empty row"],
)
def test_files_of_other_programs_are_read(change, tmp_path):
    assert read(tmp_path, change(LIST)) == read(tmp_path, LIST)


def test_item_with_a_comma_in_quotes(tmp_path):
    # exact
    (row,) = read(tmp_path, HEADER + '"five, long",block,12,5,3,thickness,N42SH,4,10\n')
    assert row.item == "five, long"


def test_columns_may_come_in_any_order_and_price_may_lack(tmp_path):
    content = "grade,polarised,item,thickness_mm,width_mm,length_mm\nN52,width,x,3,2,12\n"
    (row,) = read(tmp_path, content)
    assert (row.shape, row.width_mm, row.price, row.pieces_per_pack) == ("block", 2, None, 1)


def test_the_list_written_back_is_the_list(tmp_path):
    rows = read(tmp_path, LIST)
    header, cells = stock_table(rows)
    assert "span_deg" not in header
    again = "\n".join(",".join(map(str, line)) for line in [header, *cells])
    assert read(tmp_path, again) == rows


def test_starter_list_is_sound(tmp_path):
    path = tmp_path / "stock.csv"
    path.write_text(starter_stock(), encoding="utf-8")
    study = parse_study(starter_text())
    assert len(read_stock(path, grades=study.known("magnets"))) == 27


WRONG = {
    "size that is no number": ("x,block,12,wide,3,thickness,N52,1,1", "width_mm", "got 'wide'"),
    "negative size": ("x,block,-12,5,3,thickness,N52,1,1", "length_mm", "at least 0.3"),
    "huge size": ("x,block,12,5,999,thickness,N52,1,1", "thickness_mm", "at most 300"),
    "not finite": ("x,block,12,5,nan,thickness,N52,1,1", "thickness_mm", "finite", "got 'nan'"),
    "no size": ("x,block,12,5,,thickness,N52,1,1", "thickness_mm is empty", "fill it in"),
    "no width": ("x,block,12,,3,thickness,N52,1,1", "shape block needs width_mm"),
    "no item": (",block,12,5,3,thickness,N52,1,1", "item is empty"),
    "long item": ("x" * 99 + ",block,12,5,3,thickness,N52,1,1", "item", "80 letters"),
    "unknown shape": ("x,disc,12,5,3,thickness,N52,1,1", "shape", "block or arc", "'disc'"),
    "unknown direction": ("x,block,12,5,3,outward,N52,1,1", "polarised", "length, width"),
    "angle too large": ("x,block,12,5,3,120,N52,1,1", "polarised", "angle in degrees"),
    "angle nan": ("x,block,12,5,3,nan,N52,1,1", "polarised", "angle in degrees"),
    "unknown grade": ("x,block,12,5,3,width,N42X,1,1", "unknown grade", "'N42X'", "N42"),
    "negative price": ("x,block,12,5,3,width,N52,-1,1", "price", "at least 0"),
    "half a piece": ("x,block,12,5,3,width,N52,1,1.5", "pieces_per_pack", "whole number"),
    "empty pack": ("x,block,12,5,3,width,N52,1,0", "pieces_per_pack", "at least 1", "got '0'"),
    "decimal comma": ("x,block,12,5,3,width,N52,1,10,4", "more cells than columns", "point"),
}  # fmt: skip


@pytest.mark.parametrize("label", WRONG)
def test_each_wrong_row_is_one_line(label, tmp_path):
    line, *words = WRONG[label]
    (fault,) = told(tmp_path, LIST + line + "\n")
    assert fault.startswith("line 12: ")
    for word in words:
        assert word in fault
    assert ";" in fault  # a remedy follows


def test_wrong_arcs(tmp_path):
    head = HEADER.replace("price", "span_deg,inner_radius_mm,price")
    assert told(
        tmp_path,
        head
        + "no span,arc,12,,3,outward,N52,,42,,\n"
        + "no radius,arc,12,,3,outward,N52,5,,,\n"
        + "wide,arc,12,5,3,outward,N52,5,42,,\n"
        + "edge,arc,12,,3,width,N52,5,42,,\n"
        + "block,block,12,5,3,width,N52,5,,,\n",
    ) == [
        "line 2: a row of shape arc needs span_deg; correct that row",
        "line 3: a row of shape arc needs inner_radius_mm; correct that row",
        "line 4: a row of shape arc has no width_mm; correct that row",
        "line 5: polarised must be outward, across, inward or an angle in degrees; "
        "correct that row",
        "line 6: a row of shape block has no span_deg; correct that row",
    ]


def test_all_faults_come_together_with_their_lines(tmp_path):
    # exact: comments and blank lines count as lines of the file
    content = (
        "# invented\n\n" + HEADER
        + "a,block,12,wide,0,thickness,N52,1,1\n"
        + "# between\n"
        + "b,block,12,5,3,width,N99,1,1\n"
        + "good,block,12,5,3,width,N52,1,1\n"
        + "c,block,12,5,3,sideways,N52,1,1\n"
    )  # fmt: skip
    lines = told(tmp_path, content)
    assert [re.match(r"line (\d+)", line).group(1) for line in lines] == ["4", "4", "6", "8"]
    assert "width_mm" in lines[0]
    assert "thickness_mm" in lines[1]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (LIST.replace("grade", "quality"), ["line 1: unknown column; got 'quality'",
                                            "line 1: column grade is missing"]),
        (LIST.replace(",price", ",grade"), ["line 1: column grade comes twice"]),
        (LIST.replace(",", ";"), ["line 1: columns must be parted by commas; got semicolons"]),
        ("# note\n" + LIST.replace(",", ";"), ["line 2: columns must be parted by commas"]),
        ("item,grade\nx,N52\n", ["column length_mm is missing", "column thickness_mm is missing",
                                 "column polarised is missing"]),
        (HEADER, ["has no rows"]),
        (HEADER + "\n\n# nothing\n", ["has no rows"]),
        ("", ["column item is missing", "", "", "", ""]),
        ("Höhe\n".encode("latin-1"), ["is not UTF-8 text; save it as UTF-8"]),
        (b"PK\x03\x04\0\0", ["not a CSV file; it holds zero bytes"]),
        (HEADER + "x,block,12,5,3,width,N52,1,1\n" * 2001, ["at most 2000 rows; got 2001"]),
        (HEADER + "x" * 1_000_001, ["larger than 1 MB"]),
    ],
)  # fmt: skip
def test_wrong_files(content, words, tmp_path):
    lines = told(tmp_path, content)
    assert len(lines) == len(words)
    for line, word in zip(lines, words, strict=True):
        assert word in line


def test_missing_file(tmp_path):
    with pytest.raises(StudyError, match=r"none\.csv does not exist; name a CSV file"):
        read_stock(tmp_path / "none.csv", grades=GRADES)
    with pytest.raises(StudyError, match="cannot be read"):
        read_stock(tmp_path, grades=GRADES)


@pytest.fixture
def files(tmp_path):
    """Write a study beside its shop list; return the study."""

    def write(content, study=None):
        if content is not None:
            data = content if isinstance(content, bytes) else content.encode()
            (tmp_path / "stock.csv").write_bytes(data)
        text = f'{HEAD}[search]\nstock = "stock.csv"\n[search.variables]\n{PAIRS}'
        (tmp_path / "study.toml").write_text(study or text, encoding="utf-8")
        return tmp_path / "study.toml"

    return write


@pytest.mark.parametrize("command", ["check", "evaluate", "compare", "cut-list", "optimise"])
def test_faults_of_the_list_end_with_2(command, files, run, tmp_path):
    file = files(LIST + "x,block,12,wide,3,thickness,N99,1,1\ny,disc,12,5,3,width,N52,1,1\n")
    more = ("--out", tmp_path / "out") if command == "optimise" else ()
    code, out, messages = run(command, file, *more)
    assert (code, out) == (2, "")
    lines = messages.splitlines()
    assert len(lines) == 2
    for line, place, word in zip(lines, ("line 12", "line 13"), ("wide", "disc"), strict=True):
        assert line.startswith(f"search.stock: {tmp_path / 'stock.csv'} {place}: ")
        assert word in line
    assert not (tmp_path / "out").exists()


def test_faults_of_list_and_study_come_together(files, run):
    wrong = starter_text().split("[search.variables]")[0].replace('"N42SH"', '"N99"')
    wrong += f'stock = "none.csv"\n[search.variables]\n{PAIRS}'
    code, _, messages = run("check", files(None, wrong))
    assert code == 2
    assert len(messages.splitlines()) == 2
    assert "rotor.grade" in messages
    assert "none.csv does not exist" in messages


def test_own_grades_are_known_to_the_list(files):
    own = f'{HEAD}[materials.magnets."N45 old"]\nlike = "N45"\n'
    own += f'[search]\nstock = "stock.csv"\n[search.variables]\n{PAIRS}'
    study = load_study(files(LIST.replace("N52", "N45 old"), own))
    assert study.stock[4].grade == "N45 old"


# Directions


def ways(row):
    """Every way of lying: edges along circumference, radius and shaft, and the polarisation's
    angle from the radius where it has no share along the shaft.
    """
    sizes = {"length": row.length_mm, "width": row.width_mm, "thickness": row.thickness_mm}
    if row.polarised in sizes:
        vector = {row.polarised: 1.0}
    else:
        a = radians(float(row.polarised))
        vector = {"thickness": cos(a), "width": sin(a)}
    for names in itertools.permutations(sizes):
        _, radial, axial = names
        if abs(vector.get(axial, 0)) < 1e-12:
            angle = degrees(acos(min(1.0, vector.get(radial, 0.0))))
            yield tuple(sizes[name] for name in names), angle


def offered(rows, angle, length):
    """Sizes across and along the radius, and grades, that a list has for a direction."""
    return {
        (*size[:2], row.grade)
        for row in rows
        for size, lies in ways(row)
        if abs(lies - angle) < 1e-6 and abs(size[2] - length) < 1e-9
    }


def chosen(study, table):
    return {
        (c.values["width_mm"], c.values["thickness_mm"], c.values["grade"])
        for c in choices(study, table)
    }


@pytest.mark.parametrize(("table", "angle"), [("main", 0), ("transverse", 90)])
def test_choices_are_all_ways_of_lying_with_the_right_direction(table, angle):
    # independent: all six ways of laying each block, kept where the direction is right
    study = shopping()
    expected = offered(study.stock, angle, 12.0)
    assert len(expected) == 6
    assert chosen(study, table) == expected


def test_directions_by_hand():
    # exact: 3 x 2 mm polarised along the 2 mm lies flat as a main magnet and on edge as a
    # transverse one; polarised along the width of 2 mm it is transverse as it is
    study = shopping()
    assert (3.0, 2.0, "N42SH") in chosen(study, "main")
    assert (2.0, 3.0, "N42SH") in chosen(study, "transverse")
    assert (2.0, 3.0, "N42SH") not in chosen(study, "main")
    assert (2.0, 3.0, "N52") in chosen(study, "transverse")
    assert (3.0, 2.0, "N52") in chosen(study, "main")
    assert (2.0, 3.0, "N52") not in chosen(study, "main")


@pytest.mark.parametrize("polarised", ["length", "width", "thickness"])
def test_what_the_edges_are_called_does_not_matter(polarised):
    # exact: one piece of 12 x 5 x 2 mm polarised along 2 mm, called in all its ways
    found = []
    for names in itertools.permutations(("length_mm", "width_mm", "thickness_mm")):
        if names[2] == f"{polarised}_mm":
            row = dict(zip(names, (12, 5, 2), strict=True))
            stock = (StockRow(item="x", polarised=polarised, grade="N52", **row),)
            study = shopping(stock)
            found.append((chosen(study, "main"), chosen(study, "transverse")))
    assert found == [({(5.0, 2.0, "N52")}, {(2.0, 5.0, "N52")})] * 2


def test_a_block_polarised_along_the_shaft_serves_nobody():
    # exact: 12 mm is the polarised edge and the only one as long as the rotor
    stock = rows_of(HEADER + "x,block,12,5,2,length,N52,1,1\n")
    assert choices(shopping(stock), "main") == []


def test_choices_name_their_rows():
    # exact: the sizes of a choice are those of the row that its label names, turned
    study = shopping()
    rows = {row.item: row for row in study.stock}
    for table, angle in (("main", 0.0), ("transverse", 90.0)):
        for choice in choices(study, table):
            size = (choice.values["width_mm"], choice.values["thickness_mm"], choice.length_mm)
            items, _, words = choice.label.partition(": ")
            assert words == f"{size[0]:g} x {size[1]:g}, {size[2]:g} along the shaft"
            for item in items.split(" and "):
                lying = [way for way in ways(rows[item]) if way[0] == size]
                assert any(abs(lies - angle) < 1e-6 for _, lies in lying)
                assert rows[item].grade == choice.values["grade"]


def test_choices_rise_with_thickness():
    thick = [c.values["thickness_mm"] for c in choices(shopping(), "main")]
    assert thick == sorted(thick)
    labels = [c.label for c in choices(shopping(), "main")]
    assert len(set(labels)) == len(labels)


def test_oblique_blocks():
    # independent: six magnets per pole pair turn their oblique ones by 60 degrees
    stock = HEADER + (
        "main,block,12,4,3,thickness,N42SH,1,1\n"
        "sixty,block,12,3,2,60,N42SH,1,1\n"
        "thirty,block,12,2.5,3,30,N52,1,1\n"
        "forty five,block,12,3,3,45,N42SH,1,1\n"
        "along,block,12,3,3,90,N42SH,1,1\n"
    )
    study = make_study(pole_pairs=10, magnets_per_pole_pair=6, kind="slotted").with_stock(
        rows_of(stock)
    )
    expected = offered(study.stock, 60, 12.0)
    # by hand: the second one lies on its side
    assert expected == {(3.0, 2.0, "N42SH"), (3.0, 2.5, "N52")}
    assert chosen(study, "oblique") == expected
    assert chosen(study, "main") == offered(study.stock, 0, 12.0)
    assert stock_tables(study) == ["main", "oblique"]


def test_oblique_magnets_of_two_directions_need_a_row_for_each():
    # exact: twelve per pole pair have oblique magnets at 30 and 60 degrees; a piece of 30 lies
    # on its side for 60, so a square one serves both
    def oblique(rows):
        study = make_study(pole_pairs=5, magnets_per_pole_pair=12, kind="slotted")
        return chosen(study.with_stock(rows_of(HEADER + rows)), "oblique")

    flat = "thirty,block,12,3,2,30,N42SH,1,1\n"
    assert oblique(flat) == set()
    assert oblique(flat + "sixty,block,12,3,2,60,N42SH,1,1\n") == {
        (3.0, 2.0, "N42SH"),
        (2.0, 3.0, "N42SH"),
    }
    assert oblique("square,block,12,3,3,30,N42SH,1,1\n") == {(3.0, 3.0, "N42SH")}


# Lengths


def lengths(study, table):
    return {choice.length_mm for choice in choices(study, table)}


def test_fixed_length():
    # exact
    assert lengths(shopping(), "main") == {12.0}
    assert lengths(shopping(values={"rotor.length_mm": 10.0}), "main") == {10.0}


def test_length_in_rows_of_a_skewed_rotor():
    # exact: two rows of 6 mm
    study = shopping(values={"rotor.skew_steps": 2, "rotor.skew_step_deg": 1.0})
    assert lengths(study, "main") == {6.0}
    assert chosen(study, "main") == offered(study.stock, 0, 6.0)


@pytest.mark.parametrize(
    ("variable", "expected"),
    [
        ("{ low = 9.0, high = 12.0 }", [10.0, 12.0]),
        ("{ low = 9.0, high = 11.0, step = 0.25 }", [10.0]),
        ("{ choices = [6.0, 11.0, 12.0] }", [6.0, 12.0]),
    ],
)
def test_varied_length_is_one_that_all_magnets_have(variable, expected):
    # exact
    study = shopping(variables=f'"rotor.length_mm" = {variable}\n')
    space = space_of(study)
    assert list(space.choices("rotor.length_mm")) == expected
    # Whatever the genes, all magnets of a design are as long as its rotor.
    rng = np.random.default_rng(2)
    for _ in range(200):
        genes = np.array([rng.integers(axis.count) for axis in space.axes], dtype=float)
        params = space.params(space.name(genes))
        for table in ("rotor.main", "rotor.transverse"):
            assert params[table].endswith(f", {params['rotor.length_mm']:g} along the shaft")
        design = study.with_values(space.values(params))
        for table, angle in (("main", 0), ("transverse", 90)):
            magnet = getattr(design.rotor, table)
            size = (magnet.width_mm, magnet.thickness_mm, magnet.grade)
            assert size in offered(study.stock, angle, design.rotor_length_mm)


def test_no_common_length():
    # exact: main arcs of 12 mm, transverse ones of 10 mm
    rows = (
        "o,arc,12,6.5,3,42,outward,N52,1\ni,arc,12,6.5,3,42,inward,N52,1\n"
        "a,arc,10,3.6,3,42,across,N52,1\n"
    )
    text = revised_text(HEAD, ARCS) + '[search]\nstock = "stock.csv"\n[search.variables]\n'
    text += '"rotor.length_mm" = { choices = [10.0, 12.0] }\n'
    study = parse_study(text, stock=rows_of(ARC_HEADER + rows))
    assert stock_faults(study) == []
    with pytest.raises(StudyError, match="no length in common along the shaft; add rows"):
        space_of(study)


def test_nothing_suits():
    # exact: only 15 mm pieces
    stock = HEADER + "m,block,15,9,3,thickness,N52,1,1\n"
    lines = stock_faults(shopping(stock))
    assert [line.split(";")[0] for line in lines] == [
        "search.stock: no block suits rotor.main",
        "search.stock: no block suits rotor.transverse",
    ]
    assert "polarisation 0 deg from the radius, 12 mm along the shaft" in lines[0]
    assert "polarisation 90 deg" in lines[1]
    assert stock_faults(shopping()) == []


def test_nothing_suits_ends_with_2(files, run):
    code, out, messages = run("check", files(HEADER + "m,block,15,9,3,thickness,N52,1,1\n"))
    assert (code, out) == (2, "")
    assert len(messages.splitlines()) == 2


# Arcs


def arc_study(rows, values=None):
    content = parse_study(HEAD).with_values({**ARCS, **(values or {})})
    return content.with_stock(rows_of(ARC_HEADER + rows))


def spans(study, table):
    return [choice.values["span_deg"] for choice in choices(study, table)]


def test_main_arcs_need_both_directions():
    # exact: an arc turned round stays polarised outward
    out, inward = "o,arc,12,7,3,42,outward,N52,1\n", "i,arc,12,7,3,42,inward,N52,1\n"
    assert spans(arc_study(out), "main") == []
    assert spans(arc_study(inward), "main") == []
    assert spans(arc_study(out + inward), "main") == [7.0]
    assert spans(arc_study(out + inward.replace("N52", "N42")), "main") == []
    assert spans(arc_study(out + inward.replace("7,3", "6,3")), "main") == []
    (choice,) = choices(arc_study(out + inward), "main")
    assert choice.label.startswith("o and i: ")
    assert choice.values == {"span_deg": 7.0, "thickness_mm": 3.0, "grade": "N52"}


def test_transverse_arcs():
    # exact: across, or 90 degrees; one piece serves both senses when turned end for end
    assert spans(arc_study("a,arc,12,4,3,42,across,N52,1\n"), "transverse") == [4.0]
    assert spans(arc_study("a,arc,12,4,3,42,90,N52,1\n"), "transverse") == [4.0]
    assert spans(arc_study("a,arc,12,4,3,42,outward,N52,1\n"), "transverse") == []


@pytest.mark.parametrize(
    ("radius", "fits"), [(41.8, False), (41.9, True), (42.0, True), (42.1, True), (42.2, False)]
)
def test_arcs_must_lie_along_the_gap_of_an_outer_rotor(radius, fits):
    # exact: 41 mm of stator, 1 mm of gap, 0.1 mm of clearance
    study = arc_study(f"a,arc,12,4,3,{radius},across,N52,1\n")
    assert bool(choices(study, "transverse")) is fits


@pytest.mark.parametrize(
    ("thickness", "radius", "fits"), [(3, 37.0, True), (3, 37.2, False), (2, 38.0, True)]
)
def test_arcs_must_lie_along_the_gap_of_an_inner_rotor(thickness, radius, fits):
    # exact: 41 mm of bore less 1 mm of gap less the thickness
    study = arc_study(
        f"a,arc,12,4,{thickness},{radius},across,N52,1\n",
        {"rotor.position": "inner", "stator.tooth_width_mm": 4.0},
    )
    assert bool(choices(study, "transverse")) is fits


def test_blocks_do_not_serve_arcs():
    rows = rows_of(LIST)
    study = parse_study(HEAD).with_values(ARCS).with_stock(rows)
    assert choices(study, "main") == []
    assert "no arc suits rotor.main; it needs polarisation 0 and 180 deg" in stock_faults(study)[0]


def test_oblique_arcs():
    # exact: six magnets per pole pair need 60 and 120 degrees
    def oblique(rows):
        study = make_study(pole_pairs=10, magnets_per_pole_pair=6, shape="arc", kind="slotted")
        return spans(study.with_stock(rows_of(ARC_HEADER + rows)), "oblique")

    sixty, other = "a,arc,12,4,3,42,60,N52,1\n", "b,arc,12,4,3,42,120,N52,1\n"
    assert oblique(sixty) == []
    assert oblique(sixty + other) == [4.0]


# Price


def price(study):
    return float(evaluate(study)["price"][0])


SIZES = {
    "rotor.main.width_mm": 5.0, "rotor.main.thickness_mm": 3.0,
    "rotor.transverse.width_mm": 2.0, "rotor.transverse.thickness_mm": 3.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("motors", "spares", "expected"),
    [
        # 28 pieces of 'five' (10 at 4.00) and 28 of 'flat' (20 at 2.50) a motor
        (1, 0, 3 * 4.0 + 2 * 2.5),
        (1, 10, 4 * 4.0 + 2 * 2.5),  # 30.8: 31 pieces
        (5, 0, (14 * 4.0 + 7 * 2.5) / 5),
        (5, 5, (15 * 4.0 + 8 * 2.5) / 5),  # 147 pieces
        (10, 25, (35 * 4.0 + 18 * 2.5) / 10),  # 350 pieces
    ],
)
def test_price_by_hand(motors, spares, expected):
    # exact: whole packs for all motors, over the motors
    study = shopping(values=SIZES | {"order.motors": motors, "order.spares_percent": spares})
    assert price(study) == pytest.approx(expected, rel=1e-12)  # rtol: rounding


def test_price_of_two_families_of_one_row():
    # exact: 56 cubes a motor, not twice 28: 124 with spares are 13 packs, twice 62 were 14
    sizes = {key: 3.0 for key in SIZES}
    study = shopping(values=sizes | {"order.motors": 2, "order.spares_percent": 10})
    assert ceil(2 * 56 * 1.1 / 10) == 13
    assert price(study) == pytest.approx(13 * 4.0 / 2, rel=1e-12)  # rtol: rounding


def test_price_of_a_skewed_rotor():
    # exact: two rows of 28 main pieces of 6 mm; 4 x 3 polarised along 3 lies on edge too
    values = {"rotor.skew_steps": 2, "rotor.skew_step_deg": 1.0, "rotor.main.width_mm": 4.0,
              "rotor.transverse.width_mm": 3.0, "rotor.transverse.thickness_mm": 4.0,
              "order.spares_percent": 0}  # fmt: skip
    study = shopping(values=values)
    # rtol: rounding
    assert price(study) == pytest.approx(ceil(2 * 56 / 20) * 1.60, rel=1e-12)


def test_the_cheaper_of_two_rows_is_taken():
    # exact: the price of a piece decides
    values = SIZES | {"order.spares_percent": 0}
    for extra, packs in (
        ("also five,block,12,5,3,thickness,N42SH,3.00,10\n", 3 * 3.0),
        ("also five,block,12,5,3,thickness,N42SH,5.00,10\n", 3 * 4.0),
        ("also five,block,12,5,3,thickness,N42SH,,10\n", 3 * 4.0),
    ):
        study = shopping(LIST + extra, values=values)
        assert price(study) == pytest.approx(packs + 2 * 2.5, rel=1e-12)  # rtol: rounding


def test_no_price():
    # exact: none without a list, of a piece that is not in it, or that has no price
    assert np.isnan(price(parse_study(starter_text())))
    assert np.isnan(price(shopping(values=SIZES | {"rotor.main.width_mm": 5.5})))
    assert np.isnan(price(shopping(values=SIZES | {"rotor.grade": "N42"})))
    without = LIST.replace(
        "five,block,12,5,3,thickness,N42SH,4.00", "five,block,12,5,3,thickness,N42SH,"
    )
    assert np.isnan(price(shopping(without, values=SIZES)))


def test_price_of_arcs_counts_each_direction():
    # exact: 14 outward, 14 inward and 28 across
    rows = (
        "o,arc,12,6.5,3,42,outward,N42SH,1\ni,arc,12,6.5,3,42,inward,N42SH,10\n"
        "a,arc,12,3.6,3,42,across,N42SH,100\n"
    )
    study = arc_study(rows, {"order.spares_percent": 0})
    expected = 14 * 1 + 14 * 10 + 28 * 100
    assert price(study) == pytest.approx(expected, rel=1e-12)  # rtol: rounding


# Searching


@pytest.mark.parametrize(
    "key", ["rotor.main.width_mm", "rotor.transverse.thickness_mm", "rotor.grade",
            "rotor.main.grade", "rotor.overhang_mm"],
)  # fmt: skip
def test_sizes_are_no_variables_beside_a_list(key):
    values = '["N52"]' if "grade" in key else "[2.0, 3.0]"
    with pytest.raises(StudyError) as fault:
        shopping(variables=f'"{key}" = {{ choices = {values} }}\n')
    assert any(
        line.startswith(f'search.variables."{key}": ')
        and ("search.stock" in line or "shop list has lengths" in line)
        for line in fault.value.faults
    )


def test_flush_is_a_variable_beside_a_list():
    study = shopping(variables='"rotor.transverse.flush" = { choices = ["gap", "back"] }\n')
    assert "rotor.transverse.flush" in space_of(study).distributions


def test_a_list_alone_is_a_space():
    found = optimise(shopping(variables=""), trials=200)
    assert found.whole
    assert set(found.space.distributions) == {"rotor.main", "rotor.transverse"}


@pytest.mark.parametrize(
    ("variables", "values"),
    [
        ('"rotor.skew_steps" = { choices = [2, 3] }\n',
         {"rotor.skew_steps": 2, "rotor.skew_step_deg": 1.0}),
        ('"stator.stack_mm" = { choices = [10.0, 12.0] }\n', {}),
    ],
    ids=["skew", "stack"],
)  # fmt: skip
def test_pieces_are_rows_whatever_else_varies(variables, values):
    # exact: a choice is as long as one row of magnets of the design that it is chosen for
    text = f'{HEAD}[search]\nstock = "stock.csv"\n[search.variables]\n{variables}'
    if not values:
        text = text.replace("length_mm = 12.0              #", "#", 1)
    text = revised_text(text, values)
    extra = "four long,block,4,4,3,thickness,N42SH,1.60,20\n"
    try:
        study = parse_study(text, stock=rows_of(LIST + extra))
    except StudyError as fault:
        assert variables.split('"')[1] in str(fault)
        return
    space = space_of(study)
    for name in space.names():
        params = space.params(name)
        design = study.varied(space.values(params))
        length = design.rotor_length_mm / design.rotor.skew_steps
        assert params["rotor.main"].endswith(f", {length:g} along the shaft")


def test_arcs_lie_along_the_gap_whatever_else_varies():
    # exact: arcs of 42 mm fit a gap of 1 mm, not one of 1.5 mm
    rows = (
        "o,arc,12,6.5,3,42,outward,N42SH,1\ni,arc,12,6.5,3,42,inward,N42SH,1\n"
        "a,arc,12,3.6,3,42,across,N42SH,1\n"
    )
    text = revised_text(HEAD, ARCS) + '[search]\nstock = "stock.csv"\n[search.variables]\n'
    text += '"airgap.length_mm" = { choices = [1.0, 1.5] }\n'
    try:
        study = parse_study(text, stock=rows_of(ARC_HEADER + rows))
    except StudyError as fault:
        assert "airgap.length_mm" in str(fault)
        return
    found = optimise(study, trials=20)
    kept = [found.space.params(name) for name, a in found.known.items() if a.feasible]
    assert {params["airgap.length_mm"] for params in kept} == {1.0}


PRICED = 'objectives = ["machine.continuous_torque_nm", "mass.rotor_g", "order.magnets_price"]\n'


def test_three_objectives_over_a_list_by_all_pairs():
    # independent: every combination of choices and pole pairs, judged one by one; the same
    # combinations come out undominated
    study = shopping(keys=PRICED, values={"order.motors": 3})
    space = space_of(study)
    found = optimise(study, trials=1000)
    assert found.whole
    assert len(found.known) == space.size
    designs = [study.with_values(space.values(space.params(name))) for name in space.names()]
    fitting = [one for one in designs if not fit_faults(one) + winding_faults(one)]
    results = evaluate_batch(fitting)
    held = [
        flux <= one.flux_limit("tooth") and not np.isnan(price)
        for one, flux, price in zip(
            fitting, results["tooth_flux_density"].values, results["price"].values, strict=True
        )
    ]
    figures = np.stack(
        [-results["continuous_torque"], results["rotor_mass"], results["price"]], axis=1
    )[held]
    assert 20 < len(figures) < len(designs)
    assert found.feasible == len(figures)
    # atol: figures of one design and of a batch may differ in their last digits
    near = figures[None] <= figures[:, None] + 1e-9
    less = figures[None] < figures[:, None] - 1e-9
    beaten = (near.all(axis=2) & less.any(axis=2)).any(axis=1)
    best = {tuple(np.round(row, 8)) for row, lost in zip(figures, beaten, strict=True) if not lost}
    front = found.goal.losses(found.front)
    assert {tuple(np.round(row, 8)) for row in front} == best


def test_picks_of_a_search_are_ordered_from_the_list(files, run, tmp_path):
    text = f'{HEAD}[search]\ntrials = 40\nstock = "stock.csv"\n{PRICED}[search.variables]\n{PAIRS}'
    out = tmp_path / "out"
    assert run("optimise", files(LIST, text), "--out", out)[0] == 0
    (tmp_path / "stock.csv").unlink()  # the folder has a list of its own
    picks = sorted(out.glob("*.toml"))
    assert out / "knee.toml" in picks
    code, printed, _ = run("evaluate", out / "knee.toml", "--json")
    assert code == 0
    told = json.loads(printed)["order"]["magnets_price"]
    assert told == pytest.approx(price(load_study(out / "knee.toml")), rel=1e-8)  # nine digits
    for pick in picks:
        study = load_study(pick)
        assert study.stock == rows_of(LIST)
        for table, angle in (("main", 0), ("transverse", 90)):
            magnet = getattr(study.rotor, table)
            size = (magnet.width_mm, magnet.thickness_mm, magnet.grade)
            assert size in offered(study.stock, angle, study.rotor_length_mm)
