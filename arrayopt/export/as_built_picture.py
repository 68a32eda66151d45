"""A picture of a motor as it was measured: scans, magnets, readings."""

from __future__ import annotations

from math import degrees, pi
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from arrayopt.export.as_built_tables import file_numbers
from arrayopt.export.as_built_words import WRONG_WAY, findings, remanence_and_direction
from arrayopt.export.pictures import (
    BLUE,
    GREEN,
    GREY,
    INK,
    ORANGE,
    PALE,
    RED,
    STYLE,
    drawable,
)
from arrayopt.export.text_tables import number
from arrayopt.export.typeset import typeset
from arrayopt.measurement.as_built import AsBuilt
from arrayopt.measurement.estimates import Reading
from arrayopt.measurement.heat_run import HeatFit
from arrayopt.measurement.loose import LooseFit
from arrayopt.measurement.scan import ScanFit
from arrayopt.quantities import Array

_MARKS = {
    "main": ("o", ORANGE, "circles"), "transverse": ("s", BLUE, "squares"),
    "oblique": ("^", GREEN, "triangles"),
}  # fmt: skip
_POINTS = 3000  # of the expected curve
_GAP = 4.0  # of the usual step: a scan without readings there is not drawn as a line
_SCANS = 3  # that are drawn
_ROOM = 0.5  # of the band on either side, where readings beyond it are drawn
_FLAG = 0.28  # of the curve's height, a line of words above it
_LEVELS = 4  # of such lines
_WORDS, _LATE = 78.0, 275.0  # degrees that words take, and from which on they stand to the left
_SMALL: dict[str, Any] = {"fontsize": 7, "clip_on": False}


def as_built_picture(found: AsBuilt) -> Figure:
    """Draw what was measured: scans over the fit, every magnet, readings in their bands.

    Parameters
    ----------
    found : AsBuilt

    Returns
    -------
    matplotlib.figure.Figure

    """
    names, scans = file_numbers(found), found.scans[:_SCANS]
    lower = [
        name for name, there in
        (("readings", found.readings), ("loose", found.looses), ("heat", found.heats)) if there
    ]  # fmt: skip
    heights = [2.3, 1.1, 1.5, 1.3] * len(scans)
    rows: list[list[str]] = [[f"{kind}{i}"] for i in range(len(scans)) for kind in "srmd"]
    if lower:
        rows.append(["lower"])
        heights.append(max(0.26 * len(found.readings) + 0.7, 2.0))
    with rc_context(STYLE):
        drawing = Figure(figsize=(10, sum(heights) + 0.5), layout="constrained")
        whole = drawing.add_gridspec(len(rows), 1, height_ratios=heights)
        for i, fit in enumerate(scans):
            axes = [drawing.add_subplot(whole[4 * i + k]) for k in range(4)]
            _scan(axes[0], axes[1], found, fit, names[fit.scan.path])
            _magnets(axes[2], axes[3], fit)
        if lower:
            shares = {"readings": 2.0, "loose": 1.0, "heat": 1.0}
            parts = whole[-1].subgridspec(1, len(lower), width_ratios=[shares[n] for n in lower])
            for k, name in enumerate(lower):
                ax = drawing.add_subplot(parts[k])
                if name == "readings":
                    _readings(ax, found.readings)
                elif name == "loose":
                    _loose(ax, found.looses)
                else:
                    _heat(ax, found.heats)
        word = "agrees as far as it was measured" if found.agrees else "DOES NOT AGREE"
        more = len(found.scans) - len(scans)
        word += f"; {more} more scan{'s' if more > 1 else ''} not drawn" if more else ""
        drawing.suptitle(
            f"{drawable(found.study.title)}As built: {word}", fontsize=9, parse_math=False
        )
    return drawing


def _pitch(fit: ScanFit) -> float:
    """Angle from a magnet to the next of its row [deg]."""
    return 360 * fit.model.study.rotor.skew_steps / len(fit.model.members)


def _turned(degree: Array, fit: ScanFit) -> Array:
    """Return angles within the turn that is drawn: magnet 1 stands half a pitch from its left."""
    first = -_pitch(fit) / 2
    return np.asarray((degree - first) % 360 + first)


