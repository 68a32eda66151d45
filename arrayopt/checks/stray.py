"""The field outside: at a point, at a position sensor, and how far from magnets it is weak."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import degrees, pi

import numpy as np
from scipy.optimize import brentq

from arrayopt.checks.buildable import check_buildable
from arrayopt.checks.limits import Check
from arrayopt.errors import ArrayoptError
from arrayopt.field.stray import (
    RotorSheets,
    column_field,
    disc_field,
    rotor_fields,
    rotor_sheets,
)
from arrayopt.layout import Layout, build_layout
from arrayopt.layout.stock import cheapest, piece_angles, stock_rows, with_spares
from arrayopt.quantities import MM, Array
from arrayopt.study import Study

# Static field for people with implants, and for loose things of iron: action levels of
# Directive 2013/35/EU, Annex II, table B4 (from memory).
IMPLANTS, LOOSE_IRON = 0.5e-3, 3e-3  # T
LEVELS = (IMPLANTS, LOOSE_IRON)
_ROUND = 144  # positions of the rotor over a turn, for a sensor
_TURNS = 24  # positions of the rotor over one pole pair
_OVER = 9  # radii over which the field along the shaft is looked at
_NEAREST, _FARTHEST = 0.1e-3, 20.0  # m, where a level is looked for
_SIGMAS = 2.0


@dataclass(frozen=True)
class FieldAt:
    """Largest field at a point while the rotor turns [T].

    Attributes
    ----------
    radius, height : float
        Off the shaft's axis, and along it from the middle of the magnets [m].
    radial, tangential, axial, whole : float

    """

    radius: float
    height: float
    radial: float
    tangential: float
    axial: float
    whole: float


@dataclass(frozen=True)
class Reach:
    """How far from something its field is above a level.

    Attributes
    ----------
    what : str
    distances : tuple of float
        From its surface to where the field falls under each of `LEVELS` [m]; 0 where it is
        under it at the surface.

    """

    what: str
    distances: tuple[float, ...]


@dataclass(frozen=True)
class SensorField:
    """Fields square to the shaft at the position sensor [T], and the angle error they make.

    Attributes
    ----------
    own : float
        Least of the sensor's own disc over a turn.
    array : float
        Largest of the array, all magnets alike.
    spread : float
        Twice the standard deviation of what magnets add that differ within their grade.
    offset : float
        Angle by which the array turns the field all round [rad], which setting zero takes out.
    error : float
        Largest angle by which the array turns it besides, its unlike magnets included [rad].
    own_error : float
        Largest error of the disc by itself, off the axis [rad].

    """

    own: float
    array: float
    spread: float
    offset: float
    error: float
    own_error: float


@dataclass(frozen=True)
class Stray:
    """Stray field of a rotor and of its magnets before they are in it.

    Attributes
    ----------
    reaches : tuple of Reach
        Of loose magnets, of packs of them, and of the rotor.
    points : tuple of FieldAt
        One a point asked for.
    sensor : SensorField or None
        None where the study has no sensor.

    Examples
    --------
    >>> from arrayopt import load_study, stray
    >>> found = stray(load_study("studies/ankle/study.toml"))
    >>> reach = found.reaches[0]
    >>> far, near = (f"{distance * 1e3:.0f} mm" for distance in reach.distances)
    >>> f"{reach.what}: under 0.5 mT from {far}, under 3 mT from {near}"
    'one loose main magnet: under 0.5 mT from 36 mm, under 3 mT from 19 mm'

    On the shaft's axis the fields of all poles cancel.

    >>> f"{found.sensor.array / found.sensor.own:.3f} of the disc's field"
    "0.000 of the disc's field"
    """

    reaches: tuple[Reach, ...]
    points: tuple[FieldAt, ...]
    sensor: SensorField | None


def stray(study: Study, *, points: Sequence[tuple[float, float]] = ()) -> Stray:
    """Compute the field outside a rotor, by itself and, where that adds to it, on its stator.

    Iron between a point and the magnets takes most of the field, a steel ring nearly all of
    it; that is not computed, so there the bare rotor's field is an upper bound.

    Parameters
    ----------
    study : Study
    points : sequence of (float, float)
        Radius off the shaft's axis and height from the middle of the magnets [m].

    Returns
    -------
    Stray
        Distances in metres, fields in tesla, angles in radians.

    Raises
    ------
    StudyError
        If magnets do not fit or the winding is unbalanced.
    ArrayoptError
        If a point lies among the magnets, where the field is no stray field.

    References
    ----------
    Magnets as charged faces (derived), see `arrayopt.field.stray`; levels of Directive
    2013/35/EU, Annex II, table B4 (from memory).

    Examples
    --------
    >>> from arrayopt import load_study, stray
    >>> study = load_study("studies/ankle/study.toml")
    >>> near, far = stray(study, points=[(0.060, 0.0), (0.080, 0.0)]).points
    >>> f"{near.whole * 1e3:.1f} mT"
    '1.8 mT'
    >>> far.whole < near.whole / 10
    True
    """
    check_buildable(study)
    layout = build_layout(study)
    lo, hi, end = layout.inner_radius[0], layout.outer_radius[0], layout.length[0] / 2
    for radius, height in points:
        if radius < 0:
            raise ArrayoptError(f"a point has a radius of at least 0; got {radius / MM:g} mm")
        if lo <= radius <= hi and abs(height) <= end:
            raise ArrayoptError(
                f"the point {radius / MM:g},{height / MM:g} lies among the magnets, radius "
                f"{lo / MM:.4g} to {hi / MM:.4g} and height within {end / MM:g} mm; choose one "
                "outside of them"
            )
    return Stray(
        reaches=(*_loose_reaches(layout), *_rotor_reaches(layout)),
        points=tuple(field_at(layout, radius=r, height=z) for r, z in points),
        sensor=sensor_field(study, layout) if study.sensor else None,
    )


def stray_checks(study: Study, found: Stray) -> list[Check]:
    """Hold the angle error that the array makes at the position sensor against its limit."""
    if found.sensor is None or study.sensor is None:
        return []
    limit = study.sensor.error_limit_deg
    error = degrees(found.sensor.error)
    return [Check("position sensor error", error, limit, "deg", "sensor.error_limit_deg")]


def field_at(layout: Layout, *, radius: float, height: float) -> FieldAt:
    """Return the largest field at a point while the rotor turns."""
    return _largest(rotor_sheets(layout), _pole_pair(layout), radius=radius, height=height)


def _pole_pair(layout: Layout) -> Array:
    """Angles of the rotor over a pole pair [rad], shape (turn,)."""
    return 2 * pi / int(layout.pole_pairs[0]) * np.arange(_TURNS) / _TURNS


def _largest(rotor: RotorSheets, turn: Array, *, radius: float, height: float) -> FieldAt:
    """Return the largest field at a point at some angles of the rotor."""
    c, s = np.cos(turn), np.sin(turn)
    points = np.stack([radius * c, radius * s, np.full(len(turn), height)])
    x, y, z = rotor.fields(points).sum(axis=1)
    field = np.abs(np.stack([c * x + s * y, c * y - s * x, z]))
    whole = np.sqrt((field**2).sum(axis=0))
    return FieldAt(radius, height, *(float(v.max()) for v in (*field, whole)))


def sensor_field(study: Study, layout: Layout) -> SensorField:
    """Compare the field of the sensor's own disc with the array's while the rotor turns.

    Disc and array turn together, so on the axis the array only turns the field by an angle that
    stays. Off it the array's field comes and goes with its poles.
    """
    sensor = study.sensor
    assert sensor is not None
    radius, height = sensor.radius_mm * MM, sensor.height_mm * MM
    thickness = sensor.magnet_thickness_mm * MM
    # Where the sensor is, seen from the rotor, over a turn of it.
    turn = 2 * pi * np.arange(_ROUND) / _ROUND
    x, y, still = radius * np.cos(turn), -radius * np.sin(turn), np.full(_ROUND, height)
    above = np.full(_ROUND, thickness / 2 + sensor.distance_mm * MM)
    own = disc_field(
        diameter=sensor.magnet_diameter_mm * MM,
        thickness=thickness,
        polarisation=study.magnet_grade(sensor.magnet_grade).remanence,
        points=np.array([x, y, above]),
    )
    each = rotor_fields(layout, np.array([x, y, still]))
    disc, magnets = own[0] + 1j * own[1], each[0] + 1j * each[1]
    array = magnets.sum(axis=0)
    turned = np.angle((disc + array) / disc)
    offset = float(np.angle(np.exp(1j * turned).mean()))
    swing = np.abs(np.angle(np.exp(1j * (turned - offset))))
    # Small angles: what each magnet's own deviation turns, less its mean over the turn.
    sigma = _remanence_spread(layout)
    tilt = (magnets / disc).imag
    random = sigma * np.sqrt(((tilt - tilt.mean(axis=1, keepdims=True)) ** 2).sum(axis=0))
    # The disc's own field should turn with it, seen from the rotor not at all.
    bent = np.angle(disc / disc.mean())
    return SensorField(
        own=float(np.abs(disc).min()),
        array=float(np.abs(array).max()),
        spread=float(_SIGMAS * sigma * np.sqrt((np.abs(magnets) ** 2).sum(axis=0)).max()),
        offset=round(offset, 9) + 0.0,
        error=round(float(min((swing + _SIGMAS * random).max(), pi)), 9),
        own_error=round(float(np.abs(bent - bent.mean()).max()), 9),
    )


def _remanence_spread(layout: Layout) -> float:
    """Return the standard deviation of the remanence, even over its grade's range, over itself."""
    spreads = [
        (grade.remanence_max - grade.remanence_min) / np.sqrt(12) / grade.remanence
        for grade in (grades[0] for grades in layout.grades)
    ]
    return float(max(spreads))


