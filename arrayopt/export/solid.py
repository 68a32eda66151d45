"""The printed carrier as a STEP solid, by OpenCASCADE where it is installed."""

from __future__ import annotations

import re
from errno import ENOSPC
from importlib import import_module
from math import degrees
from pathlib import Path
from typing import Any

import shapely

from arrayopt.confirmation.extra import INSTALL
from arrayopt.errors import ArrayoptError
from arrayopt.export.files import write_file
from arrayopt.layout import build_layout
from arrayopt.layout.carrier import CarrierSection, PocketPart, carrier_sections, pocket_parts
from arrayopt.study import Study

_NOTCH = 0.5  # mm
_END = b"END-ISO-10303-21;"  # ISO 10303-21, 2016, clause 5.3 (from memory)
NO_SOLID = f"carrier.step was left out: what makes solids is not installed; {INSTALL} brings it"

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


def write_step(path: str | Path, study: Study, *, row: int = 1) -> Path:
    """Write the print of one row of magnets, z along the shaft, magnet 1 at +y [mm].

    The lowest row stands on the floor, which has a notch at magnet 1.

    Raises
    ------
    ArrayoptError
        Where ngsolve, the extra ``fe``, is not installed.

    """
    solid = carrier_solid(study, row=row)

    def fill(file: Path) -> None:
        solid.WriteStep(str(file))
        text = file.read_bytes()
        # OpenCASCADE says nothing where the disk is full; a whole file has its last line.
        if not text.rstrip().endswith(_END):
            raise OSError(ENOSPC, "the solid was cut short, as where the disk is full")
        for pattern, plain in _CHANGING:
            text = pattern.sub(plain, text)
        file.write_bytes(text)

    return write_file(path, fill)


def carrier_solid(study: Study, *, row: int = 1) -> Any:
    """Return the print of one row of magnets as a shape of OpenCASCADE; see `write_step`."""
    try:
        occ = import_module("netgen.occ")
    except ImportError:
        raise ArrayoptError(
            f"a STEP solid needs ngsolve, which is not installed; {INSTALL} brings it"
        ) from None
    names = [family.name for family in build_layout(study).families]
    section = carrier_sections(study)[row - 1]
    kinds = [_pocket(occ, parts, height=section.height) for parts in pocket_parts(study)]
    axis = occ.Axis(occ.Pnt(0, 0, 0), occ.Z)
    tools = [
        kinds[names.index(pocket.member.family)].Rotate(axis, degrees(pocket.member.angle) + 90)
        for pocket in section.pockets
    ]
    radii = section.inner_radius, section.outer_radius
    solid = _tube(occ, radii, low=0.0, high=section.height) - occ.Compound(tools)
    return solid + _floor(occ, section) if section.floor else solid


def _floor(occ: Any, section: CarrierSection) -> Any:
    """Plate under the row, with a notch at magnet 1 in its edge away from the gap."""
    plate = _tube(occ, section.floor_radii, low=-section.floor, high=0.0)
    edge = section.floor_radii[1 if section.outer else 0]
    at = occ.Pnt(0, edge, -section.floor)
    return plate - occ.Cylinder(at, occ.Z, r=_NOTCH, h=section.floor) if edge else plate


def _tube(occ: Any, radii: tuple[float, float], *, low: float, high: float) -> Any:
    base = occ.Pnt(0, 0, low)
    inner, outer = radii
    whole = occ.Cylinder(base, occ.Z, r=outer, h=high - low)
    return whole - occ.Cylinder(base, occ.Z, r=inner, h=high - low) if inner else whole


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
