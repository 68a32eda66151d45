"""Back-EMF and cogging waveforms: amplitudes, speed, beat and orders."""

from __future__ import annotations

from dataclasses import dataclass
from math import lcm

import numpy as np
from scipy.optimize import minimize_scalar

from arrayopt.errors import StudyError
from arrayopt.layout.shapes import Array
from arrayopt.measurement.records import Cogging, Emf
from arrayopt.study import Study

_ORDERS = (1, 3, 5, 7)  # harmonics that are fitted together
_LEAST_PERIODS = 1.5  # electrical, of a waveform without a known speed
_WHOLE = 0.9  # of a turn: a beat is told from there on
METER = 0.01  # of a voltage (common practice, no source)
SPEED = 0.005  # of a speed that the file gives (common practice, no source)


@dataclass(frozen=True)
class EmfFit:
    """What back-EMF waveforms say.

    Attributes
    ----------
    emf : Emf
    speed : float
        Of the shaft, mechanical [rad/s].
    measured_speed : bool
        Whether it follows from the waveform.
    constants : dict of str to (float, float)
        By lead the peak of the fundamental over the mechanical speed, and its standard
        uncertainty [V s/rad].
    harmonics : dict of str to ndarray, shape (order,)
        By lead amplitudes of the orders 1, 3, 5 and 7 over the fundamental; NaN where the
        samples are too few.
    beat : float or None
        Half the range of the amplitude within a turn over its mean; None of less than a turn.
    imbalance : float or None
        Range over mean of leads of one kind; None of fewer than two.

    """

    emf: Emf
    speed: float
    measured_speed: bool
    constants: dict[str, tuple[float, float]]
    harmonics: dict[str, Array]
    beat: float | None
    imbalance: float | None


def fit_emf(study: Study, emf: Emf) -> EmfFit:
    """Fit sine waves and their harmonics to back-EMF waveforms.

    Over time the frequency is that which a sine wave fits best; with the pole pairs it gives the
    speed, so no tachometer is needed.

    Raises
    ------
    StudyError
        If the waveform is too short or too coarse, or its frequency is not that of its speed.

    """
    p = study.rotor.pole_pairs
    speed, by_wave = emf.speed, False
    if emf.angle is not None:
        assert speed is not None
        x, waves = emf.angle, float(p)
        turns = float(np.ptp(x)) / (2 * np.pi)
    else:
        assert emf.time is not None
        x = emf.time
        waves = _frequency(emf)
        found = waves / p
        if speed is not None and abs(found / speed - 1) > 0.03:
            raise StudyError([
                f"{emf.path}: waveform and speed_rpm must agree; got {found * 30 / np.pi:.4g} rpm "
                f"by the waveform with {p} pole pairs and {speed * 30 / np.pi:.4g} rpm; correct "
                "speed_rpm, the unit of time or rotor.pole_pairs"
            ])  # fmt: skip
        speed, by_wave = found, True
        turns = float(np.ptp(x)) * speed / (2 * np.pi)
    constants, harmonics, beats = {}, {}, []
    for lead, volts in emf.volts.items():
        read = np.isfinite(volts)
        amplitudes, sd = _sines(x[read], volts[read], waves, path=emf.path)
        relative = np.hypot(sd / amplitudes[0], np.hypot(METER, 0.0 if by_wave else SPEED))
        constants[lead] = amplitudes[0] / speed, float(relative * amplitudes[0] / speed)
        harmonics[lead] = amplitudes / amplitudes[0]
        if turns >= _WHOLE:
            beats.append(_beat(x[read], volts[read], waves))
    return EmfFit(
        emf, float(speed), by_wave, constants, harmonics,
        beat=max(beats) if beats else None, imbalance=_imbalance(constants),
    )  # fmt: skip


def _imbalance(constants: dict[str, tuple[float, float]]) -> float | None:
    """Return the range over the mean of phases, or of lines; None of fewer than two."""
    for length in (1, 2):
        values = [value for lead, (value, _) in constants.items() if len(lead) == length]
        if len(values) > 1:
            return float(np.ptp(values) / np.mean(values))
    return None


def _columns(x: Array, waves: float, orders: tuple[int, ...]) -> Array:
    parts = [np.ones_like(x)]
    for k in orders:
        parts += [np.cos(k * waves * x), np.sin(k * waves * x)]
    return np.array(parts).T


