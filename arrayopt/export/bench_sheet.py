"""The bench sheet: what a motor should read, with blanks, and files to fill in, as text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isnan, sqrt
from textwrap import fill
from typing import Any

import xarray as xr

from arrayopt.checks.hazards import SPINNING
from arrayopt.checks.inspection import READ_ABOVE, Reading
from arrayopt.evaluation import evaluate
from arrayopt.export.cut_list import CutList, Piece, cut_list
from arrayopt.export.files import csv_text
from arrayopt.export.reading_tables import reading_rows
from arrayopt.export.results import shown
from arrayopt.export.text_tables import bullets, number, table_text
from arrayopt.layout import build_layout
from arrayopt.layout.members import rotor_members
from arrayopt.measurement.bags import pocket_kinds
from arrayopt.measurement.expected import (
    DRILL_RPM,
    METER_HZ,
    Expected,
    bench_speed,
    expected_emf,
    expected_readings,
    expected_scan,
    line_frequency,
    round_step_deg,
)
from arrayopt.quantities import MM, Array
from arrayopt.scatter.run import tolerance
from arrayopt.scatter.sources import active_sources, without_mistakes
from arrayopt.study import Study

MEASURING = (
    "Turn the rotor behind a guard that stops its pieces, out of its plane, eye protection on; "
    "begin slowly and by hand.",
    "A motor that turns is a generator: no bare leads, no fingers on them, the meter and its "
    "range connected before it turns; stop before you touch anything.",
    "Windings under current get hot enough to burn skin and enamel: watch the temperature all "
    "the time, keep off the winding's limit, end at the first smell.",
    "Bare rotors and loose magnets pinch, jump and pull tools: one at a time, nothing of steel "
    "near; people with implanted medical devices keep away.",
    "Direct current turns the rotor by itself and it stops with a jerk: clamp the lever before "
    "you switch on, hands off.",
    SPINNING[-1],
)
_HEAT_MINUTES = (0, 1, 2, 3, 5, 7, 10, 15, 20, 25, 30, 40, 50, 60, 75, 90, 105, 120)
_SLOT_POINTS = 8  # of a slot pitch, at least, where torque is read
_COGGING_STEPS_DEG = (5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.1)


@dataclass(frozen=True)
class BenchSheet:
    """Everything that a bench sheet says.

    Attributes
    ----------
    study : Study
    speed_rpm : float
        Of the shaft for the back-EMF.
    radius : float
        Of the scan [m].
    readings : tuple of Expected
    scan, emf : tuple of ndarray
        Angles [deg] with flux densities [T], and with line voltages [V].
    order : CutList
        Loose magnets to measure, spares included.
    current : float
        Continuous phase current, rms [A]; NaN without heat data.

    """

    study: Study
    speed_rpm: float
    radius: float
    readings: tuple[Expected, ...]
    scan: tuple[Array, Array]
    emf: tuple[Array, Array]
    order: CutList
    current: float


def bench_sheet(
    study: Study, *, speed_rpm: float | None = None, radius: float | None = None
) -> BenchSheet:
    """Compute the bench sheet of a study.

    Parameters
    ----------
    study : Study
    speed_rpm : float, optional
        Of the shaft for the back-EMF; left out, `bench_speed`.
    radius : float, optional
        Of the scan [m]; left out, that of the stator's surface.

    Raises
    ------
    StudyError
        If the motor cannot be built, or the scan would run inside the magnets.

    """
    results = evaluate(study)
    right = without_mistakes(study)
    scatter = tolerance(right) if active_sources(right) else None
    return sheet_of(study, results, scatter, speed_rpm=speed_rpm, radius=radius)


def sheet_of(
    study: Study,
    results: xr.Dataset,
    scatter: xr.Dataset | None,
    *,
    speed_rpm: float | None = None,
    radius: float | None = None,
) -> BenchSheet:
    """Compute the bench sheet of a study that is evaluated, and its scatter if it has one."""
    speed = bench_speed(study) if speed_rpm is None else speed_rpm
    at = study.stator.surface_diameter_mm * MM / 2 if radius is None else radius
    return BenchSheet(
        study=study,
        speed_rpm=speed,
        radius=at,
        readings=expected_readings(study, results, speed_rpm=speed, scatter=scatter),
        scan=expected_scan(study, radius=at, height=0.0),
        emf=expected_emf(study, speed_rpm=speed),
        order=cut_list(study),
        current=float(results["continuous_current"][0]),
    )


def bench_sheet_text(sheet: BenchSheet) -> str:
    """Return the sheet to print: readings with blanks, files, notes, cautions."""
    rows, header = reading_rows(sheet.readings, blank="________")
    rows = [[*row[:-1], fill(str(row[-1]), 36)] for row in rows]
    return "\n\n".join(
        [
            f"{sheet.study.title}\nBench sheet: what the motor should read, computed before it is "
            "built\n\nMotor ____________   Date ____________   By ____________",
            table_text(rows, header),
            bullets("Files to fill in (`arrayopt as-built` reads them)", _files(sheet)),
            bullets("Notes", bench_notes(sheet)),
            bullets("Cautions", list(MEASURING)),
        ]
    )


def bench_notes(sheet: BenchSheet) -> list[str]:
    """Return what to know while measuring."""
    hertz = line_frequency(sheet.study, speed_rpm=sheet.speed_rpm)
    notes = [
        "Bands are those of magnets and print that differ as the study's tolerances say, of "
        "copper and of estimates; meters add their own.",
        "Count the temperature: flux and back-EMF of warm magnets are lower, copper's resistance "
        "grows by 0.39 % a kelvin.",
    ]
    if hertz > METER_HZ:
        notes.append(
            f"At {sheet.speed_rpm:g} rpm the back-EMF has {number(hertz)} Hz: many plain "
            f"multimeters read AC right only up to a few hundred; turn slower, at "
            f"{bench_speed(sheet.study):g} rpm, or use an oscilloscope."
        )
    if sheet.speed_rpm < DRILL_RPM[0]:
        notes.append(
            f"A hand drill does {DRILL_RPM[0]:g} to {DRILL_RPM[1]:g} rpm: for "
            f"{sheet.speed_rpm:g} rpm take a geared one, or a drill and an oscilloscope."
        )
    return notes


def _files(sheet: BenchSheet) -> list[str]:
    scan, emf = sheet.scan[0], sheet.emf[0]
    minutes = _HEAT_MINUTES[-1]
    told = [
        "bench-sheet.csv: this table; write what you found",
        f"scan.csv: radial flux density round the rotor by itself, {sheet.radius * 1e3:g} mm off "
        f"the axis, mid-length, every {scan[1]:g} deg from the axis of magnet 1 anticlockwise, "
        "seen from the open side; magnet 1 has the label 1 of the polarity map",
        f"emf.csv: voltage of line A to B, every {emf[1]:g} deg of the shaft; or time_s from an "
        "oscilloscope in place of the angle",
        f"loose.csv: reading {READ_ABOVE * 1e3:g} mm above the middle of the pole face of each "
        "loose magnet, size without sign",
        f"heat-run.csv: temperature of the winding for up to {minutes} minutes from switching on "
        "a steady current, rotor at rest; or line_resistance_mohm in place of winding_c, the "
        "first row cold",
    ]
    if sheet.study.stator.kind == "slotted":
        told.insert(3, "cogging.csv: torque while the shaft is turned slowly without current")
    if not isnan(sheet.current):
        delta = sheet.study.winding.connection == "delta"
        amps = sheet.current * (sqrt(3) if delta else 1)
        told[-1] += (
            f"; the study's continuous current is {number(amps)} A rms a lead, at standstill "
            "begin with half of it"
        )
    return told


def bench_sheet_json(sheet: BenchSheet) -> dict[str, Any]:
    """Return readings, curves, notes and cautions."""
    return {
        "title": sheet.study.title,
        "speed_rpm": shown(sheet.speed_rpm),
        "readings": [
            {
                "key": one.key,
                "reading": one.label,
                "expected": shown(one.value),
                "low": shown(one.low),
                "high": shown(one.high),
                "unit": one.unit,
                "how": one.how,
            }
            for one in sheet.readings
        ],
        "scan": {
            "radius_mm": shown(sheet.radius, 1e3),
            "height_mm": 0.0,
            "start": "magnet 1",
            "direction": "anticlockwise",
            "angle_deg": [shown(a) for a in sheet.scan[0]],
            "flux_density_mt": [shown(B, 1e3) for B in sheet.scan[1]],
        },
        "back_emf": {
            "angle_deg": [shown(a) for a in sheet.emf[0]],
            "line_ab_v": [shown(v) for v in sheet.emf[1]],
        },
        "notes": bench_notes(sheet),
        "cautions": list(MEASURING),
    }


def sheet_csv(sheet: BenchSheet) -> str:
    """Return the readings with an empty column for what is found."""
    rows = [
        [
            one.key,
            one.label,
            *(_cell(value) for value in (one.value, one.low, one.high)),
            one.unit,
            "",
            one.how,
        ]
        for one in sheet.readings
    ]
    return csv_text(["key", "reading", "expected", "low", "high", "unit", "found", "how"], rows)


def scan_csv(sheet: BenchSheet) -> str:
    """Return angles and expected flux densities of a scan, with an empty column."""
    comments = (
        "Positive out of the shaft; rows without a reading are left out.",
        f"radius_mm = {sheet.radius * 1e3:.6g}",
        "height_mm = 0",
        "start = magnet 1",
        "direction = anticlockwise",
    )
    rows = [[f"{a:g}", _cell(B * 1e3), ""] for a, B in zip(*sheet.scan, strict=True)]
    return _commented(comments, ["angle_deg", "expected_flux_density_mt", "flux_density_mt"], rows)


def emf_csv(sheet: BenchSheet) -> str:
    """Return angles and expected line voltages, with an empty column."""
    comments = (
        "Put the speed that it was; times in a column time_s do as well as angles.",
        f"speed_rpm = {sheet.speed_rpm:.6g}",
    )
    rows = [[f"{a:g}", _cell(v), ""] for a, v in zip(*sheet.emf, strict=True)]
    return _commented(comments, ["angle_deg", "expected_line_ab_v", "line_ab_v"], rows)


def cogging_csv(sheet: BenchSheet) -> str:
    """Return angles of a whole turn, with an empty column for torque."""
    pitch = 360 / sheet.study.stator.slots
    fine = [step for step in _COGGING_STEPS_DEG if pitch / step >= _SLOT_POINTS]
    step = fine[0] if fine else round_step_deg(sheet.study)
    rows = [[f"{i * step:g}", ""] for i in range(round(360 / step))]
    comments = ("Rows without a reading are left out; two slots tell most.",)
    return _commented(comments, ["angle_deg", "torque_mnm"], rows)


def loose_csv(sheet: BenchSheet) -> str:
    """Return a row for every magnet to order, spares included, with an empty column."""
    comments = ["Sizes without sign, on the face that is told here:"]
    rows: list[list[str]] = []
    numbers: dict[str, int] = {}
    for piece in sheet.order.pieces:
        face, letter = _pole_face(piece), piece.used_as[0].upper()
        first = numbers.get(letter, 0) + 1
        numbers[letter] = first + piece.ordered - 1
        comments.append(
            f"  {letter}{first} to {letter}{numbers[letter]}, {face.face} ({piece.size})"
        )
        rows += [
            [f"{letter}{i}", _bag_name(sheet, piece), _cell(abs(face.expected) * 1e3), ""]
            for i in range(first, numbers[letter] + 1)
        ]
    comments.append(f"distance_mm = {READ_ABOVE * 1e3:g}")
    return _commented(comments, ["magnet", "family", "expected_mt", "reading_mt"], rows)


def _bag_name(sheet: BenchSheet, piece: Piece) -> str:
    """Name of a piece's bag as readings of loose magnets give it; empty where there is one."""
    layout = build_layout(sheet.study)
    names = [kind.name for kind in pocket_kinds(layout, rotor_members(sheet.study))]
    if len(sheet.order.pieces) == 1:
        return ""
    name = piece.used_as.split(" and ")[0]
    side = "in" if piece.angle_deg > 90 else "out"
    return name if name in names else f"{name} {side}"


