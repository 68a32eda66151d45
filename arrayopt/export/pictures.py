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
from arrayopt.export.cross_section import COPPER, area_patch, coil_sides, print_within
from arrayopt.export.files import write_file
from arrayopt.export.typeset import typeset, unit_sign
from arrayopt.figures import figure
from arrayopt.layout import Layout, build_layout
from arrayopt.machine import waveform
from arrayopt.quantities import Array
from arrayopt.study import Study
from arrayopt.study.coils import winding_radii_mm

# Okabe & Ito 2008, colours told apart with any common colour vision (from memory).
BLUE, ORANGE, GREEN, RED = "#0072B2", "#E69F00", "#009E73", "#D55E00"
GREY, PALE, INK = "#8C8C8C", "#D9D9D9", "#222222"
_SLATE = "#AFBCC6"  # of bars that say nothing by their colour
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
        ax.set(xlabel="Electrical angle from a main magnet [°]", xticks=range(-180, 181, 90))
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
    half = np.pi / p * shown
    depth = float(layout.outer_radius[0] - layout.inner_radius[0]) * 1e3
    beyond, inwards = _stator_side(study), -layout.sign
    printed = print_within(study, place=(M * shown - 1) / 2, half=half)
    ax.add_patch(area_patch(printed, fc=PALE, ec=GREY, lw=0.4))
    coils = coil_sides(study, half=half)
    for side in coils:
        ax.add_patch(area_patch(side, **COPPER))
    for family, shape in zip(layout.families, layout.shapes, strict=True):
        colour = {"main": ORANGE, "transverse": BLUE, "oblique": GREEN}[family.table]
        section = shapely.get_coordinates(shape.polygons[0]) * 1e3
        middle = float(shape.lo[0] + shape.hi[0]) / 2 * 1e3
        size = 0.8 * min(float(shape.thickness[0]), float(shape.width[0])) * 1e3
        for pair in range(shown):
            for k, direction in zip(family.places, family.directions, strict=True):
                a = 2 * np.pi * (k + M * pair - (M * shown - 1) / 2) / (p * M) + np.pi / 2
                outline = _turned(section, a)
                ax.add_patch(Polygon(outline, fc="white", ec="none"))
                ax.add_patch(Polygon(outline, fc=colour, ec=INK, lw=0.8, alpha=0.75))
                x, y = middle * np.cos(a), middle * np.sin(a)
                u, v = size * np.cos(a + direction), size * np.sin(a + direction)
                ax.annotate(
                    "", (x + u / 2, y + v / 2), (x - u / 2, y - v / 2),
                    arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.2},
                )  # fmt: skip
                if abs(np.cos(direction)) > 0.99:
                    # Beyond the gap, where the pole that faces the stator is met.
                    at = beyond + inwards * 0.45 * depth
                    pole = "N" if np.cos(direction) * inwards > 0 else "S"
                    ax.text(at * np.cos(a), at * np.sin(a), pole, ha="center", va="center")
    _circles(ax, layout, ring=study.rotor.steel_ring_mm)
    lo = min(beyond - depth, float(layout.inner_radius[0]) * 1e3 - 2)
    hi = max(beyond + depth, float(layout.outer_radius[0]) * 1e3 + study.rotor.steel_ring_mm + 2)
    half *= 1.04
    wide = hi * np.sin(min(half, np.pi / 2))
    low = lo * np.cos(min(half, np.pi)) if half > 0.5 else lo * np.cos(half)
    if shown == p:
        wide, low = hi, -hi
    ax.set(xlim=(-wide, wide), ylim=(low, hi), aspect="equal")
    ax.axis("off")
    line = "surface of the winding" if study.stator.kind == "ironless" else "stator surface"
    families = ", ".join(f"{f.name}: {_COLOUR_NAMES[f.table]}" for f in layout.families)
    ax.set_title(
        f"{drawable(study.title)}{shown} of {p} pole pairs; line: {line}; "
        f"arrows: polarisation; N, S: pole facing the stator\n{families}, print: grey"
        f"{', coil sides: hatched' if coils else ''}",
        fontsize=9,
        parse_math=False,
    )


