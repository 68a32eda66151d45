"""Reading shop lists. Every list here is invented."""

from __future__ import annotations

import re

import pytest
from shop import GRADES, HEAD, HEADER, LIST, PAIRS

from arrayopt.errors import StudyError
from arrayopt.evaluation import load_study
from arrayopt.study import parse_study, starter_stock, starter_text
from arrayopt.study.stock import read_stock, stock_table

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
        lambda t: t + ",,,,,,,,,\n",
        lambda t: t.replace("\n", ",,\n"),
        lambda t: t.replace("cube,block", "#out,block,12,5,3,width,N52,1,1\ncube,block"),
        lambda t: t.replace(",", ";"),
        lambda t: t.replace(",", ";").replace(".", ","),
        lambda t: "\ufeff" + t.replace(",", ";").replace(".", ",").replace("\n", "\r\n"),
        lambda t: "sep=;\n" + t.replace(",", ";").replace(".", ","),
        lambda t: t.replace(",", "\t"),
        lambda t: t.replace(",", "\t").replace(".", ","),
        lambda t: t.replace("block", "BLOCK").replace("thickness,", "Thickness,"),
        lambda t: t.replace("item,shape", "Item,Shape"),
    ],
    ids=[
        "byte order mark", "CRLF", "comment", "comment inside", "blanks", "no end", "empty row",
        "longer empty row", "filled up", "row that is a comment", "semicolons", "decimal commas",
        "decimal commas, byte order mark, CRLF", "hint", "tabs", "tabs and decimal commas",
        "words in capitals", "names in capitals",
    ],
)  # fmt: skip
def test_files_of_other_programs_are_read(change, tmp_path):
    assert read(tmp_path, change(LIST)) == read(tmp_path, LIST)


def test_an_angle_may_have_a_decimal_comma(tmp_path):
    # exact
    row = HEADER + "x,block,12,5,3,22.5,N52,1,1\n"
    (found,) = read(tmp_path, row.replace(",", ";").replace(".", ","))
    assert found.angle_deg == 22.5


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
    "short direction": ("x,block,12,5,3,T,N52,1,1", "or an angle", "from 0 to 90; got 'T'; "),
    "unit": ("x,block,12 mm,5,3,width,N52,1,1", "length_mm must be a number alone; got '12 mm'"),
    "currency": ("x,block,12,5,3,width,N52,$4.50,1", "price must be a number; got '$4.50'"),
    "quoted decimal comma": ('x,block,12,5,3,width,N52,"4,50",1', "no decimal comma; got '4,50'"),
    "name taken": ("five,block,12,5,3.5,width,N52,1,1", "twice, first on line 2", "got 'five'"),
    "other packs": ("five,block,12,5,3,thickness,N42SH,9.00,99", "line 2, and the rows differ"),
    "angle too large": ("x,block,12,5,3,120,N52,1,1", "polarised", "angle in degrees"),
    "angle nan": ("x,block,12,5,3,nan,N52,1,1", "polarised", "angle in degrees"),
    "unknown grade": ("x,block,12,5,3,width,N42X,1,1", "unknown grade", "'N42X'", "N42"),
    "negative price": ("x,block,12,5,3,width,N52,-1,1", "price", "at least 0"),
    "half a piece": ("x,block,12,5,3,width,N52,1,1.5", "pieces_per_pack", "whole number"),
    "empty pack": ("x,block,12,5,3,width,N52,1,0", "pieces_per_pack", "at least 1", "got '0'"),
    "decimal comma": ("x,block,12,5,3,width,N52,1,10,4", "more cells than the 9 columns", "point"),
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
        "line 5: polarised must be outward, across, inward or an angle in degrees from 0 to 180; "
        "got 'width'; correct that row",
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
        ("item,grade\nx,N52\n", ["column length_mm is missing", "column width_mm is missing",
                                 "column thickness_mm is missing", "column polarised is missing"]),
        (HEADER, ["has no rows"]),
        (HEADER + "\n\n# nothing\n", ["has no rows"]),
        ("", ["holds nothing; give a header line and a row for each magnet"]),
        ("# note\n", ["holds only comments; give a header line"]),
        (HEADER + '"x,block', ["line 2: a quote is never closed"]),
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


def test_decimal_commas_of_a_whole_list_are_told_once(tmp_path):
    # exact: the nine rows with a price have a cell too many
    lines = LIST.splitlines()
    broken = "\n".join([lines[0], *(line.replace(".", ",", 1) for line in lines[1:])])
    (fault,) = told(tmp_path, broken)
    assert fault.startswith("line 2: more cells than the 9 columns (8 more rows too); got 'five,")
    assert fault.endswith("decimal commas need semicolons between the columns; or write a point, "
                          "as in 4.50")  # fmt: skip


def test_a_price_with_a_thousands_mark_is_not_guessed(tmp_path):
    content = LIST.replace(",", ";").replace(".", ",") + "x;block;12;5;3;width;N52;1.250;1\n"
    (fault,) = told(tmp_path, content)
    assert fault.startswith("line 12: price must have a decimal comma like most cells")


def test_columns_nearly_right_are_named(tmp_path):
    # exact
    header = HEADER.replace("length_mm,width_mm", "length,width").replace("pieces_per_pack", "pack")
    assert told(tmp_path, header.replace("polarised", "polarisation") + "x\n") == [
        "line 1: unknown column; got 'length'; did you mean length_mm?",
        "line 1: unknown column; got 'width'; did you mean width_mm?",
        "line 1: unknown column; got 'polarisation'; did you mean polarised?",
        "line 1: unknown column; got 'pack'; did you mean pieces_per_pack?",
        "line 1: column length_mm is missing; rename 'length' to it",
        "line 1: column width_mm is missing; rename 'width' to it",
        "line 1: column polarised is missing; rename 'polarisation' to it",
    ]


def test_a_row_that_comes_twice_alike_does_no_harm(tmp_path):
    assert set(read(tmp_path, LIST + LIST.splitlines()[1])) == set(read(tmp_path, LIST))


def test_ten_faults_and_how_many_more(tmp_path):
    # exact
    lines = told(tmp_path, HEADER + "x,block,12,wide,3,width,N52,1,1\n" * 25)
    assert len(lines) == 11
    assert lines[10].endswith(": 15 more faults; correct those above first")


def test_missing_file(tmp_path):
    with pytest.raises(StudyError, match=r"none\.csv does not exist; name a CSV file"):
        read_stock(tmp_path / "none.csv", grades=GRADES)
    with pytest.raises(StudyError, match=r"copy its list along, or remove search\.stock$"):
        read_stock(tmp_path / "none.csv", grades=GRADES)
    with pytest.raises(StudyError, match="is a folder; give the file inside it"):
        read_stock(tmp_path, grades=GRADES)


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
