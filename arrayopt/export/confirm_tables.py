"""A confirmation as text and JSON."""

from __future__ import annotations

from math import isnan
from typing import Any

import numpy as np

from arrayopt.confirmation.compared import Compared
from arrayopt.confirmation.front import ConfirmedFront
from arrayopt.confirmation.results import LOST, Confirmation
from arrayopt.export.files import csv_text
from arrayopt.export.results import shown
from arrayopt.export.text_tables import bullets, number, table_text
from arrayopt.figures import FIGURES
from arrayopt.quantities import RPM

_NONE = 1e-4  # in any unit shown, nothing that counts
_FINE = 1e-4
_SETTLED = 0.05
_NO_TORQUE = 1e-9  # N m
_NO_COGGING = 1e-3  # N m over the torque of one ampere


def confirm_text(found: Confirmation) -> str:
    """Return both side by side, what finite elements alone give, and the verdict."""
    parts = [found.study.title]
    if found.assumed:
        parts.append(bullets("Assumed, see sector.png", list(found.assumed)))
    parts += [
        ends_text(found),
        table_text(*compared_rows(found.compared)),
        table_text(*own_rows(found)),
        checks_line(found),
        bullets(f"Verdict ({verdict_word(found)})", list(found.verdict)),
        LEFT_OUT,
    ]  # fmt: skip
    return "\n\n".join(parts)


def verdict_word(found: Confirmation) -> str:
    """Say in a word whether both agree and the magnets last."""
    word = "agrees" if found.agrees else "DOES NOT AGREE"
    return f"{word}, MAGNETS ARE LOST" if found.loses else word


LEFT_OUT = (
    "Not in it: ends but for their mean, shaft and hub, eddy currents in magnets, ring and\n"
    "copper, cut edges of the sheet (real stators lose 1.3 to 2 times the iron loss; common\n"
    "practice, no source), and what print and magnets differ from their sizes. Measure before you\n"
    "trust."
)


def ends_text(found: Confirmation) -> str:
    """Say which end factor was applied."""
    scale = found.scale
    text = (
        f"Finite elements in the plane, nonlinear iron; ends by the magnets' field in three\n"
        f"dimensions: the stack sees {100 * scale.share:.1f} % of endless magnets' fundamental, so "
        f"remanence x {scale.remanence:.3f}"
    )
    if scale.length < scale.stack:
        text += f"\nover the {scale.length * 1e3:g} mm that magnets and stack share"
    text += ".\nCurrents are amplitudes of the phase current."
    if scale.uneven:
        text += (
            f"\nEnds change the shape of this field, a harmonic by "
            f"{100 * scale.reshaped:.0f} % of the fundamental. One scale cannot\nstand for that: "
            "cogging, ripple, the back-EMF's shape, tooth flux and iron loss are rough."
        )
    return text


def compared_rows(rows: tuple[Compared, ...]) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of both side by side."""
    cells: list[list[object]] = [
        [row.name, _value(row.fast), _value(row.elements), row.unit, _difference(row)]
        for row in rows
    ]
    return cells, ["Figure", "Fast\nmodel", "Finite\nelements", "Unit", "Fast model reads"]


def _value(value: float) -> str:
    return "0" if abs(value) < _NONE else number(value)


def _difference(row: Compared) -> str:
    difference = row.difference
    if row.unlike and not isnan(row.fast):
        return "(unsaturated)"
    if isnan(difference):
        return "-"
    return f"{difference:+.1f} {'points' if row.share else '%'}"


def own_rows(found: Confirmation) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of what finite elements alone give."""
    figures = found.figures
    rows: list[list[object]] = [
        ["Cogging periods a turn", str(found.figures["cogging_periods"]), ""],
        ["Harmonics of the phase back-EMF", number(figures["distortion"], 100), "%"],
        ["Inductance d, no load", number(figures["inductance_direct"], 1e3), "mH"],
        ["Inductance q, no load", number(figures["inductance_quadrature"], 1e3), "mH"],
    ]
    if "peak_current" in figures:
        amps = f"{figures['peak_current']:.3g} A"
        past = f"past {figures['peak_current']:.3g}"
        rows += [
            [f"Inductance d at {amps}", number(figures["inductance_direct_peak"], 1e3), "mH"],
            [f"Inductance q at {amps}", number(figures["inductance_quadrature_peak"], 1e3), "mH"],
        ]
        for share in LOST:
            current = figures[f"current_lost_{share * 100:g}"]
            value = past if isnan(current) else number(current)
            rows.append([f"Current with {100 * share:g} % less torque an ampere", value, "A"])
    if found.study.stator.kind != "ironless":
        rows += [
            [f"Iron loss of {name}", number(figures[f"loss_{part}"]), "W"]
            for part, name in (("tooth", "teeth"), ("tip", "tooth tips"), ("yoke", "yoke"))
            if figures[f"loss_{part}"] > 0
        ]
    return rows, ["Finite elements alone", "Value", "Unit"]


