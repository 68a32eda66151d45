"""Torque against speed: phasors at every point, limits in closed form, and the files written."""

from __future__ import annotations

import csv
import json
from math import pi, sqrt
from typing import Any

import numpy as np
import pytest
import xarray as xr
from click.testing import CliRunner
from makers import make_study

from arrayopt.checks import design_cautions
from arrayopt.cli import commands
from arrayopt.evaluation import evaluate
from arrayopt.field import solve_field
from arrayopt.layout import build_layout
from arrayopt.machine import (
    TorqueSpeed,
    continuous_warmth,
    phase_peak_current,
    phase_resistance,
    torque_speed,
)
from arrayopt.study import Study, starter_text

P = 10


def motor(**values: Any) -> Study:
    return make_study(pole_pairs=P, kind="slotted", fill=0.5, values=values)


def curve(
    study: Study, *, linkage: float, inductance: float, peak_share: float = 1.0
) -> tuple[TorqueSpeed, float, float]:
    """Return the curves, the warm linkage and the warm resistance."""
    layout = build_layout(study)
    field = solve_field(layout, orders=np.array([1, 3]))
    warmth = continuous_warmth(layout, field)
    found = torque_speed(
        layout, field, warmth, linkage=linkage, inductance=inductance, peak_share=peak_share
    )
    if study.heat is None:
        return found, linkage, phase_resistance(study, 20.0)
    ratio, hot = warmth.magnet_ratio[0], warmth.winding[0]
    return found, linkage * ratio, phase_resistance(study, hot)


def phasor_size(
    current: np.ndarray, *, speed: np.ndarray, linkage: float, inductance: float, resistance: float
) -> np.ndarray:
    """Voltage of a phase whose current is in phase with its back-EMF."""
    w = P * speed
    return np.abs(1j * w * linkage + resistance * 1j * current - w * inductance * current)


@pytest.mark.parametrize("connection", ["star", "delta"])
@pytest.mark.parametrize("inductance", [0.0, 1e-4, 5e-4])
def test_independent_phasors(connection: str, inductance: float) -> None:
    """No point asks for more than the supply; where current is held back, for all of it.

    Line-to-line peaks reach the supply's voltage, so a phase has 1/sqrt 3 of it in star.
    """
    study = motor(**{"winding.connection": connection, "drive.peak_current_a": 25.0,
                     "stator.yoke_mm": None, "heat.speed_rpm": 0})  # fmt: skip
    found, warm, resistance = curve(study, linkage=0.008, inductance=inductance)
    most = 25.0 / (sqrt(3) if connection == "delta" else 1)
    volts = 24.0 / (1 if connection == "delta" else sqrt(3))
    assert phase_peak_current(study) == pytest.approx(most)
    current = found.peak / (1.5 * P * warm)
    used = phasor_size(
        current, speed=found.speed, linkage=warm, inductance=inductance, resistance=resistance
    )
    assert (used <= volts * (1 + 1e-9)).all()
    assert (current <= most * (1 + 1e-9)).all()
    held = current < most * (1 - 1e-9)
    np.testing.assert_allclose(used[held], volts, rtol=1e-9)
    assert held[-1]
    assert not held[0]
    # Standstill to no-load speed, where the back-EMF alone is all of the voltage.
    assert found.speed[0] == 0
    assert found.speed[-1] == pytest.approx(volts / (P * warm), rel=1e-12)
    assert found.peak[-1] == pytest.approx(0, abs=1e-9)
    assert (np.diff(found.peak) <= 1e-12).all()


def test_exact_without_inductance() -> None:
    """I = (V - E)/R: torque falls in a line once the voltage holds it back."""
    study = motor(**{"drive.peak_current_a": 1e4, "stator.yoke_mm": None})
    found, warm, resistance = curve(study, linkage=0.008, inductance=0.0)
    line = 1.5 * P * warm * (24 / sqrt(3) - P * found.speed * warm) / resistance
    np.testing.assert_allclose(found.peak, line, atol=1e-9 * line[0])
    # Unknown inductance counts as none.
    again, *_ = curve(study, linkage=0.008, inductance=float("nan"))
    np.testing.assert_array_equal(found.peak, again.peak)


def test_exact_without_resistance() -> None:
    """I = sqrt(V^2 - E^2)/X."""
    study = motor(**{"drive.peak_current_a": 60.0, "stator.yoke_mm": None,
                     "winding.mean_turn_mm": 1.0, "winding.strands": 500})  # fmt: skip
    found, warm, _ = curve(study, linkage=0.008, inductance=2e-4)
    w = P * found.speed[1:]
    reached = np.sqrt(np.maximum((24 / sqrt(3)) ** 2 - (w * warm) ** 2, 0)) / (w * 2e-4)
    torque = 1.5 * P * warm * np.minimum(60.0, reached)
    # 1 mm of 500 wires is 0.01 mohm; it matters at the last point alone.
    np.testing.assert_allclose(found.peak[1:], torque, atol=2e-4 * torque[0])


