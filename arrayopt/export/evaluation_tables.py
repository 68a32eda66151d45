"""Figures, checks and comparison of designs as text and rows."""

from __future__ import annotations

from collections.abc import Iterable
from textwrap import fill

import numpy as np
import xarray as xr

from arrayopt.checks import Check, cautions, check_limits
from arrayopt.comparison import Comparison
from arrayopt.export.results import demagnetisation_rows
from arrayopt.export.text_tables import bullets, number, table_text, wrapped
from arrayopt.figures import FIGURES, figure
from arrayopt.machine import mean_turn, winding_of
from arrayopt.machine.copper import coil_hole
from arrayopt.quantities import MM
from arrayopt.study import Study
from arrayopt.study.coils import sides_abreast, winding_radii_mm
from arrayopt.study.models import relevant_magnets


def evaluation_text(study: Study, results: xr.Dataset) -> str:
    """Return figures, checks and cautions of a study."""
    parts = [
        study.title,
        table_text(*figure_rows(results)),
        winding_text(study),
        checks_text(check_limits(study, results)),
        magnets_table(study, results),
        *([limited_text(study, results)] if study.heat else []),
        bullets("Cautions", cautions(study, results)),
    ]
    return "\n\n".join(parts)


def figure_rows(results: xr.Dataset) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of all figures, an empty row between their kinds."""
    rows: list[list[object]] = []
    kind = ""
    slotless = float(results["inductance_slot"][0]) == 0  # slots that are not known have NaN
    for f in FIGURES:
        if np.isnan(results[f.name][0]) or (slotless and f.name in _OF_SLOTS):
            continue
        if rows and f.table != kind:
            rows.append(["", "", ""])
        kind = f.table
        value = number(float(results[f.name][0]), f.scale)
        rows.append([f.label, value, _unit(f.shown_unit or f.unit)])
    return rows, ["Figure", "Value", "Unit"]


def magnets_table(study: Study, results: xr.Dataset) -> str:
    """Return the reverse field of each family against what its grade bears."""
    warm = float(results["judged_at"].values.max())
    drive = study.drive
    current = f"and {drive.peak_current_a:g} A at their worst" if drive else "without current"
    table = table_text(*magnets_rows(results))
    return f"Reverse field in the magnets at {warm:g} C {current}:\n{table}"


def magnets_rows(results: xr.Dataset) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the reverse field of each family."""
    rows: list[list[object]] = []
    for row in demagnetisation_rows(results):
        name, grade, _, *fields, beyond, enough = row.values()
        rows.append([name, grade, *(number(f) for f in fields), f"{beyond:.2f}", enough or "none"])
    header = ["Magnets", "Grade", "Bears\n[kA/m]"]
    header += [f"{p} % below\n[kA/m]" for p in results["percentile"].values]
    header += ["Volume\npast it [%]", "Grade that\nsuffices"]
    return rows, header


def limited_text(study: Study, results: xr.Dataset) -> str:
    """Say which limit holds the continuous torque back, and which temperatures count."""
    checks = [c for c in check_limits(study, results) if c.name.endswith("at continuous torque")]
    first = min(checks, key=lambda check: check.limit - check.value)
    part = first.name.removesuffix(" at continuous torque")
    return (
        f"Heat: the {part} at {first.limit:g} C "
        f"{'hold' if part == 'magnets' else 'holds'} the continuous torque back. Continuous "
        f"figures count on warm magnets and copper;\nall other magnetic figures on magnets of "
        f"{study.rotor.magnet_temperature_c:g} C, {study.rotor.remanence} remanence."
    )


def winding_text(study: Study) -> str:
    """Say how to wind: span and phase of every coil."""
    winding = winding_of(study)
    place = "slot" if study.stator.kind == "slotted" else "sector"
    span = f"spans {winding.coil_span} {place}{'s' if winding.coil_span > 1 else ''}"
    if winding.coil_span == 1 and place == "slot":
        span = "goes round one tooth"
    coils = " ".join(fill(winding.pattern, 12).splitlines())
    return (
        f"Winding: one coil begins in every {'second ' if winding.layers == 1 else ''}{place} and "
        f"{span}; phases in order, small letters wound the other way"
        f"{', no coil at a dash' if winding.layers == 1 else ''}{_paths(study)}:\n{fill(coils, 98)}"
        + (f"\n\n{_coil_sizes(study)}" if place == "sector" else "")
    )


