"""Picture of the flux over two poles: density in colour, lines of flux, magnets with arrows."""

from __future__ import annotations

import numpy as np
import shapely
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.patheffects import AbstractPathEffect, withStroke

from arrayopt.export.cross_section import area_patch, coil_sides
from arrayopt.export.pictures import INK, STYLE
from arrayopt.field import ORDERS, AirgapField, solve_field
from arrayopt.field.plane import field_in_plane
from arrayopt.layout import Layout, build_layout
from arrayopt.layout.pockets import carrier_ring
from arrayopt.layout.shapes import Arcs, Shapes
from arrayopt.quantities import MM, Array
from arrayopt.study import Study
from arrayopt.study.coils import winding_radii_mm

# Points along the radius, and steps of half a pole: a prime, so that none meets a magnet's side.
_RADII, _QUARTER = 90, 47
_LINES = 8  # to either side of a main magnet's axis
# White lines and arrows keep a dark rim where the colours behind them are light.
_RIM: list[AbstractPathEffect] = [withStroke(linewidth=2.6, foreground=INK)]


def flux_picture(study: Study) -> Figure:
    """Draw the flux density in mid-length over one pole pair, and its lines."""
    layout = build_layout(study)
    field = solve_field(layout, orders=ORDERS)
    p = int(layout.pole_pairs[0])
    near, far = _bounds(study)
    radii = np.linspace(near, far, _RADII)
    step = np.pi / (2 * p * _QUARTER)
    first = -round(_ahead(layout) / step)
    places = first + np.arange(4 * _QUARTER + 1)  # one pole pair, no more and no less
    middle = (first + 2 * _QUARTER) * step
    known = _computed(layout, field, radii, step)
    B = _field(layout, known, places)
    flux = _flux(layout, field, known[0], radii=radii, places=places, step=step)
    turn = places * step - middle + np.pi / 2
    x, y = np.outer(radii, np.cos(turn)) / MM, np.outer(radii, np.sin(turn)) / MM
    size = np.hypot(*B)
    with rc_context(STYLE):
        drawing = Figure(figsize=(9, 4.2), layout="constrained")
        ax = drawing.subplots()
        most = float(np.percentile(size, 99.5))
        colours = ax.pcolormesh(
            x, y, size, cmap="cividis", shading="gouraud", vmin=0, vmax=most, rasterized=True
        )
        # Half a step off the axes of main magnets, which lines would hide.
        levels = np.abs(flux).max() / _LINES * (np.arange(2 * _LINES) + 0.5 - _LINES)
        ax.contour(x, y, flux, levels=levels, colors="white", linewidths=0.7, linestyles="solid")
        beside = _beside(ax, study, half=np.pi / p)
        _magnets(ax, layout, middle=middle, ends=places[[0, -1]] * step)
        ax.set(aspect="equal")
        ax.axis("off")
        bar = drawing.colorbar(colours, ax=ax, shrink=0.8)
        bar.set_label("Flux density in mid-length [T]")
        ax.set_title("; ".join(["Two poles", _edge(study), *beside]), fontsize=9)
    return drawing


def _edge(study: Study) -> str:
    """Say what the edge of the picture is on the stator's side."""
    edge = "inner" if study.rotor.outer else "outer"
    iron = "stator surface" if study.stator.kind != "ironless" else "far side of the winding"
    return f"{edge} edge: {iron}"


def _ahead(layout: Layout) -> float:
    """Angle from a main magnet's axis back to the middle of the wall before that magnet [rad]."""
    M = layout.magnets_per_pole_pair
    pitch = 2 * np.pi / (M * int(layout.pole_pairs[0]))
    own, other = (
        float(layout.shapes[layout.family_at(k)].half_angle(clearance=np.zeros(1))[0])
        for k in (0, -1)
    )
    return (own + pitch - other) / 2


def _bounds(study: Study) -> tuple[float, float]:
    """Radii from the stator to the steel ring or well behind the magnets [m].

    Iron begins at the stator's surface; a winding without iron lies behind it.
    """
    layout = build_layout(study)
    surface = float(layout.surface_radius[0])
    depth = float(layout.outer_radius[0] - layout.inner_radius[0])
    if layout.ring_thickness[0]:
        back = float(layout.ring_radius[0])
    elif layout.outer:
        back = float(layout.outer_radius[0]) + depth
    else:
        back = max(float(layout.inner_radius[0]) - depth, 0.05 * surface)
    # A hair off the iron, where the field has no limit at the corners of images.
    hair = 1e-4 * surface
    if study.stator.kind == "ironless":
        surface = winding_radii_mm(study)[0 if layout.outer else 1] * MM
    low, high = sorted((surface, back))
    return low + hair, high - hair


def _computed(layout: Layout, field: AirgapField, radii: Array, step: float) -> Array:
    """Flux density from a main magnet's axis to the end of half a pole, or of a whole one."""
    count = (1 if _alike(layout) else 2) * _QUARTER + 1
    return field_in_plane(layout, field, radii=radii, angles=np.arange(count) * step)


def _alike(layout: Layout) -> bool:
    """Whether a pole is the mirror image of the next with opposite sign."""
    return layout.magnets_per_pole_pair % 2 == 0