def heat_csv(_: BenchSheet) -> str:
    """Return times of a heat run, with an empty column for the winding's temperature."""
    comments = (
        "Write the current of a phase (in delta that of a lead over 1.732) and of the room.",
        "current_a_rms =",
        "ambient_c =",
    )
    rows = [[str(minute), ""] for minute in _HEAT_MINUTES]
    return _commented(comments, ["time_min", "winding_c"], rows)


def templates(sheet: BenchSheet) -> dict[str, Callable[[BenchSheet], str]]:
    """Return the files to fill in by name."""
    files = {
        "bench-sheet.csv": sheet_csv,
        "scan.csv": scan_csv,
        "emf.csv": emf_csv,
        "cogging.csv": cogging_csv,
        "loose.csv": loose_csv,
        "heat-run.csv": heat_csv,
    }
    if sheet.study.stator.kind != "slotted":
        del files["cogging.csv"]  # it needs slots
    return files


def _pole_face(piece: Piece) -> Reading:
    """Face of a loose piece that most of its flux leaves by."""
    return max(piece.readings, key=lambda reading: abs(reading.expected))


def _commented(
    comments: Sequence[str], header: Sequence[str], rows: Sequence[Sequence[str]]
) -> str:
    return "".join(f"# {line}\n" for line in comments) + csv_text(header, rows)


def _cell(value: float) -> str:
    return "" if isnan(value) else f"{value + 0.0:.6g}"
