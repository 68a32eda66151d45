"""Text of a CSV file as settings, header and cells: of measured files and of shop lists."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import NamedTuple

from arrayopt.errors import StudyError, echo

_MOST_ROWS = 500_000
_MOST_FAULTS = 10  # of a file; a wrong column would fill the screen otherwise
_BLANK = " \t,;"
_SETTING = re.compile(r"#\s*([A-Za-z]\w*)\s*([=:;,\t])\s*(.*)")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_MARKED = re.compile(r"[+-]?\d{1,3}([.,' \u00a0\u2009\u202f]\d{3})+([.,]\d*)?", re.ASCII)
_BOTH = re.compile(r"(?=.*\.)(?=.*,)[+-]?[\d.,]+", re.ASCII)
_WITH_UNIT = re.compile(r"[+-]?[\d.,]+([eE][+-]?\d+)?\s*[^\d\s.,][^\d]*", re.ASCII)
NO_MARKS = "write no thousands marks, as in 1234.5, or 1234,5 between semicolons or tabs"
SEMICOLONS = "decimal commas need semicolons between the columns; or write a point, as in 4.50"
EMPTY = "leave the cell empty where nothing was read"


class Fault(NamedTuple):
    """One thing that is wrong: line (0 is the file), rule, what was received, remedy."""

    line: int
    rule: str
    got: str
    remedy: str


class Setting(NamedTuple):
    """A line ``# name = value``, or one that has another sign in place of the equals sign."""

    line: int
    name: str
    sign: str
    value: str


@dataclass(frozen=True)
class Table:
    """A file before anybody knows what it means.

    Attributes
    ----------
    settings : tuple of Setting
    head : int
        Line of the header.
    separator : str
    header : tuple of str
        Names of the columns in small letters.
    lines : list of int, length row
        Line on which each row begins.
    columns : tuple of sequence of str
        Cells of each column without blanks at their ends.

    """

    settings: tuple[Setting, ...]
    head: int
    separator: str
    header: tuple[str, ...]
    lines: list[int]
    columns: tuple[Sequence[str], ...]


def told(name: str, faults: Iterable[Fault]) -> list[str]:
    """Return a line of text for each fault of a file, the first ten of them."""
    found = sorted(dict.fromkeys(faults), key=lambda fault: fault.line)
    texts = []
    for fault in found[:_MOST_FAULTS]:
        where = f"{name} line {fault.line}" if fault.line else name
        got = f"; got {fault.got}" if fault.got else ""
        texts.append(f"{where}: {fault.rule}{got}; {fault.remedy}")
    if len(found) > _MOST_FAULTS:
        more = len(found) - _MOST_FAULTS
        texts.append(f"{name}: {more} more faults; correct those above first")
    return texts


def table_of(
    name: str, text: str, faults: list[Fault], *, row: str = "reading", remarks: bool = False
) -> Table:
    """Part a text into settings, header and cells; faults of rows are added to those given.

    Parameters
    ----------
    name : str
        What messages call the file.
    text : str
    faults : list of Fault
    row : str
        What a row is of, for messages.
    remarks : bool
        Whether lines below the header that begin with # are comments whatever they hold.

    Raises
    ------
    StudyError
        If there is no table at all: nothing but comments, zero bytes.

    """
    if "\0" in text:
        raise StudyError([f"{name} is not a CSV file; it holds zero bytes; save it as CSV, UTF-8"])
    lines = text.replace("\r", "\n").split("\n")
    if re.fullmatch(r"\s*sep=.\s*", lines[0]):
        lines[0] = ""  # a hint from one spreadsheet to another
    # Spreadsheets put quotes round a comment that holds their separator.
    marked = {i: line for i, line in enumerate(lines, 1) if line.startswith(("#", '"#'))}
    heads = (i for i, line in enumerate(lines, 1) if i not in marked and line.strip(_BLANK))
    head = next(heads, 0)
    if not head:
        rest = "only comments" if marked else "nothing"
        raise StudyError([f"{name} holds {rest}; give a header line and a row for each {row}"])
    separator = next((mark for mark in "\t;" if mark in lines[head - 1]), ",")
    # Below the header #7 may be the name of a magnet, with its reading beside it.
    comments = {
        i: line
        for i, line in marked.items()
        if remarks or i < head or not any(cell.strip() for cell in line.split(separator)[1:])
    }
    for i in comments:
        lines[i - 1] = ""
    header, starts, columns = _columns(lines, head, separator, faults)
    if not header:
        empty = Fault(head, "the header names no column", "", "write names above the rows")
        raise StudyError(told(name, [f for f in faults if f.line <= head] or [empty]))
    settings = tuple(_settings(comments, separator))
    return Table(settings, head, separator, header, starts, columns)


