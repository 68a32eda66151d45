"""Pictures of the machine: back-EMF waveforms, torque against speed."""

from __future__ import annotations

import numpy as np
import xarray as xr
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from arrayopt.export.pictures import BLUE, INK, ORANGE, PALE, STYLE
from arrayopt.export.typeset import typeset
from arrayopt.quantities import RPM
from arrayopt.study import Study

_SHOWN_RPM = 1000


def machine_picture(study: Study, results: xr.Dataset) -> Figure:
    """Draw the back-EMF waveforms and, with a drive, torque against speed."""
    with rc_context(STYLE):
        drawing = Figure(figsize=(9, 3.4), layout="constrained")
        if study.drive is None:
            _waveforms(drawing.subplots(), results)
        else:
            left, right = drawing.subplots(1, 2)
            _waveforms(left, results)
            _torque_speed(right, study, results)
    return drawing


def _waveforms(ax: Axes, results: xr.Dataset) -> None:
    turn = np.degrees(results["angle"].values)
    speed = _SHOWN_RPM * RPM
    ax.axhline(0, color=PALE, lw=0.8)
    # Above one peak and under the other the words keep clear of both lines.
    for name, label, colour, style, below in (
        ("line_emf", "line to line", BLUE, "-", False),
        ("phase_emf", "phase", ORANGE, "--", True),
    ):
        wave = results[name].values * speed
        ax.plot(turn, wave, style, color=colour)
        at = int(np.argmax(wave))
        ax.annotate(
            label, (turn[at], wave[at]), (0, -8) if below else (6, 4), color=INK,
            textcoords="offset points", ha="center" if below else "left",
            va="top" if below else "bottom",
        )  # fmt: skip
    ax.set(xlabel="Electrical angle [°]", xticks=range(0, 361, 60))
    ax.set_ylabel(typeset(f"Back-EMF at {_SHOWN_RPM} rpm [V]"))
    ax.margins(y=0.12)


def _torque_speed(ax: Axes, study: Study, results: xr.Dataset) -> None:
    rpm = results["speed"].values / RPM
    peak, steady = results["torque_peak"].values, results["torque_continuous"].values
    ax.plot(rpm, peak, "--", color=ORANGE)
    ax.annotate("at peak current", (rpm[0], peak[0]), (4, 5), textcoords="offset points")
    if not np.isnan(steady).all():
        ax.plot(rpm, steady, color=BLUE)
        ax.fill_between(rpm, 0, steady, color=BLUE, alpha=0.12, lw=0)
        ax.annotate("continuous", (rpm[0], steady[0]), (4, 5), textcoords="offset points")
    drive = study.drive
    assert drive is not None
    ax.set_xlabel(typeset(f"Motor speed on {drive.voltage_v:g} V [rpm]"))
    ax.set_ylabel("Torque of the motor [N m]")
    ax.set_xlim(left=0)
    if study.heat is not None:
        winding, rotor = (float(results[f"{part}_temperature"][0]) for part in ("winding", "rotor"))
        ax.set_title(typeset(f"hot: winding {winding:.0f} C, magnets {rotor:.0f} C"), fontsize=9)
    ax.set_ylim(0, 1.15 * max(peak[0], np.nan_to_num(steady[0])))
