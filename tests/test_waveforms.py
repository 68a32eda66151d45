"""Back-EMF and cogging waveforms: amplitudes, speeds, beats, what is refused."""

import numpy as np
import pytest
from makers import make_study

from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate
from arrayopt.measurement.records import Cogging, Emf
from arrayopt.measurement.waveforms import fit_cogging, fit_emf

STUDY = make_study(pole_pairs=7, diameter=60.0, values={"stator.slots": 12})
P, SPEED = 7, 80.0
RNG = np.random.default_rng(3)


def wave(x, *, waves, amplitude, third=0.0, fifth=0.0, phase=0.4, noise=0.0):
    more = third * np.sin(3 * waves * x) + fifth * np.sin(5 * waves * x)
    sines = np.sin(waves * x + phase) + more
    return amplitude * sines + noise * RNG.standard_normal(len(x))


def test_speed_and_constant_over_time():
    """Exact waveform: frequency over pole pairs is the speed, amplitude over speed the constant."""
    t = np.arange(0, 0.12, 1e-4)
    volts = wave(t, waves=P * SPEED, amplitude=0.09 * SPEED, fifth=0.05, noise=0.02)
    fit = fit_emf(STUDY, Emf("e.csv", 0, {"ab": volts}, time=t))
    assert fit.measured_speed
    assert fit.speed == pytest.approx(SPEED, rel=1e-3)
    constant, sd = fit.constants["ab"]
    assert constant == pytest.approx(0.09, abs=3 * sd)
    assert 0.009 < sd / constant < 0.012  # the meter's
    assert fit.harmonics["ab"][2] == pytest.approx(0.05, abs=0.01)
    assert fit.beat is not None  # 1.5 turns
    assert fit.beat[0] < 0.01
    assert fit.imbalance is None


def test_over_angle_three_leads_with_gaps():
    x = np.radians(np.arange(0, 120, 0.5))
    leads = {
        lead: wave(x, waves=P, amplitude=a, third=0.1, phase=shift)
        for lead, a, shift in (("a", 4.0, 0.0), ("b", 4.0, 2.1), ("c", 4.2, 4.2))
    }
    leads["b"][10:60] = np.nan
    fit = fit_emf(STUDY, Emf("e.csv", 0, leads, angle=x, speed=SPEED))
    assert [round(v[0] * SPEED, 6) for v in fit.constants.values()] == [4.0, 4.0, 4.2]
    assert fit.imbalance == pytest.approx(0.2 / (12.2 / 3), rel=1e-6)
    assert fit.beat is None  # a third of a turn
    assert fit.harmonics["a"][1] == pytest.approx(0.1, rel=1e-6)


def test_beat_within_a_turn():
    """Exact: an amplitude that swings by 3 % once a turn."""
    x = np.radians(np.arange(0, 720, 0.5))
    swing = 1 + 0.03 * np.cos(x)
    volts = swing * wave(x, waves=P, amplitude=4.0)
    fit = fit_emf(STUDY, Emf("e.csv", 0, {"ab": volts}, angle=x, speed=SPEED))
    # Each period averages over a seventh of a turn.
    assert fit.beat[0] == pytest.approx(0.03 * np.sinc(1 / 7), rel=0.06)


def test_samples_at_random_times():
    t = np.sort(RNG.uniform(0, 0.1, 1500))
    volts = wave(t, waves=P * SPEED, amplitude=7.0, noise=0.05)
    fit = fit_emf(STUDY, Emf("e.csv", 0, {"ab": volts}, time=t))
    assert fit.speed == pytest.approx(SPEED, rel=2e-3)
    assert fit.constants["ab"][0] * SPEED == pytest.approx(7.0, rel=2e-3)


@pytest.mark.parametrize("pole_pairs", [5, 14])
def test_wrong_pole_pairs_do_not_fit_the_speed(pole_pairs):
    t = np.arange(0, 0.1, 1e-4)
    emf = Emf("e.csv", 0, {"ab": wave(t, waves=P * SPEED, amplitude=7.0)}, time=t, speed=SPEED)
    fit_emf(STUDY, emf)
    other = STUDY.varied({"rotor.pole_pairs": pole_pairs})
    with pytest.raises(StudyError, match="waveform and speed_rpm must agree"):
        fit_emf(other, emf)


@pytest.mark.parametrize(
    ("t", "y", "told"),
    [
        (np.arange(0, 0.01, 1e-4), 1.0, "at least 3 electrical periods"),
        (np.arange(0, 0.1, 1e-4), 0.0, "no back-EMF|at least 3|4 readings in each|reads nothing"),
    ],
)
def test_unusable_waveforms_are_told(t, y, told):
    volts = y * wave(t, waves=P * SPEED, amplitude=7.0) + 1e-9 * RNG.standard_normal(len(t))
    with pytest.raises(StudyError, match=told):
        fit_emf(STUDY, Emf("e.csv", 0, {"ab": volts}, time=t))


def test_coarse_waveform_is_told():
    x = np.radians(np.arange(0, 360, 30.0))
    emf = Emf("e.csv", 0, {"ab": wave(x, waves=P, amplitude=7.0)}, angle=x, speed=SPEED)
    with pytest.raises(StudyError, match="4 readings in each"):
        fit_emf(STUDY, emf)


