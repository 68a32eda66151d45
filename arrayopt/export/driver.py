"""What a motor drive is set up with, each number with the convention it is given in."""

from __future__ import annotations

from dataclasses import dataclass
from math import isinf, isnan, pi, sqrt
from typing import Any

import numpy as np
import xarray as xr

from arrayopt.checks.current_limit import demagnetising_current
from arrayopt.checks.hazards import DRIVING
from arrayopt.export.results import shown
from arrayopt.export.text_tables import bullets, number, table_text
from arrayopt.machine import phase_peak_current
from arrayopt.quantities import RPM
from arrayopt.study import Study


@dataclass(frozen=True)
class DriverValue:
    """One number of a drive's set-up.

    Attributes
    ----------
    key : str
        Of JSON; ends in the unit.
    label, unit, convention : str
    value : float
        NaN where the study has no data for it, infinite where there is no limit.

    """

    key: str
    label: str
    unit: str
    value: float
    convention: str


def driver_data(study: Study, results: xr.Dataset) -> tuple[DriverValue, ...]:
    """Return the numbers that a drive needs of an evaluated study.

    A drive knows the motor by its three leads: a delta is given as the star that behaves the
    same there (a third of its resistance and inductance, its flux linkage over the root of
    three).

    Parameters
    ----------
    study : Study
    results : xarray.Dataset
        Of `evaluate` for this study.

    Returns
    -------
    tuple of DriverValue
        Each with the unit that its key ends in, and its convention.

    Examples
    --------
    >>> from arrayopt import driver_data, evaluate, load_study
    >>> study = load_study("studies/ankle/study.toml")
    >>> values = {value.key: value for value in driver_data(study, evaluate(study))}
    >>> emf = values["back_emf_rms_v_per_krpm"]
    >>> f"{emf.value:.1f} {emf.unit}, {emf.convention}"
    '10.3 V/1000 rpm, line-to-line rms'

    The same motor in delta looks to the drive like a star of a third of the resistance.

    >>> delta = study.with_values({"winding.connection": "delta"})
    >>> other = {value.key: value for value in driver_data(delta, evaluate(delta))}
    >>> ratio = values["phase_resistance_ohm"].value / other["phase_resistance_ohm"].value
    >>> f"{ratio:.3f}"
    '3.000'
    """
    row = {str(n): float(results[n][0]) for n in results if results[n].dims == ("design",)}
    delta = study.winding.connection == "delta"
    share, line = (1 / 3, sqrt(3)) if delta else (1.0, 1.0)
    p = study.rotor.pole_pairs
    linkage = row["flux_linkage"] / line
    amplitude = line * row["continuous_current"] * sqrt(2)
    hot = float(np.nanmax([study.rotor.magnet_temperature_c, row["rotor_temperature"]]))
    bears = line * demagnetising_current(study, temperature_c=hot)
    emf = row["back_emf_constant"]
    star = "one phase of the equal star" if delta else "one phase to the star point"
    magnets = f"magnets at {study.rotor.magnet_temperature_c:g} C"
    warm = f"magnets at {hot:.0f} C"
    return (
        DriverValue("pole_pairs", "Pole pairs", "1", p, "electrical over mechanical angle"),
        DriverValue("phase_resistance_ohm", "Phase resistance", "ohm",
                    share * row["resistance_cold"], f"{star}, 20 C, without leads"),
        DriverValue("line_resistance_ohm", "Line-to-line resistance", "ohm",
                    2 * share * row["resistance_cold"], "between two leads, 20 C"),
        DriverValue("phase_inductance_mh", "Phase inductance", "mH",
                    share * row["inductance"] * 1e3, f"{star}, synchronous, d and q alike"),
        DriverValue("line_inductance_mh", "Line-to-line inductance", "mH",
                    2 * share * row["inductance"] * 1e3, "between two leads, synchronous"),
        DriverValue("flux_linkage_peak_wb", "Flux linkage", "Wb", linkage,
                    f"{star}, peak, {magnets}"),
        DriverValue("torque_constant_nm_per_a_peak", "Torque constant", "N m/A",
                    1.5 * p * linkage, "per A of the line current's amplitude (q axis)"),
        DriverValue("torque_constant_nm_per_a_rms", "Torque constant", "N m/A",
                    1.5 * p * linkage * sqrt(2), "per A rms of the line current"),
        DriverValue("back_emf_peak_v_s_per_rad", "Back-EMF constant", "V s/rad", emf,
                    "line-to-line peak, mechanical speed"),
        DriverValue("back_emf_rms_v_per_krpm", "Back-EMF constant", "V/1000 rpm",
                    emf / sqrt(2) * 1000 * RPM, "line-to-line rms"),
        DriverValue("speed_constant_rpm_per_v", "Speed constant", "rpm/V",
                    row["speed_constant"] / RPM, "line-to-line peak"),
        DriverValue("no_load_speed_rpm", "No-load speed", "rpm", row["no_load_speed"] / RPM,
                    "on the drive's supply"),
        DriverValue("electrical_frequency_hz", "Electrical frequency", "Hz",
                    p * row["no_load_speed"] / (2 * pi), "at no-load speed"),
        DriverValue("current_by_heat_a_peak", "Current limit by heat", "A", amplitude,
                    "line, amplitude, turning; 71 % of it at standstill"),
        DriverValue("current_by_heat_a_rms", "Current limit by heat", "A",
                    amplitude / sqrt(2), "line, rms, turning"),
        DriverValue("current_by_demagnetisation_a_peak", "Current limit by demagnetisation", "A",
                    bears, f"line, amplitude, {warm}, at its worst angle"),
        DriverValue("peak_current_a_peak", "Drive's peak current", "A",
                    line * phase_peak_current(study), "line, amplitude, as the study has it"),
    )  # fmt: skip