def _folded(layout: Layout, places: Array) -> tuple[Array, Array, Array]:
    """Return the computed step for each step up to two poles off, and how it is turned round.

    With it whether it lies in the other pole, and the sign of what is odd about the axis.
    """
    pole = 2 * _QUARTER
    turned, own = np.where(places < 0, -1, 1), np.abs(places)
    turned, own = np.where(own > pole, -turned, turned), np.where(own > pole, 2 * pole - own, own)
    other = _alike(layout) & (own > _QUARTER)
    return np.where(other, pole - own, own), other, turned


def _field(layout: Layout, known: Array, places: Array) -> Array:
    """Flux density at whole steps of an angle from what is computed."""
    own, other, turned = _folded(layout, places)
    radial, tangential = known[:, :, own]
    return np.array([np.where(other, -radial, radial), turned * tangential])


def _flux(
    layout: Layout, field: AirgapField, radial: Array, *, radii: Array, places: Array, step: float
) -> Array:
    """Flux per length from a main magnet's axis, along which no flux crosses, to each point.

    The polarisation jumps at the magnets' sides and is integrated exactly; what else there is
    of the flux density goes on there, and is summed along the circles.
    """
    angles = np.arange(radial.shape[1]) * step
    through, polarisation = _through_magnets(layout, field, radii[:, None], angles)
    rest = (radial - polarisation) * radii[:, None] * step
    flux = through
    flux[:, 1:] += ((rest[:, 1:] + rest[:, :-1]) / 2).cumsum(axis=1)
    if not _alike(layout):
        # None crosses a circle from this axis to that of the other pole either.
        flux -= flux[:, -1:] * np.linspace(0, 1, len(angles))
    own, _, turned = _folded(layout, places)
    return np.asarray(turned * flux[:, own])


def _through_magnets(
    layout: Layout, field: AirgapField, r: Array, angles: Array
) -> tuple[Array, Array]:
    """Polarisation along the radius integrated along circles from angle 0, and itself [T m, T]."""
    M = layout.magnets_per_pole_pair
    whole, here = np.zeros((2, len(r), len(angles)))
    for place in range(-1, M // 2 + 2):
        i, b = layout.family_at(place), layout.direction_at(place)
        J = float(field.polarisation[i, 0])
        middle = 2 * np.pi * place / (M * int(layout.pole_pairs[0]))
        off, half = angles - middle, _between_sides(layout.shapes[i], r)
        here += np.where(np.abs(off) < half, J * np.cos(b - off), 0)
        to, start = (r * J * np.sin(b - np.clip(at, -half, half)) for at in (off, -middle))
        whole += start - to
    return whole, here


def _between_sides(shape: Shapes, r: Array) -> Array:
    """Angle to either side of a magnet's axis at which circles cross its sides, else 0 [rad].

    Where a circle crosses a flat face the flux density goes on, so that the polarisation counts
    as going on or as not being there.
    """
    if isinstance(shape, Arcs):
        near, far, half = shape.lo, shape.hi, np.broadcast_to(shape.span / 2, r.shape)
    else:
        w = shape.width / 2
        near, far, half = np.hypot(shape.lo, w), np.hypot(shape.hi, w), np.arcsin(w / r.clip(w))
    return np.where((r > near) & (r < far), half, 0.0)


def _beside(ax: Axes, study: Study, *, half: float) -> list[str]:
    """Draw coil sides and skin, and return words for them."""
    words = []
    coils = coil_sides(study, half=half)
    for side in coils:
        ax.add_patch(area_patch(side, fill=False, ec=INK, lw=0.6, hatch="////"))
    if coils:
        words.append("hatched: coil sides")
    if study.carrier.skin_mm:
        edge = float(carrier_ring(build_layout(study)).gap_side[0]) / MM
        turn = np.pi / 2 + np.linspace(-half, half, 181)
        ax.plot(edge * np.cos(turn), edge * np.sin(turn), color="white", lw=1.6)
        ax.plot(edge * np.cos(turn), edge * np.sin(turn), "--", color=INK, lw=1.2)
        words.append("dashed: edge of the printed skin")
    return words


def _magnets(ax: Axes, layout: Layout, *, middle: float, ends: Array) -> None:
    """Draw the magnets that lie between two angles, and their polarisation."""
    M, p = layout.magnets_per_pole_pair, int(layout.pole_pairs[0])
    for family, shape in zip(layout.families, layout.shapes, strict=True):
        section = shapely.get_coordinates(shape.polygons[0]) / MM
        radius = float(shape.lo[0] + shape.hi[0]) / 2 / MM
        reach = 0.7 * min(float(shape.thickness[0]), float(shape.width[0])) / MM
        for k, direction in zip(family.places, family.directions, strict=True):
            for a in (2 * np.pi * place / (p * M) for place in (k - M, k, k + M)):
                if not ends[0] < a < ends[1]:
                    continue
                turn = a - middle + np.pi / 2
                c, s = np.cos(turn), np.sin(turn)
                turned = section @ np.array([[c, s], [-s, c]])
                ax.add_patch(Polygon(turned, fill=False, ec=INK, lw=0.9))
                x, y = radius * c, radius * s
                u, v = reach * np.cos(turn + direction), reach * np.sin(turn + direction)
                ax.annotate(
                    "", (x + u / 2, y + v / 2), (x - u / 2, y - v / 2),
                    arrowprops={"arrowstyle": "-|>", "color": "white", "lw": 1.4,
                                "path_effects": _RIM},
                )  # fmt: skip
