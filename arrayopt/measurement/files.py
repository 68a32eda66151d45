"""Reading what was measured on a finished motor: everything that is wrong is told at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, radians
from pathlib import Path
from typing import Any

import numpy as np

from arrayopt.errors import StudyError, echo
from arrayopt.measurement import columns as known
from arrayopt.measurement.columns import LEADS, SENSE, UNITS, Column, Kind, columns_of
from arrayopt.measurement.numbers import numbers
from arrayopt.measurement.records import Cogging, Emf, HeatRun, Loose, Measured, Scan, Sheet
from arrayopt.measurement.settings import settings_of
from arrayopt.quantities import Array
from arrayopt.study.table import Fault, Table, mark_of, table_of, told
from arrayopt.study.text import file_text

__all__ = [
    "Cogging", "Emf", "HeatRun", "Loose", "Measured", "Scan", "Sheet", "read_measured",
]  # fmt: skip

_LARGEST = 20_000_000  # bytes
_LEAST_SPAN = radians(20)  # of a scan
_LEAST_PEAK = 1e-3  # of a scan [T]


@dataclass(frozen=True)
class _Readings:
    """What the rows with a value say, by quantity, and how many rows have none."""

    values: dict[str, Array]
    texts: dict[str, list[str]]
    lines: list[int]
    skipped: int


def read_measured(paths: Sequence[str | Path] | str | Path) -> tuple[Measured, ...]:
    """Read files of what was measured on a finished motor.

    Parameters
    ----------
    paths : sequence of str or Path, or one of them
        CSV files, their columns parted by commas, semicolons or tabs; ``-`` is standard
        input. The names of the columns tell what each file is.

    Returns
    -------
    tuple of Scan, Emf, Cogging, HeatRun, Loose or Sheet
        One a file, in the order given; SI units and radians, temperatures in degC. What was
        found on a bench sheet stays in the unit of its row.

    Raises
    ------
    StudyError
        With a line for every fault of every file: file and line, rule, value received,
        remedy. Of one file there are at most ten, and how many more.

    Examples
    --------
    >>> from arrayopt import read_measured
    >>> folder = "studies/ankle/measured"
    >>> scan, sheet = read_measured([f"{folder}/scan.csv", f"{folder}/bench-sheet.csv"])
    >>> type(scan).__name__, f"{scan.radius:.3f} m", scan.angle.shape == scan.flux.shape
    ('Scan', '0.043 m', True)
    >>> type(sheet).__name__, sheet.found["line_resistance"], sheet.units["line_resistance"]
    ('Sheet', 409.0, 'mohm')
    """
    if isinstance(paths, str | Path):
        paths = [paths]
    if not paths:
        raise StudyError(["no file of readings is given; give one at least"])
    found: list[Measured] = []
    faults: list[str] = []
    for i, path in enumerate(paths):
        try:
            if str(path) == "-" and path in paths[:i]:
                raise StudyError(["standard input can be read only once; give - once"])
            found.append(_read(Path(path)))
        except StudyError as fault:
            faults += fault.faults
    if faults:
        raise StudyError(faults)
    return tuple(found)


def _read(path: Path) -> Measured:
    source = None if str(path) == "-" else path
    text = file_text(
        source,
        missing="give the CSV file of what was measured",
        kind="average or thin the readings",
        largest=_LARGEST,
    )
    name = "standard input" if source is None else str(path)
    name = name if name.isprintable() else repr(name)[1:-1]
    faults: list[Fault] = []
    of_rows: list[Fault] = []
    table = table_of(name, text, of_rows)
    kind, columns = columns_of(table, faults)
    if kind is not None:  # without a header that is understood, its rows say nothing
        faults += of_rows
    numeric = {q: column for q, column in columns.items() if q in UNITS or q == "found"}
    mark, mixed = mark_of(table, [column.index for column in numeric.values()])
    settings = settings_of(table, kind, columns, mark=mark, faults=faults)
    values = {
        q: numbers(table, column.index, mark=mark, mixed=mixed, faults=faults)
        for q, column in numeric.items()
    }
    for q, column in numeric.items():
        if column.unit is not None:
            values[q] = values[q] * column.unit.factor
            faults += _senseless(table, q, column, values[q])
    if "time" in values:
        faults += _going_back(table, columns["time"], values["time"])
    if kind is not None and columns:
        faults += _without_place(table, kind, columns)
    if kind is None or faults:
        raise StudyError(told(name, faults))
    readings = _readings(table, kind, columns, values)
    faults += _too_few(kind, columns, readings)
    if kind is known.SCAN and not faults:
        faults += _unlike_a_scan(table.head, columns, readings.values)
    if kind is known.SHEET:
        faults += _twice(readings)
    if faults:
        raise StudyError(told(name, faults))
    return _record(name, kind, readings, settings)


def _senseless(table: Table, quantity: str, column: Column, values: Array) -> list[Fault]:
    """Faults of values that the quantity cannot have, with the unit that they may be in."""
    least, most, sense = SENSE[quantity]
    faults = []
    for i in np.flatnonzero((values < least) | (values > most)).tolist():
        remedy = "check that reading"
        for name, unit in UNITS[quantity].items():
            factor = unit.factor / (column.unit.factor if column.unit else 1)
            if factor < 1 and least <= values[i] * factor <= most:
                remedy = f"is this {unit.shown}? then name the column {quantity}_{name}"
                break
        cell = echo(table.columns[column.index][i])
        faults.append(Fault(table.lines[i], f"{column.name} must be {sense}", cell, remedy))
    return faults


def _going_back(table: Table, column: Column, time: Array) -> list[Fault]:
    """Faults of times that do not come after the one before."""
    filled = np.flatnonzero(~np.isnan(time))
    rows: list[int] = filled.tolist()
    cells = table.columns[column.index]
    return [
        Fault(
            table.lines[rows[i + 1]],
            f"{column.name} must increase from row to row",
            f"{echo(cells[rows[i + 1]])} after {echo(cells[rows[i]])}",
            "sort the rows; give a run of its own a file of its own",
        )
        for i in np.flatnonzero(np.diff(time[filled]) <= 0)
    ]


def _without_place(table: Table, kind: Kind, columns: dict[str, Column]) -> list[Fault]:
    """Faults of rows with a value that do not say where, when or of what."""
    faults = []
    read = [table.columns[columns[q].index] for q in kind.values if q in columns]
    for place in kind.places:
        cells = table.columns[columns[place].index] if place in columns else []
        for i, cell in enumerate(cells):
            if not cell and any(column[i] for column in read):
                rule = f"{columns[place].name} is empty beside a value"
                got = echo(next(column[i] for column in read if column[i]))
                faults.append(Fault(table.lines[i], rule, got, "fill it in, or empty the row"))
    return faults


def _readings(
    table: Table, kind: Kind, columns: dict[str, Column], values: dict[str, Array]
) -> _Readings:
    """Rows with a value; columns of values without any are left out."""
    place = next(columns[q].index for q in kind.places if q in columns)
    read = np.any([~np.isnan(values[q]) for q in kind.values if q in values], axis=0)
    kept: list[int] = np.flatnonzero(read).tolist()
    named = np.array([bool(cell) for cell in table.columns[place]], dtype=bool)
    return _Readings(
        {
            q: column[kept]
            for q, column in values.items()
            if q in kind.places or not np.isnan(column).all()
        },
        {
            q: [table.columns[column.index][i] for i in kept]
            for q, column in columns.items()
            if q not in values
        },
        [table.lines[i] for i in kept],
        int(np.count_nonzero(named & ~read)),
    )


_MORE = "fill in what was read; a printed sheet has its last column empty"


def _too_few(kind: Kind, columns: dict[str, Column], readings: _Readings) -> list[Fault]:
    """Faults of columns with too few values."""
    given = [q for q in kind.values if q in columns]
    counts = {q: np.count_nonzero(~np.isnan(readings.values[q])) for q in readings.values}
    wanted = [q for q in given if q in readings.values] or given[:1]
    rows = "row" if kind.least == 1 else "rows"
    return [
        Fault(
            0,
            f"{kind.name} needs at least {kind.least} {rows} with a value of {columns[q].name}",
            f"{counts.get(q, 0)}",
            _MORE if kind is not known.SHEET else "fill in what was found",
        )
        for q in wanted
        if counts.get(q, 0) < kind.least
    ]


def _unlike_a_scan(head: int, columns: dict[str, Column], values: dict[str, Array]) -> list[Fault]:
    """Faults of a scan that points to another unit than the header's."""
    faults = []
    span, peak = float(np.ptp(values["angle"])), float(np.abs(values["flux_density"]).max())
    if span < _LEAST_SPAN * (1 - 1e-9):
        faults.append(
            Fault(
                head,
                f"{columns['angle'].name} of a scan must span at least 20 degrees",
                f"{degrees(span):.4g} degrees",
                "are these radians or turns? give angle_deg or angle_rad, best of a whole turn",
            )
        )
    if peak < _LEAST_PEAK:
        name, shown = columns["flux_density"].name, columns["flux_density"].unit
        larger = [
            f"flux_density_{key}"
            for key, unit in UNITS["flux_density"].items()
            if shown and unit.factor > shown.factor
        ]
        remedy = f"is it in {' or '.join(larger)}?" if larger else "check the probe and its range"
        rule = f"largest {name} of a scan must be at least 1 mT"
        faults.append(Fault(head, rule, f"{peak * 1e3:.4g} mT", remedy))
    return faults