def test_cogging_by_waves():
    """Exact: what a rig adds once a turn and its friction stay out of the slots' waves."""
    x = np.radians(np.arange(0, 360, 0.5))
    torque = 2e-3 + 5e-3 * np.cos(x) + 1e-3 * np.sin(12 * x + 1) + 4e-4 * np.cos(24 * x)
    torque = torque + 2e-4 * np.cos(84 * x) + 5e-5 * RNG.standard_normal(len(x))
    fit = fit_cogging(STUDY, Cogging("c.csv", 0, x, torque))
    assert fit.waves == (12, 24, 84)
    assert fit.amplitudes == pytest.approx((1e-3, 4e-4, 2e-4), abs=4 * fit.uncertainty)
    assert fit.drag == pytest.approx(2e-3, abs=1e-5)
    assert fit.uncertainty == pytest.approx(5e-5 * np.sqrt(2 / len(x)), rel=0.2)


def test_cogging_over_three_slots():
    x = np.radians(np.arange(0, 90, 1.0))
    fit = fit_cogging(STUDY, Cogging("c.csv", 0, x, 1e-3 * np.sin(12 * x)))
    assert fit.waves == (12, 24, 84)
    assert fit.amplitudes[0] == pytest.approx(1e-3, rel=1e-6)


def test_short_cogging_is_told():
    x = np.radians(np.arange(0, 40, 1.0))
    with pytest.raises(StudyError, match="over two slots at least"):
        fit_cogging(STUDY, Cogging("c.csv", 0, x, 0 * x))


def test_constant_is_that_of_evaluate():
    """Two routes: the computed waveform read back gives the computed constant."""
    results = evaluate(STUDY)
    angle = np.radians(np.arange(0, 360, 1.0))
    line = np.interp(angle * P % (2 * np.pi), results.angle.values, results.line_emf.values)
    fit = fit_emf(STUDY, Emf("e.csv", 0, {"ab": line * SPEED}, angle=angle, speed=SPEED))
    assert fit.constants["ab"][0] == pytest.approx(float(results.back_emf_constant[0]), rel=2e-3)


TURNS = {
    "drift": lambda s: 1 + 0.3 * (s - 0.5),
    "once a turn": lambda s: 1 + 0.02 * np.sin(2 * np.pi * 6 * s),
    "from standstill": lambda s: np.minimum(3 * s, 1.0),
    "let go": lambda s: np.where(s < 0.4, 1.0, np.exp(-3 * (s - 0.4))),
    "half to half as much again": lambda s: 0.5 + s,
    "in waves": lambda s: 1 + 0.1 * np.sin(2 * np.pi * 3 * s),
}


@pytest.mark.parametrize("noise", [0.0, 0.1])
@pytest.mark.parametrize("kind", list(TURNS))
def test_turned_by_hand(kind, noise):
    """Exact: volts of a speed that changes, by the speed of each moment."""
    rng = np.random.default_rng(11)
    t = np.arange(0, 0.5, 1e-4)
    speed = SPEED * TURNS[kind](t / t[-1])
    turn = np.cumsum(speed) * 1e-4
    volts = 0.09 * speed * np.sin(P * turn + 0.3) + noise * rng.standard_normal(len(t))
    fit = fit_emf(STUDY, Emf("e.csv", 0, {"ab": volts}, time=t))
    assert fit.constants["ab"][0] == pytest.approx(0.09, rel=6e-3)
    # A changing speed is no beat; noise makes one of the size that is told.
    value, of_noise = fit.beat
    assert value < 0.01 + 2 * of_noise


def test_leads_in_turn_and_gaps():
    """Each lead by its own record; a pause does not count as turning."""
    t = np.arange(0, 0.6, 1e-4)
    volts = wave(t, waves=P * SPEED, amplitude=7.2, noise=0.02)
    leads = {lead: np.full(len(t), np.nan) for lead in ("ab", "bc", "ca")}
    for k, lead in enumerate(leads):
        leads[lead][k * 2000 : (k + 1) * 2000] = volts[k * 2000 : (k + 1) * 2000] * (1 - 0.05 * k)
    leads["ab"][600:1300] = np.nan
    fit = fit_emf(STUDY, Emf("e.csv", 0, leads, time=t))
    found = [value * SPEED for value, _ in fit.constants.values()]
    assert found == pytest.approx([7.2, 6.84, 6.48], rel=3e-3)
    assert fit.imbalance == pytest.approx(0.1 / 0.95, rel=0.05)


def test_a_dead_lead_is_named():
    t = np.arange(0, 0.2, 1e-4)
    volts = wave(t, waves=P * SPEED, amplitude=7.2)
    for dead in (0 * t, 0.01 * RNG.standard_normal(len(t))):
        with pytest.raises(StudyError, match="lead a reads nothing"):
            fit_emf(STUDY, Emf("e.csv", 0, {"a": dead, "b": volts}, time=t))


def test_a_wild_speed_is_told():
    t = np.arange(0, 0.5, 1e-4)
    speed = SPEED * (1 + 0.6 * np.sin(2 * np.pi * 20 * t))
    volts = 0.09 * speed * np.sin(P * np.cumsum(speed) * 1e-4)
    with pytest.raises(StudyError, match="turn more evenly"):
        fit_emf(STUDY, Emf("e.csv", 0, {"ab": volts}, time=t))
