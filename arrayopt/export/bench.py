"""What the builder should measure: bench readings that follow from the computed design."""

from __future__ import annotations

from math import isnan, pi, sqrt

import numpy as np
import xarray as xr

from arrayopt.export.tables import number
from arrayopt.field.stray import rotor_fields
from arrayopt.layout import build_layout
from arrayopt.study import Study

_SHOWN_RPM = 1000
_INDUCTANCE_BAND = 0.15  # its end turns and slots are estimates


def bench_rows(study: Study, results: xr.Dataset) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of readings, each with a band and how it is taken.

    Bands are those of the grade's remanence, of copper's resistance (2 %) and of estimates in
    the inductance; gaps that are off add to them.
    """
    row = {str(n): float(results[n][0]) for n in results if results[n].dims == ("design",)}
    grade = study.magnet_grade(study.rotor.main.grade or study.rotor.grade)
    low, high = (b / grade.remanence for b in (grade.remanence_min, grade.remanence_max))
    share = 2 / 3 if study.winding.connection == "delta" else 2.0
    emf = row["back_emf_constant"]
    volts = emf * _SHOWN_RPM * pi / 30
    warm = f"magnets at {study.rotor.magnet_temperature_c:g} C"
    radius = study.stator.surface_diameter_mm / 2
    gauss = _bare_rotor_peak(study)
    readings: list[tuple[str, float, float, float, str, str]] = [
        ("Flux density over a main magnet", gauss * 1e3, low, high, "mT",
         f"rotor by itself, {radius:g} mm off the axis, mid-length, along the radius"),
        ("Line-to-line resistance", share * row["resistance_cold"] * 1e3, 0.98, 1.02, "mohm",
         "four wires, 20 C, leads not counted"),
        ("Line-to-line inductance", share * row["inductance"] * 1e3, 1 - _INDUCTANCE_BAND,
         1 + _INDUCTANCE_BAND, "mH", "bridge, rotor in place, mean over a turn"),
        (f"Back-EMF at {_SHOWN_RPM} rpm, peak", volts, low, high, "V",
         f"line to line, turned by hand drill, {warm}"),
        (f"Back-EMF at {_SHOWN_RPM} rpm, rms", volts / sqrt(2), low, high, "V",
         f"line to line, {warm}"),
        ("Frequency at that speed", _SHOWN_RPM / 60 * study.rotor.pole_pairs, 1, 1, "Hz",
         "counts the pole pairs"),
        ("Holding torque for each ampere", emf, low, high, "N m",
         "direct current through two leads, lever and scale, largest over a turn, small current"),
        ("No-load speed", row["no_load_speed"] * 30 / pi, 1 / high, 1 / low, "rpm",
         "on the drive's supply; friction and field weakening not counted"),
        ("Rotor, all of it", row["rotor_mass"] * 1e3, 0.97, 1.03, "g", "scales"),
    ]  # fmt: skip
    rows: list[list[object]] = [
        [label, number(value), _band(value, lo, hi), unit, how, ""]
        for label, value, lo, hi, unit, how in readings
        if not isnan(value)
    ]
    return rows, ["Reading", "Expected", "Band", "Unit", "How", "Found"]


def _band(value: float, low: float, high: float) -> str:
    return "" if low == high else f"{number(value * low)} to {number(value * high)}"


def _bare_rotor_peak(study: Study) -> float:
    """Radial flux density before a main magnet at the stator's radius, no iron near [T].

    Magnets have their remanence without recoil, so a reading may be a few percent lower.
    """
    layout = build_layout(study)
    radius = float(layout.surface_radius[0])
    turn = study.rotor.skew_step_deg * pi / 180 / 2 if study.rotor.skew_steps % 2 == 0 else 0.0
    at = np.array([[radius * np.cos(turn)], [radius * np.sin(turn)], [1e-6]])
    x, y, _ = rotor_fields(layout, at).sum(axis=1)[:, 0]
    return abs(float(x * np.cos(turn) + y * np.sin(turn)))
