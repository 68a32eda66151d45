"""Pictures of a search: its front, what good designs share, which variables matter, its course."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from matplotlib import colormaps, rc_context
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from arrayopt.comparison import Comparison
from arrayopt.export.pictures import BLUE, GREY, INK, ORANGE, RED, STYLE
from arrayopt.export.search_tables import pick_text
from arrayopt.export.tables import magnets_text, number, wrapped
from arrayopt.figures import Figure as Quantity
from arrayopt.layout.shapes import Array
from arrayopt.search import SearchResult
from arrayopt.study import Study

_MOST_DOTS = 4000  # of each kind in a picture
_MOST_LINES = 300


def front_picture(result: SearchResult, comparison: Comparison) -> Figure:
    """Draw the designs judged, the front, the picks, the start and plain layouts."""
    pairs = [(b, a) for a, b in itertools.combinations(range(len(result.objectives)), 2)]
    marks, legend = _marks(result, comparison)
    with rc_context(STYLE):
        if len(pairs) == 1:
            drawing = Figure(figsize=(9.5, 4.6), layout="constrained")
            panels = [drawing.subplots()]
            panels[0].text(1.02, 1, legend, transform=panels[0].transAxes, va="top", fontsize=8)
        else:
            drawing = Figure(figsize=(11, 8), layout="constrained")
            *panels, words = drawing.subplots(2, 2).ravel()
            words.axis("off")
            words.text(0, 1, legend, va="top", fontsize=8)
        for ax, (across, up) in zip(panels, pairs, strict=True):
            _draw_front(ax, result, marks, across=across, up=up)
        panels[0].legend(loc="lower right", frameon=False)
    return drawing


def _draw_front(
    ax: Axes, result: SearchResult, marks: list[tuple[str, str, Array]], *, across: int, up: int
) -> None:
    losses, kept = result.losses, result.kept
    x, y = (result.objectives[i] for i in (across, up))

    def of(rows: Array, k: int) -> Array:
        return np.asarray(rows[:, k] * result.goal.signs[k] * result.objectives[k].scale)

    seen = ~np.isnan(losses[:, 0])
    for these, text, marker, colour in (
        (kept, "keep all limits", ".", GREY),
        (seen & ~kept, "miss a limit", "x", RED),
    ):
        if not these.any():
            continue
        shown = losses[np.flatnonzero(these)[:: -(-these.sum() // _MOST_DOTS)]]
        ax.plot(
            of(shown, across),
            of(shown, up),
            marker,
            color=colour,
            ms=3,
            mew=0.5,
            alpha=0.6,
            label=text,
        )
    best = result.goal.losses(result.front)
    order = np.argsort(best[:, across])
    style = "-o" if len(result.objectives) == 2 else "o"
    ax.plot(
        of(best, across)[order], of(best, up)[order], style, color=BLUE, ms=3, lw=1, label="front"
    )
    where: dict[tuple[float, float], list[tuple[str, str]]] = {}
    for letter, colour, row in marks:
        place = (float(of(row[None], across)[0]), float(of(row[None], up)[0]))
        if np.isfinite(place).all():
            where.setdefault((round(place[0], 6), round(place[1], 6)), []).append((letter, colour))
    for (px, py), letters in where.items():
        plain = letters[0][0].startswith("P")
        ax.plot(px, py, "s" if plain else "D", color=letters[0][1], mec=INK, ms=6, zorder=3)
        above = letters[0][0][0] in "KABC"
        ax.annotate(
            ", ".join(letter for letter, _ in letters), (px, py), (-7, 5) if above else (7, -11),
            textcoords="offset points", ha="right" if above else "left",
            fontweight="bold", zorder=4,
        )  # fmt: skip
    ax.set(xlabel=x.title, ylabel=y.title)
    ax.margins(x=0.06, y=0.06)


def _marks(
    result: SearchResult, comparison: Comparison
) -> tuple[list[tuple[str, str, Array]], str]:
    """Return letter, colour and losses of the designs named in a picture, and what they are."""
    goal = result.goal
    marks = [("S", ORANGE, goal.losses(result.start)[0])]
    lines = [f"S start design\n    {_sizes(result.study)}"]
    best = goal.losses(result.front)
    for letter, (name, index) in zip("KABC", result.picks.items(), strict=False):
        marks.append((letter, ORANGE, best[index]))
        text = pick_text(result, name).replace("\n", " ")
        lines.append(f"{letter} {_folded(text)}\n    {_sizes(result.design(index))}")
    for i, (label, study) in enumerate(comparison.studies.items()):
        if i:
            marks.append((f"P{i}", RED, goal.losses(comparison.results.isel(design=[i]))[0]))
            lines.append(f"P{i} {_folded(label)}\n    {_sizes(study)}")
    return marks, "\n".join(lines)


def _sizes(study: Study) -> str:
    rotor = study.rotor
    ring = f", ring {number(rotor.steel_ring_mm)}" if rotor.steel_ring_mm else ""
    magnets = magnets_text(study).replace("\n", ", ")
    return f"{rotor.pole_pairs} pole pairs, {magnets}{ring}"


def _folded(text: str) -> str:
    """Break a long text before its last words."""
    if len(text) <= 46:
        return text
    cut = text.rfind(" ", 0, 46)
    return f"{text[:cut]}\n    {text[cut + 1 :]}"


def variables_picture(result: SearchResult) -> Figure:
    """Draw the designs of the front as lines over all variables and objectives."""
    space = result.space
    axes = list(space.distributions)
    columns: list[tuple[str, Array, list[tuple[float, str]]]] = []
    for axis, allowed in zip(axes, space.allowed, strict=True):
        values = [row.get(axis) for row in result.params]
        columns.append((_short(axis), *_scaled(values, allowed, _ends(space, axis))))
    for f in result.objectives:
        figures = list(result.front[f.name].values * f.scale)
        ends = (min(figures), max(figures))
        columns.append((wrapped(f.title), *_scaled(figures, None, ends)))
    lines = np.stack([column for _, column, _ in columns], axis=1)
    tint = result.front[result.objectives[-1].name].values * result.objectives[-1].scale
    chosen: dict[int, str] = {}
    for letter, index in zip("KABC", result.picks.values(), strict=False):
        chosen[index] = f"{chosen[index]}, {letter}" if index in chosen else letter
    with rc_context(STYLE):
        drawing = Figure(figsize=(max(7.0, 1.45 * len(columns) + 1), 4.6), layout="constrained")
        ax = drawing.subplots()
        shades = ScalarMappable(Normalize(tint.min(), tint.max()), colormaps["cividis_r"])
        places = [float(i) for i in range(len(columns))]
        for i in range(0, len(lines), -(-len(lines) // _MOST_LINES)):
            ax.plot(places, lines[i], "-", color=shades.to_rgba(tint[i]), lw=0.8, alpha=0.7)
        for index, letter in chosen.items():
            row = lines[index]
            ax.plot(places, row, "-o", color=RED, ms=4, lw=1.4, zorder=3)
            ax.text(places[-1] + 0.06, row[-1], letter, color=RED, va="center", fontweight="bold")
        for place, (name, _, ticks) in zip(places, columns, strict=True):
            ax.plot([place, place], [0, 1], color=INK, lw=0.6)
            for height, text in ticks:
                ax.text(
                    place - 0.04, height, text, ha="right", va="center", fontsize=7.5, zorder=4,
                    bbox={"fc": "white", "ec": "none", "alpha": 0.8, "pad": 0.8},
                )  # fmt: skip
            ax.text(place, -0.05, name, ha="center", va="top", fontsize=8)
        ax.set(xlim=(-0.6, len(columns) - 0.5), ylim=(-0.22, 1.04))
        ax.axis("off")
        drawing.colorbar(shades, ax=ax, label=result.objectives[-1].title, pad=0.02)
        ax.set_title(
            f"{len(lines)} designs of the front, each a line; red: "
            + ", ".join(
                f"{letter} {pick_text(result, name).split(',')[0]}"
                for letter, name in zip("KABC", result.picks, strict=False)
            ),
            fontsize=9,
        )
    return drawing


def _ends(space: Any, axis: str) -> tuple[float, float]:
    distribution = space.distributions[axis]
    return (getattr(distribution, "low", 0.0), getattr(distribution, "high", 1.0))


def _scaled(
    values: list[Any], allowed: tuple[Any, ...] | None, ends: tuple[float, float]
) -> tuple[Array, list[tuple[float, str]]]:
    """Return values as heights from 0 to 1 and a few labelled heights; NaN where there is none."""
    numbers = allowed is None or all(isinstance(v, int | float) for v in allowed)
    if numbers:
        low, high = ends if allowed is None else (min(allowed), max(allowed))
        span = (high - low) or 1
        heights = np.array([np.nan if v is None else (v - low) / span for v in values])
        few = allowed is not None and len(allowed) <= 6
        marks = sorted(allowed) if few and allowed else np.linspace(low, high, 5)
        return heights, [((v - low) / span, f"{v:.4g}") for v in marks]
    assert allowed is not None
    last = max(len(allowed) - 1, 1)
    heights = np.array([np.nan if v is None else allowed.index(v) / last for v in values])
    every = -(-len(allowed) // 8)
    return heights, [(i / last, _item(v)) for i, v in enumerate(allowed) if i % every == 0]


def _item(value: Any) -> str:
    """Shorten a name; of a choice of the shop list the item stays."""
    return str(value).partition(":")[0][:14]


def _short(axis: str) -> str:
    """Break a key into short lines, its unit last."""
    path = axis.removeprefix("rotor.")
    name, _, unit = path.rpartition("_")
    if name and unit in ("mm", "deg", "c", "g"):
        return f"{name.replace('.', chr(10)).replace('_', ' ')}\n[{unit}]"
    return path.replace(".", "\n").replace("_", "\n", 1).replace("_", " ")


def course_picture(result: SearchResult) -> Figure:
    """Draw how the front grew, and how much of each objective goes with each variable."""
    axes = list(result.space.distributions)
    with rc_context(STYLE):
        drawing = Figure(figsize=(10, max(3.6, 0.62 * len(axes) + 1.2)), layout="constrained")
        left, right = drawing.subplots(1, 2)
        designs, share = result.convergence
        left.step(designs, 100 * share, where="post", color=BLUE)
        left.set(xlabel="Designs judged", ylabel="Hypervolume of the front [% of the last]")
        reached = share >= 0.99
        first = int(designs[np.argmax(reached)])
        left.axhline(99, color=GREY, lw=0.8, ls="--")
        left.annotate(
            f"99 % after {first} designs", (first, 99), (0.35, 0.35), textcoords="axes fraction",
            arrowprops={"arrowstyle": "-", "color": INK, "lw": 0.6},
        )  # fmt: skip
        low = 100 * share[share > 0][0] if (share > 0).any() else 0
        left.set_ylim(min(max(low - 2, 0), 98), 100.5)
        _bars_of_importance(right, result, axes)
    return drawing


def _bars_of_importance(ax: Axes, result: SearchResult, axes: list[str]) -> None:
    rows: list[tuple[str, str]] = [(f.name, _label(f)) for f in result.objectives]
    rows.append(("front", "distance behind the front"))
    height = 0.8 / len(rows)
    places = np.arange(len(axes))[::-1].astype(float)
    for k, ((name, label), colour) in enumerate(
        zip(rows, [*(BLUE, ORANGE, RED)[: len(rows) - 1], GREY], strict=True)
    ):
        shares = [100 * result.importance[name][axis] for axis in axes]
        where = places + (len(rows) / 2 - k - 0.5) * height
        ax.barh(where, shares, height, color=colour, label=label)
        for y, value in zip(where, shares, strict=True):
            ax.text(value + 0.5, y, f"{value:.0f}", va="center", fontsize=7)
    ax.set_yticks(places, [axis.removeprefix("rotor.") for axis in axes])
    ax.set_xlabel("Share of the variance that goes with the variable alone [%]")
    ax.legend(loc="best", framealpha=0.9, edgecolor="none", fontsize=8)


def _label(f: Quantity) -> str:
    return f.label[0].lower() + f.label[1:]
