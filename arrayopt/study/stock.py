"""The user's own shop list: magnets that can be had, one a row of a CSV file."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from arrayopt.errors import StudyError, echo, known_ones
from arrayopt.study.names import near_name
from arrayopt.study.table import Fault, Table, mark_of, number_fault, table_of, told
from arrayopt.study.text import file_text

_MOST_ROWS = 2000


class StockRow(BaseModel):
    """One magnet of a shop list.

    A block has three edges; ``polarised`` names the edge that its polarisation runs
    along, or gives the angle from the thickness towards the width in degrees. An arc
    has the radius of its inner face; ``polarised`` is ``outward``, ``inward``,
    ``across`` or the angle from the outward radius through its middle in degrees.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    item: str = Field(min_length=1, max_length=80)
    shape: Literal["block", "arc"] = "block"
    length_mm: float = Field(ge=0.3, le=300)
    width_mm: float | None = Field(None, ge=0.3, le=300)
    thickness_mm: float = Field(ge=0.3, le=300)
    span_deg: float | None = Field(None, ge=0.2, le=180)
    inner_radius_mm: float | None = Field(None, ge=0.1, le=1000)
    polarised: str
    grade: str
    price: float | None = Field(None, ge=0, le=1e6)
    pieces_per_pack: int = Field(1, ge=1, le=100000)

    @field_validator("shape", "polarised", mode="before")
    @classmethod
    def _in_any_case(cls, word: Any) -> Any:
        low = word.lower() if isinstance(word, str) else word
        return low if low in (*_EDGES, *_EDGES["block"], *_EDGES["arc"]) else word

    @model_validator(mode="after")
    def _shape_has_its_sizes(self) -> StockRow:
        needed = ("width_mm",) if self.shape == "block" else ("span_deg", "inner_radius_mm")
        for name in ("width_mm", "span_deg", "inner_radius_mm"):
            given = getattr(self, name) is not None
            if given != (name in needed):
                told = f"{'needs' if name in needed else 'has no'} {name}"
                raise ValueError(f"a row of shape {self.shape} {told}")
        angle = self.angle_deg
        if angle is None and self.polarised not in _EDGES[self.shape]:
            words = ", ".join(_EDGES[self.shape])
            most = _LARGEST_ANGLE[self.shape]
            raise ValueError(
                f"polarised must be {words} or an angle in degrees from 0 to {most}; got "
                f"{echo(self.polarised)}"
            )
        return self

    @property
    def angle_deg(self) -> float | None:
        """Angle of the polarisation where the row gives one, else None."""
        word = _ARC_ANGLES.get(self.polarised) if self.shape == "arc" else None
        if word is not None:
            return word
        try:
            angle = float(self.polarised)
        except ValueError:
            return None
        return angle if 0 <= angle <= _LARGEST_ANGLE[self.shape] else None


_ARC_ANGLES = {"outward": 0.0, "across": 90.0, "inward": 180.0}
_EDGES = {"block": ("length", "width", "thickness"), "arc": tuple(_ARC_ANGLES)}
_LARGEST_ANGLE = {"block": 90, "arc": 180}
_NUMBERS = (
    "length_mm", "width_mm", "thickness_mm", "span_deg", "inner_radius_mm", "price",
    "pieces_per_pack", "polarised",
)  # fmt: skip
_NOT_FINITE = ("nan", "inf", "infinity")  # numbers to Python, told as not finite
_NEEDED = [name for name, field in StockRow.model_fields.items() if field.is_required()]


def read_stock(path: Path, *, grades: Collection[str]) -> tuple[StockRow, ...]:
    """Read a shop list.

    Parameters
    ----------
    path : Path
        CSV, its columns parted by commas, semicolons or tabs (decimal commas between the
        latter two), with a header line of the fields of `StockRow`; empty cells are left
        out, and lines that begin with #.
    grades : collection of str
        Known magnet grades.

    Raises
    ------
    StudyError
        With one line for every fault: file and line, rule, value received, remedy. There
        are at most ten, and how many more.

    """
    text = file_text(
        path,
        missing="name a CSV file beside the study: if the study was moved, copy its list along, "
        "or remove search.stock",
        kind="a shop list has a line a magnet",
    )
    name = str(path)
    faults: list[Fault] = []
    table = table_of(name, text, faults, row="magnet", remarks=True)
    of_header = _header_faults(table)
    if of_header:  # without a header that is understood, its rows say nothing
        raise StudyError(told(name, of_header))
    found = _found(table, faults)
    for line, row in found:
        if row.grade not in grades:
            near = known_ones(row.grade, list(grades))
            faults.append(Fault(line, "unknown grade", echo(row.grade), near))
    faults += _twice(found)
    if not found and not faults:
        faults.append(Fault(0, "has no rows", "", "add one magnet a line"))
    if len(found) > _MOST_ROWS:
        rule = f"must have at most {_MOST_ROWS} rows"
        faults.append(Fault(0, rule, f"{len(found)}", "shorten it"))
    if faults:
        raise StudyError(told(name, faults))
    return tuple(row for _, row in found)


