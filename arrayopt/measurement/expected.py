"""What a finished motor should read on the bench, computed before it is built."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, pi, radians, sqrt

import numpy as np
import xarray as xr

from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout
from arrayopt.machine import flux_linkages, line_emf
from arrayopt.measurement.records import Scan
from arrayopt.measurement.scan import scan_model, scan_radius
from arrayopt.quantities import MM, RPM, Array
from arrayopt.study import Study

METER_HZ = 400.0  # plain multimeters read AC right up to there (common practice, no source)
DRILL_RPM = (300.0, 1500.0)  # what a hand drill does (common practice, no source)
_USUAL_RPM = 1000.0
_INDUCTANCE_BAND = 0.15  # its end turns and slots are estimates
_SAMPLES = 1440  # of an electrical turn; peaks of 15 orders are then right to 1e-4
_STEPS_DEG = (1.0, 0.5, 0.25, 0.2, 0.1, 0.05)
_POINTS = 24  # of a pole pair, at least


# Readings and conditions of the sheet by key, and the unit that each is in.
UNITS = {
    "flux_over_main": "mT", "line_resistance": "mohm", "line_inductance": "mH",
    "back_emf_peak": "V", "back_emf_rms": "V", "back_emf_meter": "V",
    "back_emf_phase_rms": "V", "frequency": "Hz",
    "holding_torque": "N m/A", "no_load_speed": "rpm", "rotor_mass": "g",
    "cogging_peak": "mN m", "speed": "rpm", "magnet_temperature": "C",
    "winding_temperature": "C",
}  # fmt: skip


@dataclass(frozen=True)
class Expected:
    """One reading of the bench sheet, or a condition that readings are taken under.

    Attributes
    ----------
    key : str
        Name in files, as in ``back_emf_rms``.
    label : str
        Name for people.
    value, low, high : float
        Expected, and its band, in `unit`; a band of NaN is none.
    unit : str
    how : str
        How it is measured, and what it counts on.

    """

    key: str
    label: str
    value: float
    low: float
    high: float
    unit: str
    how: str


def bench_speed(study: Study) -> float:
    """Return a round speed for back-EMF readings [rpm]: 1000, or less for plain multimeters.

    Examples
    --------
    >>> from arrayopt.study import parse_study, starter_text
    >>> bench_speed(parse_study(starter_text()))
    1000.0
    """
    most = min(_USUAL_RPM, 60 * METER_HZ / study.rotor.pole_pairs)
    step = 50 if most >= 100 else 10
    return float(max(most // step * step, step))


def line_frequency(study: Study, *, speed_rpm: float) -> float:
    """Return the frequency of the back-EMF [Hz]."""
    return speed_rpm / 60 * study.rotor.pole_pairs


def expected_readings(
    study: Study,
    results: xr.Dataset,
    *,
    speed_rpm: float = _USUAL_RPM,
    scatter: xr.Dataset | None = None,
) -> tuple[Expected, ...]:
    """Return what the builder should read on an evaluated motor, conditions last.

    Bands are those of the grade's remanence, of copper's resistance (2 %) and of estimates in
    the inductance; gaps that are off add to them. With a scatter, what follows from the flux
    linkage has the 1st to 99th percentile of it instead.

    Parameters
    ----------
    study : Study
    results : xarray.Dataset
        Of `evaluate`.
    speed_rpm : float
        Of the shaft when the back-EMF is read.
    scatter : xarray.Dataset, optional
        Of `arrayopt.scatter.run.tolerance`.

    Returns
    -------
    tuple of Expected
        Without those that the study has no data for.

    """
    row = {str(n): float(results[n][0]) for n in results if results[n].dims == ("design",)}
    grade = study.magnet_grade(study.rotor.main.grade or study.rotor.grade)
    by_grade = grade.remanence_min / grade.remanence, grade.remanence_max / grade.remanence
    linked = by_grade
    if scatter is not None:
        linked = _percentile(scatter, "torque_share", 1), _percentile(scatter, "torque_share", 99)
    share = 2 / 3 if study.winding.connection == "delta" else 2.0
    wave = _line_wave(study, results["linkage"][0].values, np.arange(_SAMPLES) / _SAMPLES)
    peak, rms, mean = np.abs(wave).max(), sqrt((wave**2).mean()), np.abs(wave).mean()
    speed, at = speed_rpm * RPM, f"Back-EMF at {speed_rpm:g} rpm"
    warm = f"magnets at {study.rotor.magnet_temperature_c:g} C"
    radius = study.stator.surface_diameter_mm / 2
    hertz = line_frequency(study, speed_rpm=speed_rpm)
    readings = (
        _banded("flux_over_main", "Flux density over a main magnet", _over_main(study) * 1e3, "mT",
                "rotor by itself, along the radius, mid-length, "
                f"{radius:g} mm off the axis, {warm}", band=by_grade),
        _banded("line_resistance", "Line-to-line resistance", share * row["resistance_cold"] * 1e3,
                "mohm", "four wires, 20 C, leads not counted", band=_copper_band(study)),
        _banded("line_inductance", "Line-to-line inductance", share * row["inductance"] * 1e3,
                "mH", "bridge, rotor in place, mean over a turn",
                band=(1 - _INDUCTANCE_BAND, 1 + _INDUCTANCE_BAND)),
        _banded("back_emf_peak", f"{at}, peak", peak * speed, "V",
                f"oscilloscope, line to line, turned by hand drill, {warm}", band=linked),
        _banded("back_emf_rms", f"{at}, rms", rms * speed, "V",
                f"true-rms meter, line to line, {warm}", band=linked),
        _banded("back_emf_meter", f"{at}, plain meter", pi / (2 * sqrt(2)) * mean * speed, "V",
                f"meter without true rms: 1.11 times the mean, line to line, {warm}", band=linked),
        *_star_point(study, results, linked, speed=speed, at=at),
        _banded("frequency", "Frequency at that speed", hertz, "Hz", "counts the pole pairs"),
        _banded("holding_torque", "Holding torque for each ampere", peak, "N m/A",
                "direct current through two leads, lever and scale, largest over a turn, "
                "small current", band=linked),
        _banded("no_load_speed", "No-load speed", row["no_load_speed"] / RPM, "rpm",
                "on the drive's supply; friction and field weakening not counted",
                band=(1 / linked[1], 1 / linked[0])),
        _banded("rotor_mass", "Rotor, complete", row["rotor_mass"] * 1e3, "g", "scales",
                band=(0.97, 1.03)),
        *_cogging(study, scatter),
        _banded("speed", "Speed of those readings", speed_rpm, "rpm",
                "what it was; the frequency over the pole pairs, times 60"),
        _banded("magnet_temperature", "Temperature of the magnets",
                study.rotor.magnet_temperature_c, "C",
                "what it was during back-EMF and flux density"),
        _banded("winding_temperature", "Temperature of the winding", 20.0, "C",
                "what it was during the resistance"),
    )  # fmt: skip
    return tuple(one for one in readings if not isnan(one.value))


def expected_scan(study: Study, *, radius: float, height: float) -> tuple[Array, Array]:
    """Compute the radial flux density that a probe reads round the rotor by itself.

    No stator is near; a steel ring behind the magnets is. Magnets have the polarisation that
    they settle at so, at the study's magnet temperature.

    Parameters
    ----------
    study : Study
    radius, height : float
        Of the probe, off the shaft's axis and above the middle of the magnets [m].

    Returns
    -------
    angle_deg : ndarray, shape (angle,)
        A whole turn from the axis of magnet 1 anticlockwise, seen from the open side of the
        carrier, in round steps with at least 24 points a pole pair [deg].
    flux : ndarray, shape (angle,)
        Positive outwards from the shaft [T].

    Raises
    ------
    StudyError
        If the probe would be inside the magnets, or behind a steel ring.

    """
    nothing = np.zeros(1)
    scan_radius(study, Scan("the scan", 0, nothing, nothing, radius))  # tells where it cannot be
    step = round_step_deg(study)
    angle_deg = np.arange(round(360 / step)) * step
    waves = _bare_waves(study, radius=radius, height=height)
    return angle_deg, _sum(waves, np.radians(angle_deg))


def expected_emf(study: Study, *, speed_rpm: float) -> tuple[Array, Array]:
    """Compute the back-EMF between lines A and B over a whole turn of the shaft.

    Returns
    -------
    angle_deg : ndarray, shape (angle,)
        Of the shaft from where phase A links most, in round steps [deg].
    volts : ndarray, shape (angle,)

    """
    layout = build_layout(study)
    linkages = flux_linkages(layout, solve_field(layout, orders=ORDERS))[:, 0]
    step, p = round_step_deg(study), study.rotor.pole_pairs
    angle_deg = np.arange(round(360 / step) + 1) * step
    return angle_deg, _line_wave(study, linkages, angle_deg / 360 * p) * speed_rpm * RPM


def round_step_deg(study: Study) -> float:
    """Return a round step of 1 degree or less that leaves at least 24 points a pole pair."""
    pitch = 360 / study.rotor.pole_pairs
    return next((step for step in _STEPS_DEG if pitch / step >= _POINTS), _STEPS_DEG[-1])


def _copper_band(study: Study) -> tuple[float, float]:
    """Band of a resistance: of copper and wire, and of an estimated length of the turns."""
    room = 0.02 if study.winding.mean_turn_mm is not None else 0.1
    return 1 - room, 1 + room


def _banded(
    key: str,
    label: str,
    value: float,
    unit: str,
    how: str,
    *,
    band: tuple[float, float] = (np.nan, np.nan),
) -> Expected:
    """Return a reading whose band is given as shares of its value."""
    value = float(value)
    return Expected(key, label, value, value * band[0], value * band[1], unit, how)


def _star_point(
    study: Study, results: xr.Dataset, band: tuple[float, float], *, speed: float, at: str
) -> tuple[Expected, ...]:
    """Return the reading between a phase and the star point, third harmonic and all."""
    if study.winding.connection != "star":
        return ()
    emf = ORDERS * study.rotor.pole_pairs * results["linkage"][0].values
    rms = float(np.sqrt((emf**2).sum() / 2)) * speed
    how = "true-rms meter, star point to lead"
    return (_banded("back_emf_phase_rms", f"{at}, rms, phase", rms, "V", how, band=band),)


def _cogging(study: Study, scatter: xr.Dataset | None) -> tuple[Expected, ...]:
    if scatter is None or study.stator.kind != "slotted":
        return ()
    # One and two waves a slot together, at worst; of few poles the perfect ring's own are these.
    both = scatter["cogging_slots"] + scatter["cogging_twice"]
    low, middle, high = (1e3 * float(v) for v in np.percentile(both, (1, 50, 99)))
    how = (
        "lever and scale, no current, turned slowly; an estimate of what magnets that differ "
        "cause: what a perfect ring has besides, `arrayopt confirm` computes"
    )
    label = "Cogging torque, peak"
    return (Expected("cogging_peak", label, middle, low, high, "mN m", how),)


def _percentile(scatter: xr.Dataset, name: str, percent: float) -> float:
    return float(np.percentile(scatter[name].values, percent))


def _line_wave(study: Study, linkages: Array, turns: Array) -> Array:
    """Back-EMF between lines A and B over speed at shares of an electrical turn [V s/rad]."""
    delta = np.array([study.winding.connection == "delta"])
    waves = (ORDERS * study.rotor.pole_pairs)[:, None]
    return line_emf(linkages[:, None], ORDERS, waves, 2 * pi * turns, delta)[:, 0]


def _over_main(study: Study) -> float:
    """Size of the flux density over a main magnet at the stator's radius, mid-length [T]."""
    rotor = study.rotor
    # Rows of a skewed rotor count from the floor; the middle of them is what the probe sees.
    turn = (rotor.skew_steps - 1) / 2 * radians(rotor.skew_step_deg)
    radius = study.stator.surface_diameter_mm * MM / 2
    return abs(float(_sum(_bare_waves(study, radius=radius, height=0.0), np.array([turn]))[0]))


def _bare_waves(study: Study, *, radius: float, height: float) -> Array:
    """Waves of a rotor by itself on a circle, complex, shape (wave,) from none [T]."""
    nothing = np.zeros(1)
    scan_radius(study, Scan("the scan", 0, nothing, nothing, radius))  # tells where it cannot be
    return scan_model(study, radius=radius, height=height).perfect


def _sum(waves: Array, angle: Array) -> Array:
    """Radial flux density at angles [rad], shape (angle,) [T]."""
    n = np.arange(len(waves))
    kept = np.abs(waves) > 1e-9 * np.abs(waves).max()  # a perfect ring has multiples of p only
    return np.asarray((np.exp(1j * np.outer(angle, n[kept])) @ waves[kept]).real)