def driver_rows(values: tuple[DriverValue, ...]) -> tuple[list[list[object]], list[str]]:
    """Return cells and header, without what the study has no data for."""
    rows: list[list[object]] = [
        [
            v.label,
            "no limit" if isinf(v.value) else number(v.value),
            "" if v.unit == "1" else v.unit,
            v.convention,
        ]
        for v in values
        if not isnan(v.value)
    ]
    return rows, ["Quantity", "Value", "Unit", "Convention"]


def driver_text(study: Study, values: tuple[DriverValue, ...]) -> str:
    """Return the numbers as a table, with cautions."""
    connection = f"{study.winding.connection} connection"
    return "\n\n".join(
        [
            f"{study.title}\nDriver data, {connection}, sinusoidal currents, computed",
            table_text(*driver_rows(values)),
            bullets("Cautions", driver_cautions(study, values)),
        ]
    )


def driver_cautions(study: Study, values: tuple[DriverValue, ...]) -> list[str]:
    """Return what to mind before the drive is switched on, the worst first."""
    found = {value.key: value.value for value in values}
    bears, peak = found["current_by_demagnetisation_a_peak"], found["peak_current_a_peak"]
    heat = found["current_by_heat_a_peak"]
    lines = []
    if bears < peak:
        lines.append(
            "THE MAGNETS DO NOT BEAR THE DRIVE'S PEAK CURRENT: past "
            f"{bears:.3g} A more than {study.limits.demagnetised_percent:g} % of them lose "
            f"polarisation for good, and the drive's peak is {peak:.3g} A. Limit the drive to "
            f"{bears:.3g} A, or take a higher grade letter."
        )
    if bears < heat:
        lines.append(
            f"The current that heat allows, {heat:.3g} A, is more than the magnets bear: "
            f"{bears:.3g} A is the limit."
        )
    return [*lines, *DRIVING]


def driver_json(study: Study, values: tuple[DriverValue, ...]) -> dict[str, Any]:
    """Return the numbers by their keys, their conventions, and cautions."""
    return {
        "title": study.title,
        "connection": study.winding.connection,
        **{v.key: None if isinf(v.value) else shown(v.value) for v in values},
        "conventions": {v.key: v.convention for v in values},
        "cautions": driver_cautions(study, values),
    }