def stock_table(rows: Collection[StockRow]) -> tuple[list[str], list[list[Any]]]:
    """Return header and cells of a shop list, without the columns that no row fills."""
    header = [n for n in StockRow.model_fields if any(getattr(r, n) is not None for r in rows)]
    cells = [[getattr(row, name) for name in header] for row in rows]
    return header, [["" if cell is None else cell for cell in line] for line in cells]


def _header_faults(table: Table) -> list[Fault]:
    """Faults of the names of the columns."""
    known, header = list(StockRow.model_fields), table.header
    lacking = [name for name in _NEEDED if name not in header]
    if not {"width_mm", "span_deg"} & set(header):
        lacking.append("width_mm")
    faults: list[Fault] = []
    meant: dict[str, str] = {}
    for name in dict.fromkeys(header):
        if name in known:
            if header.count(name) > 1:
                faults.append(Fault(table.head, f"column {name} comes twice", "", "keep one"))
            continue
        near = near_name(name, [one for one in known if one not in header])
        if near:
            meant.setdefault(near, name)
        remedy = f"did you mean {near}?" if near else f"use {', '.join(known)}"
        faults.append(Fault(table.head, "unknown column", echo(name), remedy))
    for name in sorted(lacking, key=known.index):
        remedy = f"rename {echo(meant[name])} to it" if name in meant else "add it"
        faults.append(Fault(table.head, f"column {name} is missing", "", remedy))
    return faults


def _found(table: Table, faults: list[Fault]) -> list[tuple[int, StockRow]]:
    """Rows that are sound, with their lines; faults of the others are added."""
    numeric = [i for i, name in enumerate(table.header) if name in _NUMBERS]
    mark = "." if table.separator == "," else mark_of(table, numeric)[0]
    found = []
    for line, texts in zip(table.lines, zip(*table.columns, strict=True), strict=True):
        cells = {name: cell for name, cell in zip(table.header, texts, strict=True) if cell}
        if not cells:
            continue
        wrong = _with_points(cells, mark, table.separator)
        faults += [Fault(line, *one) for one in wrong.values()]
        try:
            row = StockRow.model_validate(cells)
        except ValidationError as fault:
            errors: list[dict[str, Any]] = [
                dict(error) for error in fault.errors(include_url=False)
            ]
            faults += [_fault(line, e) for e in errors if not wrong.keys() & set(e["loc"])]
        else:
            found.append((line, row))
    return found


def _with_points(
    cells: dict[str, str], mark: str, separator: str
) -> dict[str, tuple[str, str, str]]:
    """Turn decimal commas of a row into points; return rule, value and remedy of wrong cells."""
    wrong = {}
    for name in _NUMBERS:
        cell = cells.get(name, "")
        if not cell or cell.lower().lstrip("+-") in _NOT_FINITE:
            continue
        fault = number_fault(cell, mark=mark, separator=separator, remedy="correct it")
        if fault is None:
            cells[name] = cell.replace(",", ".")
        elif name != "polarised":  # which may be a word
            wrong[name] = f"{name} {fault[0]}", echo(cell), fault[1]
    return wrong


def _twice(found: list[tuple[int, StockRow]]) -> list[Fault]:
    """Faults of rows that have an item's name but are another magnet, or in other packs."""
    first: dict[str, tuple[int, StockRow]] = {}
    faults = []
    for line, row in found:
        at, other = first.setdefault(row.item, (line, row))
        if other != row:
            rule = f"item comes twice, first on line {at}, and the rows differ"
            faults.append(Fault(line, rule, echo(row.item), "give each row a name of its own"))
    return faults


def _fault(line: int, error: dict[str, Any]) -> Fault:
    column = ".".join(str(part) for part in error["loc"])
    if not column:
        reason = str(error["ctx"]["error"]) if "ctx" in error else error["msg"]
        return Fault(line, reason, "", "correct that row")
    if error["type"] == "missing":
        return Fault(line, f"{column} is empty", "", "fill it in")
    bounds = error.get("ctx", {})
    rules = {
        "float_parsing": "a number",
        "finite_number": "a finite number",
        "int_parsing": "a whole number",
        "greater_than_equal": f"at least {bounds.get('ge')}",
        "less_than_equal": f"at most {bounds.get('le')}",
        "literal_error": "block or arc",
        "string_too_long": f"no longer than {bounds.get('max_length')} letters",
    }
    rule = rules.get(error["type"], "of another kind")
    return Fault(line, f"{column} must be {rule}", echo(error.get("input")), "correct it")
