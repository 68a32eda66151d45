"""Driver data: conventions that agree with each other, star and delta, current limits."""

import json
import math

import numpy as np
import pytest
from makers import make_study

from arrayopt.checks.current_limit import demagnetising_current
from arrayopt.checks.demagnetisation import demagnetisation
from arrayopt.evaluation import evaluate
from arrayopt.export.driver import driver_data, driver_json, driver_text
from arrayopt.study import parse_study, starter_text

STAR = parse_study(starter_text())
DELTA = STAR.with_values({"winding.connection": "delta"})


def told(study):
    return {v.key: v.value for v in driver_data(study, evaluate(study))}


@pytest.fixture(scope="module")
def both():
    return told(STAR), told(DELTA)


def test_exact_conventions_agree(both):
    for data in both:
        p, peak = data["pole_pairs"], data["flux_linkage_peak_wb"]
        assert data["torque_constant_nm_per_a_peak"] == pytest.approx(1.5 * p * peak, rel=1e-12)
        assert data["torque_constant_nm_per_a_rms"] == pytest.approx(
            math.sqrt(2) * data["torque_constant_nm_per_a_peak"], rel=1e-12
        )
        # Power: 3/2 times peak phase voltage times peak current, line to line root three more.
        line = data["back_emf_peak_v_s_per_rad"]
        assert line == pytest.approx(math.sqrt(3) * p * peak, rel=2e-3)  # wave's peak, harmonics
        assert data["speed_constant_rpm_per_v"] == pytest.approx(30 / math.pi / line, rel=1e-9)
        assert data["back_emf_rms_v_per_krpm"] == pytest.approx(
            line / math.sqrt(2) * 1000 * math.pi / 30, rel=1e-12
        )
        assert data["line_resistance_ohm"] == pytest.approx(2 * data["phase_resistance_ohm"])
        assert data["line_inductance_mh"] == pytest.approx(2 * data["phase_inductance_mh"])
        assert data["electrical_frequency_hz"] == pytest.approx(
            p * data["no_load_speed_rpm"] / 60, rel=1e-12
        )


def test_exact_delta_is_the_star_that_behaves_alike(both):
    star, delta = both
    for key, ratio in (
        ("phase_resistance_ohm", 3), ("phase_inductance_mh", 3),
        ("flux_linkage_peak_wb", math.sqrt(3)), ("torque_constant_nm_per_a_peak", math.sqrt(3)),
    ):  # fmt: skip
        assert star[key] / delta[key] == pytest.approx(ratio, rel=1e-9)
    assert delta["current_by_demagnetisation_a_peak"] == pytest.approx(
        math.sqrt(3) * star["current_by_demagnetisation_a_peak"], rel=1e-3
    )
    # The drive's current is the line's in either.
    assert star["peak_current_a_peak"] == pytest.approx(delta["peak_current_a_peak"])


def test_exact_torque_of_the_heat_limit_is_the_continuous_torque():
    """At the limit's amplitude, magnets at the study's temperature were they as warm."""
    study = STAR.with_values({"heat.rotor_rise_share": 0.0, "rotor.magnet_temperature_c": 25})
    study = study.with_values({"heat.ambient_c": 25})
    results = evaluate(study)
    data = {v.key: v.value for v in driver_data(study, results)}
    torque = data["torque_constant_nm_per_a_peak"] * data["current_by_heat_a_peak"]
    assert torque == pytest.approx(float(results["continuous_torque"][0]), rel=1e-9)


def test_demagnetising_current_is_where_the_share_reaches_the_limit():
    current = demagnetising_current(STAR, temperature_c=100.0)
    limit = STAR.limits.demagnetised_percent / 100
    study = STAR.with_values({"drive": {"voltage_v": 24.0, "peak_current_a": current}})
    assert demagnetisation(study, temperature_c=100.0).share == pytest.approx(limit, rel=0.02)


def test_hotter_magnets_bear_less_current_and_at_last_none():
    found = [demagnetising_current(STAR, temperature_c=t) for t in (40, 100, 150, 200)]
    assert found == sorted(found, reverse=True)
    assert found[-1] == 0.0
    assert found[0] > found[1] > 0


def test_no_limit_is_told():
    study = STAR.with_values({"limits.demagnetised_percent": 100.0})
    assert np.isinf(demagnetising_current(study, temperature_c=20.0))
    values = driver_data(study, evaluate(study))
    assert "no limit" in driver_text(study, values)
    assert driver_json(study, values)["current_by_demagnetisation_a_peak"] is None


def test_what_is_not_known_is_left_out():
    study = make_study(pole_pairs=14).with_values({"heat": None, "drive": None})
    values = driver_data(study, evaluate(study))
    text = driver_text(study, values)
    assert "Current limit by heat" not in text
    assert "No-load speed" not in text
    assert driver_json(study, values)["no_load_speed_rpm"] is None


def test_command(run, tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(starter_text(), encoding="utf-8")
    code, out, _ = run("driver-data", path, "--out", tmp_path / "o", "--json")
    assert code == 0
    told = json.loads(out)
    assert told["conventions"].keys() <= told.keys()
    assert {p.name for p in (tmp_path / "o").iterdir()} == {"driver-data.json", "driver-data.txt"}
    code, low, _ = run("driver-data", path, "--remanence", "minimum", "--json")
    assert json.loads(low)["flux_linkage_peak_wb"] < told["flux_linkage_peak_wb"]
