"""The printed carrier as a STEP solid, by OpenCASCADE where it is installed."""

from __future__ import annotations

import re
from importlib import import_module
from math import degrees
from pathlib import Path
from typing import Any

import shapely

from arrayopt.errors import ArrayoptError
from arrayopt.export.files import write_file
from arrayopt.layout import build_layout
from arrayopt.layout.carrier import CarrierSection, PocketPart, carrier_sections, pocket_parts
from arrayopt.study import Study

NO_SOLID = "carrier.step was left out: pip install ngsolve brings what makes solids"

# What changes from one writing to the next: the time, and a count of solids in the part's name.
_CHANGING = (
    (re.compile(rb"'\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d'"), b"'1970-01-01T00:00:00'"),
    (re.compile(rb"'Open CASCADE STEP translator [\d. ]+'"), b"'carrier'"),
)


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
        Where ngsolve, the extra ``fe``, is not installed.

    """
    solid = carrier_solid(study)

    def fill(file: Path) -> None:
        solid.WriteStep(str(file))
        text = file.read_bytes()
        for pattern, plain in _CHANGING:
            text = pattern.sub(plain, text)
        file.write_bytes(text)

    return write_file(path, fill)


def carrier_solid(study: Study) -> Any:
    """Return the printed carrier as a shape of OpenCASCADE; see `write_step`."""
    try:
        occ = import_module("netgen.occ")
    except ImportError:
        raise ArrayoptError(
            "a STEP solid needs ngsolve (the extra fe), which is not installed; "
            "pip install ngsolve brings it"
        ) from None
    names = [family.name for family in build_layout(study).families]
    sections = carrier_sections(study)
    height = sections[0].height
    kinds = [_pocket(occ, parts, height=height) for parts in pocket_parts(study)]
    axis = occ.Axis(occ.Pnt(0, 0, 0), occ.Z)
    solid = None
    if sections[0].floor:
        solid = _tube(occ, sections[0], low=-sections[0].floor, high=0.0)
    for section in sections:
        low = (section.row - 1) * height
        tools = [
            kinds[names.index(pocket.member.family)]
            .Rotate(axis, degrees(pocket.member.angle) + 90)
            .Move(occ.Vec(0, 0, low))
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


def _pocket(occ: Any, parts: tuple[PocketPart, ...], *, height: float) -> Any:
    """Fuse the parts of one pocket at angle zero."""
    whole = None
    for part in parts:
        if part.disc is not None:
            x, y, radius = part.disc
            solid = occ.Cylinder(occ.Pnt(x, y, 0), occ.Z, r=radius, h=height)
        else:
            corners = shapely.get_coordinates(part.outline)[:-1]
            points = [occ.Pnt(float(x), float(y), 0) for x, y in corners]
            solid = occ.Face(_wire(occ, points)).Extrude(height * occ.Z)
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