def _sines(x: Array, y: Array, waves: float, *, path: str) -> tuple[Array, float]:
    """Return amplitudes of `_ORDERS` and the standard uncertainty of the first."""
    periods = float(np.ptp(x)) * waves / (2 * np.pi)
    each = len(x) / max(periods, 1e-9)
    if each < 4 or periods < 0.9:
        raise StudyError([
            f"{path}: a waveform must have a whole electrical period and 4 readings in each; got "
            f"{periods:.3g} periods with {each:.3g} readings each; record longer or more often"
        ])  # fmt: skip
    orders = tuple(k for k in _ORDERS if 2.2 * k < each)
    A = _columns(x, waves, orders)
    found, *_ = np.linalg.lstsq(A, y, rcond=None)
    left = y - A @ found
    sd = float(np.sqrt((left**2).sum() / max(len(y) - len(found), 1) * 2 / len(y)))
    pairs = np.hypot(found[1::2], found[2::2])
    amplitudes = np.full(len(_ORDERS), np.nan)
    amplitudes[[_ORDERS.index(k) for k in orders]] = pairs
    if not amplitudes[0] > 5 * sd:
        raise StudyError([
            f"{path}: no back-EMF of {waves:.4g} rad a unit in this waveform; got an amplitude of "
            f"{amplitudes[0]:.3g} V in noise; check columns, units and rotor.pole_pairs"
        ])  # fmt: skip
    return amplitudes, sd


def _frequency(emf: Emf) -> float:
    """Angular frequency that a sine wave fits best [rad/s]."""
    assert emf.time is not None
    volts = next(iter(emf.volts.values()))
    read = np.isfinite(volts)
    t, y = emf.time[read], volts[read] - np.mean(volts[read])
    even = np.linspace(t[0], t[-1], len(t))
    spectrum = np.abs(np.fft.rfft(np.interp(even, t, y) * np.hanning(len(t)), 4 * len(t)))
    step = 2 * np.pi / (4 * (t[-1] - t[0]) * len(t) / (len(t) - 1))
    peak = int(np.argmax(spectrum))
    if peak * step * (t[-1] - t[0]) < _LEAST_PERIODS * 2 * np.pi:
        raise StudyError([
            f"{emf.path}: the record must hold at least {_LEAST_PERIODS:g} electrical periods; got "
            f"{t[-1] - t[0]:.3g} s; record longer or turn faster"
        ])  # fmt: skip

    def left(w: float) -> float:
        A = _columns(t, w, (1,))
        found, *_ = np.linalg.lstsq(A, y, rcond=None)
        return float(((y - A @ found) ** 2).sum())

    bounds = (max(peak - 3, 0.5) * step, (peak + 3) * step)
    return float(minimize_scalar(left, bounds=bounds, method="bounded",
                                 options={"xatol": 1e-6 * step}).x)  # fmt: skip


def _beat(x: Array, y: Array, waves: float) -> float:
    """Half the range of the amplitude of single electrical periods over its mean."""
    period = np.floor((x - x.min()) * waves / (2 * np.pi)).astype(int)
    found = []
    for k in range(period.max() + 1):
        here = period == k
        if here.sum() < 6 or np.ptp(x[here]) * waves < 0.8 * 2 * np.pi:
            continue
        fitted, *_ = np.linalg.lstsq(_columns(x[here], waves, (1,)), y[here], rcond=None)
        found.append(np.hypot(*fitted[1:]))
    if len(found) < 2:
        return float("nan")
    return float(np.ptp(found) / 2 / np.mean(found))


@dataclass(frozen=True)
class CoggingFit:
    """What a cogging waveform says.

    Attributes
    ----------
    cogging : Cogging
    waves : tuple of int
        Per turn: once and twice a slot, and that of slots and poles together.
    amplitudes : tuple of float
        Peak of each [N m].
    uncertainty : float
        Standard, of each [N m].
    drag : float
        Mean torque: friction, iron loss [N m].

    """

    cogging: Cogging
    waves: tuple[int, ...]
    amplitudes: tuple[float, ...]
    uncertainty: float
    drag: float


def fit_cogging(study: Study, cogging: Cogging) -> CoggingFit:
    """Fit the waves of cogging: those of slots alone tell of magnets that differ.

    A perfect ring cogs ``lcm(Q, 2p)`` times a turn only (textbook, from memory).

    Raises
    ------
    StudyError
        If the record is shorter than two slots or too coarse for one wave a slot.

    """
    slots, poles = study.stator.slots, 2 * study.rotor.pole_pairs
    x, y = cogging.angle, cogging.torque
    spans = float(np.ptp(x)) / (2 * np.pi) * slots
    each = len(x) / max(spans, 1e-9)
    if spans < 2 or each < 4:
        raise StudyError([
            f"{cogging.path}: cogging must be read over two slots at least, with 4 readings in "
            f"each; got {spans:.3g} slots with {each:.3g} readings each; read more angles"
        ])  # fmt: skip
    wanted = [slots, 2 * slots, lcm(slots, poles)]
    waves = tuple(dict.fromkeys(n for n in wanted if 2.2 * n < each * slots))
    slow = [np.cos(x), np.sin(x)] if np.ptp(x) > np.pi else []
    A = np.column_stack([_columns(x, 1.0, waves), *slow])
    found, *_ = np.linalg.lstsq(A, y, rcond=None)
    left = y - A @ found
    sd = float(np.sqrt((left**2).sum() / max(len(y) - A.shape[1], 1) * 2 / len(y)))
    pairs = np.hypot(found[1 : 2 * len(waves) + 1 : 2], found[2 : 2 * len(waves) + 1 : 2])
    return CoggingFit(cogging, waves, tuple(map(float, pairs)), sd, float(found[0]))
