"""Heat runs: simulated ones give back what they were made with; faults are told."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from makers import make_study
from scipy.integrate import solve_ivp

from arrayopt.errors import StudyError
from arrayopt.machine import phase_resistance, thermal_resistance
from arrayopt.measurement import heat_run as module
from arrayopt.measurement.heat_run import fit_heat_run
from arrayopt.measurement.records import HeatRun

R, CAPACITY, CURRENT, ROOM = 2.4, 300.0, 4.0, 22.0  # K/W, J/K, A, degC
TAU = R * CAPACITY
MINUTES = np.array([0, 1, 2, 3, 5, 7, 10, 15, 20, 25, 30, 40, 50, 60.0])


def motor(**values):
    return make_study(pole_pairs=14, kind="slotted", values=values)


def simulated(study, minutes=MINUTES, *, current=CURRENT, start=ROOM):
    """Temperatures of a winding that copper heats and the room cools; independent: integrated."""

    def slope(_, T):
        return (3 * current**2 * phase_resistance(study, T[0]) - (T[0] - ROOM) / R) / CAPACITY

    seconds = minutes * 60
    found = solve_ivp(slope, (0, seconds[-1]), [start], t_eval=seconds, rtol=1e-9, atol=1e-9)
    return found.y[0]


def heat_of(study, values, minutes=MINUTES, **more):
    """Return a run read by thermometer; with `resistance` by the copper's resistance."""
    of_line = 2 / 3 if study.winding.connection == "delta" else 2.0
    resistance = None
    if more.pop("by_resistance", False):
        resistance = of_line * np.array([phase_resistance(study, T) for T in values])
        values = None
    given = {"current": CURRENT, "ambient": ROOM} | more
    return HeatRun("run.csv", 0, minutes * 60, values, resistance, **given)


@pytest.mark.parametrize("by_resistance", [False, True])
@pytest.mark.parametrize("connection", ["star", "delta"])
def test_run_without_noise(connection, by_resistance):
    """Independent: the winding's temperature integrated over time."""
    study = motor(**{"winding.connection": connection})
    found = fit_heat_run(study, heat_of(study, simulated(study), by_resistance=by_resistance))
    # The integration's own error is 1e-7.
    assert found.thermal_resistance == pytest.approx(R, rel=1e-5)
    assert found.time_constant == pytest.approx(TAU, rel=1e-5)
    assert found.by_resistance == by_resistance
    assert found.noise < 1e-4
    assert found.steady_rise == pytest.approx(R * found.loss, rel=1e-9)
    hours = np.array([0, 24 * 60.0])
    assert found.steady_rise == pytest.approx(simulated(study, hours)[-1] - ROOM, rel=1e-5)


def test_study_of_the_steady_rise_says_the_same():
    """Independent: `heat.run` of a study is the other road to the same thermal resistance."""
    study = motor(**{"heat.ambient_c": ROOM})
    found = fit_heat_run(study, heat_of(study, simulated(study)))
    run = {"current_a_rms": CURRENT, "rise_k": found.steady_rise}
    by_study = study.with_values({"heat.thermal_resistance_k_per_w": None, "heat.run": run})
    assert thermal_resistance(by_study) == pytest.approx(found.thermal_resistance, rel=1e-9)


def test_copper_that_warms_is_counted():
    """With loss as if cold, the steady rise would read as a greater resistance by this."""
    study = motor()
    found = fit_heat_run(study, heat_of(study, simulated(study)))
    cold = 3 * CURRENT**2 * phase_resistance(study, ROOM)
    hot = 3 * CURRENT**2 * phase_resistance(study, ROOM + found.steady_rise)
    assert found.loss == pytest.approx(hot, rel=1e-9)
    assert found.steady_rise / cold > 1.1 * found.thermal_resistance


def z_scores(by_resistance, spoil):
    """Deviations of 100 fits over their standard uncertainties, shape (2, 100)."""
    study = motor()
    rng = np.random.default_rng(3)
    true = simulated(study)
    scores = []
    for _ in range(100):
        run = heat_of(study, true, by_resistance=by_resistance)
        found = fit_heat_run(study, spoil(rng, run))
        scores.append([
            (found.thermal_resistance - R) / found.thermal_resistance_uncertainty,
            (found.time_constant - TAU) / found.time_constant_uncertainty,
        ])  # fmt: skip
    return np.array(scores).T


def noisy(rng, run):
    """0.5 K or 0.2 % of noise in each row."""
    if run.resistance is None:
        return dataclasses.replace(run, winding=run.winding + rng.normal(0, 0.5, len(run.time)))
    factor = 1 + rng.normal(0, 2e-3, len(run.time))
    return dataclasses.replace(run, resistance=run.resistance * factor)


@pytest.mark.parametrize("by_resistance", [False, True])
def test_noise(by_resistance, monkeypatch):
    """What rows scatter by is what the fit says, no more and no less, with perfect meters."""
    for name in ("_THERMOMETER", "_RATIO", "_AMMETER", "_OHMMETER", "_COMPUTED"):
        monkeypatch.setattr(module, name, 0.0)
    for z in z_scores(by_resistance, noisy):
        assert (np.abs(z) < 3).mean() >= 0.95
        # Of 100 normal numbers the deviation is within 0.79 and 1.21 in 99 % of cases; that of
        # 11 degrees of freedom is 1.1 times wider.
        assert 0.75 < z.std() < 1.4
        assert abs(z.mean()) < 0.35


