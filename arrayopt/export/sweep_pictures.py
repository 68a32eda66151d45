"""Pictures of a sweep: lines over one key, contours over two."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr
from matplotlib import colormaps, rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from arrayopt.export.pictures import BLUE, GREEN, GREY, INK, ORANGE, RED, STYLE
from arrayopt.figures import FIGURES
from arrayopt.figures import Figure as Quantity
from arrayopt.layout.shapes import Array
from arrayopt.study import Study
from arrayopt.variation import own_value

Vary = Mapping[str, Sequence[Any]]
_COLOURS = (BLUE, ORANGE, GREEN, RED, GREY)
_MOST_LINES = 6  # of one panel; more values of the second key are drawn every second, third ...


def sweep_picture(study: Study, results: xr.Dataset, vary: Vary, figures: Sequence[str]) -> Figure:
    """Draw each figure over the keys varied, the study itself marked."""
    shown = [f for f in FIGURES if f.key in figures]
    numeric = [key for key in vary if _numbers(vary[key])]
    contour = len(numeric) == 2 and all(len(values) > 2 for values in vary.values())
    with rc_context(STYLE):
        wide = 4.9 if contour else 4.4
        drawing = Figure(figsize=(wide * len(shown), 3.9), layout="constrained")
        for ax, f in zip(np.atleast_1d(drawing.subplots(1, len(shown))), shown, strict=True):
            grid = results[f.name].values * f.scale
            if np.isnan(grid).all():
                ax.set_axis_off()
                ax.text(0.5, 0.5, f"no {f.label}", ha="center", transform=ax.transAxes)
            elif contour:
                _contours(ax, study, grid, vary, f)
            else:
                _lines(ax, study, grid, vary, f)
    return drawing


def _lines(ax: Axes, study: Study, grid: Array, vary: Vary, f: Quantity) -> None:
    """Draw a figure over the key with numbers, a line for each value of the other."""
    keys = list(vary)
    across = next((key for key in reversed(keys) if _numbers(vary[key])), keys[0])
    other = next((key for key in keys if key != across), None)
    rows = grid if other is None or keys.index(across) == 1 else grid.T
    rows = np.atleast_2d(rows)
    values = list(vary[across])
    places = values if _numbers(values) else list(range(len(values)))
    every = -(-len(rows) // _MOST_LINES)
    labels: dict[tuple[float, float], tuple[str, list[str]]] = {}
    for k in range(0, len(rows), every):
        colour = _COLOURS[(k // every) % len(_COLOURS)]
        dashes = "-" if k // every < len(_COLOURS) else "--"
        ax.plot(places, rows[k], dashes, marker="o", color=colour, ms=3.5, lw=1.3)
        there = np.flatnonzero(~np.isnan(rows[k]))
        if other is not None and len(there):
            last = there[-1]
            # Lines that end alike share a label.
            end = (places[last], float(f"{rows[k][last]:.3g}"))
            labels.setdefault(end, (colour, []))[1].append(_plain(vary[other][k]))
    for end, (colour, names) in labels.items():
        ax.annotate(
            ", ".join(names), end, (5, 0), color=colour, textcoords="offset points", va="center",
            fontsize=8,
        )  # fmt: skip
    if not _numbers(values):
        ax.set_xticks(places, [str(value) for value in values])
    own, mine = own_value(study, across), None if other is None else own_value(study, other)
    if _numbers(values) and isinstance(own, int | float) and values[0] <= own <= values[-1]:
        ax.axvline(own, color=INK, lw=0.8, ls=":")
        ax.annotate(
            "study", (own, 1), (3, -4), xycoords=("data", "axes fraction"),
            textcoords="offset points", va="top", fontsize=8,
        )  # fmt: skip
    title = f.title if other is None else f"{f.title}\nlines: {other}, {_plain(mine)} in the study"
    ax.set_title(title, fontsize=9)
    ax.set_xlabel(across)
    ax.margins(x=0.12 if other is not None else 0.05)


def _contours(ax: Axes, study: Study, grid: Array, vary: Vary, f: Quantity) -> None:
    """Draw a figure over two keys; what cannot be built is hatched."""
    (down, ys), (across, xs) = vary.items()
    ax.set_facecolor("white")
    ax.patch.set(hatch="///", edgecolor=GREY)
    if np.ptp(grid[~np.isnan(grid)]) > 0:
        ax.contourf(xs, ys, grid, levels=12, cmap=colormaps["cividis"])
        lines = ax.contour(xs, ys, grid, levels=8, colors=INK, linewidths=0.6)
        ax.clabel(lines, fontsize=8, fmt="%.4g")
    own = own_value(study, across), own_value(study, down)
    if all(isinstance(one, int | float) for one in own):
        inside = min(xs) <= own[0] <= max(xs) and min(ys) <= own[1] <= max(ys)
        if inside:
            ax.plot(*own, "D", color=ORANGE, mec=INK, ms=7, clip_on=False, zorder=4)
            ax.annotate(
                "study", own, (7, 5), textcoords="offset points", fontweight="bold", fontsize=9,
                bbox={"fc": "white", "ec": "none", "alpha": 0.7, "pad": 0.8},
            )  # fmt: skip
    hatched = "\nhatched: cannot be built" if np.isnan(grid).any() else ""
    ax.set_title(f"{f.title}{hatched}", fontsize=9)
    ax.set(xlabel=across, ylabel=down)


def _numbers(values: Sequence[Any]) -> bool:
    return all(isinstance(value, int | float) for value in values)


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)
