"""Sorted magnets as text, JSON and CSV."""

from __future__ import annotations

from typing import Any

import numpy as np

from arrayopt.export.files import csv_text
from arrayopt.export.results import shown
from arrayopt.export.text_tables import bullets, number, table_text
from arrayopt.figures import OUTCOMES_BY_NAME
from arrayopt.measurement.bags import Kind
from arrayopt.measurement.sorting import RANDOM, REPEAT, Sorting

NOTE = (
    "Before: magnets of these readings in pockets picked at random, mean and 95 % of "
    f"{RANDOM} rotors.\n"
    f"Last column: readings that repeat to {REPEAT * 100:g} % only (standard deviation); repeat "
    "yours to see where\n"
    "you stand. Only differences between magnets count, print and assembly add their own."
)


def sorting_text(found: Sorting) -> str:
    """Return what sorting gains, the magnet for each pocket, spares and cautions."""
    parts = [
        f"{found.title}\nReadings: {found.path}",
        table_text(*kind_rows(found)),
        table_text(*figure_rows(found)) + "\n" + NOTE,
        table_text(*pocket_rows(found)),
    ]
    if found.left_over:
        parts.append("Left over: " + ", ".join(found.left_over))
    if found.cautions:
        parts.append(bullets("Cautions", list(found.cautions)))
    return "\n\n".join(parts)


def kind_rows(found: Sorting) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the kinds of magnets."""
    scale, unit = _unit(found)
    rows: list[list[object]] = [
        [
            kind.name,
            str(len(kind.pockets)),
            str(len(kind.labels)),
            number(kind.mean, scale),
            f"{kind.scatter * 100:.2f}",
            number(kind.remanence),
            f"{kind.chosen * 100:.2f}",
        ]
        for kind in found.kinds
    ]
    header = ["Magnets", "Pockets", "Measured", f"Mean {found.kind}\n[{unit}]"]
    header += ["Scatter\n[%]", "Remanence\n[T]", "Mean of the chosen\nover all [%]"]
    return rows, header


def figure_rows(found: Sorting) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the figures before and after; those that stay 0 are left out."""
    rows: list[list[object]] = []
    for change in found.figures:
        f = OUTCOMES_BY_NAME[change.name]
        if change.mean == 0 and change.after == 0:
            continue
        mean, low, high, after, doubtful = (
            number(value, f.scale)
            for value in (change.mean, change.low, change.high, change.after, change.doubtful)
        )
        rows.append([f.label, mean, f"{low} to {high}", after, doubtful, f.shown_unit or f.unit])
    header = ["Figure", "Before", "95 % of rotors", "Sorted", f"Sorted, {REPEAT * 100:g} % off"]
    return rows, [*header, "Unit"]


def pocket_rows(found: Sorting) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the magnet for each pocket."""
    scale, unit = _unit(found)
    several = found.members[-1].row > 1
    rows: list[list[object]] = []
    for member in found.members:
        label = found.assignment[member.number]
        rows.append(
            [
                str(member.number),
                *([str(member.row)] if several else []),
                member.family,
                member.north,
                label,
                number(found.values[label], scale),
                f"{found.deviations[label] * 100:.2f}",
            ]
        )
    header = ["Pocket", *(["Row"] if several else []), "Magnets", "North", "Label"]
    return rows, [*header, f"{found.kind.capitalize()}\n[{unit}]", "Off mean\n[%]"]


def sorting_json(found: Sorting) -> dict[str, Any]:
    """Return kinds, figures before and after, and the magnet for each pocket."""
    return {
        "title": found.title,
        "readings": found.path,
        "seed": found.seed,
        "objective_before": shown(found.objective_before),
        "objective_after": shown(found.objective_after),
        "kinds": [_kind_json(found, kind) for kind in found.kinds],
        "figures": {
            OUTCOMES_BY_NAME[change.name].key: {
                "before_mean": shown(change.mean, OUTCOMES_BY_NAME[change.name].scale),
                "before_low": shown(change.low, OUTCOMES_BY_NAME[change.name].scale),
                "before_high": shown(change.high, OUTCOMES_BY_NAME[change.name].scale),
                "after": shown(change.after, OUTCOMES_BY_NAME[change.name].scale),
                "after_readings_off": shown(change.doubtful, OUTCOMES_BY_NAME[change.name].scale),
            }
            for change in found.figures
        },
        "readings_off_percent": REPEAT * 100,
        "assignment": assignment_rows(found),
        "left_over": [_magnet(found, label) for label in found.left_over],
        "cautions": list(found.cautions),
    }


def _kind_json(found: Sorting, kind: Kind) -> dict[str, Any]:
    return {
        "name": kind.name,
        "pockets": len(kind.pockets),
        "measured": len(kind.labels),
        f"mean_{found.kind}_{_key(found)}": shown(kind.mean, _unit(found)[0]),
        "scatter_percent": shown(kind.scatter, 100),
        "remanence_t": None if np.isnan(kind.remanence) else shown(kind.remanence),
        "mean_of_chosen_percent": shown(kind.chosen, 100),
    }


def assignment_rows(found: Sorting) -> list[dict[str, Any]]:
    """Return pocket, family, magnet and reading, in the order of the pockets."""
    return [
        {
            "pocket": member.number,
            "row": member.row,
            "family": member.family,
            "north": member.north,
            **_magnet(found, found.assignment[member.number]),
        }
        for member in found.members
    ]


def assignment_csv(found: Sorting) -> str:
    """Return the magnet for each pocket as CSV."""
    rows = assignment_rows(found)
    return csv_text(list(rows[0]), [list(row.values()) for row in rows])


def _magnet(found: Sorting, label: str) -> dict[str, Any]:
    return {
        "magnet": label,
        f"{found.kind}_{_key(found)}": shown(found.values[label], _unit(found)[0]),
        "deviation_percent": shown(found.deviations[label], 100),
    }


def _unit(found: Sorting) -> tuple[float, str]:
    """Return what a tesla is shown as."""
    return (1.0, "T") if found.kind == "remanence" else (1e3, "mT")


def _key(found: Sorting) -> str:
    return _unit(found)[1].lower()