@pytest.mark.parametrize("by_resistance", [False, True])
def test_meters_that_are_off(by_resistance):
    """Meters off by what is taken for good ones: the floor covers them, and not by far."""

    def spoil(rng, run):
        run = noisy(rng, run)
        run = dataclasses.replace(run, current=run.current * (1 + rng.normal(0, 0.01)))
        if by_resistance:
            return dataclasses.replace(run, resistance=run.resistance * (1 + rng.normal(0, 5e-3)))
        return dataclasses.replace(run, winding=run.winding + rng.normal(0, 1.0))

    z = z_scores(by_resistance, spoil)
    assert (np.abs(z) < 3).mean(axis=1).min() >= 0.95
    assert z[0].std() > 0.5


def test_winding_that_begins_warm():
    """Independent: an earlier run has left the winding 15 K over the room."""
    study = motor()
    found = fit_heat_run(study, heat_of(study, simulated(study, start=ROOM + 15)))
    assert found.thermal_resistance == pytest.approx(R, rel=1e-5)
    assert found.time_constant == pytest.approx(TAU, rel=1e-5)
    assert found.rise[0] == pytest.approx(15, rel=1e-6)


def test_first_row_after_the_start():
    """Times count from the first row, whenever the clock was started."""
    study = motor()
    found = fit_heat_run(study, heat_of(study, simulated(study), MINUTES + 7))
    assert found.time_constant == pytest.approx(TAU, rel=1e-5)


def test_steady_or_not():
    study = motor()
    for last, steady in ((25.0, False), (100.0, True)):
        minutes = np.linspace(0, last, 20)
        found = fit_heat_run(study, heat_of(study, simulated(study, minutes), minutes))
        assert found.steady == steady
        rise = simulated(study, minutes)[-1] - ROOM
        assert found.share == pytest.approx(rise / found.steady_rise, rel=1e-5)


def test_beside_the_study():
    for value, agrees in ((R, True), (1.06 * R, True), (1.3 * R, False)):
        study = motor(**{"heat.thermal_resistance_k_per_w": value})
        found = fit_heat_run(study, heat_of(study, simulated(study)))
        assert found.ratio == pytest.approx(R / value, rel=1e-5)
        assert found.agrees is agrees


def test_resistance_counts_where_both_were_read():
    study = motor()
    true = simulated(study)
    run = heat_of(study, true, by_resistance=True)
    run.resistance[3] = np.nan
    found = fit_heat_run(study, dataclasses.replace(run, winding=true - 8))
    assert found.by_resistance
    assert len(found.time) == len(MINUTES) - 1
    assert found.thermal_resistance == pytest.approx(R, rel=1e-5)


def test_room_of_the_study():
    study = motor(**{"heat.ambient_c": ROOM})
    found = fit_heat_run(study, heat_of(study, simulated(study), ambient=None))
    assert found.ambient == ROOM
    assert found.thermal_resistance == pytest.approx(R, rel=1e-5)


def test_no_heat_in_the_study():
    study = motor()
    bare = study.model_copy(update={"heat": None})
    run = heat_of(study, simulated(study))
    found = fit_heat_run(bare, run)
    assert found.agrees is None
    assert np.isnan(found.ratio)
    with pytest.raises(StudyError) as fault:
        fit_heat_run(bare, dataclasses.replace(run, ambient=None))
    assert fault.value.faults == (
        "run.csv: the temperature of the room is missing, and the study has no [heat]; add a line "
        "# ambient_c = ... above the header",
    )


def spoiled(minutes=MINUTES, values=None, **more):
    study = motor()
    values = simulated(study, minutes) if values is None else values
    return heat_of(study, values, minutes, **more)


@pytest.mark.parametrize(
    ("run", "told"),
    [
        (spoiled(np.linspace(0, 8, 9)), "must last for a time constant at least; its fit is not"),
        (spoiled(values=60 - MINUTES / 4), "got 60 degC at first and 45 last; give the rows from"),
        (spoiled(values=60 - MINUTES / 4, by_resistance=True), "the winding must get warmer; got"),
        (spoiled(values=40 + 0 * MINUTES), "must get warmer; got 40 degC at first and 40 last"),
        (spoiled(MINUTES[:4]), "a fit needs at least 5 rows; got 4; measure more"),
        (spoiled(ambient=200.0), "must end warmer than the room"),
        (spoiled(values=22 + MINUTES), "its fit is not to be trusted"),
        (spoiled(values=22 + np.expm1(MINUTES / 20)), "its fit is not to be trusted"),
    ],
)  # fmt: skip
def test_faults(run, told):
    with pytest.raises(StudyError) as fault:
        fit_heat_run(motor(), run)
    (line,) = fault.value.faults
    assert line.startswith("run.csv: ")
    assert told in line
