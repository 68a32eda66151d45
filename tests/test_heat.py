"""Heat: which limit is met first, heat runs, iron loss against the sheet's figure, warm magnets."""

from __future__ import annotations

import dataclasses
from math import pi, sqrt

import numpy as np
import pytest
from makers import make_study

from arrayopt.checks import check_limits
from arrayopt.checks.iron import tooth_flux_density, yoke_flux_density
from arrayopt.evaluation import evaluate
from arrayopt.field import AirgapField, solve_field
from arrayopt.layout import Layout, build_layout
from arrayopt.machine import (
    MachineFigures,
    iron_loss,
    machine_figures,
    phase_resistance,
    temperature_limits,
    thermal_resistance,
)
from arrayopt.quantities import RPM
from arrayopt.study import Study

ORDERS = np.arange(1, 8)


def motor(**values: object) -> Study:
    """Slotted motor of 24 slots and 28 poles; N42SH in PETG at 25 C of ambient."""
    return make_study(pole_pairs=14, kind="slotted", fill=0.5, values=values)


def solved(study: Study) -> tuple[Layout, AirgapField]:
    layout = build_layout(study)
    return layout, solve_field(layout, orders=ORDERS)


def figures(study: Study) -> MachineFigures:
    return machine_figures(*solved(study))


# --- the limit that is met first ---


# Ambient 25 C, rotor with half of the winding's rise: winding at 110 C with the rotor at 67.5 C,
# PETG at 65 C, N42SH at 150 C.
@pytest.mark.parametrize(
    ("values", "winding", "rotor"),
    [
        ({}, 105.0, 65.0),  # carrier: twice the 40 K of its rise
        ({"carrier.material": "PC"}, 110.0, 67.5),  # winding
        ({"carrier.material": "PC", "heat.magnet_limit_c": 60.0}, 95.0, 60.0),  # magnets
        ({"carrier.material": "PC", "rotor.main.grade": "N42", "heat.rotor_rise_share": 0.8},
         93.75, 80.0),  # the plain grade's class of 80 C
        ({"heat.carrier_limit_c": 50.0}, 75.0, 50.0),
        ({"heat.rotor_rise_share": 0.0}, 110.0, 25.0),
        ({"heat.ambient_c": 70.0}, 70.0, 70.0),  # too warm for PETG without any current
    ],
)  # fmt: skip
def test_exact_first_limit(values: dict[str, object], winding: float, rotor: float) -> None:
    study = motor(**values)
    found = figures(study)
    np.testing.assert_allclose(found.winding_temperature, winding, rtol=1e-9)
    np.testing.assert_allclose(found.rotor_temperature, rotor, rtol=1e-9)
    # What is lost in the winding is what the thermal resistance of 2.4 K/W carries off.
    rise = winding - study.heat.ambient_c
    np.testing.assert_allclose(found.copper_loss, rise / 2.4, atol=1e-9)
    hot = phase_resistance(study, winding)
    np.testing.assert_allclose(found.resistance_hot, hot, rtol=1e-12)
    np.testing.assert_allclose(3 * hot * found.continuous_current**2, rise / 2.4, atol=1e-9)
    if not rise:
        assert found.continuous_torque[0] == 0


def test_exact_checks_name_the_limit() -> None:
    """The part at its limit shows its own limit, others stay below."""
    study = motor()
    rows = {c.name: c for c in check_limits(study, evaluate(study)) if "continuous" in c.name}
    assert {name.split()[0]: check.limit for name, check in rows.items()} == temperature_limits(
        study
    )
    carrier = rows["carrier at continuous torque"]
    assert carrier.value == pytest.approx(carrier.limit)
    assert all(check.ok for check in rows.values())


def test_exact_warm_magnets() -> None:
    """Torque over torque constant: magnets at 65 C, 45 K above 20 C at -0.11 %/K."""
    cold = figures(motor())
    ideal = cold.torque_constant * sqrt(2) * cold.continuous_current
    np.testing.assert_allclose(cold.continuous_torque / ideal, 1 - 45 * 0.0011, rtol=1e-9)
    # The temperature that other figures are given at does not matter to it.
    warm = figures(motor(**{"rotor.magnet_temperature_c": 90.0}))
    np.testing.assert_allclose(warm.continuous_torque, cold.continuous_torque, rtol=1e-9)
    np.testing.assert_allclose(
        warm.torque_constant / cold.torque_constant, 1 - 70 * 0.0011, rtol=1e-9
    )


def test_independent_warm_magnets_of_two_grades() -> None:
    """The field solved anew at the temperature that the rotor settles at."""
    values = {"rotor.transverse.grade": "ferrite-Y30", "rotor.remanence": "minimum"}
    found = figures(motor(**values))
    warm = figures(motor(**values, **{"rotor.magnet_temperature_c": 65.0}))
    torque = warm.torque_constant * sqrt(2) * found.continuous_current
    # Each family's share is scaled; what one does to the other's polarisation is left out.
    np.testing.assert_allclose(found.continuous_torque, torque, rtol=1e-3)


# --- heat runs ---


@pytest.mark.parametrize(("current", "rise"), [(5.0, 60.0), (2.0, 85.0)])
def test_exact_heat_run_gives_itself_back(current: float, rise: float) -> None:
    """Limited to the rise of its own run, the winding carries the current of the run."""
    study = motor(**{
        "heat.thermal_resistance_k_per_w": None,
        "heat.run": {"current_a_rms": current, "rise_k": rise},
        "heat.winding_limit_c": 25.0 + rise, "heat.rotor_rise_share": 0.0,
    })  # fmt: skip
    found = figures(study)
    np.testing.assert_allclose(found.continuous_current, current, rtol=1e-12)
    by_hand = rise / (3 * current**2 * phase_resistance(study, 25.0 + rise))
    assert thermal_resistance(study) == pytest.approx(by_hand, rel=1e-12)