def _rotor_reaches(layout: Layout) -> list[Reach]:
    """Reach of the rotor by itself: outwards, and along the shaft over the magnets."""
    end = float(layout.length[0]) / 2
    outside = float(layout.outer_radius[0])
    # Few pole pairs reach farthest over the shaft or beyond the rim.
    over = outside * np.linspace(0.0, 1.2, _OVER)

    # Looked at from many places, so the magnets are made once.
    rotor, turn = rotor_sheets(layout), _pole_pair(layout)

    def outwards(distance: float) -> float:
        return _largest(rotor, turn, radius=outside + distance, height=0.0).whole

    def along(distance: float) -> float:
        return max(_largest(rotor, turn, radius=r, height=end + distance).whole for r in over)

    found = [
        Reach("rotor, outwards", _distances(outwards)),
        Reach("rotor, along the shaft", _distances(along)),
    ]
    iron = layout.studies[0].stator.kind != "ironless"
    if layout.outer and iron and not layout.ring_thickness[0]:
        on_stator = rotor_sheets(layout, on_stator=True)

        def mirrored(distance: float) -> float:
            return _largest(on_stator, turn, radius=outside + distance, height=0.0).whole

        found.append(Reach("rotor on its stator, outwards", _distances(mirrored)))
    return found


def _loose_reaches(layout: Layout) -> list[Reach]:
    """Reach of one loose magnet of each family, and of a pack of them in a column."""
    study = layout.studies[0]
    rows = study.rotor.skew_steps
    found = []
    for family, shape, grades in zip(layout.families, layout.shapes, layout.grades, strict=True):
        kind = getattr(study.rotor, family.table).shape
        number = len(family.places) * study.rotor.pole_pairs * rows
        listed = [r for a, _ in piece_angles(family, shape=kind)
                  for r in stock_rows(study, family.table, a)]  # fmt: skip
        ordered = with_spares(study, number)
        pack = cheapest(listed, ordered).pieces_per_pack if listed else ordered
        # The edge along the polarisation, or nearest to it, is stacked; arcs as blocks.
        thick, wide = float(shape.thickness[0]), float(shape.width[0])
        if family.piece_angle > pi / 4:
            thick, wide = wide, thick
        length = float(layout.length[0]) / rows
        for count in (1, pack):
            field = _column(length, wide, thick * count, grades[0].remanence)
            what = f"one loose {family.name} magnet"
            if count > 1:
                what = f"{family.name} magnets, a pack of {count} in a column"
                if not listed:
                    what = f"{family.name} magnets as ordered, {count} in a column"
            found.append(Reach(what, _distances(field)))
    return found


def _column(length: float, width: float, height: float, J: float) -> Callable[[float], float]:
    def field(distance: float) -> float:
        at = np.array([distance])
        return float(
            column_field(side=length, width=width, height=height, polarisation=J, distance=at)[0]
        )

    return field


def _distances(field: Callable[[float], float]) -> tuple[float, ...]:
    """Distances at which a field, falling with distance, passes the levels."""
    found = []
    for level in LEVELS:
        if field(_NEAREST) <= level:
            found.append(0.0)
            continue
        log = brentq(
            lambda t, level=level: np.log(max(field(np.exp(t)), 1e-30) / level),
            np.log(_NEAREST), np.log(_FARTHEST), xtol=1e-4,
        )  # fmt: skip
        found.append(float(np.exp(log)))
    return tuple(found)
