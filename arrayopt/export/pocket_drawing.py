"""Pockets of the printed carrier as DXF and SVG, in mm, layers named by what they hold.

Curves are true arcs, so that a drawing program can offset and constrain them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from io import StringIO
from math import cos, pi, sin
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree

import numpy as np
import shapely
from ezdxf import options, units
from ezdxf.document import Drawing
from ezdxf.enums import TextEntityAlignment

from arrayopt.export.files import write_text
from arrayopt.export.outlines import Vertex, svg_path, with_arcs
from arrayopt.layout.carrier import CarrierSection, Pocket, carrier_sections
from arrayopt.layout.members import position
from arrayopt.quantities import MM, Array
from arrayopt.study import Study

# Colour index of DXF, and a colour like it for SVG.
_LAYERS = {
    "CARRIER": (7, "#222222"), "POCKETS": (5, "#0072B2"), "MAGNETS": (30, "#E69F00"),
    "STEEL_RING": (8, "#8C8C8C"), "FLOOR": (9, "#8C8C8C"), "CENTRE": (7, "#222222"),
    "START_MARK": (1, "#D55E00"), "NUMBERS": (7, "#222222"), "POLARITY": (6, "#A0307A"),
    "HEIGHTS": (7, "#222222"),
}  # fmt: skip
_CROSS = 3.0  # mm
# Of a magnet's depth: number and arrow beside each other, the arrow towards the gap.
_ASIDE, _DIGITS, _ARROW = 0.22, 0.4, 0.4
_HEAD, _HEAD_WIDTH = 0.45, 0.4  # of an arrow's length


class _Circle(NamedTuple):
    layer: str
    radius: float


class _Line(NamedTuple):
    layer: str
    start: tuple[float, float]
    end: tuple[float, float]


class _Outline(NamedTuple):
    layer: str
    vertices: list[Vertex]


class _Text(NamedTuple):
    layer: str
    at: tuple[float, float]
    size: float
    words: str


_Entity = _Circle | _Line | _Outline | _Text


def pocket_dxf(study: Study, *, row: int = 1) -> str:
    """Return the drawing of one row of magnets as DXF (R2010, mm)."""
    with _same_bytes():
        document = Drawing.new("R2010")
        document.units = units.MM
        for name, (colour, _) in _LAYERS.items():
            document.layers.add(name, color=colour)
        space = document.modelspace()
        for entity in _entities(carrier_sections(study)[row - 1]):
            layer = {"layer": entity.layer}
            match entity:
                case _Circle():
                    space.add_circle((0, 0), entity.radius, dxfattribs=layer)
                case _Line():
                    space.add_line(entity.start, entity.end, dxfattribs=layer)
                case _Outline():
                    space.add_lwpolyline(
                        entity.vertices, format="xyb", close=True, dxfattribs=layer
                    )
                case _Text():
                    space.add_text(
                        entity.words, height=entity.size, dxfattribs=layer
                    ).set_placement(entity.at, align=TextEntityAlignment.MIDDLE_CENTER)
        out = StringIO()
        document.write(out)
    return out.getvalue()


@contextmanager
def _same_bytes() -> Iterator[None]:
    """Keep time and random identifiers out of a DXF, so that a study gives the same bytes."""
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


def pocket_svg(study: Study, *, row: int = 1) -> str:
    """Return the drawing of one row of magnets as SVG, one user unit a mm, a group a layer."""
    section = carrier_sections(study)[row - 1]
    reach = section.outermost + 4
    size = f"{2 * reach:.3f}mm"
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "width": size,
            "height": size,
            "viewBox": f"{-reach:.3f} {-reach:.3f} {2 * reach:.3f} {2 * reach:.3f}",
        },
    )
    groups = {
        name: ElementTree.SubElement(
            root, "g", {"id": name, "fill": "none", "stroke": colour, "stroke-width": "0.1"}
        )
        for name, (_, colour) in _LAYERS.items()
    }
    for entity in _entities(section):
        _svg(groups[entity.layer], entity)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def _svg(group: ElementTree.Element, entity: _Entity) -> None:
    """Add an entity; SVG's y runs down."""
    match entity:
        case _Circle():
            ElementTree.SubElement(group, "circle", {"r": f"{entity.radius:.4f}"})
        case _Line():
            (x1, y1), (x2, y2) = entity.start, entity.end
            ends = {"x1": x1, "y1": -y1, "x2": x2, "y2": -y2}
            ElementTree.SubElement(group, "line", {k: f"{v:.4f}" for k, v in ends.items()})
        case _Outline():
            ElementTree.SubElement(group, "path", {"d": svg_path(entity.vertices)})
        case _Text():
            x, y = entity.at
            text = ElementTree.SubElement(
                group, "text",
                {"x": f"{x:.3f}", "y": f"{-y + entity.size / 3:.3f}", "stroke": "none",
                 "fill": "#222222", "font-size": f"{entity.size:.2f}", "text-anchor": "middle",
                 "font-family": "sans-serif"},
            )  # fmt: skip
            text.text = entity.words