def _columns(
    lines: list[str], head: int, separator: str, faults: list[Fault]
) -> tuple[tuple[str, ...], list[int], tuple[Sequence[str], ...]]:
    """Names and cells of the columns, and the line on which each row begins."""
    even = _even_columns(lines, head, separator)
    if even:
        starts, columns = even
        return tuple(column.pop(0).lower() for column in columns), starts[1:], tuple(columns)
    rows, starts = _rows(lines, head, separator, faults)
    header = [cell.strip().lower() for cell in rows[0]] if rows else []
    while header and not header[-1]:
        header.pop()
    if len(rows) > 1 + _MOST_ROWS:
        rule, got = f"must have at most {_MOST_ROWS} rows", f"{len(rows) - 1}"
        faults.append(Fault(0, rule, got, "average or thin the readings"))
        rows, starts = rows[:1], starts[:1]
    rows, starts = _even_rows(rows[1:], starts[1:], len(header), separator, faults)
    cells = tuple([cell.strip() for cell in column] for column in zip(*rows, strict=True))
    return tuple(header), starts, cells or tuple([] for _ in header)


def _even_columns(
    lines: list[str], head: int, separator: str
) -> tuple[list[int], list[list[str]]] | None:
    """Lines and cells where nothing is quoted and every row has a cell a column.

    Long files are like that; what the csv module makes of their rows takes far longer.
    """
    rows = [line for line in lines[head - 1 :] if line]
    between = rows[0].count(separator)
    if (
        len(rows) > 1 + _MOST_ROWS
        or rows[0].endswith(separator)
        or any('"' in row or row.count(separator) != between for row in rows)
    ):
        return None
    cells = [cell.strip() for cell in separator.join(rows).split(separator)]
    starts = [i for i, line in enumerate(lines[head - 1 :], head) if line]
    return starts, [cells[i :: between + 1] for i in range(between + 1)]


def _settings(comments: dict[int, str], separator: str) -> Iterable[Setting]:
    for i, comment in comments.items():
        # A spreadsheet fills its lines up with separators to the width of the table.
        text = comment.strip().rstrip(separator).rstrip()
        if text.startswith('"') and text.endswith('"'):
            text = text[1:-1].replace('""', '"')
        match = _SETTING.fullmatch(text)
        if match:
            yield Setting(i, match[1].lower(), match[2], match[3].strip())


def _rows(
    lines: list[str], head: int, separator: str, faults: list[Fault]
) -> tuple[list[list[str]], list[int]]:
    """Cells of the rows from the header on, and the line on which each begins."""
    reader = csv.reader(
        (f"{line}\n" for line in lines[head - 1 :]),
        delimiter=separator,
        strict=True,
        skipinitialspace=True,
    )
    rows, starts, begins = [], [], head
    try:
        for row in reader:
            if row:
                rows.append(row)
                starts.append(begins)
                if len(rows) > 1 + _MOST_ROWS:
                    # counted without their contents
                    rows += [[]] * sum(bool(line.strip()) for line in lines[begins:])
                    break
            begins = head + reader.line_num
    except csv.Error as fault:
        unended = "unexpected end" in str(fault) or "field larger" in str(fault)
        rule = "a quote is never closed" if unended else "quotes must enclose a whole cell"
        remedy = 'write a quote inside a cell twice, as in ""'
        faults.append(Fault(begins, rule, echo(lines[begins - 1]), remedy))
    return rows, starts


def _even_rows(
    rows: list[list[str]], starts: list[int], width: int, separator: str, faults: list[Fault]
) -> tuple[list[list[str]], list[int]]:
    """Rows of equal width: without empty ones and those too long, short ones filled up."""
    if all(len(row) == width for row in rows):
        return rows, starts
    kept, lines, long = [], [], []
    for row, line in zip(rows, starts, strict=True):
        cells = list(row)
        while cells and not cells[-1].strip():
            cells.pop()
        if len(cells) > width:
            long.append((line, echo(separator.join(row))))
        elif cells:
            kept.append(cells + [""] * (width - len(cells)))
            lines.append(line)
    if long:  # one slip makes all of them: it is told once
        line, got = long[0]
        also = f" ({len(long) - 1} more rows too)" if len(long) > 1 else ""
        remedy = SEMICOLONS if separator == "," else "give each row a cell a column"
        faults.append(Fault(line, f"more cells than the {width} columns{also}", got, remedy))
    return kept, lines


def mark_of(table: Table, columns: Iterable[int]) -> tuple[str, bool]:
    """Return the decimal mark of most cells of some columns, and whether there are others."""
    commas = points = 0
    for i in columns:
        text = "\n".join(table.columns[i])
        commas, points = commas + text.count(","), points + text.count(".")
    return ("," if commas > points else "."), bool(commas and points)


def number_fault(
    cell: str, *, mark: str, separator: str, remedy: str = EMPTY
) -> tuple[str, str] | None:
    """Return the rule that a number breaks and a remedy, or None where it is sound."""
    if not _NUMBER.fullmatch(cell):
        if _MARKED.fullmatch(cell) or _BOTH.fullmatch(cell):
            return "must have no thousands mark", NO_MARKS
        if _WITH_UNIT.fullmatch(cell):
            return "must be a number alone", "write no unit; the name says it"
        return "must be a number", remedy
    if "," in cell and separator == ",":
        return "must have no decimal comma", SEMICOLONS
    if mark not in cell and ("." in cell or "," in cell):
        one = "decimal comma" if mark == "," else "decimal point"
        return f"must have a {one} like most cells of this file", NO_MARKS
    finite = isfinite(float(cell.replace(",", ".")))
    return None if finite else ("must be a finite number", remedy)
