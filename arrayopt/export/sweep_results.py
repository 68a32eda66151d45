"""A sweep as text, CSV and JSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import product
from textwrap import fill
from typing import Any

import numpy as np
import xarray as xr

from arrayopt.evaluation import torque_figure
from arrayopt.export.files import csv_text
from arrayopt.export.results import shown
from arrayopt.export.text_tables import number, table_text, wrapped
from arrayopt.figures import FIGURES, Figure, figure
from arrayopt.study import Study
from arrayopt.study.keys import key_title

_MOST_ROWS, _MOST_REASONS = 40, 12  # of a table on a screen, and under it
_MAIN = ("torque_constant", "rotor_mass", "magnet_mass", "tooth_flux_density", "fundamental")
Vary = Mapping[str, Sequence[Any]]


def sweep_text(study: Study, results: xr.Dataset, vary: Vary, figures: Sequence[str]) -> str:
    """Return the main figures of a sweep as a table; a star marks the study itself."""
    asked = [f for f in FIGURES if f.key in figures]
    main = [figure(name) for name in (torque_figure(study), *_MAIN)]
    columns = [f for f in dict.fromkeys([*asked, *main]) if not _empty(results, f)]
    designs = list(_designs(results, vary))
    left_out = len(designs) - _MOST_ROWS
    half = _MOST_ROWS // 2
    told = designs if left_out <= 0 else [*designs[:half], *designs[-half:]]
    letters = _reason_letters(told)
    rows: list[list[object]] = []
    for values, one in told:
        own = all(_same(study.value(key), v) for key, v in zip(vary, values, strict=True))
        cells = [number(float(one[f.name]), f.scale) for f in columns]
        reason = one["reason"].item()
        remark = letters[reason] if reason else one["limits_missed"].item()
        rows.append(["*" if own else "", *map(_plain, values), *cells, remark])
    if left_out > 0:
        rows[half:half] = [["", *["..." for _ in vary], *["" for _ in columns], ""]]
    titles = ["", *(wrapped(key_title(key)) for key in vary), *(wrapped(f.title) for f in columns)]
    last = "Cannot be built,\nor limits missed" if letters else "Limits missed"
    notes = _reason_lines(letters)
    if any(row[0] == "*" for row in rows):
        notes.append("* the study as it is")
    if left_out > 0:
        notes.append(
            f"{left_out} rows in the middle are left out; --out DIR writes all to sweep.csv"
        )
    parts = [study.title, table_text(rows, [*titles, last]), "\n".join(notes)]
    return "\n\n".join(part for part in parts if part)


def _reason_letters(designs: Iterable[tuple[tuple[Any, ...], dict[str, Any]]]) -> dict[str, str]:
    """Return a letter for each reason why designs cannot be built."""
    reasons = dict.fromkeys(one["reason"].item() for _, one in designs)
    return {reason: _letter(i) for i, reason in enumerate(filter(None, reasons))}


def _letter(place: int) -> str:
    """Return A to Z, then A1 to Z1 and so on."""
    return chr(ord("A") + place % 26) + (str(place // 26) if place >= 26 else "")


def _reason_lines(letters: dict[str, str]) -> list[str]:
    """Return every reason whole under its letter, the first few of many."""
    lines = [fill(f"{letter}: {reason}", 100, subsequent_indent="   ")
             for reason, letter in letters.items()]  # fmt: skip
    more = len(lines) - _MOST_REASONS
    if more > 0:
        lines[_MOST_REASONS:] = [f"{more} more reasons are in sweep.csv, which --out DIR writes"]
    return ["Cannot be built:", *lines, ""] if lines else []


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


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)