def _entities(section: CarrierSection) -> Iterator[_Entity]:
    for part in shapely.get_parts(section.printed):
        for line in (part.exterior, *part.interiors):
            yield _Outline("CARRIER", with_arcs(_points(line), section.rounds))
    if section.floor:
        for radius in section.floor_radii:
            if radius:
                yield _Circle("FLOOR", radius)
    for radius in section.steel_ring or ():
        yield _Circle("STEEL_RING", radius)
    edges = section.rounds[: 2 if section.inner_radius else 1]
    most = min(1.4, 0.35 * 2 * pi * section.outer_radius / len(section.pockets))
    for pocket in section.pockets:
        for part in shapely.get_parts(pocket.outline):
            yield _Outline("POCKETS", with_arcs(_points(part.exterior), (*edges, *pocket.rounds)))
        yield _Outline("MAGNETS", with_arcs(_points(pocket.magnet.exterior), pocket.rounds))
        yield from _named(pocket, most, outer=section.outer)
    floor = f"floor {section.floor:g} mm, " if section.floor else "no floor, "
    yield _Text("HEIGHTS", (0, -2 * _CROSS), 2.0, f"{floor}pockets {section.height:g} mm deep")
    yield _Text("POLARITY", (0, -3 * _CROSS), 2.0, "arrows point to north")
    yield _Line("CENTRE", (-_CROSS, 0), (_CROSS, 0))
    yield _Line("CENTRE", (0, -_CROSS), (0, _CROSS))
    yield _Outline("START_MARK", with_arcs(_points(section.start_mark.exterior), ()))


def _named(pocket: Pocket, most: float, *, outer: bool) -> Iterator[_Entity]:
    """Yield a magnet's number, and beside it towards the gap an arrow from south to north."""
    member = pocket.member
    middle = np.array(position(member)) / MM
    out = middle / np.hypot(*middle)
    along = shapely.get_coordinates(pocket.magnet) @ np.column_stack([out, (-out[1], out[0])])
    deep, wide = np.ptp(along, axis=0)
    aside = out * (_ASIDE * deep * (1 if outer else -1))
    size = min(most, _DIGITS * float(deep))
    yield _Text("NUMBERS", _pair(middle + aside), size, str(member.number))
    turn = member.polarisation + pi / 2
    way = np.array([cos(turn), sin(turn)]) * min(_ARROW * deep, 0.8 * wide)
    side = np.array([-way[1], way[0]]) * _HEAD_WIDTH / 2
    tail, tip = middle - aside - way / 2, middle - aside + way / 2
    neck = tip - _HEAD * way
    yield _Line("POLARITY", _pair(tail), _pair(neck))
    corners = (_pair(at) for at in (tip, neck + side, neck - side))
    yield _Outline("POLARITY", [(x, y, 0.0) for x, y in corners])


def _pair(point: Array) -> tuple[float, float]:
    return float(point[0]), float(point[1])


def _points(line: shapely.LinearRing) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in list(line.coords)[:-1]]


def write_pocket_drawings(out: Path, study: Study) -> list[Path]:
    """Write DXF and SVG of every row of magnets."""
    rows = study.rotor.skew_steps
    paths = []
    for row in range(1, rows + 1):
        name = "pockets" if rows == 1 else f"pockets-row-{row}"
        paths.append(write_text(out / f"{name}.dxf", pocket_dxf(study, row=row)))
        paths.append(write_text(out / f"{name}.svg", pocket_svg(study, row=row)))
    return paths
