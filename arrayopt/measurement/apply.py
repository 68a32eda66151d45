"""What was measured goes back into the study, so that the next search starts from it."""

from __future__ import annotations

from math import floor
from typing import Any

import numpy as np
from scipy.optimize import brentq

from arrayopt.checks.buildable import check_buildable
from arrayopt.errors import StudyError
from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout, missing_wall
from arrayopt.machine import flux_linkages, mean_turn
from arrayopt.measurement.as_built import AsBuilt
from arrayopt.quantities import MM
from arrayopt.study import Study
from arrayopt.study.models import relevant_magnets

_SUFFIX = " as built"
_WIDER = 2.0  # airgaps: what is farther off is another motor
_SPREAD = 2.0  # standard uncertainties from typical to least and most


def tells(found: AsBuilt) -> bool:
    """Whether the measurements set any key of the study."""
    measured = found.estimate("linkage").informed or found.estimate("copper").informed
    return measured or bool(found.heats and found.study.heat is not None)


def changes(study: Study, found: AsBuilt) -> dict[str, Any]:
    """Return the keys of a study that the measurements set, with their values.

    Only what the readings told: remanence as a grade of the study's own beside the one that it
    is like, and airgap, together, for a flux linkage is known better than either; length of a
    turn, thermal resistance.
    """
    values: dict[str, Any] = {}
    remanence = found.estimate("remanence")
    if found.estimate("linkage").informed:
        for key, name in _grade_keys(study).items():
            values |= _grade(study, name, 1 + remanence.change, remanence.uncertainty)
            values[key] = _named(name)
        values["rotor.remanence"] = "typical"
        gap = _airgap(study, found, 1 + remanence.change)
        values["airgap.length_mm"] = round(gap / MM, 4)
    copper = found.estimate("copper")
    if copper.informed:
        values["winding.mean_turn_mm"] = round(mean_turn(study) / MM * (1 + copper.change), 3)
    if found.heats and study.heat is not None:
        last = found.heats[-1]
        if study.heat.run is None:
            values["heat.thermal_resistance_k_per_w"] = round(last.thermal_resistance, 4)
        else:
            values["heat.run.current_a_rms"] = round(last.run.current, 4)
            values["heat.run.rise_k"] = round(last.steady_rise, 2)
    return values | _wall(study, values)


def _airgap(study: Study, found: AsBuilt, remanence: float) -> float:
    """Airgap that with the found remanence gives the flux linkage that was read [m].

    The estimates lean towards what the tolerances expect; a study is to compute what was read.
    """
    before = study.airgap.length_mm * MM
    told = [
        (((one.found / (one.expected * one.factor)) ** one.depends["remanence"]), one.uncertainty)
        for one in found.readings if "airgap" in one.depends
    ]  # fmt: skip
    if not told:
        return before + found.estimate("airgap").change
    ratios, spread = np.array(told).T
    wanted = float((ratios / spread**2).sum() / (1 / spread**2).sum())

    def off(gap: float) -> float:
        moved = build_layout(study.varied({"airgap.length_mm": gap / MM}))
        linked = float(flux_linkages(moved, solve_field(moved, orders=ORDERS))[0, 0])
        return remanence * linked / own - wanted

    layout = build_layout(study)
    own = float(flux_linkages(layout, solve_field(layout, orders=ORDERS))[0, 0])
    least = before - 0.9 * study.clearance_mm * MM
    most = before + max(_WIDER * before, 1 * MM)
    if off(least) < 0 or off(most) > 0:
        raise StudyError([
            f"no airgap from {least / MM:.3g} to {most / MM:.3g} mm gives the flux linkage that "
            f"was read, {100 * wanted:.1f} % of the study's; check speed, leads and units"
        ])  # fmt: skip
    return float(brentq(off, least, most, xtol=1e-8))


def _wall(study: Study, values: dict[str, Any]) -> dict[str, float]:
    """Return the wall that another airgap leaves, where the study asked for a thicker one."""
    if "airgap.length_mm" not in values:
        return {}
    moved = study.varied({"airgap.length_mm": values["airgap.length_mm"]})
    missing = float(missing_wall(build_layout(moved))[0]) / MM
    if missing <= 0:
        return {}
    return {"rotor.wall_mm": max(floor((study.rotor.wall_mm - missing) * 1000) / 1000, 0.0)}


def calibrated(study: Study, found: AsBuilt) -> Study:
    """Return the study with what was measured; its text keeps the comments.

    Raises
    ------
    StudyError
        If such a motor cannot be: readings that were taken for others.

    """
    values = changes(study, found)
    try:
        new = study.with_values(values)
        check_buildable(new)
    except ValueError as fault:
        told = ", ".join(f"{key} = {value!r}" for key, value in values.items())
        raise StudyError(
            [f"no study can hold what was measured ({told}); check the readings and their units: "
             f"{fault if isinstance(fault, StudyError) else 'out of range'}"]
        ) from None  # fmt: skip
    return new


def _grade_keys(study: Study) -> dict[str, str]:
    """Keys that name a grade of the rotor's magnets, and the grade."""
    used = {"rotor.grade": study.rotor.grade}
    for table in relevant_magnets(study.rotor.magnets_per_pole_pair):
        own = getattr(study.rotor, table).grade
        if own is not None:
            used[f"rotor.{table}.grade"] = own
    return used


def _named(name: str) -> str:
    """Name of the measured grade; without points, which part the tables of a key."""
    name = name.replace(".", " ")
    return name if name.endswith(_SUFFIX) else name + _SUFFIX


def _grade(study: Study, name: str, factor: float, uncertainty: float) -> dict[str, Any]:
    """Return the row of a measured grade: like the one it is of, with its own remanence."""
    grade = study.magnet_grade(name)
    typical = grade.remanence * factor
    own = study.materials.magnets.get(name)
    table = f"materials.magnets.{_named(name)}"
    said = own.model_dump(exclude_none=True) if own else {"like": name}
    said |= {
        "remanence_min_t": round(typical * (1 - _SPREAD * uncertainty), 4),
        "remanence_typical_t": round(typical, 4),
        "remanence_max_t": round(typical * (1 + _SPREAD * uncertainty), 4),
    }
    return {f"{table}.{key}": value for key, value in said.items()}
