"""Figures against limits, and the cautions that belong beside them."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import xarray as xr

from arrayopt.machine import FAIR_FACTOR
from arrayopt.materials import magnet_grade
from arrayopt.study import Study
from arrayopt.study.models import relevant_magnets

# Carter's coefficient read 5 % high at 0.29 of a pole and 8 % at 0.32, against a
# finite-difference solution of one slot (derived).
_WIDE_OPENING = 0.25
_ODD_LENGTHS = 1.5


@dataclass(frozen=True)
class Check:
    """One figure held against a limit; `most` tells whether the limit is an upper one."""

    name: str
    value: float
    limit: float
    unit: str
    source: str
    most: bool = True

    @property
    def ok(self) -> bool:
        """Whether the figure keeps the limit."""
        slack = 1e-6  # as fine as any unit here is measured
        return self.value <= self.limit + slack if self.most else self.value >= self.limit - slack


def check_limits(study: Study, results: xr.Dataset) -> list[Check]:
    """Hold the figures of an evaluated study against its limits; what has no data is left out."""
    row = {name: float(results[name][0]) for name in results if results[name].dims == ("design",)}
    rotor, limits = study.rotor, study.limits
    found = [
        Check("printed wall", row["wall"] * 1e3, rotor.wall_mm, "mm", "rotor.wall_mm", most=False),
        Check(
            "tooth flux density", row["tooth_flux_density"], limits.tooth_flux_density_t, "T",
            "limits.tooth_flux_density_t; knee of common sheet (common practice, no source)",
        ),
        Check(
            "steel ring flux density", row["ring_flux_density"], limits.ring_flux_density_t, "T",
            "limits.ring_flux_density_t; knee of mild steel (common practice, no source)",
        ),
        Check(
            "slot fill", row["slot_fill"] * 100, limits.slot_fill * 100, "%",
            "limits.slot_fill; wound by hand (common practice, no source)",
        ),
        Check(
            "magnet temperature", rotor.magnet_temperature_c, class_temperature(study), "C",
            "temperature class of the grade, trade usage of the suffix letter (from memory)",
        ),
    ]  # fmt: skip
    return [check for check in found if check.value == check.value]


def class_temperature(study: Study) -> float:
    """Return the lowest temperature class among a study's magnet grades [C]."""
    rotor = study.rotor
    magnets = [getattr(rotor, name) for name in relevant_magnets(rotor.magnets_per_pole_pair)]
    grades = {magnet.grade or rotor.grade for magnet in magnets}
    return min(magnet_grade(grade).class_temperature for grade in grades)


def cautions(study: Study, results: xr.Dataset) -> list[str]:
    """Return what a builder must know beside the figures."""
    without = ["No heat data in the study, so no continuous torque is claimed."]
    return [*design_cautions(study, results), *([] if study.heat else without), *HANDLING]


def design_cautions(study: Study, results: xr.Dataset) -> list[str]:
    """Return what makes the figures of this design doubtful."""
    lines = [
        f"{check.name} is {check.value:.3g} {check.unit} against a limit of {check.limit:.3g}: "
        + _consequence(check.name)
        for check in check_limits(study, results)
        if not check.ok
    ]
    factor = float(results["winding_factor"][0])
    if factor < FAIR_FACTOR:
        lines.append(
            f"winding factor is {factor:.3f}: other slot or pole counts use the copper better."
        )
    pole = pi * study.stator.surface_diameter_mm / (2 * study.rotor.pole_pairs)
    opening = study.stator.slot_opening_mm or 0.0
    if opening > _WIDE_OPENING * pole:
        lines.append(
            f"slot openings of {opening:g} mm are wide against poles of {pole:.1f} mm: torque may "
            "be lower than computed by several percent."
        )
    longer = study.rotor_length_mm / study.stator.stack_mm
    if not 1 / _ODD_LENGTHS <= longer <= _ODD_LENGTHS:
        lines.append(
            f"magnets of {study.rotor_length_mm:g} mm and a stack of {study.stator.stack_mm:g} mm "
            "differ a lot in length: are both in mm?"
        )
    return lines


HANDLING = (
    "Loose magnets jump, pinch and shatter: wear eye protection, keep them apart and away from "
    "children.",
    "Keep magnets and rotors away from implanted medical devices, cards and drives.",
    "Never grind or cut sintered magnets dry: their dust burns.",
    "Test speed behind a guard; windings and batteries can burn. Local codes and licensed "
    "practice come first.",
)


def _consequence(name: str) -> str:
    return {
        "printed wall": "the print may not hold the magnets.",
        "tooth flux density": "teeth saturate, true torque is lower than computed.",
        "steel ring flux density": "the ring saturates, true torque is lower than computed.",
        "slot fill": "the winding may not go in by hand.",
        "magnet temperature": "the grade may lose magnetisation for good.",
    }[name]
