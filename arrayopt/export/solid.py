"""The printed carrier as a STEP solid, by OpenCASCADE where it is installed."""

from __future__ import annotations

from importlib import import_module
from math import cos, pi, sin
from pathlib import Path
from typing import Any

import shapely

from arrayopt.errors import ArrayoptError
from arrayopt.export.files import write_file
from arrayopt.layout import build_layout
from arrayopt.layout.carrier import CarrierSection, PocketPart, carrier_sections, pocket_parts
from arrayopt.study import Study


def solids_available() -> bool:
    """Tell whether the library that makes solids is installed."""
    try:
        import_module("netgen.occ")
    except ImportError:
        return False
    return True


def write_step(path: str | Path, study: Study) -> Path:
    """Write the printed carrier, floor down, z along the shaft, magnet 1 at +y [mm].

    Raises
    ------
    ArrayoptError
        Where the extra ``fe`` is not installed.

    """
    solid = carrier_solid(study)
    return write_file(path, lambda file: solid.WriteStep(str(file)))


def carrier_solid(study: Study) -> Any:
    """Return the printed carrier as a shape of OpenCASCADE; see `write_step`."""
    try:
        occ = import_module("netgen.occ")
    except ImportError:
        raise ArrayoptError(
            "a STEP solid needs the extra fe, which is not installed; "
            "pip install 'arrayopt[fe]' brings it"
        ) from None
    names = [family.name for family in build_layout(study).families]
    parts = dict(zip(names, pocket_parts(study), strict=True))
    sections = carrier_sections(study)
    height = sections[0].height
    solid = None
    if sections[0].floor:
        solid = _tube(occ, sections[0], low=-sections[0].floor, high=0.0)
    for section in sections:
        low = (section.row - 1) * height
        tools = [
            _pocket(occ, parts[pocket.member.family], pocket.member.angle, low=low, height=height)
            for pocket in section.pockets
        ]
        row = _tube(occ, section, low=low, high=low + height) - occ.Compound(tools)
        solid = row if solid is None else solid + row
    return solid


def _tube(occ: Any, section: CarrierSection, *, low: float, high: float) -> Any:
    base = occ.Pnt(0, 0, low)
    outer = occ.Cylinder(base, occ.Z, r=section.outer_radius, h=high - low)
    if not section.inner_radius:
        return outer
    return outer - occ.Cylinder(base, occ.Z, r=section.inner_radius, h=high - low)


def _pocket(
    occ: Any, parts: tuple[PocketPart, ...], angle: float, *, low: float, height: float
) -> Any:
    """Fuse the parts of one pocket, turned to its place."""
    c, s = cos(angle + pi / 2), sin(angle + pi / 2)

    def point(x: float, y: float) -> Any:
        return occ.Pnt(c * x - s * y, s * x + c * y, low)

    whole = None
    for part in parts:
        if part.disc is not None:
            x, y, radius = part.disc
            solid = occ.Cylinder(point(x, y), occ.Z, r=radius, h=height)
        else:
            corners = shapely.get_coordinates(part.outline)[:-1]
            solid = occ.Face(_wire(occ, [point(*xy) for xy in corners])).Extrude(height * occ.Z)
        whole = solid if whole is None else whole + solid
    return whole


def _wire(occ: Any, points: list[Any]) -> Any:
    """Outline of a block, or of a ring segment by true arcs."""
    half = len(points) // 2
    if half == 2:
        ends = [*points[1:], points[0]]
        return occ.Wire([occ.Segment(a, b) for a, b in zip(points, ends, strict=True)])
    outer, inner = points[:half], points[half:]
    arcs = [occ.ArcOfCircle(side[0], side[half // 2], side[-1]) for side in (outer, inner)]
    return occ.Wire(
        [arcs[0], occ.Segment(outer[-1], inner[0]), arcs[1], occ.Segment(inner[-1], outer[0])]
    )