def _circles(ax: Axes, layout: Layout, *, ring: float) -> None:
    """Draw the surface that faces the magnets, and the steel ring."""
    radius = float(layout.surface_radius[0]) * 1e3
    ax.add_patch(Circle((0, 0), radius, fill=False, ec=INK, lw=1.2))
    if ring:
        near = float(layout.ring_radius[0]) * 1e3
        for r in (near, near + layout.sign * ring):
            ax.add_patch(Circle((0, 0), r, fill=False, ec=GREY, lw=1.2))


def _stator_side(study: Study) -> float:
    """Radius where what is drawn of the stator ends, away from the magnets [mm]."""
    if study.stator.kind != "ironless":
        return study.stator.surface_diameter_mm / 2
    return winding_radii_mm(study)[0 if study.rotor.outer else 1]


_COLOUR_NAMES = {"main": "orange", "transverse": "blue", "oblique": "green"}


def drawable(title: str) -> str:
    """Return a title and line end, or nothing if the font lacks one of its characters."""
    known = get_font(findfont("DejaVu Sans")).get_charmap()
    return f"{title}\n" if all(ord(letter) in known for letter in title) else ""


def _turned(points: Array, angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(points @ np.array([[c, s], [-s, c]]))


def comparison_picture(comparison: Comparison) -> Figure:
    """Draw torque, mass and torque per mass of the designs as bars; the array's has an outline."""
    torque = figure(comparison.torque)
    labels = [label.replace(", steel", ",\nsteel") for label in comparison.studies]
    place = np.arange(len(labels))[::-1]
    # Hatches follow what is hatched where colours are not told apart.
    with rc_context(STYLE | {"hatch.linewidth": 0.8}):
        drawing = Figure(figsize=(10, 3.5), layout="constrained")
        left, middle, right = drawing.subplots(1, 3, sharey=True)
        _bars(left, place, comparison.results[torque.name].values, typeset(torque.title))
        _bars(
            right, place, comparison.torque_per_mass.values,
            f"{torque.label}\nper rotor mass [{unit_sign(torque.unit)}/kg]",
        )  # fmt: skip
        _mass_bars(middle, place, comparison)
        left.set_yticks(place, labels)
        left.get_yticklabels()[0].set_fontweight("bold")
    return drawing


def _bars(ax: Axes, place: Array, values: Array, title: str) -> None:
    """Draw one figure of every design; the first is the array."""
    edges = [INK] + ["none"] * (len(values) - 1)
    ax.barh(place, values, color=_SLATE, edgecolor=edges, linewidth=1.8)
    for y, value in zip(place, values, strict=True):
        weight = "bold" if y == place[0] else "normal"
        ax.text(value, y, f" {value:.4g}", va="center", weight=weight)
    ax.set_xlim(0, values.max() * 1.28)
    ax.set_xlabel(title)


def _mass_bars(ax: Axes, place: Array, comparison: Comparison) -> None:
    """Draw what the rotors' masses are made of, with the legend to it."""
    start = np.zeros(len(place))
    parts = (
        ("magnet_mass", "magnets", ORANGE, ""), ("ring_mass", "steel ring", GREY, "////"),
        ("carrier_mass", "print", GREEN, ""), ("other_mass", "others", PALE, "...."),
    )  # fmt: skip
    for name, text, colour, hatch in parts:
        mass = comparison.results[name].values * 1e3
        ax.barh(
            place, mass, left=start, color=colour, ec="white", label=text, hatch=hatch,
        )  # fmt: skip
        start = start + mass
    for y, total in zip(place, start, strict=True):
        ax.text(total, y, f" {total:.0f}", va="center")
    ax.set(xlabel="Mass of rotor [g]", xlim=(0, start.max() * 1.15))
    ax.legend(
        loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2, frameon=False, handlelength=1.6,
        borderaxespad=0.2,
    )  # fmt: skip
