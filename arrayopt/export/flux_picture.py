"""Picture of the flux over two poles: density in colour, lines of flux, magnets with arrows."""

from __future__ import annotations

import numpy as np
import shapely
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from arrayopt.export.pictures import INK, STYLE
from arrayopt.field import AirgapField, solve_field
from arrayopt.field.plane import field_in_plane
from arrayopt.layout import Layout, build_layout
from arrayopt.layout.shapes import Array
from arrayopt.study import Study

_RADII, _QUARTER = 56, 20  # points along the radius, and along half a pole
_LINES = 15


def flux_picture(study: Study) -> Figure:
    """Draw the flux density in mid-length over one pole pair, and its lines."""
    layout = build_layout(study)
    field = solve_field(layout, orders=np.arange(1, 16))
    p, mm = int(layout.pole_pairs[0]), 1e3
    near, far = _bounds(study)
    radii = np.linspace(near, far, _RADII)
    # As far as the outer halves of the main magnets at either end.
    half = 1.1 * float(layout.shapes[0].half_angle(clearance=layout.clearance)[0])
    step = np.pi / (2 * p * _QUARTER)
    places = np.arange(-(reach := int(np.ceil((np.pi / p + half) / step))), reach + 1)
    angles = places * step
    B = _field(layout, field, radii, places, step)
    size = np.hypot(*B)
    turn = angles + np.pi / 2
    x, y = np.outer(radii, np.cos(turn)) * mm, np.outer(radii, np.sin(turn)) * mm
    with rc_context(STYLE):
        drawing = Figure(figsize=(9, 4.2), layout="constrained")
        ax = drawing.subplots()
        most = float(np.percentile(size, 99.5))
        colours = ax.pcolormesh(
            x, y, size, cmap="cividis", shading="gouraud", vmin=0, vmax=most, rasterized=True
        )
        alike = layout.magnets_per_pole_pair % 2 == 0
        flux = _flux(B, radii, angles, pole=np.pi / p if alike else None)
        ax.contour(x, y, flux, levels=_LINES, colors="white", linewidths=0.7, linestyles="solid")
        _magnets(ax, study)
        ax.set(aspect="equal")
        ax.axis("off")
        bar = drawing.colorbar(colours, ax=ax, shrink=0.8)
        bar.set_label("Flux density in mid-length [T]")
        edge = "inner" if layout.outer else "outer"
        iron = "stator surface" if study.stator.kind != "ironless" else "surface of the winding"
        ax.set_title(f"Two poles; {edge} edge: {iron}", fontsize=9)
    return drawing


def _bounds(study: Study) -> tuple[float, float]:
    """Radii from the stator's surface to the steel ring or well behind the magnets [m]."""
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
    low, high = sorted((surface, back))
    return low + hair, high - hair


def _field(layout: Layout, field: AirgapField, radii: Array, places: Array, step: float) -> Array:
    """Flux density at whole steps of an angle, of which only the first half pole is computed.

    The array is even about a main magnet's axis and, where both poles are alike, the other pole
    is the mirror image with opposite sign.
    """
    alike = layout.magnets_per_pole_pair % 2 == 0
    pole = 2 * _QUARTER
    first = np.arange((_QUARTER if alike else pole) + 1)
    known = field_in_plane(layout, field, radii=radii, angles=first * step)
    turned = np.where(places < 0, -1, 1)
    own = np.abs(places)
    turned, own = np.where(own > pole, -turned, turned), np.where(own > pole, 2 * pole - own, own)
    other = alike & (own > _QUARTER)
    own = np.where(other, pole - own, own)
    radial, tangential = known[:, :, own]
    return np.array([np.where(other, -radial, radial), turned * tangential])


def _flux(B: Array, radii: Array, angles: Array, *, pole: float | None) -> Array:
    """Flux per length from the main magnet's axis, along which no flux crosses, to each point.

    Where both poles are alike the other one has the mirror image of this one's flux, which
    keeps small errors at magnets' edges from adding up along the circle.
    """
    along = np.diff(angles) * radii[:, None] * (B[0][:, 1:] + B[0][:, :-1]) / 2
    flux = np.hstack([np.zeros((len(radii), 1)), along.cumsum(axis=1)])
    flux -= flux[:, [len(angles) // 2]]
    if pole is None:
        return np.asarray(flux)
    own = np.where(np.abs(angles) > pole / 2, np.sign(angles) * pole - angles, angles)
    return np.array([np.interp(own, angles, row) for row in flux])


def _magnets(ax: Axes, study: Study) -> None:
    layout = build_layout(study)
    M, p = layout.magnets_per_pole_pair, int(layout.pole_pairs[0])
    for family, shape in zip(layout.families, layout.shapes, strict=True):
        section = shapely.get_coordinates(shape.polygons[0]) * 1e3
        middle = float(shape.lo[0] + shape.hi[0]) / 2 * 1e3
        reach = 0.7 * min(float(shape.thickness[0]), float(shape.width[0])) * 1e3
        for k, direction in zip(family.places, family.directions, strict=True):
            for place in (k - M, k):
                a = 2 * np.pi * place / (p * M)
                if abs(a) > np.pi / p + 1e-9:
                    continue
                a += np.pi / 2
                c, s = np.cos(a), np.sin(a)
                turned = section @ np.array([[c, s], [-s, c]])
                ax.add_patch(Polygon(turned, fill=False, ec=INK, lw=0.9))
                x, y = middle * c, middle * s
                u, v = reach * np.cos(a + direction), reach * np.sin(a + direction)
                ax.annotate(
                    "", (x + u / 2, y + v / 2), (x - u / 2, y - v / 2),
                    arrowprops={"arrowstyle": "-|>", "color": "white", "lw": 1.4},
                )  # fmt: skip