# --- iron loss ---


def sheet_masses(study: Study, hand: dict[str, float]) -> tuple[float, float]:
    """Teeth and yoke [kg] by hand: 24 teeth of 5 x 15 mm; a ring of 4 mm beyond 15 mm of slot."""
    stack = 12e-3 * 0.95 * 7650
    teeth = 24 * 5e-3 * 15e-3 * stack if study.stator.kind == "slotted" else 0.0
    return teeth, pi * (hand["far"] ** 2 - hand["near"] ** 2) * 1e-6 * stack


@pytest.mark.parametrize(
    ("position", "kind", "near", "far"),
    [("outer", "slotted", 22, 26), ("inner", "slotted", 56, 60), ("outer", "smooth", 37, 41),
     ("inner", "smooth", 41, 45)],
)  # fmt: skip
def test_published_loss_of_the_sheet(position: str, kind: str, near: float, far: float) -> None:
    """EN 10106, M330-50A: 3.30 W/kg at a sine of 1.5 T peak and 50 Hz, in teeth and yoke alike."""
    study = make_study(
        position=position, kind=kind, pole_pairs=14, fill=0.5,
        values={"stator.yoke_mm": 4.0} | ({"stator.slots": 24} if kind == "slotted" else {}),
    )  # fmt: skip
    layout, field = solved(study)
    teeth, yoke = sheet_masses(study, {"near": near, "far": far})
    sine = np.zeros_like(field.surface)
    sine[0] = 1.0
    tried = dataclasses.replace(field, surface=sine)
    speed = np.array([2 * pi * 50 / 14])
    total = 0.0
    for mass, density in ((teeth, tooth_flux_density(tried)), (yoke, yoke_flux_density(tried))):
        if mass:
            total += mass * 3.30 * (density[0] / 1.5) ** 2  # a sine's losses go with its square
    np.testing.assert_allclose(iron_loss(layout, tried, speed), total, rtol=1e-9)


def test_independent_eddy_loss_of_the_waveform() -> None:
    """Eddy loss from the time derivative: d^2/(12 rho) mean((dB/dt)^2); rest as the frequency."""
    study = motor()
    layout, field = solved(study)
    p, d, rho, density = 14, 0.5e-3, 4.2e-7, 7650
    teeth, yoke = sheet_masses(study, {"near": 22, "far": 26})
    t = np.arange(4096) / 4096 * 2 * pi
    width = 2 * np.sin(ORDERS * p * pi / 24) / 5e-3
    waves = field.surface[:, 0] * 41e-3 / (ORDERS * p) / 0.95
    tooth = (waves * width * np.cos(np.outer(t, ORDERS))).sum(axis=1)
    along = (waves / 4e-3 * np.sin(np.outer(t, ORDERS))).sum(axis=1)
    eddy = hysteresis = 0.0
    for mass, wave in ((teeth, tooth), (yoke, along)):
        slope = np.gradient(np.r_[wave[-1], wave, wave[0]], t[1])[1:-1] * 2 * pi  # at 1 Hz
        eddy += mass * d**2 / (12 * rho * density) * (slope**2).mean()
        rest = 3.30 - d**2 * pi**2 / (6 * rho * density) * (50 * 1.5) ** 2
        hysteresis += mass * rest / (50 * 1.5**2) * np.abs(wave).max() ** 2
    frequency = np.array([40.0, 150.0, 600.0])
    found = [iron_loss(layout, field, np.array([2 * pi * f / p]))[0] for f in frequency]
    expected = hysteresis * frequency + eddy * frequency**2
    np.testing.assert_allclose(found, expected, rtol=1e-3)  # sampled peaks and slopes


def test_exact_speed_takes_from_the_copper() -> None:
    """All losses pass one thermal resistance; iron loss over speed brakes the shaft."""
    still, fast = figures(motor()), figures(motor(**{"heat.speed_rpm": 1500.0}))
    assert still.iron_loss[0] == 0
    layout, field = solved(motor())
    loss = iron_loss(layout, field, np.array([1500 * RPM]))
    np.testing.assert_allclose(fast.iron_loss, loss, rtol=1e-12)
    np.testing.assert_allclose(fast.copper_loss + fast.iron_loss, still.copper_loss, rtol=1e-12)
    torque = fast.torque_constant * sqrt(2) * fast.continuous_current * (1 - 45 * 0.0011)
    np.testing.assert_allclose(fast.continuous_torque, torque - loss / (1500 * RPM), rtol=1e-9)
    # Iron loss beyond what heat allows leaves no torque, not a negative one.
    boiling = figures(motor(**{"heat.speed_rpm": 150000.0}))
    assert boiling.copper_loss[0] == boiling.continuous_torque[0] == 0


def test_exact_iron_without_data_or_without_iron() -> None:
    still, turning = np.array([0.0]), np.array([100.0])
    bare = motor(**{"stator.yoke_mm": None})
    assert iron_loss(*solved(bare), still)[0] == 0
    assert np.isnan(iron_loss(*solved(bare), turning)[0])
    assert iron_loss(*solved(make_study(kind="ironless", fill=0.5)), turning)[0] == 0
