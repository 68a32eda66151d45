"""Do the magnets fit: printed walls at the tightest place, overlaps, room at the shaft."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from arrayopt.layout.build import Layout, build_layout
from arrayopt.layout.shapes import LEAST_RADIUS, pocket_polygons
from arrayopt.materials import magnet_grades
from arrayopt.quantities import MM, Array
from arrayopt.study.additions import Materials
from arrayopt.study.models import Study

_HALF_TURN = np.pi * (1 + 1e-9)


@dataclass(frozen=True)
class Walls:
    """Printed walls between pockets that could come near each other.

    Attributes
    ----------
    pairs : tuple of Pair
    thickness : ndarray, shape (pair, design)
        Least distance between the two pockets [m]; where they overlap, minus the
        overlapping area divided by the magnet depth.

    """

    pairs: tuple[Pair, ...]
    thickness: Array


class Pair(NamedTuple):
    """Two families by index, and how many places apart their members sit."""

    first: int
    second: int
    places: int


def printed_walls(layout: Layout) -> Walls:
    """Measure the wall between every kind of pockets in reach of each other, exactly."""
    pockets = [pocket_polygons(shape, clearance=layout.clearance) for shape in layout.shapes]
    pairs = pairs_in_reach(layout)
    return Walls(pairs, np.array([_wall(layout, pockets, pair) for pair in pairs]))


def _wall(layout: Layout, pockets: Sequence[NDArray[np.object_]], pair: Pair) -> Array:
    """Measure the wall of one kind of pockets, shape (design,); pockets by family."""
    a, b, places = pair
    pitch = _pitch(layout)
    turned = _turned(pockets[b], places * pitch)
    apart = shapely.distance(pockets[a], turned)
    depth = np.maximum(layout.shapes[a].thickness, layout.shapes[b].thickness)
    shared, touching = np.zeros(len(layout)), apart == 0
    overlap = shapely.intersection(pockets[a][touching], turned[touching])
    shared[touching] = shapely.area(overlap)
    wall = np.where(shared > 0, -shared / depth, apart)
    # Past half a turn a pair has been met from the other side, or is one magnet.
    return np.where(places * pitch <= _HALF_TURN, wall, np.inf)


def pairs_in_reach(layout: Layout) -> tuple[Pair, ...]:
    """Return neighbours, and those beyond that could meet past a small magnet between them."""
    M = layout.magnets_per_pole_pair
    half = [shape.half_angle(clearance=layout.clearance) for shape in layout.shapes]
    met = (
        (layout.family_at(k), layout.family_at(k + places), places)
        for places in range(1, M + 1)
        for k in range(M)
    )
    pairs = {Pair(min(a, b), max(a, b), places) for a, b, places in met}
    return tuple(sorted(pair for pair in pairs if _in_reach(layout, half, pair)))


def _in_reach(layout: Layout, half: Sequence[Array], pair: Pair) -> bool:
    """Tell whether pockets of these half angles could be nearer than the wall asked for."""
    wall = layout.column(lambda s: s.rotor.wall_mm) * MM
    nearest = np.min([np.maximum(shape.lo, LEAST_RADIUS) for shape in layout.shapes], axis=0)
    apart, reach = pair.places * _pitch(layout), half[pair.first] + half[pair.second]
    met = (apart < reach + wall / nearest) & (apart <= _HALF_TURN)
    return pair.places == 1 or bool(np.any(met))


def _pitch(layout: Layout) -> Array:
    """Angle between neighbouring magnets [rad]."""
    return np.asarray(2 * np.pi / (layout.pole_pairs * layout.magnets_per_pole_pair))


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
    """Return a line for every place where the magnets of a study do not fit; any grades."""
    study = _of_one_grade(study)
    layout = build_layout(study)
    faults = []
    room = missing_room(layout)[0] / MM
    if room >= 0:
        return [
            f"rotor: magnets, clearance and steel ring reach {room:.2f} mm beyond the shaft "
            "centre; use thinner or narrower magnets or a thinner ring"
        ]
    walls, wanted = printed_walls(layout), study.rotor.wall_mm
    names = [family.name for family in layout.families]
    for pair, wall in zip(walls.pairs, walls.thickness[:, 0] / MM, strict=True):
        if wall < wanted - 1e-6:
            a, b = names[pair.first], names[pair.second]
            what = f"{a} magnets" if a == b else f"{a} and {b} magnets"
            apart = np.degrees(pair.places * _pitch(layout)[0])
            now = "their pockets overlap"
            if wall >= 0:
                now = f"the wall is {wall:.2f} mm, {wanted - wall:.2f} mm short,"
            faults.append(
                f"rotor: {what} stand {apart:.3g} deg apart and {now} at the tightest place; "
                f"narrow them by {_missing(study, pair):.2f} mm each to leave "
                f"rotor.wall_mm = {wanted:g}: {_what_fits(study, pair)}"
            )
    return faults


def _of_one_grade(study: Study) -> Study:
    """Return the study with one known grade: an unknown one must not hide that it misfits."""
    rotor = study.rotor
    plain = {
        name: magnet.model_copy(update={"grade": None})
        for name in ("main", "transverse", "oblique")
        if (magnet := getattr(rotor, name)) is not None
    }
    rotor = rotor.model_copy(update={**plain, "grade": magnet_grades()[0]})
    own = Materials()  # may be faulty too
    return study.model_copy(update={"rotor": rotor, "materials": own})


def _turned(polygons: NDArray[np.object_], angle: Array) -> NDArray[np.object_]:
    """Rotate each polygon about the shaft by its own angle."""
    points, index = shapely.get_coordinates(polygons, return_index=True)
    c, s = np.cos(angle)[index], np.sin(angle)[index]
    x, y = points.T
    return np.asarray(
        shapely.set_coordinates(polygons.copy(), np.stack([c * x - s * y, s * x + c * y], axis=1))
    )


def _fits(study: Study, pair: Pair) -> bool:
    layout = build_layout(study)
    half = [shape.half_angle(clearance=layout.clearance) for shape in layout.shapes]
    if not _in_reach(layout, half, pair):
        return True
    pockets = [pocket_polygons(shape, clearance=layout.clearance) for shape in layout.shapes]
    wall = _wall(layout, pockets, pair)[0]
    return bool(wall >= (study.rotor.wall_mm - 1e-6) * MM)


def _tables(study: Study, pair: Pair) -> list[str]:
    """Tables that the two families take their sizes from, each once."""
    families = build_layout(study).families
    return list(dict.fromkeys(families[i].table for i in (pair.first, pair.second)))


def _size_key(study: Study, table: str) -> str:
    return "width_mm" if getattr(study.rotor, table).shape == "block" else "span_deg"


def _fits_narrowed(study: Study, tables: list[str], pair: Pair, factor: float) -> bool:
    """Tell whether a pair fits when widths or spans of some tables are scaled."""
    changed = {}
    for table in tables:
        magnet, key = getattr(study.rotor, table), _size_key(study, table)
        changed[table] = magnet.model_copy(update={key: getattr(magnet, key) * factor})
    rotor = study.rotor.model_copy(update=changed)
    return _fits(study.model_copy(update={"rotor": rotor}), pair)


def _largest(fits: Callable[[float], bool]) -> float:
    """Largest factor in 0..1 that fits, by bisection; 0 where none does."""
    if not fits(1e-3):
        return 0.0
    low, high = 1e-3, 1.0
    for _ in range(20):  # a thousandth of the 0.01 mm that is told, for the widest magnets too
        middle = (low + high) / 2
        low, high = (middle, high) if fits(middle) else (low, middle)
    return low


def _missing(study: Study, pair: Pair) -> float:
    """Wall that is missing [mm]: by how much each of the pair must be narrowed, on average."""
    factor = _largest(partial(_fits_narrowed, study, _tables(study, pair), pair))
    shapes = build_layout(study).shapes
    widths = shapes[pair.first].width[0] + shapes[pair.second].width[0]
    return float((1 - factor) * widths / 2 / MM)


def _what_fits(study: Study, pair: Pair) -> str:
    """Name a width of one family at which the pair fits, or say that fewer poles are needed."""
    offers = []
    for table in _tables(study, pair):
        key = _size_key(study, table)
        factor = _largest(partial(_fits_narrowed, study, [table], pair))
        # Round down so that the offer itself fits.
        value = np.floor(getattr(getattr(study.rotor, table), key) * factor * 100) / 100
        if value >= 0.3:
            offers.append(f"rotor.{table}.{key} = {value:g}")
    if not offers:
        return "use fewer pole pairs or fewer magnets per pole pair"
    return " or ".join(offers) + " would fit"