def _twice(readings: _Readings) -> list[Fault]:
    first: dict[str, int] = {}
    faults = []
    for key, line in zip(readings.texts["key"], readings.lines, strict=True):
        if key in first:
            rule = f"key comes twice, first on line {first[key]}"
            faults.append(Fault(line, rule, echo(key), "keep one of them"))
        first.setdefault(key, line)
    return faults


def _record(name: str, kind: Kind, readings: _Readings, settings: dict[str, Any]) -> Measured:
    values, skipped = readings.values, readings.skipped
    clockwise = settings.get("direction") == "clockwise"
    if kind is known.SCAN:
        return Scan(
            name, skipped, values["angle"], values["flux_density"], settings.get("radius_mm"),
            settings.get("height_mm", 0.0), settings.get("start", "magnet 1"), clockwise,
            settings.get("stator", "absent"),
        )  # fmt: skip
    if kind is known.EMF:
        volts = {lead: values[q] for q, lead in LEADS.items() if q in values}
        at = values.get("angle"), values.get("time")
        return Emf(name, skipped, volts, *at, settings.get("speed_rpm"))
    if kind is known.COGGING:
        return Cogging(name, skipped, values["angle"], values["torque"])
    if kind is known.HEAT:
        return HeatRun(
            name, skipped, values["time"], values.get("winding"), values.get("line_resistance"),
            settings["current_a_rms"], settings.get("ambient_c"),
        )  # fmt: skip
    texts, lines = readings.texts, readings.lines
    if kind is known.LOOSE:
        families = texts.get("family", [""] * len(lines))
        return Loose(
            name, skipped, tuple(texts["magnet"]), tuple(families),
            values["reading" if "reading" in values else "remanence"],
            "reading" if "reading" in values else "remanence", settings.get("distance_mm"),
        )  # fmt: skip
    keys = texts["key"]
    return Sheet(
        name,
        skipped,
        dict(zip(keys, map(float, values["found"]), strict=True)),
        dict(zip(keys, texts.get("unit", [""] * len(keys)), strict=True)),
        dict(zip(keys, lines, strict=True)),
    )
