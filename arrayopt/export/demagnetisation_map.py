"""Picture of the reverse field in one magnet of each family."""

from __future__ import annotations

import numpy as np
import shapely
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.patheffects import AbstractPathEffect, withStroke
from matplotlib.ticker import MaxNLocator

from arrayopt.checks.demagnetisation import PERCENTILES, Demagnetisation, FamilyDemagnetisation
from arrayopt.export.pictures import INK, RED, STYLE
from arrayopt.layout import build_layout
from arrayopt.layout.shapes import Array
from arrayopt.study import Study

_COLOURS = "cividis"  # as good as the same to all colour visions, and it prints in grey
_LEVELS = 10
_SHOWN = (0.5, 99.5)  # percent of the points; corners would take the scale for themselves
_WIDTH, _DEPTH = 2.7, 2.0  # largest section in inches
_LEAST = 5e-4
_ROUND, _WORDS = 0.5, 1.7  # inches that the words round it take, and those beside it
_PLANES = ("middle of the length", "end of the magnet")


def demagnetisation_map(study: Study, found: Demagnetisation) -> Figure:
    """Draw the worst reverse field over two planes of a magnet of each family."""
    layout = build_layout(study)
    outlines = [_turned(shapely.get_coordinates(s.polygons[0])) for s in layout.shapes]
    wide = max(float(np.ptp(outline[0])) for outline in outlines)
    deep = max(float(np.ptp(outline[1])) for outline in outlines)
    levels = _levels(found)
    rows = len(found.families)
    # Broad flat sections and narrow deep ones both stay readable.
    scale = min(_WIDTH / wide, _DEPTH / deep)
    size = (2 * scale * wide * 1.06 + _WORDS + 1.6, 0.9 + rows * (scale * deep * 1.06 + _ROUND))
    with rc_context(STYLE):
        drawing = Figure(figsize=size, layout="constrained")
        axes = drawing.subplots(
            rows, 3, squeeze=False, width_ratios=[_WORDS, scale * wide, scale * wide]
        )
        filled: QuadContourSet | None = None
        for ax, plane in zip(axes[0, 1:], _PLANES, strict=True):
            ax.set_title(plane, fontsize=9, pad=10)
        for row, family, outline in zip(axes, found.families, outlines, strict=True):
            for ax, values in zip(row[1:], (family.middle, family.end), strict=True):
                filled = _draw(ax, family, values, levels, outline)
                _frame(ax, outline, wide, deep, outer=layout.outer)
            row[0].axis("off")
            row[0].text(1, 1, _told(family), ha="right", va="top", fontsize=8, parse_math=False)
        if filled is not None:
            bar = drawing.colorbar(filled, ax=axes, fraction=0.03, pad=0.03)
            bar.set_label("Reverse field [kA/m]")
        drawing.suptitle(
            "Worst reverse field along the magnets' own polarisation (arrows)"
            f"{_with_current(found)};\n{_limit_told(found)}",
            fontsize=9,
        )
    return drawing


def _levels(found: Demagnetisation) -> Array:
    """Round steps [kA/m] over what nearly all points of all families show."""
    shown = np.concatenate([plane.ravel() for f in found.families for plane in (f.middle, f.end)])
    low, high = np.percentile(shown / 1e3, _SHOWN)
    return np.asarray(MaxNLocator(_LEVELS).tick_values(low, high))


def _draw(
    ax: Axes, family: FamilyDemagnetisation, values: Array, levels: Array, outline: Array
) -> QuadContourSet:
    x, y = _turned(np.stack([family.x.ravel(), family.y.ravel()], axis=1))
    x, y = x.reshape(values.shape), y.reshape(values.shape)
    field = values / 1e3
    filled = ax.contourf(x, y, field, levels, cmap=_COLOURS, extend="both")
    lines = ax.contour(x, y, field, levels[1:-1], colors="white", linewidths=0.5)
    # A dark rim keeps white numbers readable on the light end of the colours.
    rim: list[AbstractPathEffect] = [withStroke(linewidth=1.2, foreground=INK)]
    for label in ax.clabel(lines, fmt="%g", fontsize=6, inline_spacing=2):
        label.set_path_effects(rim)
    limit = family.limit / 1e3
    if field.min() < limit < field.max():
        line = ax.contour(x, y, field, [limit], colors=RED, linewidths=2)
        ax.clabel(line, fmt={limit: "limit"}, fontsize=7, colors=INK, inline_spacing=1)
    ax.add_patch(Polygon(outline.T, fill=False, ec=INK, lw=1))
    a = family.direction + np.pi / 2
    size = 0.25 * min(np.ptp(outline[0]), np.ptp(outline[1]))
    centre = (outline.min(axis=1) + outline.max(axis=1)) / 2
    step = size * np.array([np.cos(a), np.sin(a)])
    ax.annotate(
        "", centre + step, centre - step,
        arrowprops={"arrowstyle": "-|>", "color": "white", "lw": 2.5, "mutation_scale": 14},
    )  # fmt: skip
    return filled


def _frame(ax: Axes, outline: Array, wide: float, deep: float, *, outer: bool) -> None:
    """Give every picture the same scale, and words to its two sides."""
    middle = (outline.min(axis=1) + outline.max(axis=1)) / 2
    ax.set(
        xlim=(middle[0] - 0.53 * wide, middle[0] + 0.53 * wide),
        ylim=(middle[1] - 0.53 * deep, middle[1] + 0.53 * deep),
        aspect="equal",
    )
    ax.axis("off")
    names = ("back", "airgap side") if outer else ("airgap side", "back")
    top, bottom = outline[1].max(), outline[1].min()
    for name, at, offset, side in zip(
        names, (top, bottom), (2, -2), ("bottom", "top"), strict=True
    ):
        ax.annotate(
            name, (0, at), (0, offset), textcoords="offset points", ha="center", va=side,
            fontsize=7,
        )  # fmt: skip


def _told(family: FamilyDemagnetisation) -> str:
    values = "\n".join(
        f"{p} % below {h / 1e3:.0f} kA/m"
        for p, h in zip(PERCENTILES, family.percentiles, strict=True)
    )
    return (
        f"{family.name}, {family.grade}\nat {family.temperature_c:g} C\n"
        f"limit {family.limit / 1e3:.0f} kA/m\nbeyond: {_percent(family.share)}\n{values}\n"
        f"enough: {family.enough or 'none listed'}"
    )


def _percent(share: float) -> str:
    """Share as text; finer than the grid tells is not told."""
    if share == 0:
        return "nothing"
    return f"{100 * share:.1f} %" if share >= _LEAST else f"under {100 * _LEAST:g} %"


def _with_current(found: Demagnetisation) -> str:
    return f", with {found.current:.3g} A of phase current at its worst" if found.current else ""


def _limit_told(found: Demagnetisation) -> str:
    reached = any(max(f.middle.max(), f.end.max()) > f.limit for f in found.families)
    return "red line: the grade's limit" if reached else "no grade's limit is reached here"


def _turned(points: Array) -> Array:
    """Outward radius up, in mm; shape (2, point)."""
    return np.array([-points[:, 1], points[:, 0]]) * 1e3
