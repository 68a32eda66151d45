"""Picture of the sector that a confirmation solves: parts and phases, flux, weak magnets."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, pi
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.collections import Collection, LineCollection
from matplotlib.colors import ListedColormap
from matplotlib.figure import Figure
from matplotlib.patheffects import AbstractPathEffect, withStroke
from matplotlib.tri import Triangulation
from scipy.spatial import cKDTree

from arrayopt.confirmation.results import Confirmation
from arrayopt.confirmation.windings import coil_sides
from arrayopt.export.pictures import GREY, INK, RED, STYLE
from arrayopt.export.typeset import typeset
from arrayopt.layout import build_layout
from arrayopt.quantities import Array

_LETTER: dict[str, Any] = {
    "ha": "center", "va": "center", "fontsize": 7, "fontweight": "bold", "color": "black",
    "bbox": {"boxstyle": "circle,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.85},
}  # fmt: skip
_LINES = 16
_MANY = 16  # half slots, whose letters are smaller
_LEAST, _MOST = 0.5, 2.4  # T, of the end of the colours
_SHOWN = 99.7  # percent of the iron's and magnets' points; corners would take the scale
_OPEN = 0.3  # rad without anything that make it a sector
_WIDE = 4.7  # inches of a panel
_PARTS = (
    ("tooth", "T", "tooth", GREY), ("tip", "P", "tooth tip", "#6F6F6F"),
    ("yoke", "Y", "yoke", "#B5B5B5"), ("ring", "R", "steel ring", "#6F6F6F"),
    ("slot", "", "", "#F5CB73"), ("magnet", "", "", "#7FB2D8"),
    ("gap", "", "", "white"), ("air", "", "", "white"),
)  # fmt: skip
_IRON = ("tooth", "tip", "yoke", "ring")


@dataclass(frozen=True)
class _Field:
    """A map turned upright, in mm, with the name of each triangle's region."""

    mesh: Triangulation
    region: Array
    names: tuple[str, ...]
    turn: float

    def of(self, *starts: str) -> Array:
        """Which triangles belong to regions whose names begin so."""
        own = [i for i, name in enumerate(self.names) if name.startswith(starts)]
        return np.isin(self.region, own)

    def centre(self, chosen: Array) -> tuple[float, float]:
        """Middle of chosen triangles by area."""
        corners = np.stack([self.mesh.x, self.mesh.y], axis=1)[self.mesh.triangles[chosen]]
        a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
        area = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
        x, y = (corners.mean(axis=1) * area[:, None]).sum(axis=0) / area.sum()
        return float(x), float(y)


def sector_picture(found: Confirmation) -> Figure:
    """Draw the sector solved: parts and phases, flux at no load and at peak, weak magnets."""
    maps = found.maps
    first = _field(maps["no load"])
    shown = [("no load", "no load")]
    if "peak" in maps:
        shown.append(("peak", f"{found.figures['peak_current']:.3g} A"))
    height = min(float(np.ptp(first.mesh.y) / np.ptp(first.mesh.x)), 1.0) * 0.9 * _WIDE + 1.1
    heights = [height, height if "peak" in maps else 2.4]
    with rc_context(STYLE):
        drawing = Figure(figsize=(2 * _WIDE, sum(heights)), layout="constrained")
        axes = drawing.subplot_mosaic(
            [["parts", "no load"], ["peak" if "peak" in maps else "weak", "weak"]],
            height_ratios=heights,
        )
        _parts(axes["parts"], found, first)
        most = largest_shown(found)
        for name, text in shown:
            colours = _flux(axes[name], maps[name], most)
            axes[name].set_title(typeset(f"Flux density and flux lines, {text}"), fontsize=9)
            bar = drawing.colorbar(colours, ax=axes[name], shrink=0.8)
            bar.set_label("Flux density [T]")
        _weak(axes["weak"], drawing, found)
    return drawing


