"""Pictures of results. Colours differ in lightness, and letters say what colours say."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely
import xarray as xr
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import findfont, get_font
from matplotlib.patches import Circle, Polygon

from arrayopt.comparison import Comparison
from arrayopt.export.files import write_file
from arrayopt.figures import figure
from arrayopt.layout import build_layout
from arrayopt.layout.shapes import Array
from arrayopt.machine import waveform
from arrayopt.study import Study

# Okabe & Ito 2008, colours told apart with any common colour vision (from memory).
BLUE, ORANGE, GREEN, RED = "#0072B2", "#E69F00", "#009E73", "#D55E00"
GREY, PALE, INK = "#8C8C8C", "#D9D9D9", "#222222"
_WHOLE_RING = 6  # pole pairs
STYLE: dict[Any, Any] = {
    "font.size": 9, "axes.spines.top": False, "axes.spines.right": False,
    "svg.hashsalt": "arrayopt", "savefig.dpi": 150,
}  # fmt: skip


def save(path: str | Path, drawing: Figure) -> Path:
    """Write a picture; the ending of the name picks PNG, SVG or PDF."""
    with rc_context(STYLE):
        return write_file(path, lambda file: drawing.savefig(file, metadata=_plain(file)))


def _plain(file: Path) -> dict[str, Any]:
    """Keep the date out, so that the same study gives the same bytes."""
    return {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}.get(file.suffix, {})


def rotor_picture(study: Study, results: xr.Dataset) -> Figure:
    """Draw three pole pairs of the rotor, its airgap flux density and its harmonics."""
    with rc_context(STYLE):
        drawing = Figure(figsize=(9, 6.6), layout="constrained")
        axes = drawing.subplot_mosaic(
            [["rotor", "rotor"], ["wave", "orders"]], height_ratios=[3, 2]
        )
        _draw_rotor(axes["rotor"], study)
        orders, amplitude = results["harmonic"].values, results["amplitude"][0].values
        turn = np.linspace(-np.pi, np.pi, 361)
        ax = axes["wave"]
        ax.axhline(0, color=PALE, lw=0.8)
        ax.plot(np.degrees(turn), waveform(amplitude[:, None], orders, turn), color=BLUE)
        ax.plot(np.degrees(turn), amplitude[0] * np.cos(turn), "--", color=ORANGE, lw=1)
        ax.annotate("fundamental", (60, amplitude[0] * 0.5), (78, amplitude[0] * 0.72),
                    color=INK, arrowprops={"arrowstyle": "-", "lw": 0.6})  # fmt: skip
        ax.set(xlabel="Electrical angle from a main magnet [deg]", xticks=range(-180, 181, 90))
        ax.set_ylabel("Radial flux density at\nthe stator surface [T]")
        ax = axes["orders"]
        higher = orders > 1
        ax.bar(orders[higher], np.abs(amplitude[higher]) / amplitude[0] * 100, color=BLUE)
        ax.set(xlabel="Harmonic order", xticks=orders[higher][::2] + (orders[higher][0] % 2 == 0))
        ax.set_ylabel("Share of the fundamental [%]")
    return drawing


def _draw_rotor(ax: Axes, study: Study) -> None:
    layout = build_layout(study)
    p, M = study.rotor.pole_pairs, study.rotor.magnets_per_pole_pair
    # Few pole pairs are drawn as the whole ring, many as a part of it.
    shown = p if p <= _WHOLE_RING else 3
    depth = float(layout.outer_radius[0] - layout.inner_radius[0]) * 1e3
    for family, shape in zip(layout.families, layout.shapes, strict=True):
        colour = {"main": ORANGE, "transverse": BLUE, "oblique": GREEN}[family.table]
        section = shapely.get_coordinates(shape.polygons[0]) * 1e3
        middle = float(shape.lo[0] + shape.hi[0]) / 2 * 1e3
        size = 0.8 * min(float(shape.thickness[0]), float(shape.width[0])) * 1e3
        for pair in range(shown):
            for k, direction in zip(family.places, family.directions, strict=True):
                a = 2 * np.pi * (k + M * pair - (M * shown - 1) / 2) / (p * M) + np.pi / 2
                ax.add_patch(Polygon(_turned(section, a), fc=colour, ec=INK, lw=0.8, alpha=0.75))
                x, y = middle * np.cos(a), middle * np.sin(a)
                u, v = size * np.cos(a + direction), size * np.sin(a + direction)
                ax.annotate(
                    "", (x + u / 2, y + v / 2), (x - u / 2, y - v / 2),
                    arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.2},
                )  # fmt: skip
                if abs(np.cos(direction)) > 0.99:
                    # Beyond the gap, where the pole that faces the stator is met.
                    inwards = -1 if layout.outer else 1
                    at = float(layout.surface_radius[0]) * 1e3 + inwards * 0.45 * depth
                    pole = "N" if np.cos(direction) * inwards > 0 else "S"
                    ax.text(at * np.cos(a), at * np.sin(a), pole, ha="center", va="center")
    radius, ring = float(layout.surface_radius[0]) * 1e3, study.rotor.steel_ring_mm
    ax.add_patch(Circle((0, 0), radius, fill=False, ec=INK, lw=1.2))
    if ring:
        near = float(layout.ring_radius[0]) * 1e3
        for r in (near, near + (ring if layout.outer else -ring)):
            ax.add_patch(Circle((0, 0), r, fill=False, ec=GREY, lw=1.2))
    half = np.pi / p * shown * 1.04
    lo = min(radius - depth, float(layout.inner_radius[0]) * 1e3 - 2)
    hi = max(radius + depth, float(layout.outer_radius[0]) * 1e3 + ring + 2)
    wide = hi * np.sin(min(half, np.pi / 2))
    low = lo * np.cos(min(half, np.pi)) if half > 0.5 else lo * np.cos(half)
    if shown == p:
        wide, low = hi, -hi
    ax.set(xlim=(-wide, wide), ylim=(low, hi), aspect="equal")
    ax.axis("off")
    families = ", ".join(f"{f.name}: {_COLOUR_NAMES[f.table]}" for f in layout.families)
    ax.set_title(
        f"{drawable(study.title)}{shown} of {p} pole pairs; line: stator surface; "
        f"arrows: polarisation; N, S: pole facing the stator\n{families}",
        fontsize=9,
        parse_math=False,
    )


_COLOUR_NAMES = {"main": "orange", "transverse": "blue", "oblique": "green"}


def drawable(title: str) -> str:
    """Return a title and line end, or nothing if the font lacks one of its characters."""
    known = get_font(findfont("DejaVu Sans")).get_charmap()
    return f"{title}\n" if all(ord(letter) in known for letter in title) else ""


def _turned(points: Array, angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(points @ np.array([[c, s], [-s, c]]))


def comparison_picture(comparison: Comparison) -> Figure:
    """Draw torque, mass and torque per mass of the designs as bars."""
    torque = figure(comparison.torque)
    results = comparison.results
    labels = [label.replace(", steel", ",\nsteel") for label in comparison.studies]
    place = np.arange(len(labels))[::-1]
    with rc_context(STYLE):
        drawing = Figure(figsize=(10, 3.4), layout="constrained")
        left, middle, right = drawing.subplots(1, 3, sharey=True)
        colours = [ORANGE, *[BLUE] * (len(labels) - 1)]
        _bars(left, place, results[torque.name].values, colours, torque.title)
        _bars(
            right, place, comparison.torque_per_mass.values, colours,
            f"{torque.label}\nper rotor mass [{torque.unit}/kg]",
        )  # fmt: skip
        start = np.zeros(len(labels))
        parts = (
            ("magnet_mass", "magnets", ORANGE), ("ring_mass", "steel ring", GREY),
            ("carrier_mass", "print", GREEN), ("other_mass", "others", PALE),
        )  # fmt: skip
        for name, text, colour in parts:
            mass = results[name].values * 1e3
            middle.barh(place, mass, left=start, color=colour, ec="white", label=text)
            start = start + mass
        for y, total in zip(place, start, strict=True):
            middle.text(total, y, f" {total:.0f}", va="center")
        middle.set_xlabel("Mass of rotor [g]")
        middle.set_xlim(0, start.max() * 1.15)
        drawing.legend(
            *middle.get_legend_handles_labels(), loc="outside upper center", ncols=4, frameon=False
        )
        left.set_yticks(place, labels)
    return drawing


def _bars(ax: Axes, place: Array, values: Array, colours: list[str], title: str) -> None:
    ax.barh(place, values, color=colours)
    for y, value in zip(place, values, strict=True):
        ax.text(value, y, f" {value:.4g}", va="center")
    ax.set_xlim(0, values.max() * 1.28)
    ax.set_xlabel(title)
