"""What pictures of a cross-section show round the magnets: the print and the coil sides, in mm.

Up is where a picture has its middle; angles grow anticlockwise from there.
"""

from __future__ import annotations

from math import cos, pi, sin
from typing import Any

import numpy as np
import shapely
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from shapely import affinity

from arrayopt.layout import build_layout
from arrayopt.layout.carrier import carrier_sections
from arrayopt.layout.members import first_place
from arrayopt.study import Study
from arrayopt.study.coils import sides_abreast, winding_radii_mm

_QUARTER = 90  # chords of a quarter circle
COPPER: dict[str, Any] = {"fc": "#F3DCCB", "ec": "#8C4A1C", "lw": 0.5, "hatch": "/////"}


def print_within(study: Study, *, place: float, half: float) -> shapely.Geometry:
    """Return the print round the magnets, without floor, within an angle to either side of up.

    Parameters
    ----------
    study : Study
    place : float
        Of the ring, as the layout counts, that is up; between two magnets it has a fraction.
    half : float
        Angle to either side [rad]; half a turn or more is the whole ring.

    """
    section = carrier_sections(study)[0]
    layout = build_layout(study)
    turn = 2 * pi * (first_place(layout) - place) / len(section.pockets)
    whole = affinity.rotate(section.printed, turn, origin=(0, 0), use_radians=True)
    return shapely.intersection(whole, _wedge(half, 1.1 * section.outer_radius))


def coil_sides(study: Study, *, half: float) -> list[shapely.Polygon]:
    """Return the coil sides of a winding without slots within an angle to either side of up.

    A border between two coil sectors is up: where a rotor stands is no more than an example.

    Parameters
    ----------
    study : Study
        With slots it has none.
    half : float
        Angle to either side [rad].

    """
    stator = study.stator
    if stator.kind == "slotted" or stator.coil_side_mm is None:
        return []
    inner, outer = winding_radii_mm(study)
    band = shapely.intersection(_disc(outer).difference(_disc(inner)), _wedge(half, 1.1 * outer))
    abreast, width = sides_abreast(study), stator.coil_side_mm
    found = []
    for k in range(-(stator.slots // 2), (stator.slots + 1) // 2):
        for n in range(abreast):
            left = (n - abreast / 2) * width
            bar = shapely.box(left, 0, left + width, 1.1 * outer)
            bar = affinity.rotate(bar, 2 * pi * k / stator.slots, origin=(0, 0), use_radians=True)
            found.append(shapely.intersection(bar, band))
    return [side for side in found if side.area]


def area_patch(area: shapely.Geometry, **style: Any) -> PathPatch:
    """Return an area with its holes as a patch to be drawn."""
    rings = [
        line
        for part in shapely.get_parts(shapely.orient_polygons(area))
        if part.area  # cutting leaves lines where edges touch
        for line in (part.exterior, *part.interiors)
    ]
    paths = [Path(shapely.get_coordinates(line), closed=True) for line in rings]
    return PathPatch(Path.make_compound_path(*paths), **style)


def _wedge(half: float, reach: float) -> shapely.Polygon:
    if half >= pi:
        return _disc(reach)
    turns = np.linspace(-half, half, 4 * _QUARTER)
    return shapely.Polygon([(0, 0), *((-reach * sin(t), reach * cos(t)) for t in turns)])


def _disc(radius: float) -> shapely.Polygon:
    return shapely.Point(0, 0).buffer(radius, quad_segs=_QUARTER)