def checks_line(found: Confirmation) -> str:
    """Say how well the solution agrees with itself."""
    figures = found.figures
    apart = [figures["cogging_energy_difference"], figures["cogging_stress_difference"]]
    if figures["cogging"] <= _NO_COGGING * abs(figures["linkage"] * found.study.rotor.pole_pairs):
        lines, apart = ["- no cogging, as it should be without slots or flux"], []
    else:
        lines = [
            f"- cogging's mean is {_tiny(figures['cogging_mean'])} N m; as derivative of energy it "
            f"differs by {_percent(apart[0])} of its extent,",
            f"  by stress over the meshed gap by {_percent(apart[1])}",
        ]
    if figures.get("peak_torque"):
        apart.append(abs(figures["torque_by_linkage"] / figures["peak_torque"] - 1))
        lines.append(
            f"- back-EMF times current over speed differs from the torque by {_percent(apart[-1])}"
        )
    if max(apart, default=0.0) <= _SETTLED:
        return "\n".join(["Numerical checks:", *lines])
    return "\n".join(["Solved roughly, a finer mesh (--mesh 0.7) may help:", *lines])


def _percent(share: float) -> str:
    return f"{100 * share:.2f} %" if share >= _FINE else "less than 0.01 %"


def _tiny(value: float) -> str:
    return f"{value:.0e}" if abs(value) > _NO_TORQUE else "0"


def confirm_json(found: Confirmation) -> dict[str, Any]:
    """Return a confirmation; keys end in their unit."""
    figures, curves = found.figures, found.curves
    content: dict[str, Any] = {
        "title": found.study.title,
        "assumed": list(found.assumed),
        "ends": {
            "share_of_endless": shown(found.scale.share),
            "remanence_scale": shown(found.scale.remanence),
            "shared_length_mm": shown(found.scale.length, 1e3),
            "harmonics_changed_percent": shown(found.scale.reshaped, 100),
            "one_scale_is_rough": found.scale.uneven,
        },
        "compared": [
            {
                "name": row.name, "key": row.key, "unit": row.unit, "fast_model": shown(row.fast),
                "finite_elements": shown(row.elements),
                f"difference_{'points' if row.share else 'percent'}": shown(row.difference),
            }
            for row in found.compared
        ],
        "finite_elements": {
            key: shown(float(figures[name]), factor)
            for name, key, factor in _KEYS
            if name in figures
        },
        "agrees": found.agrees,
        "magnets_lost": found.loses,
        "verdict": list(found.verdict),
    }  # fmt: skip
    if "torque" in curves:
        content["torque"] = [
            {"current_a": shown(float(i)), "torque_nm": shown(float(t)),
             "less_per_ampere_percent": shown(float(lost), 100)}
            for i, t, lost in zip(
                curves["current"], curves["torque"], curves["constant_lost"], strict=True
            )
        ]  # fmt: skip
    return content


_KEYS = (
    ("linkage", "flux_linkage_peak_wb", 1.0),
    ("ideal_linkage", "flux_linkage_unsaturated_peak_wb", 1.0),
    ("line_emf", "back_emf_line_peak_v_s_per_rad", 1.0),
    ("distortion", "back_emf_thd_percent", 100.0),
    ("cogging", "cogging_peak_to_peak_nm", 1.0),
    ("cogging_mean", "cogging_mean_nm", 1.0),
    ("cogging_periods", "cogging_periods_per_turn", 1.0),
    ("cogging_energy_difference", "cogging_energy_difference_percent", 100.0),
    ("cogging_stress_difference", "cogging_stress_difference_percent", 100.0),
    ("inductance_direct", "inductance_d_mh", 1e3),
    ("inductance_quadrature", "inductance_q_mh", 1e3),
    ("torque_constant", "torque_constant_nm_per_a", 1.0),
    ("peak_current", "peak_phase_current_a", 1.0),
    ("peak_torque", "peak_torque_nm", 1.0),
    ("torque_by_linkage", "peak_torque_by_linkage_nm", 1.0),
    ("ripple", "torque_ripple_percent", 100.0),
    ("torque_lost", "torque_lost_percent", 100.0),
    ("current_lost_5", "current_with_5_percent_less_per_ampere_a", 1.0),
    ("current_lost_10", "current_with_10_percent_less_per_ampere_a", 1.0),
    ("inductance_direct_peak", "inductance_d_peak_mh", 1e3),
    ("inductance_quadrature_peak", "inductance_q_peak_mh", 1e3),
    ("tooth", "tooth_flux_density_t", 1.0), ("tooth_peak", "tooth_flux_density_peak_t", 1.0),
    ("tip", "tip_flux_density_t", 1.0), ("tip_peak", "tip_flux_density_peak_t", 1.0),
    ("yoke", "yoke_flux_density_t", 1.0), ("yoke_peak", "yoke_flux_density_peak_t", 1.0),
    ("ring", "ring_flux_density_t", 1.0), ("ring_peak", "ring_flux_density_peak_t", 1.0),
    ("speed", "iron_loss_speed_rpm", 1 / RPM), ("iron_loss", "iron_loss_w", 1.0),
    ("loss_tooth", "iron_loss_teeth_w", 1.0), ("loss_tip", "iron_loss_tips_w", 1.0),
    ("loss_yoke", "iron_loss_yoke_w", 1.0), ("demagnetised", "demagnetised_percent", 100.0),
)  # fmt: skip


