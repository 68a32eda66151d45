"""Fast chain and finite elements side by side, and what follows from it."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

import numpy as np
import xarray as xr

from arrayopt.details import ORDERS
from arrayopt.field import solve_field
from arrayopt.layout import build_layout
from arrayopt.machine import iron_loss
from arrayopt.study import Study

# Within these the fast chain is as good as what is built by hand (common practice, no source).
FLUX_TOLERANCE, TORQUE_TOLERANCE = 0.03, 0.05
SATURATES, LOSES = 0.02, 0.10  # shares of flux at no load, of torque at the peak, worth a remedy
_RIPPLE = 0.10
_CALM = 1e-3


@dataclass(frozen=True)
class Compared:
    """One figure by both.

    Attributes
    ----------
    name, key, unit : str
        Label, JSON key without unit, and unit as shown.
    fast, elements : float
        In that unit; NaN where one of them does not give it.
    share : bool
        A share in percent: the difference is in percentage points.

    """

    name: str
    key: str
    unit: str
    fast: float
    elements: float
    share: bool = False

    @property
    def difference(self) -> float:
        """Fast chain over finite elements less one, in percent; of shares in points."""
        if self.share:
            return self.fast - self.elements
        if not self.elements:
            return 0.0 if not self.fast else np.nan
        return 100 * (self.fast / self.elements - 1)


def compared(
    study: Study, fast: xr.Dataset, found: dict[str, float], *, current: float
) -> tuple[Compared, ...]:
    """Return every figure that both give, then those of finite elements alone."""

    def of(name: str) -> float:
        return float(fast[name][0])

    def row(name: str, key: str, unit: str, one: float, other: float) -> Compared:
        factor = {"mWb": 1e3, "mH": 1e3, "mN m": 1e3, "%": 100}.get(unit, 1)
        return Compared(name, key, unit, one * factor, other * factor, share=unit == "%")

    layout = build_layout(study)
    field = solve_field(layout, orders=ORDERS)
    loss = float(iron_loss(layout, field, np.array([found["speed"]]))[0])
    line = float(np.abs(fast["line_emf"]).max())
    amps = 0.0 if isnan(current) else current
    at, still = f"at {amps:.3g} A", "no load"
    at_peak = of("peak_torque") if study.drive else of("torque_constant") * amps
    both = of("inductance_gap") + np.nan_to_num(of("inductance_slot"))
    mean = (found["inductance_direct"] + found["inductance_quadrature"]) / 2
    rpm = found["speed"] * 30 / np.pi
    rows = [
        row("Flux linkage of a phase, peak", "flux_linkage", "mWb",
            of("flux_linkage"), found["linkage"]),
        row("Back-EMF line to line, peak", "line_emf", "V s/rad", line, found["line_emf"]),
        row(f"Flux lost to saturation, {still}", "flux_loss", "%",
            of("flux_loss"), found["flux_loss"]),
    ]  # fmt: skip
    if amps:
        rows += [
            row(f"Torque {at}", "peak_torque", "N m", at_peak, found["peak_torque"]),
            row(f"Torque lost to saturation {at}", "torque_loss", "%",
                of("torque_loss"), found["torque_lost"]),
        ]  # fmt: skip
    rows.append(row("Inductance in gap and slots", "inductance", "mH", both, mean))
    for part, name in (("tooth", "tooth"), ("yoke", "yoke"), ("ring", "steel ring")):
        key, label = f"{part}_flux_density", f"Flux density of {name}"
        rows.append(row(f"{label}, {still}", key, "T", of(key), found[part]))
        if amps:
            unsaturated = np.nan if part == "ring" else of(f"{part}_peak")
            peak = found[f"{part}_peak"]
            rows.append(row(f"{label} {at}", f"{key}_peak", "T", unsaturated, peak))
    rows += [
        row(f"Iron loss at {rpm:.0f} rpm, {still}", "iron_loss", "W", loss, found["iron_loss"]),
        row("Magnets past the reverse-field limit", "demagnetised", "%",
            of("demagnetised"), found["demagnetised"]),
        row("Cogging torque, peak to peak", "cogging", "mN m", np.nan, found["cogging"]),
    ]  # fmt: skip
    if amps:
        rows.append(
            row(f"Torque ripple {at}, peak to peak", "torque_ripple", "%",
                of("torque_ripple"), found["ripple"])
        )  # fmt: skip
    return tuple(one for one in rows if not isnan(one.elements))


def verdict(
    study: Study, fast: xr.Dataset, found: dict[str, float], rows: tuple[Compared, ...]
) -> tuple[tuple[str, ...], bool]:
    """Say what agrees, or which assumption failed and what to change; and whether all agrees."""
    by_key = {row.key: row for row in rows}
    linkage = by_key["flux_linkage"]
    lines: list[str] = []
    failed = False
    if not found["linkage"] > 0 or abs(linkage.elements) < 1e-9:
        return ("there is no flux: nothing to compare",), True
    if abs(linkage.difference) <= 100 * FLUX_TOLERANCE:
        lines.append(
            f"flux linkage and back-EMF agree: the fast chain reads {_side(linkage.difference)}."
        )
    else:
        failed = True
        lines.append(
            f"flux linkage does not agree: the fast chain reads {_side(linkage.difference)}."
        )
    ideal = float(fast["flux_linkage"][0]) / found["ideal_linkage"] - 1
    if found["flux_loss"] > SATURATES:
        lines.append(
            f"assumption of unsaturated iron, no load: saturation takes "
            f"{100 * found['flux_loss']:.1f} % of the flux. {_remedy(study, found, '')}"
        )
    if abs(ideal) > FLUX_TOLERANCE:
        lines.append(
            "assumption of a slotted stator as a longer gap (Carter) and of one polarisation a "
            f"magnet: with unsaturated iron the fast chain reads {_side(100 * ideal)}; narrower "
            "slot openings, or count on finite elements."
        )
    if "peak_torque" in by_key:
        torque, lost = by_key["peak_torque"], found["torque_lost"]
        good = abs(torque.difference) <= 100 * TORQUE_TOLERANCE
        failed = failed or not good
        lines.append(
            f"torque at {found['peak_current']:.3g} A "
            f"{'agrees' if good else 'does not agree'}: the fast chain reads "
            f"{_side(torque.difference)}."
        )
        if lost > LOSES:
            lines.append(
                f"saturation takes {100 * lost:.0f} % of the torque at {found['peak_current']:.3g} "
                f"A. {_remedy(study, found, '_peak')}"
            )
        if found["ripple"] > _RIPPLE:
            lines.append(
                f"torque ripple of {100 * found['ripple']:.0f} % peak to peak at "
                f"{found['peak_current']:.3g} A, cogging in it: skew the rotor "
                "(rotor.skew_steps), or take slots and poles with a larger common multiple."
            )
    limit = study.limits.demagnetised_percent / 100
    if found["demagnetised"] > limit:
        failed = True
        lines.append(
            f"{100 * found['demagnetised']:.1f} % of the magnets lose polarisation for good, more "
            f"than limits.demagnetised_percent ({100 * limit:g} %): a higher grade letter, less "
            "current, or less heat."
        )
    return tuple(lines), not failed


def _side(percent: float) -> str:
    if abs(percent) < _CALM:
        return "the same"
    return f"{abs(percent):.1f} % {'high' if percent > 0 else 'low'}"


def _remedy(study: Study, found: dict[str, float], suffix: str) -> str:
    """Say which part is past its knee and how wide it would have to be."""
    stator, lines = study.stator, []
    for part, key, size, knee in (
        ("tooth", "stator.tooth_width_mm", stator.tooth_width_mm, study.flux_limit("tooth")),
        ("yoke", "stator.yoke_mm", stator.yoke_mm, study.flux_limit("yoke")),
        ("ring", "rotor.steel_ring_mm", study.rotor.steel_ring_mm, study.flux_limit("ring")),
    ):
        density = found[part + suffix]
        if size and density > knee:
            lines.append(
                f"{key} {size:g} carries {density:.2f} T, its limit is {knee:.2f}: about "
                f"{size * density / knee:.1f} mm would do"
            )
    if not lines:
        return (
            "No part is past its limit over its whole width: tooth tips saturate; deeper ones "
            "(stator.tooth_tip_mm) or fewer ampere-turns help."
        )
    return "; ".join(lines) + "."