def largest_shown(found: Confirmation) -> float:
    """End of the colours [T]: what iron and magnets reach, corners aside, on a tenth."""
    reached = []
    for one in found.maps.values():
        field = _field(one)
        solid = np.unique(field.mesh.triangles[field.of(*_IRON, "magnet")])
        reached.append(float(np.percentile(one["density"][solid], _SHOWN)))
    return ceil(10 * min(max(*reached, _LEAST), _MOST) - 1e-9) / 10


def _field(one: dict[str, Array]) -> _Field:
    turn = _upright(one)
    c, s = np.cos(turn), np.sin(turn)
    x, y = one["x"] * 1e3, one["y"] * 1e3
    mesh = Triangulation(c * x - s * y, s * x + c * y, one["triangles"])
    return _Field(mesh, one["region"], tuple(str(name) for name in one["regions"]), turn)


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


def outline(points: Array, triangles: Array) -> Array:
    """Return the edges of triangles that no two of them share, shape (edge, 2, 2).

    Parameters
    ----------
    points : ndarray, shape (point, 2)
        Points at one place count as one.
    triangles : ndarray of int, shape (triangle, 3)

    """
    span = float(np.ptp(points, axis=0).max()) or 1.0
    _, first, same = np.unique(
        np.round(points / span, 7), axis=0, return_index=True, return_inverse=True
    )
    edges = same.ravel()[triangles][:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2)
    pairs, counts = np.unique(np.sort(edges, axis=1), axis=0, return_counts=True)
    return np.asarray(points[first[pairs[counts == 1]]])


def _draw_outlines(ax: Axes, field: _Field) -> None:
    """Draw the edges of the iron and of every magnet, seen on dark and on light."""
    points = np.stack([field.mesh.x, field.mesh.y], axis=1)
    magnets = [name for name in field.names if name.startswith("magnet")]
    parts = [field.of(*_IRON), *(field.region == field.names.index(name) for name in magnets)]
    edges = [outline(points, field.mesh.triangles[part]) for part in parts if part.any()]
    rim: list[AbstractPathEffect] = [withStroke(linewidth=1.4, foreground="white")]
    if edges:
        ax.add_collection(
            LineCollection(list(np.concatenate(edges)), colors=INK, lw=0.7, path_effects=rim)
        )


def _parts(ax: Axes, found: Confirmation, field: _Field) -> None:
    told = []
    for start, letter, name, colour in _PARTS:
        own = field.of(start)
        if colour == "white" or not own.any():
            continue
        part = Triangulation(field.mesh.x, field.mesh.y, field.mesh.triangles[own])
        ax.tripcolor(
            part, np.ones(len(field.mesh.x)), cmap=ListedColormap([colour]), vmin=0, vmax=1,
            shading="gouraud", rasterized=True,
        )  # fmt: skip
        if letter:
            told.append(f"{letter} {name}")
            ax.text(*_letter_place(field, own), letter, **_LETTER)
    _draw_outlines(ax, field)
    _draw_phases(ax, found, field)
    _draw_polarisation(ax, found, field)
    ax.set(aspect="equal")
    ax.axis("off")
    ax.set_title(
        f"{', '.join(['Sector that is solved', *told])}\narrows: polarisation\n"
        "A+: coil side of phase A, out of the picture, \N{MINUS SIGN}: into it",
        fontsize=9,
    )
    ax.text(0.5, -0.02, typeset(_sizes(found)), transform=ax.transAxes, ha="center", va="top",
            fontsize=8)  # fmt: skip


def _letter_place(field: _Field, own: Array) -> tuple[float, float]:
    """Place deep inside a part near the top of the picture."""
    triangles = field.mesh.triangles[own]
    points = np.stack([field.mesh.x, field.mesh.y], axis=1)
    centres = points[triangles].mean(axis=1)
    depth, _ = cKDTree(outline(points, triangles).mean(axis=1)).query(centres)
    near = (np.abs(centres[:, 0]) <= 0.15 * float(np.ptp(field.mesh.x))) & (centres[:, 1] > 0)
    deep = near & (depth >= 0.8 * depth[near].max(initial=0.0))
    radius = np.hypot(*centres.T)
    off = np.hypot(centres[:, 0], radius - (radius.min() + radius.max()) / 2)
    best = int(np.argmin(np.where(deep, off, np.inf)))
    return float(centres[best, 0]), float(centres[best, 1])


