"""Stray field as text and JSON."""

from __future__ import annotations

from math import degrees
from typing import Any

from arrayopt.checks.hazards import KEEPING_OFF
from arrayopt.checks.stray import LEVELS, Stray, stray_checks
from arrayopt.export.evaluation_tables import checks_text
from arrayopt.export.results import checks_json, shown
from arrayopt.export.text_tables import bullets, table_text
from arrayopt.study import Study

NOTE = (
    "0.5 mT is the level for people with implanted devices, 3 mT that for loose things of iron\n"
    "(Directive 2013/35/EU, from memory). A steel ring, and the stator of an inner rotor, keep\n"
    "most of the field in; that is not counted here."
)


def stray_text(study: Study, found: Stray) -> str:
    """Return distances, points, the sensor's fields and cautions."""
    parts = [
        f"{study.title}\nStray field of the rotor by itself and of its magnets, at 20 C",
        "Distance from the surface at which the field falls under\n"
        + table_text(*reach_rows(found)),
    ]
    if found.points:
        parts.append(
            "Largest field at points while the rotor turns\n" + table_text(*_points(found))
        )
    if found.sensor is not None:
        parts += [
            "At the position sensor, square to the shaft\n" + table_text(*sensor_rows(found)),
            checks_text(stray_checks(study, found)),
        ]
    parts += [
        NOTE,
        bullets("Cautions", list(KEEPING_OFF)),
    ]
    return "\n\n".join(parts)


def reach_rows(found: Stray) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the distances."""
    rows: list[list[object]] = [
        [reach.what, *(f"{d * 1e3:.0f}" for d in reach.distances)] for reach in found.reaches
    ]
    return rows, ["From", *(f"{level * 1e3:g} mT\n[mm]" for level in LEVELS)]


def _points(found: Stray) -> tuple[list[list[object]], list[str]]:
    rows: list[list[object]] = [
        [
            *(f"{length * 1e3:g}" for length in (at.radius, at.height)),
            *(_millitesla(B) for B in (at.radial, at.tangential, at.axial, at.whole)),
        ]
        for at in found.points
    ]
    return rows, [
        "Off the axis\n[mm]", "Along it\n[mm]", "Radial\n[mT]", "Tangential\n[mT]", "Axial\n[mT]",
        "Whole\n[mT]",
    ]  # fmt: skip


def sensor_rows(found: Stray) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the fields at the position sensor."""
    sensor = found.sensor
    assert sensor is not None
    rows: list[list[object]] = [
        ["field of its own disc, least", _millitesla(sensor.own), "mT"],
        ["field of the array, all magnets alike", _millitesla(sensor.array), "mT"],
        ["of magnets that differ within their grade", _millitesla(sensor.spread), "mT"],
        ["angle that setting zero takes out", f"{degrees(sensor.offset):.3f}", "deg"],
        ["error that the array makes besides", f"{degrees(sensor.error):.3f}", "deg"],
        ["error of the disc by itself, off the axis", f"{degrees(sensor.own_error):.3f}", "deg"],
    ]
    return rows, ["At the sensor", "Value", "Unit"]


def _millitesla(value: float) -> str:
    return f"{value * 1e3:.3f}" if value >= 1e-6 else "0"


def stray_json(study: Study, found: Stray) -> dict[str, Any]:
    """Return distances, points, the sensor's fields, checks and cautions."""
    sensor = found.sensor
    return {
        "title": study.title,
        "distances": [
            {
                "from": reach.what,
                **{
                    f"under_{level * 1e3:g}_mt_mm".replace(".", "_"): shown(d, 1e3)
                    for level, d in zip(LEVELS, reach.distances, strict=True)
                },
            }
            for reach in found.reaches
        ],
        "points": [
            {
                "radius_mm": shown(at.radius, 1e3),
                "height_mm": shown(at.height, 1e3),
                "radial_mt": shown(at.radial, 1e3),
                "tangential_mt": shown(at.tangential, 1e3),
                "axial_mt": shown(at.axial, 1e3),
                "whole_mt": shown(at.whole, 1e3),
            }
            for at in found.points
        ],
        "sensor": None
        if sensor is None
        else {
            "own_mt": shown(sensor.own, 1e3),
            "array_mt": shown(sensor.array, 1e3),
            "spread_mt": shown(sensor.spread, 1e3),
            "offset_deg": shown(degrees(sensor.offset)),
            "error_deg": shown(degrees(sensor.error)),
            "own_error_deg": shown(degrees(sensor.own_error)),
        },
        "checks": checks_json(stray_checks(study, found)),
        "cautions": list(KEEPING_OFF),
    }
