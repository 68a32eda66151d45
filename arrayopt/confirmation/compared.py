"""Fast model and finite elements side by side, and what follows from it."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

import numpy as np
import xarray as xr

from arrayopt.field import ORDERS, solve_field
from arrayopt.figures import phrase
from arrayopt.layout import build_layout
from arrayopt.machine import iron_loss
from arrayopt.quantities import RPM
from arrayopt.study import Study

# Within these the fast model is as good as what is built by hand (common practice, no source).
FLUX_TOLERANCE, TORQUE_TOLERANCE = 0.03, 0.05
SATURATES, LOSES = 0.02, 0.10  # shares of flux at no load, of torque at the peak, worth a remedy
_RIPPLE = 0.10
_CALM = 1e-3
_FAR_OFF = 0.25  # of figures that do not decide


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
    unlike : bool
        The fast model gives what iron would carry if it did not saturate: no difference.

    """

    name: str
    key: str
    unit: str
    fast: float
    elements: float
    share: bool = False
    unlike: bool = False

    @property
    def difference(self) -> float:
        """Fast model over finite elements less one, in percent; of shares in points."""
        if self.unlike:
            return np.nan
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

    def row(
        name: str, key: str, unit: str, one: float, other: float, *, unlike: bool = False
    ) -> Compared:
        factor = {"mWb": 1e3, "mH": 1e3, "mN m": 1e3, "%": 100}.get(unit, 1)
        share = unit == "%"
        return Compared(name, key, unit, one * factor, other * factor, share, unlike)

    layout = build_layout(study)
    field = solve_field(layout, orders=ORDERS)
    loss = float(iron_loss(layout, field, np.array([found["speed"]]))[0])
    line = float(np.abs(fast["line_emf"]).max())
    amps = 0.0 if isnan(current) else current
    at, still = f"at {amps:.3g} A", "no load"
    at_peak = of("peak_torque") if study.drive else of("torque_constant") * amps
    both = of("inductance_gap") + np.nan_to_num(of("inductance_slot"))
    mean = (found["inductance_direct"] + found["inductance_quadrature"]) / 2
    rpm = found["speed"] / RPM
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
    names = {"tooth": "tooth", "tip": "tooth tip", "yoke": "yoke", "ring": "steel ring"}
    for part, name in names.items():
        key, label = f"{part}_flux_density", f"Flux density of {name}"
        fast_one = np.nan if part == "tip" else of(key)
        rows.append(row(f"{label}, {still}", key, "T", fast_one, found[part]))
        if amps:
            unsaturated = of(f"{part}_peak") if part in ("tooth", "yoke") else np.nan
            peak = found[f"{part}_peak"]
            rows.append(row(f"{label} {at}", f"{key}_peak", "T", unsaturated, peak, unlike=True))
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
    lines, agrees = _flux_lines(study, fast, found, by_key["flux_linkage"])
    if "peak_torque" in by_key:
        more, good = _torque_lines(study, fast, found, by_key["peak_torque"])
        lines, agrees = lines + more, agrees and good
    return (*lines, *_other_lines(study, found, by_key)), agrees


def _flux_lines(
    study: Study, fast: xr.Dataset, found: dict[str, float], linkage: Compared
) -> tuple[list[str], bool]:
    good = abs(linkage.difference) <= 100 * FLUX_TOLERANCE
    lines = [
        f"flux linkage and back-EMF {'agree' if good else 'do not agree'}: the fast model reads "
        f"{_side(linkage.difference)}."
    ]
    lost = found["flux_loss"]
    if isnan(lost):
        return [
            *lines,
            "closed slots: the bridges of iron between teeth must saturate before flux crosses the "
            "gap, and the fast model knows none; open the slots, or count on finite elements.",
        ], good
    # Iron that does not saturate tells the field's own assumptions from saturation.
    ideal = float(fast["flux_linkage"][0]) / found["ideal_linkage"] - 1
    if lost > SATURATES or (not good and lost >= abs(ideal)):
        lines.append(
            f"assumption of unsaturated iron, no load: saturation takes {100 * lost:.1f} % of the "
            f"flux. {_remedy(study, found, '')}"
        )
    if abs(ideal) > FLUX_TOLERANCE or (not good and lost < abs(ideal)):
        slots = study.stator.kind == "slotted"
        what = "a slotted stator as a longer gap (Carter) and of " if slots else ""
        change = "narrower slot openings, or count" if slots else "count"
        lines.append(
            f"assumption of {what}one polarisation a magnet: with unsaturated iron the fast model "
            f"reads {_side(100 * ideal)}; {change} on finite elements."
        )
    return lines, good


