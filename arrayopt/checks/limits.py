"""Figures against limits, and the cautions that belong beside them."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, sqrt

import numpy as np
import xarray as xr

from arrayopt.checks.hazards import HANDLING
from arrayopt.layout import build_layout
from arrayopt.layout.pockets import carrier_ring, family_pockets
from arrayopt.machine import (
    FAIR_FACTOR,
    cogging_periods,
    like_poles,
    phase_peak_current,
    phase_voltage,
    temperature_limits,
    winding_faults,
)
from arrayopt.quantities import MM, RPM
from arrayopt.study import Study

_ODD_LENGTHS = 1.5
_THIN_SKIN = 0.3  # mm of print (common practice, no source)
_WIDE_AIR = 1.5  # mm of air before an ironless winding (common practice, no source)
_FULL = 95.0  # percent of a slot
_STRONG_RIPPLE = 0.1  # of the mean, without cogging (common practice, no source)
_FEW_PERIODS, _NEAR = 3, 3  # of cogging, over the poles; pole pairs that may be offered
_SEEN_LOSS, _PEAK_LOSS, _THIRD = 0.01, 0.1, 0.02  # shares worth a word


@dataclass(frozen=True)
class Check:
    """One figure held against a limit.

    Attributes
    ----------
    name : str
    value, limit : float
        Both in `unit`.
    unit : str
    source : str
        Key of the study that the limit is from, or what it rests on.
    most : bool
        Whether the limit is an upper one.

    Examples
    --------
    >>> from arrayopt import Check
    >>> Check("slot fill", 50.0, 45.0, "%", "limits.slot_fill").ok
    False
    >>> Check("printed wall", 0.8, 0.6, "mm", "rotor.wall_mm", most=False).ok
    True
    """

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
    """Hold the figures of an evaluated study against its limits; what has no data is left out.

    Parameters
    ----------
    study : Study
    results : xarray.Dataset
        Of `evaluate` for this study; of a batch the first design is taken, and what
        `evaluate_batch` leaves out is not held against anything.

    Returns
    -------
    list of Check

    Examples
    --------
    >>> from arrayopt import check_limits, evaluate, load_study
    >>> study = load_study("studies/ankle/study.toml")
    >>> checks = check_limits(study, evaluate(study))
    >>> all(check.ok for check in checks)
    True
    >>> thin = study.with_values({"stator.tooth_width_mm": 2.0})
    >>> for check in check_limits(thin, evaluate(thin)):
    ...     if not check.ok:
    ...         print(check.name, "at most", check.limit, check.unit)
    tooth flux density at most 1.6 T
    """
    row = {
        str(name): float(column.values[0])
        for name, column in results.data_vars.items()
        if column.dims == ("design",)
    }
    rotor, limits = study.rotor, study.limits
    found = [
        Check(
            "printed wall between pockets", row["wall"] * 1e3, rotor.wall_mm, "mm",
            "rotor.wall_mm", most=False,
        ),
        *_skin_check(study),
        Check(
            "tooth flux density", row["tooth_flux_density"], study.flux_limit("tooth"), "T",
            f"limits.tooth_flux_density_t, else the knee of {study.stator.sheet} in steels.csv",
        ),
        Check(
            "steel ring flux density", row["ring_flux_density"], study.flux_limit("ring"), "T",
            f"limits.ring_flux_density_t, else the knee of {study.rotor.ring_steel} in steels.csv",
        ),
        Check(
            "slot fill", row["slot_fill"] * 100, limits.slot_fill * 100, "%",
            "limits.slot_fill; wound by hand (common practice, no source)",
        ),
        Check(
            "yoke flux density", row["yoke_flux_density"], study.flux_limit("yoke"), "T",
            f"limits.yoke_flux_density_t, else the knee of {study.stator.sheet} in steels.csv",
        ),
        Check(
            "wire fill", row["wire_fill"] * 100, limits.wire_fill * 100, "%",
            "limits.wire_fill; enamelled wire wound by hand (common practice, no source)",
        ),
        *_temperature_checks(study, row),
        Check(
            "demagnetised share", row["demagnetised"] * 100, limits.demagnetised_percent, "%",
            "limits.demagnetised_percent; volume past the grade's reverse-field limit (derived)",
        ),
        Check(
            "magnet temperature", rotor.magnet_temperature_c, study.class_temperature, "C",
            "temperature class of the grade, trade usage of the suffix letter (from memory)",
        ),
    ]  # fmt: skip
    return [check for check in found if check.value == check.value]


def _skin_check(study: Study) -> list[Check]:
    """Skin that pockets leave before the magnets, at its thinnest."""
    if not study.carrier.skin_mm:
        return []
    layout = build_layout(study)
    ring = carrier_ring(layout)
    fronts = [family_pockets(layout, ring, i).front for i in range(len(layout.families))]
    source = "carrier.skin_mm less rotor.clearance_mm, less at corners (common practice, no source)"
    return [Check("printed skin", float(np.min(fronts)) / MM, _THIN_SKIN, "mm", source, most=False)]


def _temperature_checks(study: Study, row: dict[str, float]) -> list[Check]:
    """Temperatures at continuous torque; the one at its limit is what holds the torque back."""
    if study.heat is None:
        return []
    limits = temperature_limits(study)
    sources = {
        "winding": "heat.winding_limit_c",
        "magnets": "heat.magnet_limit_c or the grade's class, trade usage (from memory)",
        "carrier": "heat.carrier_limit_c or the plastic's service temperature "
        "(common practice, no source)",
    }
    found = {"winding": row["winding_temperature"]}
    found |= dict.fromkeys(("magnets", "carrier"), row["rotor_temperature"])
    return [
        Check(f"{part} at continuous torque", found[part], limits[part], "C", sources[part])
        for part in limits
    ]


def cautions(study: Study, results: xr.Dataset) -> list[str]:
    """Return what a builder must know beside the figures.

    Parameters
    ----------
    study : Study
    results : xarray.Dataset
        Of `evaluate` for this study.

    Returns
    -------
    list of str
        Sentences: limits that are not kept, what makes figures doubtful, hazards of the work.

    Examples
    --------
    >>> from arrayopt import cautions, evaluate, load_study
    >>> study = load_study("studies/ankle/study.toml")
    >>> lines = cautions(study, evaluate(study))
    >>> any("eye protection" in line for line in lines)
    True
    >>> full = study.with_values({"winding.turns_per_coil": 24})
    >>> print(cautions(full, evaluate(full))[0].partition(": ")[2])
    the winding may not go in by hand.
    """
    heat = _STANDSTILL if study.heat else _NO_HEAT
    return [*design_cautions(study, results), heat, *HANDLING]


def design_cautions(study: Study, results: xr.Dataset) -> list[str]:
    """Return what makes the figures of this design doubtful."""
    lines = [
        f"{check.name} is {check.value:.3g} {check.unit} against a limit of {check.limit:.3g}: "
        + _consequence(check)
        for check in check_limits(study, results)
        if not check.ok
    ]
    factor = float(results["winding_factor"][0])
    if factor < FAIR_FACTOR:
        lines.append(
            f"winding factor is {factor:.3f}: other slot or pole counts use the copper better."
        )
    lines += _ironless_gap(study)
    lines += _cogging(study)
    ripple = float(results["torque_ripple"][0])
    if ripple > _STRONG_RIPPLE:
        lines.append(
            f"torque ripple is {100 * ripple:.0f} % peak to peak even without cogging: other pole "
            "or slot counts or skew make less."
        )
    lines += _saturation(study, results)
    lines += _delta(study, results)
    lines += _supply(study, results)
    allowed = float(results["continuous_current"][0]) * sqrt(2)
    if allowed > phase_peak_current(study):
        lines.append(
            f"the drive's peak of {phase_peak_current(study):.3g} A in a phase is less than the "
            f"{allowed:.3g} A that heat allows: continuous torque is that of heat alone."
        )
    longer = study.rotor_length_mm / study.stator.stack_mm
    if not 1 / _ODD_LENGTHS <= longer <= _ODD_LENGTHS:
        lines.append(
            f"magnets of {study.rotor_length_mm:g} mm and a stack of {study.stator.stack_mm:g} mm "
            "differ a lot in length: are both in mm?"
        )
    return lines


def _cogging(study: Study) -> list[str]:
    """Tell of slots and poles with so large a common divisor that cogging has few periods.

    Cogging has the least common multiple of slots and poles as periods a turn, so its wave is
    that many; up to three times the poles it is strong (Zhu & Howe 2000, IEEE Trans. Energy
    Conv. 15:407, from memory; the limit is common practice, no source).
    """
    slots, pairs, poles = study.stator.slots, study.rotor.pole_pairs, like_poles(study)
    if study.stator.kind != "slotted" or not _few_periods(slots, poles):
        return []
    alike = poles // pairs  # poles of a pair: two, or one where north and south differ
    others = [
        p
        for p in range(max(pairs - _NEAR, 1), pairs + _NEAR + 1)
        if not _few_periods(slots, alike * p)
        and not winding_faults(study.varied({"rotor.pole_pairs": p}))
    ]
    remedy = ""
    if others:
        best = min(
            others, key=lambda p: (abs(p - pairs), -cogging_periods(slots=slots, poles=alike * p))
        )
        more = cogging_periods(slots=slots, poles=alike * best)
        remedy = f"; {2 * best} poles would have {more}"
    return [
        f"{slots} slots and {2 * pairs} poles cog {cogging_periods(slots=slots, poles=poles)} "
        f"times a turn, so few that cogging is strong{remedy}. `arrayopt confirm` computes it."
    ]


def _few_periods(slots: int, poles: int) -> bool:
    return cogging_periods(slots=slots, poles=poles) <= _FEW_PERIODS * poles


def _ironless_gap(study: Study) -> list[str]:
    """Tell where an ironless winding seems to be counted into the airgap as well."""
    thickness, air = study.stator.winding_thickness_mm or 0.0, study.clearance_mm
    if study.stator.kind != "ironless" or air <= max(thickness, _WIDE_AIR):
        return []
    return [
        f"airgap.length_mm leaves {air:.3g} mm of air, as if the winding of {thickness:g} mm lay "
        "in it: an ironless winding lies behind stator.surface_diameter_mm and is no part of the "
        "airgap."
    ]


def _saturation(study: Study, results: xr.Dataset) -> list[str]:
    """Tell where the model of infinitely permeable iron stops being true, and by how much."""
    loss, peak = float(results["flux_loss"][0]), float(results["torque_loss"][0])
    lines = []
    if loss > _SEEN_LOSS:
        tooth, tip = (float(results[n][0]) for n in ("tooth_flux_density", "tip_flux_density"))
        where = "iron saturates"
        if tip > study.steel(study.stator.sheet).knee > tooth:
            where = (
                f"tooth tips saturate ({tip:.2f} T unsaturated; make stator.tooth_tip_mm more than "
                f"{study.tooth_tip_mm:g})"
            )
        lines.append(
            f"{where} at no load: torque constant, back-EMF and continuous torque are computed "
            f"with unsaturated iron; expect about {100 * loss:.0f} % less, of limits on them too."
        )
    if peak > _PEAK_LOSS and study.drive is not None:
        tooth, yoke = float(results["tooth_peak"][0]), float(results["yoke_peak"][0])
        also = "" if isnan(yoke) else f", yoke {yoke:.2f} T"
        lines.append(
            f"iron saturates at {study.drive.peak_current_a:g} A: unsaturated teeth would carry "
            f"{tooth:.2f} T{also}, the knee is at {study.steel(study.stator.sheet).knee:g} T; that "
            f"costs {100 * peak:.0f} % of the torque at peak current, already taken off."
        )
    return lines


def _supply(study: Study, results: xr.Dataset) -> list[str]:
    """Tell where supply and speed do not let the figures be reached."""
    if study.drive is None:
        return []
    lines = []
    needed = phase_peak_current(study) * float(results["resistance_cold"][0])
    if needed > phase_voltage(study):
        lines.append(
            f"peak current needs {needed:.3g} V in a phase even at standstill and the supply gives "
            f"{phase_voltage(study):.3g} V: the torque is less than told, see its curve over speed."
        )
    speed = study.heat.speed_rpm if study.heat else 0.0
    top = float(results["no_load_speed"][0]) / RPM
    if speed > top:
        lines.append(
            f"heat.speed_rpm of {speed:g} is above the no-load speed of {top:.0f} rpm: the supply "
            "does not reach it, so the continuous torque is not to be had there."
        )
    return lines


def _delta(study: Study, results: xr.Dataset) -> list[str]:
    """Warn of the third harmonic that circulates in a delta."""
    third = float(results["third_harmonic"][0])
    if study.winding.connection != "delta" or third <= _THIRD:
        return []
    speed = 1000 * RPM
    emf = third * float(results["back_emf_constant"][0]) * speed
    loss = 1.5 * emf**2 / float(results["resistance_cold"][0])
    return [
        f"the back-EMF's third harmonic of {100 * third:.1f} % drives a current round the delta: "
        f"up to {loss:.2g} W of loss at 1000 rpm, growing with the square of speed; star avoids it."
    ]


_STANDSTILL = (
    "Continuous torque is for a turning motor. Held at standstill one phase can carry the peak of "
    "the current all the time and take twice its share of the loss: allow 71 % of it there."
)
_NO_HEAT = "No heat data in the study, so no continuous torque is claimed."


def _consequence(check: Check) -> str:
    name = check.name
    if name in ("slot fill", "wire fill") and check.value > _FULL:
        return "it cannot go in at all; use fewer turns, thinner wire or fewer strands."
    if name.endswith("at continuous torque"):
        return "lower the ambient or improve the cooling; there is no torque to spare."
    return {
        "yoke flux density": "the yoke saturates, true torque is lower than computed.",
        "wire fill": "the winding may not go in by hand.",
        "demagnetised share": "part of the magnets loses polarisation for good; take a higher "
        "grade letter, less current or less heat (ferrite: less cold).",
        "printed wall between pockets": "the print may not hold the magnets.",
        "printed skin": "it may not print closed or hold; the pockets' clearance is cut out of "
        "carrier.skin_mm.",
        "tooth flux density": "teeth saturate, true torque is lower than computed.",
        "steel ring flux density": "the ring saturates, true torque is lower than computed.",
        "slot fill": "the winding may not go in by hand.",
        "magnet temperature": "the grade may lose magnetisation for good.",
    }[name]