# --- a front ----------------------------------------------------------------------------------


def front_text(found: ConfirmedFront) -> str:
    """Return the confirmed designs, the bias, and how the front looks then."""
    mean, least, most = found.bias
    before, after = found.result.picks["knee"], found.picks.get("knee")
    lines = [
        found.result.study.title,
        table_text(*front_rows(found)),
        f"Bias of the fast model: its {found.torque.phrase} reads {100 * mean:+.1f} % on "
        f"average over\n{len(found.confirmed)} designs solved ({100 * least:+.1f} to "
        f"{100 * most:+.1f} %); the others are corrected "
        + ("between their solved neighbours." if len(found.result.objectives) == 2 else "by that."),
        *(
            f"Not corrected, for it is torque at another current: {f.phrase}."
            for f in found.uncorrected
        ),
        f"Of {len(found.ratios)} designs of the front {int(found.kept.sum())} stay on it"
        + (f"; {len(found.missed)} miss a limit once corrected." if found.missed else "."),
    ]
    if after is None:
        lines.append("No design keeps all limits once corrected: loosen them, or search again.")
    elif after == before:
        lines.append(f"The knee stays: design {after}.")
    else:
        lines.append(f"The knee moves from design {before} to design {after}.")
    return "\n\n".join(lines)


def front_rows(found: ConfirmedFront) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the designs solved."""
    result, rows = found.result, []
    for index in found.confirmed:
        cells: list[object] = [index, "knee" if index == result.picks["knee"] else ""]
        for f in result.objectives:
            cells.append(number(float(result.front[f.name][index]), f.scale))
            if f is found.torque:
                cells += [
                    number(float(found.corrected[f.name][index]), f.scale),
                    f"{100 * (1 / found.ratios[index] - 1):+.1f}",
                ]
        cells.append(_standing(found, index))
        rows.append(cells)
    header = ["Design", ""]
    for f in result.objectives:
        words = f.title.replace(" [", "\n[")
        header.append(words)
        if f is found.torque:
            header += ["by finite\nelements", "fast model\nreads [%]"]
    return rows, [*header, "On the front"]


def _standing(found: ConfirmedFront, index: int) -> str:
    if index in found.missed:
        return "misses " + ", ".join(found.missed[index])
    return "yes" if found.kept[index] else "no"


def front_csv(found: ConfirmedFront) -> str:
    """Return every design of the front with its corrected torque."""
    rows = [
        [
            index,
            *(shown(float(found.result.front[f.name][index]), f.scale) for f in _used(found)),
            shown(float(found.ratios[index])),
            shown(float(found.corrected[found.torque.name][index]), found.torque.scale),
            "yes" if index in found.confirmed else "no",
            "yes" if found.kept[index] else "no",
            ", ".join(found.missed.get(index, [])),
        ]
        for index in range(len(found.ratios))
    ]
    header = ["design", *(f.key for f in _used(found)), "finite_elements_over_fast_model"]
    header += [f"corrected.{found.torque.key}", "solved", "on_corrected_front", "misses"]
    return csv_text(header, rows)


def _used(found: ConfirmedFront) -> list[Any]:
    names = {f.name for f in found.result.objectives}
    return [f for f in FIGURES if f.name in names]


def front_json(found: ConfirmedFront) -> dict[str, Any]:
    """Return a confirmed front."""
    mean, least, most = found.bias
    return {
        "title": found.result.study.title,
        "corrected": found.torque.key,
        "solved": [
            {
                "design": index, "finite_elements_over_fast_model": shown(found.ratios[index]),
                "corrected": shown(
                    float(found.corrected[found.torque.name][index]), found.torque.scale
                ),
            }
            for index in found.confirmed
        ],
        "bias_percent": {
            "mean": shown(mean, 100), "least": shown(least, 100), "greatest": shown(most, 100),
        },
        "on_corrected_front": np.flatnonzero(found.kept).tolist(),
        "missed": {str(index): limits for index, limits in found.missed.items()},
        "picks": found.picks,
        "picks_before": found.result.picks,
    }  # fmt: skip