def _torque_lines(
    study: Study, fast: xr.Dataset, found: dict[str, float], torque: Compared
) -> tuple[list[str], bool]:
    good = abs(torque.difference) <= 100 * TORQUE_TOLERANCE
    at, lost = f"{found['peak_current']:.3g} A", found["torque_lost"]
    lines = [
        f"torque at {at} {'agrees' if good else 'does not agree'}: the fast model reads "
        f"{_side(torque.difference)}."
    ]
    expected = float(np.nan_to_num(fast["torque_loss"][0]))
    if not good and not isnan(lost):
        lines.append(
            f"assumption of iron as a network of teeth, tips and yoke: it expects "
            f"{100 * expected:.1f} % of the torque lost at {at}, finite elements "
            f"{100 * lost:.1f} %."
        )
    if lost > LOSES or (not good and lost > SATURATES):
        lines.append(
            f"saturation takes {100 * lost:.0f} % of the torque at {at}. "
            f"{_remedy(study, found, '_peak')}"
        )
    if found["ripple"] > _RIPPLE:
        lines.append(
            f"torque ripple of {100 * found['ripple']:.0f} % peak to peak at {at}, cogging in it: "
            "skew the rotor (rotor.skew_steps), or take slots and poles with a larger common "
            "multiple."
        )
    return lines, good


def _other_lines(study: Study, found: dict[str, float], by_key: dict[str, Compared]) -> list[str]:
    """Say what else differs much, and which magnets are lost."""
    lines = [
        f"{phrase(row.name)} differs: the fast model reads {_side(row.difference)}; {text}."
        for key, text in (
            ("inductance", "set the drive up with that of finite elements"),
            ("iron_loss", "count on that of finite elements"),
        )
        if (row := by_key.get(key)) and abs(row.difference) > 100 * _FAR_OFF
    ]
    limit = study.limits.demagnetised_percent / 100
    if found["demagnetised"] > limit:
        lines.append(
            f"{100 * found['demagnetised']:.1f} % of the magnets lose polarisation for good, more "
            f"than limits.demagnetised_percent ({100 * limit:g} %): a higher grade letter, less "
            "current, or less heat."
        )
    return lines


def _side(percent: float) -> str:
    if abs(percent) < _CALM:
        return "the same"
    return f"{abs(percent):.1f} % {'high' if percent > 0 else 'low'}"


def _remedy(study: Study, found: dict[str, float], suffix: str) -> str:
    """Say which part is past its limit and how wide it would have to be."""
    stator, lines = study.stator, []
    for part, key, size, limit in (
        ("tooth", "stator.tooth_width_mm", stator.tooth_width_mm, study.flux_limit("tooth")),
        ("tip", "stator.tooth_tip_mm", study.tooth_tip_mm, study.flux_limit("tooth")),
        ("yoke", "stator.yoke_mm", stator.yoke_mm, study.flux_limit("yoke")),
        ("ring", "rotor.steel_ring_mm", study.rotor.steel_ring_mm, study.flux_limit("ring")),
    ):
        density = found[part + suffix]
        if size and density > limit:
            lines.append(
                f"{key} {size:g} carries {density:.2f} T, its limit is {limit:.2f}: about "
                f"{size * density / limit:.1f} mm would do"
            )
    if not lines:
        return "No part is past its limit over its whole width: fewer ampere-turns help."
    return "; ".join(lines) + "."
