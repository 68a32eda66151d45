"""Pictures of a confirmation: waveforms and curves; the sector's parts and field."""

from __future__ import annotations

from math import isnan
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.collections import Collection
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.tri import Triangulation

from arrayopt.confirmation.front import ConfirmedFront
from arrayopt.confirmation.results import LOST, Confirmation
from arrayopt.export.pictures import BLUE, GREEN, GREY, INK, ORANGE, PALE, RED, STYLE
from arrayopt.layout.shapes import Array

_RPM = 1000
_LETTER: dict[str, Any] = {
    "ha": "center", "va": "center", "fontsize": 7, "fontweight": "bold", "color": "black",
    "bbox": {"boxstyle": "circle,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.8},
}  # fmt: skip
_LINES = 16
_LARGEST = 2.2  # T, of the colours
_OPEN = 0.3  # rad without anything that make it a sector
_PARTS = (
    ("tooth", "T", "tooth", GREY), ("tip", "P", "tooth tip", "#6F6F6F"),
    ("yoke", "Y", "yoke", "#B5B5B5"), ("ring", "R", "steel ring", "#6F6F6F"),
    ("slot", "W", "winding", ORANGE), ("magnet", "M", "magnet", BLUE),
    ("gap", "", "", "white"), ("air", "", "", "white"),
)  # fmt: skip


def confirm_picture(found: Confirmation) -> Figure:
    """Draw back-EMF, cogging, torque against current and over the rotor's angle."""
    loaded = "torque" in found.curves
    with rc_context(STYLE):
        drawing = Figure(figsize=(9, 6.4 if loaded else 3.4), layout="constrained")
        axes = drawing.subplots(2 if loaded else 1, 2).ravel()
        _emf(axes[0], found)
        _cogging(axes[1], found)
        if loaded:
            _torque(axes[2], found)
            _ripple(axes[3], found)
    return drawing


def _emf(ax: Axes, found: Confirmation) -> None:
    speed = _RPM * np.pi / 30
    ax.axhline(0, color=PALE, lw=0.8)
    fast = found.fast["line_emf"]
    ax.plot(np.degrees(fast["angle"]), fast * speed, "--", color=ORANGE, lw=1.6, label="fast chain")
    wave = found.curves["line_emf"].values * speed
    turn = np.degrees(found.curves["angle"].values)
    # From phase A's peak of linkage on, as the fast chain counts.
    ax.plot(
        np.append(turn, 360), np.append(wave, wave[0]), color=BLUE, lw=1.2, label="finite elements"
    )
    ax.set(xlabel="Electrical angle [deg]", xticks=range(0, 361, 60))
    ax.set_ylabel(f"Back-EMF line to line\nat {_RPM} rpm, no load [V]")
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
    ax.set(xlabel="Rotor angle, mechanical [deg]", ylabel="Cogging torque [mN m]")
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
    ax.plot(current, fast, "--", color=ORANGE, label="fast chain, unsaturated")
    ax.plot(current, torque, "-o", color=BLUE, ms=3, label="finite elements")
    if found.study.drive is not None:
        peak = float(found.fast["peak_torque"][0])
        ax.plot(current[-1:], [peak], "D", color=ORANGE, mec=INK, label="fast chain at the peak")
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
    ax.set(xlabel="Rotor angle, mechanical [deg]")
    ax.set_ylabel(f"Torque at {found.figures['peak_current']:.3g} A [N m]")
    ax.set_title(f"ripple {100 * found.figures['ripple']:.1f} % peak to peak", fontsize=9)
    span = max(float(np.ptp(torque)), 0.02 * abs(float(torque.mean())), 1e-9)
    middle = (torque.max() + torque.min()) / 2
    ax.set_ylim(middle - 0.75 * span, middle + 0.75 * span)


def sector_picture(found: Confirmation) -> Figure:
    """Draw the sector solved: parts and sizes, flux at no load and at peak, weak magnets."""
    maps = found.maps
    with rc_context(STYLE):
        drawing = Figure(figsize=(10, 6.6), layout="constrained")
        axes = drawing.subplots(2, 2).ravel()
        first = maps["no load"]
        turn = _upright(first)
        _parts(axes[0], found, first, turn)
        shown = [("no load", "no load")]
        if "peak" in maps:
            shown.append(("peak", f"{found.figures['peak_current']:.3g} A"))
        for ax, (name, text) in zip(axes[1:], shown, strict=False):
            colours = _flux(ax, maps[name], turn)
            ax.set_title(f"Flux density and flux lines, {text}", fontsize=9)
            bar = drawing.colorbar(colours, ax=ax, shrink=0.8)
            bar.set_label("Flux density [T]")
        _weak(axes[1 + len(shown)], drawing, found)
        for ax in axes[2 + len(shown) :]:
            ax.axis("off")
    return drawing


def _upright(field: dict[str, Array]) -> float:
    """Angle that puts the sector's middle upwards, nothing for a whole motor."""
    angle = np.sort(np.arctan2(field["y"], field["x"]) % (2 * np.pi))
    gaps = np.append(angle[1:], angle[0] + 2 * np.pi) - angle
    last = int(np.argmax(gaps))
    if gaps[last] < _OPEN:
        return 0.0
    # The sector begins after the largest gap.
    middle = angle[last] + gaps[last] + (2 * np.pi - gaps[last]) / 2
    return float(np.pi / 2 - middle)


def _mesh(field: dict[str, Array], turn: float) -> Triangulation:
    c, s = np.cos(turn), np.sin(turn)
    x, y = field["x"] * 1e3, field["y"] * 1e3
    return Triangulation(c * x - s * y, s * x + c * y, field["triangles"])


def _parts(ax: Axes, found: Confirmation, field: dict[str, Array], turn: float) -> None:
    mesh = _mesh(field, turn)
    names = [str(name) for name in field["regions"]]
    kinds = [next(k for k, part in enumerate(_PARTS) if n.startswith(part[0])) for n in names]
    kind = np.array(kinds)[field["region"]]
    used = sorted(set(kinds))
    places: list[tuple[float, float]] = []
    for k in used:
        colour = _PARTS[k][3]
        if colour == "white":
            continue
        part = Triangulation(mesh.x, mesh.y, field["triangles"][kind == k])
        ax.tripcolor(
            part, np.ones(len(mesh.x)), cmap=ListedColormap([colour]), vmin=0, vmax=1,
            shading="gouraud", rasterized=True,
        )  # fmt: skip
        places.append(_letter_place(mesh, part.triangles, places))
        ax.text(*places[-1], _PARTS[k][1], **_LETTER)
    legend = ", ".join(f"{_PARTS[k][1]} {_PARTS[k][2]}" for k in used if _PARTS[k][1])
    ax.set(aspect="equal")
    ax.axis("off")
    ax.set_title(f"Sector that is solved\n{legend}", fontsize=9)
    ax.text(0.5, -0.02, _sizes(found), transform=ax.transAxes, ha="center", va="top", fontsize=8)


def _letter_place(
    mesh: Triangulation, triangles: Array, taken: list[tuple[float, float]]
) -> tuple[float, float]:
    """Middle of the triangle nearest to a part's mid radius, straight up, off other letters."""
    x, y = mesh.x[triangles].mean(axis=1), mesh.y[triangles].mean(axis=1)
    radius = np.hypot(x, y)
    away = np.hypot(x, y - (radius.min() + radius.max()) / 2)
    clear = 0.05 * float(np.ptp(mesh.x))
    for one, other in taken:
        away = away + np.where(np.hypot(x - one, y - other) < clear, radius.max(), 0.0)
    nearest = np.argmin(away)
    return float(x[nearest]), float(y[nearest])


def _sizes(found: Confirmation) -> str:
    """Say the iron's sizes, those assumed with a star."""
    whole, given = found.whole.stator, found.study.stator
    lines = []
    for key, text in (
        ("tooth_width_mm", "tooth width"), ("slot_opening_mm", "slot opening"),
        ("tooth_tip_mm", "tooth tip"), ("slot_depth_mm", "slot depth"), ("yoke_mm", "yoke"),
    ):  # fmt: skip
        value = found.whole.tooth_tip_mm if key == "tooth_tip_mm" else getattr(whole, key)
        if value is None or (whole.kind != "slotted" and key != "yoke_mm"):
            continue
        star = "" if getattr(given, key) is not None else "*"
        lines.append(f"{text} {value:g} mm{star}")
    note = "   * assumed" if any(line.endswith("*") for line in lines) else ""
    half = (len(lines) + 1) // 2
    return "\n".join([", ".join(lines[:half]), ", ".join(lines[half:]) + note]) if lines else ""


def _flux(ax: Axes, field: dict[str, Array], turn: float) -> Collection:
    mesh = _mesh(field, turn)
    colours = ax.tripcolor(
        mesh, np.minimum(field["density"], _LARGEST), cmap="cividis", vmin=0, vmax=_LARGEST,
        shading="gouraud", rasterized=True,
    )  # fmt: skip
    low, high = float(field["potential"].min()), float(field["potential"].max())
    if high > low:
        levels = np.linspace(low, high, _LINES + 2)[1:-1]
        ax.tricontour(
            mesh, field["potential"], levels=levels, colors="white", linewidths=0.4,
            linestyles="solid",
        )  # fmt: skip
    ax.set(aspect="equal")
    ax.axis("off")
    return colours


def _weak(ax: Axes, drawing: Figure, found: Confirmation) -> None:
    x, y, load, place = found.demagnetised.T
    # One pole pair in the middle of the sector, upright.
    turn = _upright({"x": x, "y": y})
    c, s = np.cos(turn), np.sin(turn)
    x, y = (c * x - s * y) * 1e3, (s * x + c * y) * 1e3
    colours = None
    for one in np.unique(place):
        own = place == one
        if np.abs(np.arctan2(x[own].mean(), y[own].mean())) > 1.02 * np.pi / (
            found.study.rotor.pole_pairs
        ):
            continue
        # Magnets have no dents, so that points of one make a mesh by themselves.
        colours = ax.tripcolor(
            Triangulation(x[own], y[own]), np.clip(load[own], 0, 1.2), cmap="cividis", vmin=0,
            vmax=1.2, shading="gouraud", rasterized=True,
        )  # fmt: skip
        lost = own & (load > 1)
        ax.scatter(x[lost], y[lost], s=16, color=RED, marker="x", lw=0.8)
    ax.set(aspect="equal")
    ax.axis("off")
    share = 100 * found.figures["demagnetised"]
    hot = float(found.fast["judged_at"].max())
    ax.set_title(
        f"Worst reverse field in the magnets at {hot:.0f} C over what they bear\n"
        f"crosses: polarisation lost, {share:.2g} % of the magnets",
        fontsize=9,
    )
    if colours is not None:
        bar = drawing.colorbar(colours, ax=ax, shrink=0.8)
        bar.set_label("Reverse field over limit")


def confirmed_front_picture(found: ConfirmedFront) -> Figure:
    """Draw the front by the fast chain and corrected."""
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
            label="fast chain",
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
        ax.set(xlabel=other.title, ylabel=torque.title)
        ax.legend(frameon=False, loc="lower right")
    return drawing
