"""Figures against limits, and the cautions that belong beside them."""

from __future__ import annotations

from dataclasses import dataclass

import xarray as xr

from arrayopt.materials import magnet_grade
from arrayopt.study import Study
from arrayopt.study.models import relevant_magnets


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
    lines = [
        f"{check.name} is {check.value:.3g} {check.unit} against a limit of {check.limit:.3g}: "
        + _consequence(check.name)
        for check in check_limits(study, results)
        if not check.ok
    ]
    if study.heat is None:
        lines.append("No heat data in the study, so no continuous torque is claimed.")
    return [*lines, *HANDLING]


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