def test_exact_iron_loss_brakes() -> None:
    """Loss over speed comes off both curves, and heats along with the copper."""
    braked, warm, resistance = curve(motor(), linkage=0.008, inductance=0.0)
    free, *_ = curve(motor(**{"stator.yoke_mm": None}), linkage=0.008, inductance=0.0)
    turning = (braked.speed > 0) & (braked.peak > 0)
    drag = braked.iron_loss[turning] / braked.speed[turning]
    np.testing.assert_allclose(free.peak[turning] - braked.peak[turning], drag, rtol=1e-9)
    assert np.isnan(free.iron_loss[1:]).all()
    # 80 K over 2.4 K/W, shared by copper and iron; PETG is what limits.
    slow = turning & (braked.speed < 100)
    copper = 80 / 2.4 - braked.iron_loss[slow]
    torque = 1.5 * P * warm * np.sqrt(copper / (1.5 * resistance))
    drag = braked.iron_loss[slow] / braked.speed[slow]
    np.testing.assert_allclose(braked.continuous[slow], torque - drag, rtol=1e-9)


def test_exact_without_heat() -> None:
    """Cold winding, magnets at the study's temperature, no continuous torque."""
    study = motor().model_copy(update={"heat": None})
    found, *_ = curve(study, linkage=0.008, inductance=1e-4)
    assert np.isnan(found.continuous).all()
    assert found.peak[0] == pytest.approx(1.5 * P * 0.008 * 25.0, rel=1e-12)


# --- of a whole study ---


def results_of(**values: Any) -> xr.Dataset:
    return evaluate(motor(**values))


def test_exact_curves_meet_the_figures() -> None:
    """Standstill: continuous torque as told; torque at peak current but for warm magnets."""
    found = results_of()
    assert found["torque_continuous"].values[0] == pytest.approx(
        found["continuous_torque"].values[0], rel=1e-9
    )
    warm = 1 - 45 * 0.0011  # N42SH at the carrier's 65 C against 20 C
    assert found["torque_peak"].values[0] == pytest.approx(
        found["peak_torque"].values[0] * warm, rel=1e-9
    )
    assert found["speed"].values[-1] * warm == pytest.approx(
        found["no_load_speed"].values[0], rel=1e-9
    )
    assert found["torque_peak"].values[-1] == found["torque_continuous"].values[-1] == 0


# The second drive gives less for a moment than heat would bear for ever.
@pytest.mark.parametrize("peak_current", [25.0, 5.0])
def test_exact_peak_is_never_less_than_continuous(peak_current: float) -> None:
    study = motor(**{"drive.peak_current_a": peak_current})
    found = evaluate(study)
    assert (found["torque_peak"].values >= found["torque_continuous"].values - 1e-12).all()
    # The continuous torque of the figures is that of heat alone; a caution tells of the drive.
    told = any("that of heat alone" in line for line in design_cautions(study, found))
    assert told == (found["peak_torque"].values[0] < found["continuous_torque"].values[0])


def test_exact_voltage_scales_the_speed() -> None:
    """Twice the supply, twice the no-load speed; standstill stays."""
    one, two = results_of(), results_of(**{"drive.voltage_v": 48.0})
    np.testing.assert_allclose(two["speed"], 2 * one["speed"], rtol=1e-12)
    for name in ("torque_peak", "torque_continuous"):
        assert two[name].values[0] == pytest.approx(one[name].values[0], rel=1e-12)


def test_files_of_evaluate(tmp_path) -> None:
    file, out = tmp_path / "study.toml", tmp_path / "out"
    file.write_text(starter_text(), encoding="utf-8")
    done = CliRunner().invoke(commands, ["evaluate", str(file), "--json", "--out", str(out)])
    assert done.exit_code == 0, done.output
    assert (out / "machine.png").stat().st_size > 10_000
    rows = list(csv.DictReader((out / "torque-speed.csv").read_text(encoding="utf-8").splitlines()))
    told = json.loads(done.stdout)["torque_speed"]
    assert [[float(v) for v in row.values()] for row in rows] == [
        list(row.values()) for row in told
    ]
    assert list(rows[0]) == ["speed_rpm", "peak_torque_nm", "continuous_torque_nm", "iron_loss_w"]
    assert float(rows[0]["speed_rpm"]) == float(rows[-1]["peak_torque_nm"]) == 0


def test_no_drive_no_curve(tmp_path) -> None:
    file, out = tmp_path / "study.toml", tmp_path / "out"
    head, rest = starter_text().split("[drive]")
    file.write_text(head + "[joint]" + rest.split("[joint]")[1], encoding="utf-8")
    done = CliRunner().invoke(commands, ["evaluate", str(file), "--json", "--out", str(out)])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["torque_speed"] == []
    assert told["machine"]["no_load_speed_rpm"] is None
    assert told["machine"]["peak_torque_nm"] is None
    assert not (out / "torque-speed.csv").exists()
    assert (out / "machine.png").exists()


def test_exact_emf_told_is_that_of_the_linkage() -> None:
    """JSON's back-EMF orders add up to the waveform's peak-to-peak and fundamental."""
    found = results_of()
    angle, wave = found["angle"].values[:-1], found["phase_emf"].values[:-1]
    first = 2 * np.mean(wave * np.sin(angle))
    assert first == pytest.approx(P * found["linkage"].values[0, 0], rel=1e-9)
    line = 2 * np.mean(found["line_emf"].values[:-1] * np.sin(angle + pi / 6))
    assert line == pytest.approx(found["back_emf_constant"].values[0], rel=1e-9)
