"""Pictures of a sweep: lines over one key, contours over two."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from matplotlib import colormaps, rc_context
from matplotlib.axes import Axes
from matplotlib.contour import ContourSet
from matplotlib.figure import Figure
from matplotlib.patheffects import AbstractPathEffect, withStroke
from matplotlib.ticker import MaxNLocator

from arrayopt.export.labels import spread
from arrayopt.export.pictures import BLUE, GREEN, GREY, INK, ORANGE, RED, STYLE
from arrayopt.export.typeset import typeset
from arrayopt.figures import FIGURES
from arrayopt.figures import Figure as Quantity
from arrayopt.quantities import Array
from arrayopt.study import Study
from arrayopt.study.keys import key_title

Vary = Mapping[str, Sequence[Any]]
_COLOURS = (BLUE, ORANGE, GREEN, RED, GREY)
_LEVELS = 8  # of contours
_ENOUGH, _LEAST = 0.12, 0.045  # of a picture's side: room for a level's name, and the least of it
_APART = 0.06  # of a picture's height between names of lines
_MOST_LINES = 6  # of one panel; more values of the second key are drawn every second, third ...


def sweep_picture(study: Study, results: xr.Dataset, vary: Vary, figures: Sequence[str]) -> Figure:
    """Draw each figure over the keys varied, the study itself marked."""
    shown = [f for f in FIGURES if f.key in figures]
    numeric = [key for key in vary if _numbers(vary[key])]
    contour = len(numeric) == 2 and all(len(values) > 2 for values in vary.values())
    with rc_context(STYLE):
        wide = 5.2 if contour else 4.4
        drawing = Figure(figsize=(wide * len(shown), 3.9), layout="constrained")
        for ax, f in zip(np.atleast_1d(drawing.subplots(1, len(shown))), shown, strict=True):
            grid = results[f.name].values * f.scale
            if np.isnan(grid).all():
                ax.set_axis_off()
                ax.text(0.5, 0.5, typeset(f"no {f.label}"), ha="center", transform=ax.transAxes)
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
    labels: dict[tuple[float, float], _End] = {}
    for k in range(0, len(rows), every):
        colour = _COLOURS[(k // every) % len(_COLOURS)]
        dashes = "-" if k // every < len(_COLOURS) else "--"
        ax.plot(places, rows[k], dashes, marker="o", color=colour, ms=3.5, lw=1.3)
        there = np.flatnonzero(~np.isnan(rows[k]))
        if other is not None and len(there):
            last = there[-1]
            # Lines that end alike share a label.
            alike = (places[last], float(f"{rows[k][last]:.3g}"))
            end = labels.setdefault(alike, _End(places[last], rows[k][last], colour, []))
            end.names.append(_plain(vary[other][k]))
    if not _numbers(values):
        ax.set_xticks(places, [str(value) for value in values])
    own, mine = study.value(across), None if other is None else study.value(other)
    if _numbers(values) and isinstance(own, int | float) and values[0] <= own <= values[-1]:
        ax.axvline(own, color=INK, lw=0.8, ls=":")
        ax.annotate(
            "study", (own, 1), (3, -4), xycoords=("data", "axes fraction"),
            textcoords="offset points", va="top", fontsize=8,
        )  # fmt: skip
    title = f.title
    if other is not None:
        title += f"\nlines: {key_title(other)}, {_plain(mine)} in the study"
    ax.set_title(typeset(title), fontsize=9)
    ax.set_xlabel(typeset(key_title(across)))
    ax.margins(x=0.15 if other is not None else 0.05)
    _name_lines(ax, list(labels.values()))


@dataclass(frozen=True)
class _End:
    """Where lines end, and the values of the other key that they stand for."""

    x: float
    y: float
    colour: str
    names: list[str]


def _name_lines(ax: Axes, ends: list[_End]) -> None:
    """Write the value of the other key at the end of each line, none over another."""
    if not ends:
        return
    low, high = ax.get_ylim()
    heights = spread(np.array([end.y for end in ends]), apart=_APART * (high - low))
    for end, y in zip(ends, heights, strict=True):
        ax.annotate(
            ", ".join(end.names), (end.x, y), (5, 0), textcoords="offset points", va="center",
            color=end.colour if len(end.names) == 1 else INK, fontsize=8,
        )  # fmt: skip


def _contours(ax: Axes, study: Study, grid: Array, vary: Vary, f: Quantity) -> None:
    """Draw a figure over two keys; what cannot be built is hatched."""
    (down, ys), (across, xs) = vary.items()
    ax.set_facecolor("white")
    ax.patch.set(hatch="///", edgecolor=GREY)
    own = np.array([_number(study.value(key)) for key in (across, down)])
    inside = min(xs) <= own[0] <= max(xs) and min(ys) <= own[1] <= max(ys)
    if np.ptp(grid[~np.isnan(grid)]) > 0:
        levels = MaxNLocator(_LEVELS).tick_values(np.nanmin(grid), np.nanmax(grid))
        filled = ax.contourf(xs, ys, grid, levels=levels, cmap=colormaps["cividis"])
        lines = ax.contour(xs, ys, grid, levels=levels, colors="white", linewidths=0.7)
        corner = np.array([min(xs), min(ys)], dtype=float)
        size = np.array([max(xs), max(ys)], dtype=float) - corner
        _name_levels(ax, lines, corner, size, own if inside else None)
        assert isinstance(ax.figure, Figure)
        ax.figure.colorbar(filled, ax=ax, pad=0.02)
    if inside:
        ax.plot(*own, "D", color=ORANGE, mec=INK, ms=7, clip_on=False, zorder=4)
        ax.annotate(
            "study", tuple(own), (7, 5), textcoords="offset points", fontweight="bold", fontsize=9,
            bbox={"fc": "white", "ec": "none", "alpha": 0.7, "pad": 0.8}, zorder=5,
        )  # fmt: skip
    hatched = "\nhatched: cannot be built" if np.isnan(grid).any() else ""
    ax.set_title(typeset(f"{f.title}{hatched}"), fontsize=9)
    ax.set(xlabel=typeset(key_title(across)), ylabel=typeset(key_title(down)))


def _name_levels(
    ax: Axes, lines: ContourSet, corner: Array, size: Array, own: Array | None
) -> None:
    """Write each level on its line, off the edges and off the study's mark."""
    rim: list[AbstractPathEffect] = [withStroke(linewidth=1.8, foreground=INK)]
    for level, path in zip(lines.levels, lines.get_paths(), strict=True):
        points = (np.asarray(path.interpolated(4).vertices) - corner) / size
        at = named_place(points, None if own is None else (own - corner) / size)
        if at is not None:
            x, y = corner + points[at] * size
            ax.text(
                x, y, f"{level:g}", ha="center", va="center", fontsize=8,
                color="white", path_effects=rim,
            )  # fmt: skip


def named_place(points: Array, own: Array | None) -> int | None:
    """Return which point of a line has most room for its name; None if none has enough.

    Room is counted to the edges, to the line's ends and to the mark.

    Parameters
    ----------
    points : ndarray, shape (point, 2)
        In shares of the picture.
    own : ndarray, shape (2,), optional
        Mark to keep away from; its words stand above it to the right.

    """
    if not len(points):
        return None
    room = np.minimum(points, 1 - points).min(axis=1)
    for end in points[[0, -1]] if (points[0] != points[-1]).any() else ():
        room = np.minimum(room, np.hypot(*(points - end).T))
    if own is not None:
        words = np.abs(points - own - [0.07, 0.03]) / [1.2, 0.6]
        room = np.minimum(room, words.max(axis=1))
    best = int(np.argmax(np.minimum(room, _ENOUGH)))
    # Of all that have enough the one in the middle of the line.
    enough = np.flatnonzero(room >= _ENOUGH)
    best = int(enough[len(enough) // 2]) if len(enough) else best
    return best if room[best] >= _LEAST else None


def _numbers(values: Sequence[Any]) -> bool:
    return all(isinstance(value, int | float) for value in values)


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) else float("nan")


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)
