"""Pictures of a confirmation: waveforms and curves; the front corrected."""

from __future__ import annotations

from math import isnan

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from arrayopt.confirmation.front import ConfirmedFront
from arrayopt.confirmation.results import LOST, Confirmation
from arrayopt.export.pictures import BLUE, GREEN, GREY, INK, ORANGE, PALE, RED, STYLE
from arrayopt.export.typeset import typeset
from arrayopt.quantities import RPM

_SHOWN_RPM = 1000


def confirm_picture(found: Confirmation) -> Figure:
    """Draw back-EMF, cogging, torque against current and over the rotor's angle.

    A stator without slots does not cog; what a mesh leaves of it is not drawn.
    """
    panels = [_emf]
    if found.study.stator.kind == "slotted":
        panels.append(_cogging)
    if "torque" in found.curves:
        panels += [_torque, _ripple]
    rows = 2 if len(panels) == 4 else 1
    columns = len(panels) // rows
    size = (max(4.0 * columns, 6.0) + 1, 3.2 * rows)
    with rc_context(STYLE):
        drawing = Figure(figsize=size, layout="constrained")
        axes = drawing.subplots(rows, columns, squeeze=False).ravel()
        for ax, draw in zip(axes, panels, strict=True):
            draw(ax, found)
    return drawing


def _emf(ax: Axes, found: Confirmation) -> None:
    speed = _SHOWN_RPM * RPM
    ax.axhline(0, color=PALE, lw=0.8)
    wave = found.curves["line_emf"].values * speed
    turn = np.degrees(found.curves["angle"].values)
    # From phase A's peak of linkage on, as the fast model counts.
    ax.plot(
        np.append(turn, 360), np.append(wave, wave[0]), color=BLUE, lw=2.4, label="finite elements"
    )
    fast = found.fast["line_emf"]
    ax.plot(np.degrees(fast["angle"]), fast * speed, "--", color=ORANGE, lw=1.3, label="fast model")
    ax.set(xlabel="Electrical angle [°]", xticks=range(0, 361, 60))
    ax.set_ylabel(f"Back-EMF line to line\nat {_SHOWN_RPM} rpm, no load [V]")
    ax.set_ylim(top=1.45 * float(np.abs(wave).max() or 1))
    ax.legend(frameon=False, loc="upper right", ncols=2, fontsize=8)


def _cogging(ax: Axes, found: Confirmation) -> None:
    curves = found.curves
    turn = np.degrees(curves["cogging_angle"].values)
    end = turn[1] * len(turn)
    ax.axhline(0, color=PALE, lw=0.8)
    for name, text, colour, marker in (
        ("cogging", "torque", BLUE, "-"),
        ("cogging_by_energy", "derivative of energy", ORANGE, "o"),
        ("cogging_by_stress", "stress over the gap", GREEN, "x"),
    ):
        wave = curves[name].values * 1e3
        ax.plot(
            np.append(turn, end), np.append(wave, wave[0]), marker, color=colour, ms=4, lw=1.2,
            mfc="none", label=text,
        )  # fmt: skip
    ax.set(xlabel="Rotor angle, mechanical [°]", ylabel="Cogging torque [mN m]")
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.3 * (high - low))
    ax.legend(
        frameon=False,
        loc="upper center",
        ncols=3,
        fontsize=8,
        handletextpad=0.3,
        handlelength=1.2,
        columnspacing=1,
    )


