"""The user's own shop list: magnets that can be had, one a row of a CSV file."""

from __future__ import annotations

import csv
from collections.abc import Collection
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from arrayopt.errors import StudyError, echo, known_ones
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
            raise ValueError(f"polarised must be {words} or an angle in degrees")
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
        return angle if 0 <= angle <= (90 if self.shape == "block" else 180) else None


_ARC_ANGLES = {"outward": 0.0, "across": 90.0, "inward": 180.0}
_EDGES = {"block": ("length", "width", "thickness"), "arc": tuple(_ARC_ANGLES)}


def read_stock(path: Path, *, grades: Collection[str]) -> tuple[StockRow, ...]:
    """Read a shop list.

    Parameters
    ----------
    path : Path
        CSV with a header line of the fields of `StockRow`; empty cells are left out, and
        lines that begin with #.
    grades : collection of str
        Known magnet grades.

    Raises
    ------
    StudyError
        With one line for every fault: file and line, rule, value received, remedy.

    """
    skipped, lines = _lines(path)
    reader = csv.DictReader(lines)
    wanted, head = list(StockRow.model_fields), skipped + 1
    header = [name.strip() for name in reader.fieldnames or ()]
    reader.fieldnames = header
    faults = [
        f"{path} line {head}: unknown column; got {echo(name)}; use {', '.join(wanted)}"
        for name in header
        if name not in wanted
    ]
    faults += [
        f"{path} line {head}: column {name} comes twice; keep one"
        for name in wanted
        if header.count(name) > 1
    ]
    lacking = [
        name for name in wanted if StockRow.model_fields[name].is_required() and name not in header
    ]
    faults += [f"{path} line {head}: column {name} is missing; add it" for name in lacking]
    if faults:
        raise StudyError(faults)
    rows: list[StockRow] = []
    for content in reader:
        where = f"{path} line {skipped + reader.line_num}"
        if None in content:
            faults.append(
                f"{where}: more cells than columns; got {echo(str(content[None]))}; write decimals "
                "with a point and texts with commas in quotes"
            )
            continue
        cells = {k: v.strip() for k, v in content.items() if v is not None and v.strip()}
        if not cells:
            continue
        try:
            row = StockRow.model_validate(cells)
        except ValidationError as fault:
            faults += [_fault(where, dict(error)) for error in fault.errors(include_url=False)]
            continue
        if row.grade not in grades:
            near = known_ones(row.grade, list(grades))
            faults.append(f"{where}: unknown grade; got {echo(row.grade)}; {near}")
        rows.append(row)
    if not rows and not faults:
        faults.append(f"{path} has no rows; add one magnet a line")
    if len(rows) > _MOST_ROWS:
        faults.append(f"{path} must have at most {_MOST_ROWS} rows; got {len(rows)}; shorten it")
    if faults:
        raise StudyError(faults)
    return tuple(rows)


def stock_table(rows: Collection[StockRow]) -> tuple[list[str], list[list[Any]]]:
    """Return header and cells of a shop list, without the columns that no row fills."""
    header = [n for n in StockRow.model_fields if any(getattr(r, n) is not None for r in rows)]
    cells = [[getattr(row, name) for name in header] for row in rows]
    return header, [["" if cell is None else cell for cell in line] for line in cells]


def _lines(path: Path) -> tuple[int, list[str]]:
    """Return the lines from the header on, comments emptied, and how many come before it."""
    text = file_text(
        path, missing="name a CSV file beside the study", kind="a shop list has a line a magnet"
    )
    if "\0" in text:
        raise StudyError([f"{path} is not a CSV file; it holds zero bytes"])
    lines = ["" if line.startswith("#") else line for line in text.splitlines()]
    head = next((i for i, line in enumerate(lines) if line.strip()), 0)
    if lines and ";" in lines[head] and "," not in lines[head]:
        raise StudyError(
            [
                f"{path} line {head + 1}: columns must be parted by commas; got semicolons; "
                "save it so"
            ]
        )
    return head, lines[head:]


def _fault(where: str, error: dict[str, Any]) -> str:
    column = ".".join(str(part) for part in error["loc"])
    if not column:
        reason = str(error["ctx"]["error"]) if "ctx" in error else error["msg"]
        return f"{where}: {reason}; correct that row"
    if error["type"] == "missing":
        return f"{where}: {column} is empty; fill it in"
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
    return f"{where}: {column} must be {rule}; got {echo(error.get('input'))}; correct it"