def _draw_phases(ax: Axes, found: Confirmation, field: _Field) -> None:
    """Name the coil side in every half slot, once where both halves hold the same.

    Halves 2 k - 1 and 2 k are those of one slot; two different sides in a narrow one are named
    at different radii.
    """
    names = phase_names(found)
    halves = [k for k in range(len(names)) if f"slot{k}" in field.names]
    radius = np.hypot(*(v[field.mesh.triangles].mean(axis=1) for v in (field.mesh.x, field.mesh.y)))
    for half in halves:
        parts = [half]
        twin = half + 1 if half % 2 else half - 1
        if twin in halves and names[twin] == names[half]:
            parts = sorted((half, twin))
        own = np.isin(field.region, [field.names.index(f"slot{k}") for k in parts])
        if twin in halves and len(parts) == 1 and found.study.stator.kind == "slotted":
            outer = radius > radius[own].mean()
            own &= outer if half % 2 else ~outer
        if names[half] and half == parts[0]:
            ax.text(
                *field.centre(own), names[half], ha="center", va="center",
                fontsize=7 if len(halves) <= _MANY else 6, fontweight="bold",
            )  # fmt: skip


def phase_names(found: Confirmation) -> list[str]:
    """Return the phase of each half slot of the motor with its sign; empty without a coil."""
    names = []
    for turns in coil_sides(found.whole):
        phase = int(np.argmax(np.abs(turns)))
        sign = "+" if turns[phase] > 0 else "\N{MINUS SIGN}"
        names.append(f"{'ABC'[phase]}{sign}" if turns[phase] else "")
    return names


def _draw_polarisation(ax: Axes, found: Confirmation, field: _Field) -> None:
    layout = build_layout(found.study)
    p, M = int(layout.pole_pairs[0]), layout.magnets_per_pole_pair
    reach = 0.75 * min(
        min(float(s.thickness[0]), float(s.width[0])) for s in layout.shapes
    ) * 1e3  # fmt: skip
    for region, name in enumerate(field.names):
        if not name.startswith("magnet"):
            continue
        place = int(name.removeprefix("magnet"))
        turned = 2 * pi * place / (p * M) + layout.direction_at(place) + field.turn
        x, y = field.centre(field.region == region)
        u, v = reach / 2 * np.cos(turned), reach / 2 * np.sin(turned)
        ax.annotate(
            "", (x + u, y + v), (x - u, y - v),
            arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 0.9, "mutation_scale": 7,
                        "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip


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


def _flux(ax: Axes, one: dict[str, Array], most: float) -> Collection:
    field = _field(one)
    colours = ax.tripcolor(
        field.mesh, np.minimum(one["density"], most), cmap="cividis", vmin=0, vmax=most,
        shading="gouraud", rasterized=True,
    )  # fmt: skip
    low, high = float(one["potential"].min()), float(one["potential"].max())
    if high > low:
        levels = np.linspace(low, high, _LINES + 2)[1:-1]
        ax.tricontour(
            field.mesh, one["potential"], levels=levels, colors="white", linewidths=0.4,
            linestyles="solid",
        )  # fmt: skip
    _draw_outlines(ax, field)
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
        typeset(
            f"Worst reverse field in the magnets at {hot:.0f} C over what they bear\n"
            f"crosses: polarisation lost, {share:.2g} % of the magnets"
        ),
        fontsize=9,
    )
    if colours is not None:
        bar = drawing.colorbar(colours, ax=ax, shrink=0.8)
        bar.set_label("Reverse field over limit")
