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
from arrayopt.export.pictures import INK, STYLE
from arrayopt.export.typeset import typeset
from arrayopt.layout import build_layout
from arrayopt.quantities import Array
from arrayopt.study import Study

_COLOURS = "cividis"  # as good as the same to all colour visions, and it prints in grey
_LEVELS = 10
_SHOWN = (0.5, 99.5)  # percent of the points; corners would take the scale for themselves
_WIDTH, _DEPTH = 2.7, 2.0  # largest section in inches
_LEAST = 5e-4
_ROUND, _WORDS = 0.5, 1.7  # inches that the words round it take, and those beside it
_PLANES = ("middle of the length", "end of the magnet")
# Points of a picture that a number on a contour takes: from edge and arrow, from other numbers.
_OFF, _APART = 9.0, 22.0
_ALONG = (0.5, 0.35, 0.65, 0.2, 0.8)  # places on a contour that are tried
# Black dashes on white over black: no contour looks like it, in no colour vision.
_UNDER, _OVER = 3.2, 1.8
_DASHES = (0, (2.5, 1.5))


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
                filled = _draw(ax, family, values, levels, outline, scale=scale * 72)
                _frame(ax, outline, wide, deep, outer=layout.outer)
            row[0].axis("off")
            row[0].text(
                1, 1, typeset(_told(family)), ha="right", va="top", fontsize=8, parse_math=False
            )
        if filled is not None:
            bar = drawing.colorbar(filled, ax=axes, fraction=0.03, pad=0.03)
            bar.set_label("Reverse field [kA/m]")
            _mark_limits(bar.ax, found, levels)
        drawing.suptitle(
            "Worst reverse field along the magnets' own polarisation (arrows)"
            f"{typeset(_with_current(found))};\n{_limit_told(found)}",
            fontsize=9,
        )
    return drawing


def _levels(found: Demagnetisation) -> Array:
    """Round steps [kA/m] over what nearly all points of all families show."""
    shown = np.concatenate([plane.ravel() for f in found.families for plane in (f.middle, f.end)])
    low, high = np.percentile(shown / 1e3, _SHOWN)
    return np.asarray(MaxNLocator(_LEVELS).tick_values(low, high))


def _draw(
    ax: Axes, family: FamilyDemagnetisation, values: Array, levels: Array, outline: Array, *,
    scale: float,
) -> QuadContourSet:  # fmt: skip
    """Draw the field over a section; `scale` is points of the picture to a mm."""
    x, y = _turned(np.stack([family.x.ravel(), family.y.ravel()], axis=1))
    x, y = x.reshape(values.shape), y.reshape(values.shape)
    field = values / 1e3
    filled = ax.contourf(x, y, field, levels, cmap=_COLOURS, extend="both")
    lines = ax.contour(x, y, field, levels[1:-1], colors="white", linewidths=0.5)
    ax.add_patch(Polygon(outline.T, fill=False, ec=INK, lw=1))
    centre = (outline.min(axis=1) + outline.max(axis=1)) / 2
    a = family.direction + np.pi / 2
    size = 0.25 * min(np.ptp(outline[0]), np.ptp(outline[1]))
    step = size * np.array([np.cos(a), np.sin(a)])
    free = [shapely.Polygon(outline.T).exterior, shapely.LineString([centre - step, centre + step])]
    limit = family.limit / 1e3
    taken: list[Array] = []
    if field.min() < limit < field.max():
        ax.contour(x, y, field, [limit], colors=INK, linewidths=_UNDER)
        line = ax.contour(
            x, y, field, [limit], colors="white", linewidths=_OVER, linestyles=[_DASHES]
        )
        taken.append(_limit_label(ax, line, centre, f"limit {limit:.0f}", scale=scale))
    # A dark rim keeps white numbers readable on the light end of the colours.
    rim: list[AbstractPathEffect] = [withStroke(linewidth=1.2, foreground=INK)]
    places = _number_places(lines, taken, free, scale=scale)
    for label in ax.clabel(lines, fmt="%g", fontsize=6, inline_spacing=2, manual=places):
        label.set_path_effects(rim)
    ax.annotate(
        "", centre + step, centre - step,
        arrowprops={"arrowstyle": "-|>", "color": "white", "lw": 2.5, "mutation_scale": 14,
                    "path_effects": [withStroke(linewidth=3.7, foreground=INK)]},
    )  # fmt: skip
    return filled


def _number_places(
    lines: QuadContourSet, taken: list[Array], free: list[shapely.LineString], *, scale: float
) -> list[tuple[float, float]]:
    """Return where numbers stand on contours: off the edge and the arrow, and off each other."""
    near, found = list(taken), []
    for segment in (segment for level in lines.allsegs for segment in level if len(segment) > 1):
        line = shapely.LineString(segment)
        if line.length * scale < _APART:
            continue
        for share in _ALONG:
            point = line.interpolate(share, normalized=True)
            at = np.array([point.x, point.y])
            if min(point.distance(one) for one in free) * scale >= _OFF and all(
                np.hypot(*(at - other)) * scale >= _APART for other in near
            ):
                near.append(at)
                found.append((point.x, point.y))
                break
    return found


def _limit_label(
    ax: Axes, line: QuadContourSet, centre: Array, words: str, *, scale: float
) -> Array:
    """Name the limit's longest line, towards the middle of the section; return where."""
    longest = max(line.allsegs[0], key=lambda s: float(np.hypot(*np.diff(s, axis=0).T).sum()))
    at = longest[len(longest) // 2]
    way = centre - at
    there = at + way / max(float(np.hypot(*way)), 1e-9) * _APART / scale
    ax.annotate(
        words, at, there, ha="center", va="center", fontsize=6.5, color=INK,
        arrowprops={"arrowstyle": "-", "color": INK, "lw": 0.8, "shrinkB": 0},
        bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": INK, "lw": 0.5},
    )  # fmt: skip
    return np.asarray(there)


def _mark_limits(ax: Axes, found: Demagnetisation, levels: Array) -> None:
    """Mark the grades' limits on the bar of colours, where it reaches as far."""
    for limit in sorted({round(family.limit / 1e3) for family in found.families}):
        if levels[0] <= limit <= levels[-1]:
            ax.axhline(limit, color=INK, lw=_UNDER)
            ax.axhline(limit, color="white", lw=_OVER, ls=_DASHES)
            ax.annotate(
                f"limit {limit}", (0, limit), (-3, 0), textcoords="offset points", ha="right",
                va="center", fontsize=7, xycoords=ax.get_yaxis_transform(),
            )  # fmt: skip


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
    return (
        "black and white dashes: the grade's limit"
        if reached
        else "no grade's limit is reached here"
    )


def _turned(points: Array) -> Array:
    """Outward radius up, in mm; shape (2, point)."""
    return np.array([-points[:, 1], points[:, 0]]) * 1e3
