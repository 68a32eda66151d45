"""A sweep as text, CSV and JSON."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import product
from typing import Any

import numpy as np
import xarray as xr

from arrayopt.evaluation import torque_figure
from arrayopt.export.files import csv_text
from arrayopt.export.results import shown
from arrayopt.export.tables import number, table_text, wrapped
from arrayopt.figures import FIGURES, Figure, figure
from arrayopt.study import Study
from arrayopt.variation import own_value

_MOST_ROWS, _BRIEF = 40, 60  # rows of a table on a screen, letters of a reason in it
_MAIN = ("torque_constant", "rotor_mass", "magnet_mass", "tooth_flux_density", "fundamental")
Vary = Mapping[str, Sequence[Any]]


def sweep_text(study: Study, results: xr.Dataset, vary: Vary, figures: Sequence[str]) -> str:
    """Return the main figures of a sweep as a table; a star marks the study itself."""
    asked = [f for f in FIGURES if f.key in figures]
    main = [figure(name) for name in (torque_figure(study), *_MAIN)]
    columns = [f for f in dict.fromkeys([*asked, *main]) if not _empty(results, f)]
    rows: list[list[object]] = []
    for values, one in _designs(results, vary):
        own = all(_same(own_value(study, key), v) for key, v in zip(vary, values, strict=True))
        cells = [number(float(one[f.name]), f.scale) for f in columns]
        remark = _brief(one["reason"].item()) or str(one["limits_missed"].item())
        rows.append(["*" if own else "", *map(_plain, values), *cells, remark])
    left_out = len(rows) - _MOST_ROWS
    if left_out > 0:
        half = _MOST_ROWS // 2
        rows[half:-half] = [["", *["..." for _ in vary], *["" for _ in columns], ""]]
    titles = ["", *(wrapped(_title(key)) for key in vary), *(wrapped(f.title) for f in columns)]
    lines = [study.title, table_text(rows, [*titles, "Cannot be built because,\nor limits missed"])]
    notes = []
    if any(row[0] == "*" for row in rows):
        notes.append("* the study as it is")
    if left_out > 0:
        notes.append(
            f"{left_out} rows in the middle are left out; --out DIR writes all to sweep.csv"
        )
    return "\n\n".join([*lines, *(["\n".join(notes)] if notes else [])])


def sweep_csv(results: xr.Dataset, vary: Vary) -> str:
    """Return a sweep as CSV: the keys varied, why not or which limits, every figure there is."""
    used = [f for f in FIGURES if not _empty(results, f)]
    rows = [
        [*values, one["reason"].item(), one["limits_missed"].item()]
        + [shown(float(one[f.name]), f.scale) for f in used]
        for values, one in _designs(results, vary)
    ]
    return csv_text([*vary, "reason", "limits_missed", *(f.key for f in used)], rows)


def sweep_json(results: xr.Dataset, vary: Vary) -> dict[str, Any]:
    """Return a sweep design by design, figures under their keys."""
    return {
        "vary": {key: list(values) for key, values in vary.items()},
        "designs": [
            {
                "values": dict(zip(vary, values, strict=True)),
                "reason": one["reason"].item() or None,
                "limits_missed": [m for m in one["limits_missed"].item().split("; ") if m],
                "figures": {f.key: shown(float(one[f.name]), f.scale) for f in FIGURES},
            }
            for values, one in _designs(results, vary)
        ],
    }


def _designs(results: xr.Dataset, vary: Vary) -> Iterator[tuple[tuple[Any, ...], dict[str, Any]]]:
    """Give the values and the figures of every design."""
    names = [f.name for f in FIGURES] + ["reason", "limits_missed"]
    grids = {name: results[name].values for name in names}
    places = product(*(range(len(values)) for values in vary.values()))
    for place, values in zip(places, product(*vary.values()), strict=True):
        yield values, {name: grid[place] for name, grid in grids.items()}


def _empty(results: xr.Dataset, f: Figure) -> bool:
    return bool(np.isnan(results[f.name].values).all())


def _same(own: Any, value: Any) -> bool:
    if isinstance(own, int | float) and isinstance(value, int | float):
        return abs(own - value) < 1e-9
    return bool(own == value)


def _brief(reason: str) -> str:
    """Shorten a reason for a table; the CSV has it whole."""
    first = reason.partition(";")[0]
    return first if len(first) <= _BRIEF else f"{first[: _BRIEF - 3]}..."


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _title(key: str) -> str:
    """Return the last part of a key as a column's title, its unit in brackets."""
    name, _, unit = key.rsplit(".", maxsplit=1)[-1].rpartition("_")
    if name and unit in ("mm", "deg", "c", "g", "rpm", "v", "t"):
        unit = {"c": "C", "v": "V", "t": "T"}.get(unit, unit)
        return f"{name.replace('_', ' ').capitalize()} [{unit}]"
    return key.rsplit(".", maxsplit=1)[-1].replace("_", " ").capitalize()