def _broken(degree: Array, *values: Array) -> list[Array]:
    """Return angles and values with NaN where the scan has a gap, so that no line crosses it."""
    step = np.diff(degree)
    at = np.flatnonzero(step > _GAP * max(float(np.median(step)), 1e-9)) + 1
    return [np.insert(column, at, np.nan) for column in (degree, *values)]


def _scan(ax: Axes, below: Axes, found: AsBuilt, fit: ScanFit, file: str) -> None:
    shown = _turned(np.degrees(fit.angle), fit)
    order = np.argsort(shown, kind="stable")
    degree, measured, fitted = (v[order] for v in (shown, fit.measured, fit.fitted))
    first = -_pitch(fit) / 2
    turn = np.linspace(first, first + 360, _POINTS)
    expected = np.exp(1j * np.outer(np.radians(turn), fit.model.n)) @ fit.model.perfect
    ax.axhline(0, color=PALE, lw=0.8)
    ax.plot(turn, expected.real * 1e3, "--", color=GREY, lw=0.9, label="expected")
    ax.plot(*_broken(degree, fitted * 1e3), color=BLUE, lw=1.0, label="fitted")
    ax.plot(degree, measured * 1e3, ".", color=INK, ms=2.5, label="measured")
    top = 1.05 * max(np.abs(measured).max(), np.abs(expected.real).max()) * 1e3
    ax.set_ylabel("Radial flux\ndensity [mT]")
    ax.set_title(f"Scan of file {file}, over degrees anticlockwise from magnet 1", loc="left",
                 fontsize=8)  # fmt: skip
    handles = ax.get_legend_handles_labels()
    ax.legend(*handles, loc="lower right", bbox_to_anchor=(1, 0.98), ncols=3, frameon=False,
              fontsize=8, borderaxespad=0.1)  # fmt: skip
    off = (measured - fitted) * 1e3
    below.axhspan(-2e3 * fit.noise, 2e3 * fit.noise, color=PALE, alpha=0.6, lw=0)
    below.plot(degree, off, ".", color=INK, ms=2)
    below.set_ylabel("Left over\n[mT]")
    below.annotate("grey: two standard deviations", (1, 1), (0, 1), xycoords="axes fraction",
                   textcoords="offset points", ha="right", va="bottom", fontsize=7)  # fmt: skip
    for one in (ax, below):
        one.set_xlim(first, first + 360)
        one.set_xticks(range(0, 360, 30))
        _unseen(one, degree, first)
    ax.tick_params(labelbottom=False)
    _flags(ax, found, fit, top)


def _unseen(ax: Axes, degree: Array, first: float) -> None:
    """Hatch where the scan has no readings."""
    ends = np.concatenate([[first], degree, [first + 360]])
    for i in np.flatnonzero(np.diff(ends) > max(_GAP * 360 / len(degree), 3.0)):
        ax.axvspan(ends[i], ends[i + 1], facecolor="none", edgecolor=PALE, hatch="////", lw=0)


def _flags(ax: Axes, found: AsBuilt, fit: ScanFit, top: float) -> None:
    """Mark wrong magnets: lines, and above the curve their numbers and what is wrong."""
    members = {m.number for m in fit.model.members}
    flags = sorted(
        (float(_turned(np.array(degrees(m.angle)), fit)), f"{m.number}: {short_kind(one.kind)}")
        for one in findings(found) if any(p[0] == fit.scan.path for p in one.places)
        for m in one.members if m.number in members
    )  # fmt: skip
    levels = flag_levels([x for x, _ in flags])
    # Room above the curve, a line of words a level.
    ax.set_ylim(-top, top * (1.08 + _FLAG * max(levels, default=-1) + (_FLAG if levels else 0)))
    for (x, words), level in zip(flags, levels, strict=True):
        height = (1.04 + _FLAG * (level + 0.5)) * top
        ax.plot([x, x], [-top, height], color=RED, lw=1.0)
        right = x > _LATE
        ax.annotate(
            words, (x, height), (-3 if right else 3, 0), textcoords="offset points", va="center",
            ha="right" if right else "left", fontsize=8, zorder=5,
            bbox={"fc": "white", "ec": RED, "lw": 0.6, "pad": 1.5},
        )  # fmt: skip


