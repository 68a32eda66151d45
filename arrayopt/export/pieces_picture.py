"""A small drawing of every piece to order: its edges, its polarisation, its poles."""

from __future__ import annotations

from math import ceil, cos, radians, sin

import numpy as np
import shapely
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from arrayopt.export.cut_list import CutList, Piece
from arrayopt.export.order_tables import letters
from arrayopt.export.pictures import BLUE, GREEN, INK, ORANGE, STYLE
from arrayopt.export.typeset import typeset
from arrayopt.quantities import Array

_DEPTH = 0.45 * np.array([cos(radians(40)), sin(radians(40))])  # of a unit into the page
_COLUMNS = 3


def pieces_picture(order: CutList) -> Figure:
    """Draw the pieces of an order, their section in front, with edges in mm and arrows S to N."""
    count = len(order.pieces)
    columns = min(count, _COLUMNS)
    rows = ceil(count / columns)
    with rc_context(STYLE):
        drawing = Figure(figsize=(2.9 * max(columns, 2), 2.6 * rows + 0.3), layout="constrained")
        axes = np.atleast_1d(drawing.subplots(rows, max(columns, 2))).ravel()
        for ax in axes:
            ax.axis("off")
        for ax, piece, letter in zip(axes, order.pieces, letters(order), strict=False):
            _draw(ax, piece, letter)
        drawing.supxlabel("Edges in mm; arrows: polarisation, from S to N", fontsize=9)
    return drawing


def _draw(ax: Axes, piece: Piece, letter: str) -> None:
    """Draw one piece; the outward radius of an arc and the last edge of a block point up."""
    section = shapely.get_coordinates(piece.section.polygons[0])[:-1] * 1e3
    section = np.column_stack([-section[:, 1], section[:, 0]])
    section = section - (section.min(axis=0) + section.max(axis=0)) / 2
    depth = _DEPTH * piece.length_mm
    colour = ORANGE if "main" in piece.used_as else BLUE if "transverse" in piece.used_as else GREEN
    seen = _seen_sides(section, depth)
    for i in seen:
        a, b = section[i], section[(i + 1) % len(section)]
        ax.add_patch(Polygon([a, b, b + depth, a + depth], fc=colour, ec="none", alpha=0.35))
    corners = range(len(section)) if piece.shape == "block" else _corners(section)
    for i in corners:
        if i in seen or (i - 1) % len(section) in seen:
            ax.plot(*zip(section[i], section[i] + depth, strict=True), color=INK, lw=0.8)
    for i in seen:
        far = section[[i, (i + 1) % len(section)]] + depth
        ax.plot(*far.T, color=INK, lw=0.8)
    ax.add_patch(Polygon(section, fc=colour, ec=INK, lw=1.0, alpha=0.75))
    _arrow(ax, piece, section)
    _label(ax, piece, section, depth)
    whole = np.vstack([section, section + depth])
    low, high = whole.min(axis=0), whole.max(axis=0)
    pad = 0.34 * max(high - low)
    ax.set(xlim=(low[0] - pad, high[0] + pad), ylim=(low[1] - pad, high[1] + pad), aspect="equal")
    ax.set_title(
        f"{letter}: {piece.used_as}, {piece.grade}\n{piece.ordered} pieces", fontsize=9,
        parse_math=False,
    )  # fmt: skip


def _seen_sides(section: Array, depth: Array) -> list[int]:
    """Edges of the section, anticlockwise, whose sides face the eye."""
    step = np.roll(section, -1, axis=0) - section
    turn = np.sign(np.sum(section[:, 0] * np.roll(section[:, 1], -1)
                          - section[:, 1] * np.roll(section[:, 0], -1)))  # fmt: skip
    normal = turn * np.column_stack([step[:, 1], -step[:, 0]])
    return [i for i, n in enumerate(normal) if n @ depth > 0]


def _corners(section: Array) -> Array:
    """Points of an arc's outline where it turns sharply."""
    before, after = section - np.roll(section, 1, axis=0), np.roll(section, -1, axis=0) - section
    turn = np.arctan2(
        before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(axis=1)
    )
    return np.flatnonzero(np.abs(turn) > radians(30))


def _arrow(ax: Axes, piece: Piece, section: Array) -> None:
    """Draw the polarisation from S to N on the section, the letters at its ends."""
    angle = radians(piece.angle_deg)
    direction = np.array([-sin(angle), cos(angle)])
    middle = np.zeros(2) if piece.shape == "block" else _middle(section)
    whole = 2 * np.ptp(section, axis=0).max()
    line = shapely.LineString([middle - whole * direction, middle + whole * direction])
    within = shapely.get_coordinates(shapely.intersection(line, shapely.Polygon(section)))
    chord, whole = float(np.hypot(*np.ptp(within, axis=0))), np.ptp(section, axis=0).max()
    middle = within.mean(axis=0)
    # Letters stand before and behind the arrow, or beside it where it is short.
    along, beside, reach = (0.34, 0.0, 0.19) if chord > 0.75 * whole else (0.28, 0.16, 0.3)
    head, tail = middle + direction * chord * reach, middle - direction * chord * reach
    ax.annotate(
        "", head, tail, arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.8, "shrinkA": 0,
                                    "shrinkB": 0, "mutation_scale": 11},
    )  # fmt: skip
    across = np.array([direction[1], -direction[0]]) * beside * whole
    for text, sign in (("N", 1), ("S", -1)):
        at = middle + sign * along * chord * direction + across
        ax.text(*_xy(at), text, ha="center", va="center", weight="bold", color=INK)


def _middle(section: Array) -> Array:
    return np.asarray(shapely.get_coordinates(shapely.Polygon(section).centroid)[0])


def _label(ax: Axes, piece: Piece, section: Array, depth: Array) -> None:
    low, high = section.min(axis=0), section.max(axis=0)
    out = 0.05 * max(high - low)
    right = np.array([high[0], low[1]])
    long = right + depth / 2 + np.array([out, -out])
    if piece.shape == "block":
        first, second, last = (f"{size:g}" for size in piece.sizes)
        ax.text(0, low[1] - out, second, ha="center", va="top")
        ax.text(low[0] - out, 0, last, ha="right", va="center")
        ax.text(*_xy(long), first, ha="left", va="top")
        return
    inner, outer, span, length = piece.sizes
    # The outer side is told at the far end, where no edge runs on from it.
    ax.text(
        *_xy(depth + np.array([0, high[1] + out])), f"R{outer:.4g}", ha="center", va="bottom"
    )  # fmt: skip
    ax.text(0, low[1] - out, typeset(f"R{inner:.4g}, {span:.4g} deg"), ha="center", va="top")
    ax.text(*_xy(long), f"{length:g}", ha="left", va="top")


def _xy(point: Array) -> tuple[float, float]:
    return float(point[0]), float(point[1])