def _torque(ax: Axes, found: Confirmation) -> None:
    curves, figures = found.curves, found.figures
    current, torque = curves["current"].values, curves["torque"].values
    fast = float(found.fast["torque_constant"][0]) * current
    ax.plot(current, torque, "-o", color=BLUE, ms=4, lw=2.4, label="finite elements")
    ax.plot(current, fast, "--", color=ORANGE, lw=1.3, label="fast model, unsaturated")
    if found.study.drive is not None:
        peak = float(found.fast["peak_torque"][0])
        ax.plot(current[-1:], [peak], "D", color=ORANGE, mec=INK, label="fast model at the peak")
    for share in LOST:
        amps = figures[f"current_lost_{share * 100:g}"]
        if not isnan(amps):
            ax.axvline(amps, color=GREY, lw=0.8, ls=":")
            ax.annotate(
                f"{100 * share:g} % less an ampere",
                (amps, 0),
                (-3, 4),
                textcoords="offset points",
                ha="right",
                fontsize=8,
            )
    ax.set(xlabel="Phase current, amplitude [A]", ylabel="Mean torque [N m]")
    ax.set_xlim(left=0)
    ax.set_ylim(bottom=0)
    ax.legend(frameon=False, loc="upper left", fontsize=8)


def _ripple(ax: Axes, found: Confirmation) -> None:
    curves = found.curves
    turn, torque = np.degrees(curves["turn"].values), curves["torque_at_peak"].values
    ax.plot(np.append(turn, turn[1] * len(turn)), np.append(torque, torque[0]), color=BLUE)
    ax.axhline(torque.mean(), color=GREY, lw=0.8, ls="--")
    ax.set(xlabel="Rotor angle, mechanical [°]")
    ax.set_ylabel(f"Torque at {found.figures['peak_current']:.3g} A [N m]")
    ax.set_title(f"ripple {100 * found.figures['ripple']:.2g} % peak to peak", fontsize=9)
    span = max(float(np.ptp(torque)), 0.02 * abs(float(torque.mean())), 1e-9)
    middle = (torque.max() + torque.min()) / 2
    ax.set_ylim(middle - 0.75 * span, middle + 0.75 * span)


def confirmed_front_picture(found: ConfirmedFront) -> Figure:
    """Draw the front by the fast model and corrected."""
    result, torque = found.result, found.torque
    other = next(f for f in result.objectives if f is not torque)
    across = result.front[other.name].values * other.scale
    before = result.front[torque.name].values * torque.scale
    after = found.corrected[torque.name].values * torque.scale
    order = np.argsort(across)
    with rc_context(STYLE):
        drawing = Figure(figsize=(8, 4.4), layout="constrained")
        ax = drawing.subplots()
        # Fronts of three objectives are no line.
        lines = ("--", "-") if len(result.objectives) == 2 else ("o", ".")
        ax.plot(
            across[order], before[order], lines[0], color=ORANGE, lw=1.2, ms=4, mfc="none",
            label="fast model",
        )  # fmt: skip
        ax.plot(
            across[order],
            after[order],
            lines[1],
            color=BLUE,
            lw=1.2,
            ms=4,
            label="corrected by finite elements",
        )
        gone = ~found.kept
        if gone.any():
            ax.plot(across[gone], after[gone], "x", color=RED, ms=5, label="leaves the front")
        solved = list(found.confirmed)
        ax.plot(across[solved], after[solved], "D", color=BLUE, mec=INK, ms=6, label="solved")
        for index in solved:
            ax.annotate(
                str(index), (across[index], after[index]), (6, -11), textcoords="offset points",
                fontsize=8,
            )  # fmt: skip
        knees = [(result.picks["knee"], before, "K before", (-10, 14), "right")]
        if found.picks.get("knee") == result.picks["knee"]:
            knees = [(result.picks["knee"], after, "K", (-10, 14), "right")]
        elif "knee" in found.picks:
            knees.append((found.picks["knee"], after, "K after", (14, -24), "left"))
        for at, values, name, place, side in knees:
            ax.annotate(
                name, (across[at], values[at]), place, textcoords="offset points", ha=side,
                arrowprops={"arrowstyle": "-", "lw": 0.6},
            )  # fmt: skip
        ax.set(xlabel=typeset(other.title), ylabel=typeset(torque.title))
        ax.legend(frameon=False, loc="lower right")
    return drawing
