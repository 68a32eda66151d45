"""The files of a bench sheet: text, files to fill in, and the expected curves drawn."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from arrayopt.errors import StudyError
from arrayopt.export.bench_sheet import BenchSheet, bench_sheet_json, bench_sheet_text, templates
from arrayopt.export.files import write_json, write_text
from arrayopt.export.pictures import BLUE, PALE, STYLE, save
from arrayopt.export.typeset import typeset
from arrayopt.layout.members import rotor_members
from arrayopt.quantities import Array

_BLANKS = ("found", "flux_density_mt", "line_ab_v", "torque_mnm", "reading_mt", "winding_c")
_SHOWN_PAIRS = 3  # pole pairs of a scan; the others repeat them
_NEAR_FRAME = 0.03  # of the width, where a number would stand in the frame
_SHOWN_WAVES = 2  # of the back-EMF, which repeats itself


def write_bench_sheet(out: Path, sheet: BenchSheet) -> list[Path]:
    """Write the bench sheet as JSON and printable table, its files to fill in, and a picture.

    Raises
    ------
    StudyError
        If a file there has been filled in: readings are never written over.

    """
    files = templates(sheet)
    faults = [
        f"{out / name} holds readings, or is not a blank file of this command; name another "
        "folder, or move the file away"
        for name in files
        if not _is_blank(out / name)
    ]
    if faults:
        raise StudyError(faults)
    return [
        write_json(out / "bench-sheet.json", bench_sheet_json(sheet)),
        write_text(out / "bench-sheet.txt", bench_sheet_text(sheet) + "\n"),
        *(write_text(out / name, text(sheet)) for name, text in files.items()),
        save(out / "bench-sheet.png", bench_sheet_picture(sheet)),
    ]


def _is_blank(path: Path) -> bool:
    """Whether a file is not there, or one to fill in that nobody has filled in."""
    try:
        text = path.read_text("utf-8")
    except FileNotFoundError:
        return True
    except (OSError, UnicodeDecodeError):
        return False
    rows = list(csv.reader(line for line in text.splitlines() if not line.startswith("#")))
    places = [i for i, name in enumerate(rows[0] if rows else []) if name in _BLANKS]
    return len(places) == 1 and all(
        len(row) == len(rows[0]) and not row[places[0]].strip() for row in rows[1:]
    )


def bench_sheet_picture(sheet: BenchSheet) -> Figure:
    """Draw the expected scan over some pole pairs, and the back-EMF, each with its band."""
    by_key = {one.key: one for one in sheet.readings}
    with rc_context(STYLE):
        drawing = Figure(figsize=(10, 3.8), layout="constrained")
        left, right = drawing.subplots(1, 2)
        _scan(left, sheet)
        one = by_key["flux_over_main"]
        _band(left, *_shown(sheet), (one.low / one.value, one.high / one.value))
        angle, volts = sheet.emf
        last = 360 / sheet.study.rotor.pole_pairs * _SHOWN_WAVES
        one = by_key["back_emf_rms"]
        right.axhline(0, color=PALE, lw=0.8)
        right.plot(angle, volts, color=BLUE)
        _band(right, angle, volts, (one.low / one.value, one.high / one.value))
        right.set(xlabel="Angle of the shaft [°]", xlim=(0, min(last, angle[-1])))
        right.set_ylabel(typeset(f"Back-EMF, line A to B,\nat {sheet.speed_rpm:g} rpm [V]"))
    return drawing


def _shown(sheet: BenchSheet) -> tuple[Array, Array]:
    """Angles and flux densities of the pole pairs that are drawn, from before magnet 1 [mT]."""
    pitch = 360 / sheet.study.rotor.pole_pairs
    pairs = min(_SHOWN_PAIRS, sheet.study.rotor.pole_pairs)
    angle, flux = sheet.scan
    step = float(angle[1])
    ahead = round(pitch / 2 / step)
    count = round(pairs * pitch / step) + 1
    places = np.arange(-ahead, count - ahead)
    return places * step, flux[places % len(flux)] * 1e3


def _scan(ax: Axes, sheet: BenchSheet) -> None:
    angle, flux = _shown(sheet)
    study = sheet.study
    ax.axhline(0, color=PALE, lw=0.8)
    ax.plot(angle, flux, color=BLUE)
    top = float(np.abs(flux).max())
    last = angle[-1] - _NEAR_FRAME * (angle[-1] - angle[0])
    for member in rotor_members(study):
        at = float(np.degrees(member.angle))
        if member.row == 1 and member.table == "main" and at <= last:
            ax.annotate(f"{member.number}", (at, -1.32 * top), ha="center", va="center")
    ax.set(xlim=(angle[0], angle[-1]), ylim=(-1.5 * top, 1.15 * top))
    ax.set_xlabel(
        "Angle from magnet 1, anticlockwise [°]\nBelow the curve: numbers of main magnets"
    )
    ax.set_ylabel(
        "Radial flux density of the rotor by itself,\n"
        + typeset(f"{sheet.radius * 1e3:g} mm off the axis [mT]")
    )


def _band(ax: Axes, x: Array, y: Array, shares: tuple[float, float]) -> None:
    ax.fill_between(x, y * shares[0], y * shares[1], color=BLUE, alpha=0.25, lw=0)
