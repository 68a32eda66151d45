"""Do the magnets fit: printed walls at the tightest place, overlaps, room at the shaft."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import shapely
from numpy.typing import NDArray

from arrayopt.layout.build import MM, Layout, build_layout
from arrayopt.layout.shapes import Array
from arrayopt.study.models import Study


@dataclass(frozen=True)
class Walls:
    """Printed walls between neighbouring pockets.

    Attributes
    ----------
    pairs : tuple of (str, str)
        Names of the neighbouring families.
    thickness : ndarray, shape (pair, design)
        Least distance between the two pockets [m]; where they overlap, minus the
        overlapping area divided by the magnet depth.
    angle : ndarray, shape (design,)
        Angle between neighbouring magnets [rad].

    """

    pairs: tuple[tuple[str, str], ...]
    thickness: Array
    angle: Array


def printed_walls(layout: Layout) -> Walls:
    """Measure the wall between every kind of neighbouring pockets with exact polygons."""
    pitch = 2 * np.pi / (layout.pole_pairs * layout.magnets_per_pole_pair)
    pockets = [shape.pockets(clearance=layout.clearance) for shape in layout.shapes]
    pairs, walls = [], []
    for a, b in neighbours(layout):
        turned = _turned(pockets[b], pitch)
        apart = shapely.distance(pockets[a], turned)
        depth = np.maximum(layout.shapes[a].thickness, layout.shapes[b].thickness)
        shared = shapely.area(shapely.intersection(pockets[a], turned))
        walls.append(np.where(shared > 0, -shared / depth, apart))
        pairs.append((layout.families[a].name, layout.families[b].name))
    return Walls(tuple(pairs), np.array(walls), pitch)


def neighbours(layout: Layout) -> list[tuple[int, int]]:
    """Return the pairs of family indices that sit side by side, each kind once."""
    owner = {k: i for i, family in enumerate(layout.families) for k in family.places}
    M = layout.magnets_per_pole_pair
    pairs = {tuple(sorted((owner[k], owner[(k + 1) % M]))) for k in range(M)}
    return [(a, b) for a, b in sorted(pairs)]


def missing_wall(layout: Layout) -> Array:
    """How much wall is missing at the tightest place, shape (design,) [m]; <= 0 is enough."""
    wanted = layout.column(lambda s: s.rotor.wall_mm) * MM
    return np.asarray(wanted - printed_walls(layout).thickness.min(axis=0))


def missing_room(layout: Layout) -> Array:
    """How far magnets or ring reach beyond the shaft centre, shape (design,) [m]; < 0 is free."""
    nearest = np.min([shape.lo for shape in layout.shapes], axis=0)
    if layout.outer:
        return np.asarray(-nearest)
    return np.asarray(np.maximum(-nearest, layout.ring_thickness - layout.ring_radius))


def fit_faults(study: Study) -> list[str]:
    """Return a line for every place where the magnets of a study do not fit."""
    layout = build_layout(study)
    faults = []
    room = missing_room(layout)[0] / MM
    if room >= 0:
        return [
            f"rotor: magnets, clearance and steel ring reach {room:.2f} mm beyond the shaft "
            "centre; use thinner or narrower magnets or a thinner ring"
        ]
    walls, wanted = printed_walls(layout), study.rotor.wall_mm
    for (a, b), wall in zip(walls.pairs, walls.thickness[:, 0] / MM, strict=True):
        if wall < wanted - 1e-6:
            what = f"{a} magnets" if a == b else f"{a} and {b} magnets"
            now = "their pockets overlap" if wall < 0 else f"the wall is {max(wall, 0):.2f} mm"
            faults.append(
                f"rotor: {what} stand {np.degrees(walls.angle[0]):.3g} deg apart and {now} at the "
                f"tightest place, {_missing(study, a, b):.2f} mm short of rotor.wall_mm = "
                f"{wanted:g}; {_what_fits(study, a, b)}"
            )
    return faults


def _turned(polygons: NDArray[np.object_], angle: Array) -> NDArray[np.object_]:
    """Rotate each polygon about the shaft by its own angle."""
    points, index = shapely.get_coordinates(polygons, return_index=True)
    c, s = np.cos(angle)[index], np.sin(angle)[index]
    x, y = points.T
    return np.asarray(
        shapely.set_coordinates(polygons.copy(), np.stack([c * x - s * y, s * x + c * y], axis=1))
    )


def _fits(study: Study, a: str, b: str) -> bool:
    walls = printed_walls(build_layout(study))
    return bool(walls.thickness[walls.pairs.index((a, b)), 0] >= (study.rotor.wall_mm - 1e-6) * MM)


def _fits_narrowed(study: Study, name: str, pair: tuple[str, str], factor: float) -> bool:
    return _fits(_narrowed(study, name, factor), *pair)


def _narrowed(study: Study, name: str, factor: float) -> Study:
    """Scale the width or span of one table of magnets."""
    table = name.split(maxsplit=1)[0]
    magnet = getattr(study.rotor, table)
    key = "width_mm" if magnet.shape == "block" else "span_deg"
    smaller = magnet.model_copy(update={key: getattr(magnet, key) * factor})
    return study.model_copy(
        update={"rotor": study.rotor.model_copy(update={table: smaller})}, deep=False
    )


def _largest(fits: Callable[[float], bool]) -> float:
    """Largest factor in 0..1 that fits, by bisection; 0 where none does."""
    if not fits(1e-3):
        return 0.0
    low, high = 1e-3, 1.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _missing(study: Study, a: str, b: str) -> float:
    """Wall that is missing [mm]: by how much the pair must be narrowed in total."""
    factor = _largest(lambda f: _fits(_narrowed(_narrowed(study, a, f), b, f), a, b))
    layout = build_layout(study)
    widths = {f.name: s.width[0] for f, s in zip(layout.families, layout.shapes, strict=True)}
    return float((1 - factor) * (widths[a] + widths[b]) / 2 / MM)


def _what_fits(study: Study, a: str, b: str) -> str:
    """Name a width of one family at which the pair fits, or say that fewer poles are needed."""
    offers = []
    for name in dict.fromkeys((a, b)):
        magnet = getattr(study.rotor, name.split(maxsplit=1)[0])
        key = "width_mm" if magnet.shape == "block" else "span_deg"
        factor = _largest(partial(_fits_narrowed, study, name, (a, b)))
        # Round down so that the offer itself fits.
        value = np.floor(getattr(magnet, key) * factor * 100) / 100
        if value >= 0.3:
            offers.append(f"rotor.{name.split(maxsplit=1)[0]}.{key} = {value:g}")
    if not offers:
        return "use fewer pole pairs or fewer magnets per pole pair"
    return " or ".join(offers) + " would fit"
