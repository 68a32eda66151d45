"""Pictures of a search: its front, what good designs share, which variables matter, its course."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from textwrap import fill
from typing import Any

import numpy as np
from matplotlib import colormaps, rc_context
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from matplotlib.patheffects import AbstractPathEffect, withStroke
from matplotlib.transforms import offset_copy

from arrayopt.comparison import Comparison
from arrayopt.export.axis_marks import Scale, scale_of_choices, scale_of_figures, scale_of_range
from arrayopt.export.evaluation_tables import magnets_text
from arrayopt.export.labels import label_offsets, spread
from arrayopt.export.pictures import BLUE, GREEN, GREY, INK, ORANGE, PALE, RED, STYLE
from arrayopt.export.search_tables import pick_text
from arrayopt.export.text_tables import number, wrapped
from arrayopt.export.typeset import NO_BREAK, typeset
from arrayopt.quantities import Array
from arrayopt.search import SearchResult
from arrayopt.study import Study
from arrayopt.study.keys import key_title

_MOST_DOTS = 4000  # of each kind in a picture
_MOST_LINES = 300
_FEW = 9  # values of a range that are all marked
_FONT = 9  # of the letters in the picture of the front
_LETTERS = 50  # of a line of its key


def pick_letters(result: SearchResult) -> dict[str, str]:
    """Return a letter for each pick: K for the knee, A, B, C for the others."""
    others = iter("ABCDEFGH")
    return {name: "K" if name == "knee" else next(others) for name in result.picks}


def front_picture(result: SearchResult, comparison: Comparison) -> Figure:
    """Draw the designs judged, the front, the picks, the start and plain layouts."""
    pairs = [(b, a) for a, b in itertools.combinations(range(len(result.objectives)), 2)]
    marks, told = _marks(result, comparison)
    with rc_context(STYLE):
        if len(pairs) == 1:
            drawing = Figure(figsize=(9.5, 4.9), layout="constrained")
            panels = [drawing.subplots()]
            beside: dict[str, Any] = {"bbox_to_anchor": (1.01, 0), "loc": "lower left"}
            panels[0].text(1.03, 1, told, transform=panels[0].transAxes, va="top", fontsize=8)
        else:
            drawing = Figure(figsize=(11, 8), layout="constrained")
            *panels, words = drawing.subplots(2, 2).ravel()
            words.axis("off")
            words.text(0, 1, told, va="top", fontsize=8)
            beside = {"loc": "lower right"}
        for ax, (across, up) in zip(panels, pairs, strict=True):
            _draw_front(ax, result, marks, across=across, up=up)
        (panels if len(pairs) == 1 else [words])[0].legend(
            *panels[0].get_legend_handles_labels(), frameon=False, fontsize=8, **beside
        )
        # Labels are placed where everything stands once the picture is laid out.
        drawing.draw_without_rendering()
        for ax, (across, up) in zip(panels, pairs, strict=True):
            _label(ax, result, marks, across=across, up=up)
    return drawing


@dataclass(frozen=True)
class _Mark:
    """A design named in a picture: its letter, what kind it is, its losses."""

    letter: str
    kind: str
    losses: Array


# Marker, face and legend of the kinds of designs that are named.
_KINDS = {
    "start": ("^", GREEN, "start design"),
    "pick": ("D", ORANGE, "picked from the front"),
    "plain": ("s", "white", "plain layouts"),
}


def _shown(result: SearchResult, losses: Array, k: int) -> Array:
    """Return one objective of designs as it is shown, losses of shape (design, objective)."""
    return np.asarray(losses[:, k] * result.goal.signs[k] * result.objectives[k].scale)


def _draw_front(
    ax: Axes, result: SearchResult, marks: list[_Mark], *, across: int, up: int
) -> None:
    losses, kept = result.losses, result.kept
    seen = ~np.isnan(losses[:, 0])
    for these, text, marker, colour in (
        (kept, "keep all limits", ".", GREY),
        (seen & ~kept, "miss a limit", "x", RED),
    ):
        if not these.any():
            continue
        shown = losses[np.flatnonzero(these)[:: -(-these.sum() // _MOST_DOTS)]]
        ax.plot(
            _shown(result, shown, across), _shown(result, shown, up), marker, color=colour, ms=3,
            mew=0.5, alpha=0.6, label=text,
        )  # fmt: skip
    best = result.goal.losses(result.front)
    best = best[np.argsort(best[:, across])]
    style = "-o" if len(result.objectives) == 2 else "o"
    ax.plot(
        _shown(result, best, across), _shown(result, best, up), style, color=BLUE, ms=3, lw=1,
        label="front",
    )  # fmt: skip
    for kind, (marker, colour, text) in _KINDS.items():
        rows = np.array([m.losses for m in marks if m.kind == kind])
        if len(rows):
            ax.plot(
                _shown(result, rows, across), _shown(result, rows, up), marker, color=colour,
                mec=INK, ms=9 if kind == "start" else 6, ls="none", label=text, zorder=3,
            )  # fmt: skip
    x, y = (result.objectives[i] for i in (across, up))
    ax.set(xlabel=typeset(x.title), ylabel=typeset(y.title))
    ax.margins(x=0.07, y=0.07)


def _label(ax: Axes, result: SearchResult, marks: list[_Mark], *, across: int, up: int) -> None:
    """Write the letters of the named designs where each is told apart, with a line to it."""
    where: dict[tuple[float, float], list[str]] = {}
    for mark in marks:
        x, y = (float(_shown(result, mark.losses[None], k)[0]) for k in (across, up))
        if np.isfinite([x, y]).all():
            where.setdefault((round(x, 6), round(y, 6)), []).append(mark.letter)
    if not where:
        return
    words = [", ".join(letters) for letters in where.values()]
    points = 72 / ax.figure.dpi  # a pixel
    at = ax.transData.transform(np.array(list(where))) * points
    sizes = np.array([(0.75 * _FONT * len(one), 1.1 * _FONT) for one in words])
    drawn = [np.asarray(line.get_xydata(), dtype=float) for line in ax.lines]
    others = ax.transData.transform(np.concatenate(drawn)) * points
    box = ax.get_window_extent().get_points() * points
    offsets = label_offsets(at, sizes, box=box, others=others[np.isfinite(others).all(axis=1)])
    for place, text, offset in zip(where, words, offsets, strict=True):
        ax.annotate(
            text, place, tuple(offset), textcoords="offset points", ha="center", va="center",
            fontweight="bold", fontsize=_FONT, zorder=4,
            arrowprops={"arrowstyle": "-", "color": INK, "lw": 0.6, "shrinkA": 0, "shrinkB": 3},
        )  # fmt: skip


def _marks(result: SearchResult, comparison: Comparison) -> tuple[list[_Mark], str]:
    """Return the designs named in a picture, and what they are."""
    goal = result.goal
    marks = [_Mark("S", "start", goal.losses(result.start)[0])]
    lines = [_told("S", "start design", result.study)]
    best = goal.losses(result.front)
    for name, letter in pick_letters(result).items():
        index = result.picks[name]
        marks.append(_Mark(letter, "pick", best[index]))
        text = pick_text(result, name).replace("\n", " ")
        lines.append(_told(letter, text, result.design(index)))
    for i, (label, study) in enumerate(comparison.studies.items()):
        if i:
            losses = goal.losses(comparison.results.isel(design=[i]))[0]
            marks.append(_Mark(f"P{i}", "plain", losses))
            lines.append(_told(f"P{i}", label, study))
    return marks, "\n".join(lines)


def _told(letter: str, what: str, study: Study) -> str:
    """Say what a design is and how large its magnets are."""
    indent = "    "
    return "\n".join(
        [
            fill(typeset(f"{letter} {what}"), _LETTERS, subsequent_indent=indent),
            fill(_sizes(study), _LETTERS, initial_indent=indent, subsequent_indent=indent),
        ]
    )


def _sizes(study: Study) -> str:
    rotor = study.rotor
    parts = [f"{rotor.pole_pairs} pole pairs"]
    parts += [f"{line} mm" for line in magnets_text(study).splitlines()]
    if rotor.steel_ring_mm:
        parts.append(f"ring {number(rotor.steel_ring_mm)} mm")
    return ", ".join(typeset(part).replace(" ", NO_BREAK) for part in parts)


def variables_picture(result: SearchResult) -> Figure:
    """Draw the designs of the front as lines over all variables and objectives."""
    columns = _columns(result)
    lines = np.stack([scale.heights(values) for _, scale, values in columns], axis=1)
    last = result.objectives[-1]
    tint = result.front[last.name].values * last.scale
    with rc_context(STYLE):
        drawing = Figure(figsize=(max(8.0, 1.45 * len(columns) + 1), 5.0), layout="constrained")
        ax = drawing.subplots()
        shades = ScalarMappable(Normalize(tint.min(), tint.max()), colormaps["cividis_r"])
        places = np.arange(len(columns), dtype=float)
        for i in range(0, len(lines), -(-len(lines) // _MOST_LINES)):
            ax.plot(places, lines[i], "-", color=shades.to_rgba(tint[i]), lw=0.8, alpha=0.7)
        for place, (name, scale, _) in zip(places, columns, strict=True):
            _draw_axis(ax, place, name, scale)
        _draw_picks(ax, result, lines)
        ax.set(xlim=(-0.75, len(columns) - 0.4), ylim=(-0.24, 1.04))
        ax.axis("off")
        bar = drawing.colorbar(shades, ax=ax, pad=0.02)
        bar.set_label(typeset(last.title))
        broken = "; a line stops where a layout has no such magnet" if np.isnan(lines).any() else ""
        ax.set_title(f"{len(lines)} designs of the front, each a line{broken}", fontsize=9)
        drawing.legend(loc="outside lower left", ncols=2, frameon=False, fontsize=8,
                       handlelength=4.5)  # fmt: skip
    return drawing


def _columns(result: SearchResult) -> list[tuple[str, Scale, list[Any]]]:
    """Return title, scale and values of every variable and objective."""
    space, columns = result.space, []
    variables = result.study.search.variables if result.study.search else {}
    for axis, allowed in zip(space.distributions, space.allowed, strict=True):
        variable = variables.get(axis)
        chosen = variable is None or variable.choices is not None
        if allowed is None or not (chosen or len(allowed) <= _FEW):
            ends = _ends(space, axis) if allowed is None else (min(allowed), max(allowed))
            scale = scale_of_range(*ends)
        else:
            scale = scale_of_choices(allowed)
        columns.append((key_title(axis), scale, [row.get(axis) for row in result.params]))
    for f in result.objectives:
        figures = result.front[f.name].values * f.scale
        columns.append((f.title, scale_of_figures(figures), list(figures)))
    return columns


def _ends(space: Any, axis: str) -> tuple[float, float]:
    distribution = space.distributions[axis]
    return (getattr(distribution, "low", 0.0), getattr(distribution, "high", 1.0))


def _draw_axis(ax: Axes, place: float, name: str, scale: Scale) -> None:
    ax.plot([place, place], [0, 1], color=INK, lw=0.6)
    for height, text in scale.marks:
        ax.plot([place - 0.02, place], [height, height], color=INK, lw=0.6)
        if text:
            ax.text(
                place - 0.04, height, text, ha="right", va="center", fontsize=7.5, zorder=4,
                bbox={"fc": "white", "ec": "none", "alpha": 0.8, "pad": 0.8}, parse_math=False,
            )  # fmt: skip
    ax.text(place, -0.05, typeset(wrapped(name)), ha="center", va="top", fontsize=8)


# Lines of the picks: all black, told apart by dashes, markers and letters.
_PICKED: tuple[tuple[Any, str], ...] = (
    ("-", "o"), ((0, (5, 2)), "s"), ((0, (1, 1.2)), "^"), ((0, (6, 2, 1, 2)), "v"), ("-", "P"),
)  # fmt: skip
_BESIDE = 2.6  # points between lines of picks that would cover each other


def _draw_picks(ax: Axes, result: SearchResult, lines: Array) -> None:
    """Draw the picks over the other lines, letters at both ends; the same design is one line."""
    by_design: dict[int, list[str]] = {}
    letters = pick_letters(result)
    for name, index in result.picks.items():
        by_design.setdefault(index, []).append(name)
    rows = lines[list(by_design)]
    places = np.arange(lines.shape[1])
    rim: list[AbstractPathEffect] = [withStroke(linewidth=3, foreground="white")]
    assert isinstance(ax.figure, Figure)
    for k, (names, row) in enumerate(zip(by_design.values(), rows, strict=True)):
        dashes, marker = _PICKED[k % len(_PICKED)]
        up = (k - (len(rows) - 1) / 2) * _BESIDE
        moved = offset_copy(ax.transData, ax.figure, y=up, units="points")
        told = ", ".join(f"{letters[n]} {pick_text(result, n).partition(',')[0]}" for n in names)
        ax.plot(
            places, row, ls=dashes, marker=marker, color="black", ms=5, mfc="white", mew=1.1,
            lw=1.6, zorder=3, transform=moved, path_effects=rim, label=fill(typeset(told), 60),
        )  # fmt: skip
    words = [", ".join(letters[name] for name in names) for names in by_design.values()]
    for column, at, side in ((0, -0.42, "right"), (-1, len(places) - 0.9, "left")):
        for height, text in zip(spread(_filled(rows, column), apart=0.05), words, strict=True):
            ax.text(at, height, text, va="center", ha=side, fontweight="bold")


def _filled(rows: Array, column: int) -> Array:
    """Return the heights of lines in a column, the middle where there is none."""
    return np.nan_to_num(rows[:, column], nan=0.5)


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
        drawing.legend(
            *right.get_legend_handles_labels(), loc="outside lower right", ncols=4, frameon=False,
            fontsize=8,
        )  # fmt: skip
    return drawing


def _bars_of_importance(ax: Axes, result: SearchResult, axes: list[str]) -> None:
    rows = [(f.name, f.phrase) for f in result.objectives]
    rows.append(("front", "distance behind the front"))
    letters = initials([label for _, label in rows])
    height = 0.8 / len(rows)
    places = np.arange(len(axes))[::-1].astype(float)
    colours = [*(BLUE, ORANGE, GREEN)[: len(rows) - 1], PALE]
    for k, ((name, label), letter, colour) in enumerate(zip(rows, letters, colours, strict=True)):
        shares = [100 * result.importance[name][axis] for axis in axes]
        where = places + (len(rows) / 2 - k - 0.5) * height
        ax.barh(where, shares, 0.9 * height, color=colour, ec=INK, lw=0.5,
                label=f"{letter}: {typeset(label)}")  # fmt: skip
        for y, value in zip(where, shares, strict=True):
            ax.text(value + 0.7, y, f"{letter} {value:.0f}", va="center", fontsize=7)
    ax.set_yticks(places, [typeset(fill(key_title(axis), 18)) for axis in axes], fontsize=8)
    ax.margins(x=0.1)
    ax.set_xlabel("Share of the variance that goes with the variable alone [%]")


def initials(labels: list[str]) -> list[str]:
    """Return a letter for each label: the initial of its first long word that is still free.

    Examples
    --------
    >>> initials(["motor constant", "mass of rotor", "magnet mass"])
    ['M', 'R', 'A']
    """
    found: list[str] = []
    for label in labels:
        words = [word[0].upper() for word in label.split() if len(word) > 2 and word.isalpha()]
        rest = [letter for letter in label.upper() if letter.isalpha()]
        found.append(next(one for one in [*words, *rest, "?"] if one not in found))
    return found