def _coil_sizes(study: Study) -> str:
    """Say how large to wind a coil without slots."""
    inner, outer = winding_radii_mm(study)
    middle, stack = (inner + outer) / 2, study.stator.stack_mm
    side, depth = study.stator.coil_side_mm or 0.0, study.stator.winding_thickness_mm or 0.0
    hole, at_face = (coil_hole(study, radius * MM) / MM for radius in (middle, inner))
    width, layered = hole + 2 * side, study.winding.layers > sides_abreast(study)
    over_all = f"over all {number(width)}"
    if winding_of(study).coil_span == 1:
        over_all += f" x {number(stack + 2 * side)}"
    lines = [
        f"{study.winding.turns_per_coil} turns round a hole of {number(hole)} x {number(stack)} "
        f"mm, {over_all} mm; at the inner face, {number(inner)} mm from the shaft, the hole is "
        f"{number(at_face)} mm wide",
        f"sides {number(side)} mm wide and {number(depth / 2 if layered else depth)} mm deep"
        + (", in two layers on each other" if layered else ""),
        f"mean turn {number(mean_turn(study) / MM)} mm",
    ]
    where = f"widths in the middle of the winding, {number(middle)} mm from the shaft"
    return bullets(f"Every coil, {where}", lines)


def _paths(study: Study) -> str:
    paths = study.winding.parallel_paths
    return f"; {winding_of(study).coils} coils a phase in {paths} paths" if paths > 1 else ""


def checks_text(checks: Iterable[Check]) -> str:
    """Return each check with its limit and whether it is kept."""
    return table_text(*checks_rows(checks))


def checks_rows(checks: Iterable[Check]) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of checks."""
    rows: list[list[object]] = [
        [
            check.name,
            number(check.value),
            f"{'at most' if check.most else 'at least'} {number(check.limit)}",
            check.unit,
            "yes" if check.ok else "NO",
        ]
        for check in checks
    ]
    return rows, ["Check", "Value", "Limit", "Unit", "Kept"]


def comparison_text(comparison: Comparison) -> str:
    """Return designs side by side and who wins."""
    verdict = "\n".join(fill(line, _LINE) for line in comparison.verdict())
    return "\n\n".join([table_text(*comparison_rows(comparison)), verdict])


def comparison_rows(comparison: Comparison) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of designs side by side."""
    torque = figure(comparison.torque)
    names = [comparison.torque, "tooth_flux_density", "rotor_mass", "magnet_mass", "ring_mass"]
    names = ["torque_constant", *names, "inertia"]
    # A stator without slots has no teeth.
    columns = [figure(n) for n in names if not np.isnan(comparison.results[n]).all()]
    header = [
        "Design",
        "Sizes [mm]",
        "Ring [mm]",
        *(_SHORT.get(f.name, f.title) for f in columns),
        f"{torque.label} per rotor mass [{torque.unit}/kg]",
    ]
    rows: list[list[object]] = []
    for i, (label, study) in enumerate(comparison.studies.items()):
        row = comparison.results.isel(design=i)
        rows.append(
            [
                label.replace(", steel ring", ",\nsteel ring"),
                magnets_text(study),
                number(study.rotor.steel_ring_mm),
                *(number(float(row[f.name]), f.scale) for f in columns),
                number(float(comparison.torque_per_mass[i])),
            ]
        )
    return rows, [wrapped(name) for name in header]


def magnets_text(study: Study) -> str:
    """Return the sizes of all magnets of a study in short, e.g. ``main 5 x 3``."""
    parts = []
    for name in relevant_magnets(study.rotor.magnets_per_pole_pair):
        magnet = getattr(study.rotor, name)
        wide = f"{magnet.width_mm:.3g}" if magnet.shape == "block" else f"{magnet.span_deg:.3g} deg"
        parts.append(f"{name} {wide} x {magnet.thickness_mm:.3g}")
    return "\n".join(parts)


_OF_SLOTS = ("carter", "inductance_slot")
_LINE = 110  # characters of a verdict
_SHORT = {
    "torque_constant": "Torque constant [N m/A]",
    "rotor_mass": "Rotor [g]",
    "magnet_mass": "Magnets [g]",
    "ring_mass": "Ring [g]",
    "tooth_flux_density": "Teeth [T]",
    "inertia": "Inertia [kg mm2]",
}


def _unit(unit: str) -> str:
    return "" if unit == "1" else unit