def flag_levels(places: list[float]) -> list[int]:
    """Return a line of words for each flag: the lowest that has room there, of a few.

    Parameters
    ----------
    places : list of float
        Where the flags stand [deg], in order; late ones have their words to the left.

    Examples
    --------
    >>> flag_levels([10.0, 20.0, 200.0])
    [0, 1, 0]
    """
    ends: list[list[tuple[float, float]]] = []
    found = []
    for x in places:
        low, high = (x - _WORDS, x) if x > _LATE else (x, x + _WORDS)
        level = next(
            (k for k, taken in enumerate(ends) if all(high <= a or b <= low for a, b in taken)),
            len(ends),
        )
        if level == _LEVELS:
            level = min(range(_LEVELS), key=lambda k: len(ends[k]))
        elif level == len(ends):
            ends.append([])
        ends[level].append((low, high))
        found.append(level)
    return found


_SHORT = {
    "flipped": WRONG_WAY, "turned clockwise": "quarter turn clockwise",
    "turned anticlockwise": "quarter turn anticlockwise", "swapped": "exchanged",
}  # fmt: skip


def short_kind(kind: str) -> str:
    """Name what is wrong in a word or two."""
    return _SHORT.get(kind, kind)


def _magnets(ax: Axes, below: Axes, fit: ScanFit) -> None:
    """Draw remanence and direction of every magnet, wrong ones as numbers at the edge."""
    values, spread = remanence_and_direction(fit)
    wrong = {i for one in fit.wrong for i in one.members}
    members = fit.model.members
    # Rows of a skewed rotor stand side by side; one row is drawn below its scan.
    rows = fit.model.study.rotor.skew_steps
    x = np.arange(len(members)) * _pitch(fit) / rows
    good = np.array([i not in wrong for i in range(len(members))]) & fit.seen
    for k, (one, scale, name) in enumerate(
        ((ax, 100.0, "Remanence off\nthe mean [%]"), (below, 180 / pi, "Direction\noff [°]"))
    ):
        one.axhline(0, color=INK, lw=0.7)
        y, sd = values[:, k] * scale, spread[:, k] * scale
        edge = 1.25 * max(float((np.abs(y) + sd)[good].max(initial=0.0)), 1.0)
        for table, (mark, colour, shape) in _MARKS.items():
            own = good & np.array([m.table == table for m in members])
            if own.any():
                one.vlines(x[own], 0, y[own], color=colour, lw=1.2, alpha=0.7)
                one.errorbar(x[own], y[own], sd[own], fmt=mark, ms=3, color=colour, ecolor=GREY,
                             elinewidth=0.7, label=f"{table}: {shape}")  # fmt: skip
        hidden = ~fit.seen
        one.plot(x[hidden], np.zeros(hidden.sum()), "x", color=GREY, ms=3, label="out of sight")
        for i in sorted(wrong):
            if np.isnan(y[i]):
                continue
            one.plot([x[i], x[i]], [0, np.clip(y[i], -edge, edge)], color=RED, lw=1.4)
            side = -1 if y[i] < 0 else 1
            if abs(y[i]) < edge:
                one.plot(x[i], y[i], "X", color=RED, ms=4)
            else:
                one.annotate(
                    f"{members[i].number}: {y[i]:+.0f}", (x[i], side * edge), (3, 0),
                    textcoords="offset points", ha="left", va="top" if side > 0 else "bottom",
                    color=RED, **_SMALL,
                )  # fmt: skip
        one.set_ylim(-edge, edge)
        one.set_ylabel(name)
        one.set_xlim(x[0] - _pitch(fit) / 2 / rows, x[0] - _pitch(fit) / 2 / rows + 360)
    every = max(len(members) // 32, 1)
    below.set_xticks(x[::every], [str(m.number) for m in members[::every]], fontsize=7)
    ax.set_xticks(x[::every], [""] * len(x[::every]))
    below.set_xlabel("Number of the magnet; bars: one standard uncertainty; anticlockwise positive")
    handles, labels = ax.get_legend_handles_labels()
    kept = [i for i, name in enumerate(labels) if name != "out of sight" or (~fit.seen).any()]
    ax.legend(
        [handles[i] for i in kept], [labels[i] for i in kept], ncols=4, frameon=False, fontsize=7,
        loc="lower right", bbox_to_anchor=(1, 0.98), borderaxespad=0.1,
    )  # fmt: skip


def _readings(ax: Axes, readings: tuple[Reading, ...]) -> None:
    """Draw each reading in its own band: bands have one width, whatever their unit."""
    place = np.arange(len(readings))[::-1].astype(float)
    for y, one in zip(place, readings, strict=True):
        room = 2 * one.uncertainty * abs(one.expected)
        low, high = one.low - room, one.high + room
        half, middle = max((high - low) / 2, 1e-12), (low + high) / 2

        def at(value: float, middle: float = middle, half: float = half) -> float:
            return (value - middle) / half

        ax.barh(y, 2, left=-1, height=0.62, color=PALE, alpha=0.6)
        ax.barh(y, at(one.high) - at(one.low), left=at(one.low), height=0.62, color=GREEN,
                alpha=0.35)  # fmt: skip
        x = at(one.expected)
        ax.plot([x, x], [y - 0.31, y + 0.31], color=INK, lw=1.2)
        edge = 1 + _ROOM
        found = float(np.clip(at(one.found), -edge, edge))
        beyond = abs(at(one.found)) > edge
        mark, colour = ("X", RED) if one.agrees is False else ("o", BLUE)
        if beyond:
            mark = ">" if found > 0 else "<"
        ax.plot(found, y, mark, color=colour, ms=6, mec="white", mew=0.5)
        words = typeset(f"{number(one.found)} {one.unit}") + ("  NO" if one.agrees is False else "")
        ink = RED if one.agrees is False else INK
        ax.text(edge + 0.15, y, words, va="center", fontsize=7, color=ink)
    ax.set_yticks(place, [typeset(one.label) for one in readings], fontsize=8)
    ax.set_ylim(-0.7, len(readings) - 0.3)
    ax.set_xlim(-1 - _ROOM - 0.15, 1 + _ROOM + 1.5)
    ax.set_xticks([])
    ax.spines[["bottom", "left"]].set_visible(False)
    ax.tick_params(axis="y", length=0)
    ax.set_title(
        "Readings; green: band of the tolerances; grey: and two of\nthe measurement's "
        "uncertainties; line: expected; dot: found;\ncross or arrow: found outside",
        fontsize=8, loc="left",
    )  # fmt: skip


def _loose(ax: Axes, looses: tuple[LooseFit, ...]) -> None:
    bags = [bag for fit in looses for bag in fit.families]
    for k, bag in enumerate(bags):
        mark, colour, _ = next(v for n, v in _MARKS.items() if bag.name.startswith(n))
        x = k + np.linspace(-0.25, 0.25, len(bag.labels)) if len(bag.labels) > 1 else np.array([k])
        ax.fill_between([k - 0.4, k + 0.4], bag.low, bag.high, color=GREEN, alpha=0.25, lw=0)
        ax.plot([k - 0.4, k + 0.4], [bag.expected] * 2, color=INK, lw=1)
        ax.plot(x, bag.remanence, mark, color=colour, ms=4, mec=INK, mew=0.4)
        for one, value, label in zip(x, bag.remanence, bag.labels, strict=True):
            if label in bag.odd:
                ax.annotate(label, (one, value), (4, 0), textcoords="offset points", color=RED,
                            va="center", parse_math=False, **_SMALL)  # fmt: skip
    ax.set_xticks(range(len(bags)), [bag.name for bag in bags])
    ax.set_xlim(-0.6, len(bags) - 0.4)
    ax.set_ylabel("Remanence at 20 °C [T]")
    ax.set_title("Loose magnets; green:\nthe grade's range; line: study", fontsize=8, loc="left")


def _heat(ax: Axes, heats: tuple[HeatFit, ...]) -> None:
    for fit, colour in zip(heats, (BLUE, ORANGE, GREEN), strict=False):
        minutes = fit.time / 60
        ax.plot(minutes, fit.rise, ".", color=INK, ms=3)
        ax.plot(minutes, fit.fitted, color=colour, lw=1.2)
        ax.axhline(fit.steady_rise, color=colour, lw=0.8, ls="--")
        ax.annotate(f"{fit.thermal_resistance:.3g} K/W", (0, fit.steady_rise), (3, -2),
                    xycoords=("axes fraction", "data"), textcoords="offset points", ha="left",
                    va="top", fontsize=7)  # fmt: skip
    ax.set(xlabel="Time [min]", ylabel="Rise over the room [K]")
    ax.set_title("Heat run; dots: measured;\ndashed: where it settles", fontsize=8, loc="left")
