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
_WHOLE = 0.9  # of a turn's periods: a beat is told from there on
_MISMATCH = 0.03  # between a given speed and that of the waveform
_UNEVEN = 0.25  # of a waveform left over: harmonics are less, a wild speed is more
_SMOOTH = 6  # degree of the phase over time, at most: a drill's slow changes
_LEAST_WINDOWS, _LEAST_IN_WINDOW = 8, 8
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
        Range over mean of the three phases; None where lines were read.

    """

    emf: Emf
    speed: float
    measured_speed: bool
    constants: dict[str, tuple[float, float]]
    harmonics: dict[str, Array]
    beat: float | None
    imbalance: float | None


def fit_emf(study: Study, emf: Emf) -> EmfFit:
    """Fit sine waves and their harmonics to back-EMF over the speed that it was read at.

    Over time the speed follows from the waveform itself, as it changes: a hand drill slows and
    hurries, and volts are of a moment's speed. With the pole pairs no tachometer is needed.

    Raises
    ------
    StudyError
        If the waveform is too short or too coarse, or its frequency is not that of its speed.

    """
    p = study.rotor.pole_pairs
    if emf.angle is not None:
        assert emf.speed is not None
        turn, speed = p * emf.angle, np.full(len(emf.angle), emf.speed)
    else:
        turn, speed = _unrolled(emf, p)
        mean = float(np.mean(speed))
        if emf.speed is not None and abs(mean / emf.speed - 1) > _MISMATCH:
            raise StudyError([
                f"{emf.path}: waveform and speed_rpm must agree; got {mean * 30 / np.pi:.4g} rpm "
                f"by the waveform with {p} pole pairs and {emf.speed * 30 / np.pi:.4g} rpm; "
                "correct speed_rpm, the unit of time or rotor.pole_pairs"
            ])  # fmt: skip
    constants, harmonics, beats = {}, {}, []
    for lead, volts in emf.volts.items():
        read = np.isfinite(volts)
        x, y = turn[read], volts[read] / speed[read]
        amplitudes, sd, left = _sines(x, y, path=emf.path)
        if left > _UNEVEN:
            raise StudyError([
                f"{emf.path}: lead {lead} is no back-EMF of {p} pole pairs at a steady speed; got "
                f"{100 * left:.0f} % of it left over; turn evenly, and record again"
            ])  # fmt: skip
        by_wave = emf.angle is None
        relative = np.hypot(sd / amplitudes[0], np.hypot(METER, 0.0 if by_wave else SPEED))
        constants[lead] = float(amplitudes[0]), float(relative * amplitudes[0])
        harmonics[lead] = amplitudes / amplitudes[0]
        beats.append(_beat(x, y, p))
    told = [beat for beat in beats if np.isfinite(beat)]
    return EmfFit(
        emf, float(np.mean(speed)), emf.angle is None, constants, harmonics,
        beat=max(told) if told else None, imbalance=_imbalance(constants),
    )  # fmt: skip


def _imbalance(constants: dict[str, tuple[float, float]]) -> float | None:
    """Return the range over the mean of phases; None of fewer than three."""
    values = [value for lead, (value, _) in constants.items() if len(lead) == 1]
    return float(np.ptp(values) / np.mean(values)) if len(values) > 2 else None


def _columns(x: Array, waves: float, orders: tuple[int, ...]) -> Array:
    parts = [np.ones_like(x)]
    for k in orders:
        parts += [np.cos(k * waves * x), np.sin(k * waves * x)]
    return np.array(parts).T


def _sines(x: Array, y: Array, *, path: str) -> tuple[Array, float, float]:
    """Fit `_ORDERS` over an electrical angle.

    Returns their amplitudes, the standard uncertainty of the first, and the rms of what is left
    over that of the fit.
    """
    periods = float(np.ptp(x)) / (2 * np.pi)
    each = len(x) / max(periods, 1e-9)
    if each < 4 or periods < 0.9:
        raise StudyError([
            f"{path}: a waveform must have a whole electrical period and 4 readings in each; got "
            f"{periods:.3g} periods with {each:.3g} readings each; record longer or more often"
        ])  # fmt: skip
    orders = tuple(k for k in _ORDERS if 2.2 * k < each)
    A = _columns(x, 1.0, orders)
    found, *_ = np.linalg.lstsq(A, y, rcond=None)
    left = y - A @ found
    sd = float(np.sqrt((left**2).sum() / max(len(y) - len(found), 1) * 2 / len(y)))
    pairs = np.hypot(found[1::2], found[2::2])
    amplitudes = np.full(len(_ORDERS), np.nan)
    amplitudes[[_ORDERS.index(k) for k in orders]] = pairs
    if not amplitudes[0] > 5 * sd:
        raise StudyError([
            f"{path}: no back-EMF in this waveform; got an amplitude within its noise; check "
            "columns, units and rotor.pole_pairs"
        ])  # fmt: skip
    return amplitudes, sd, float(np.std(left) / np.std(A @ found))


def _unrolled(emf: Emf, pole_pairs: int) -> tuple[Array, Array]:
    """Electrical angle [rad] and speed of the shaft [rad/s] at every time.

    The phase against a steady wave, over windows of two periods, as a smooth function of time.
    """
    assert emf.time is not None
    volts = next(iter(emf.volts.values()))
    read = np.isfinite(volts)
    t, y, w = emf.time[read], volts[read], _frequency(emf)
    half = np.pi / w
    centres, phases = [], []
    for centre in np.arange(t[0] + 2 * half, t[-1] - 2 * half, half):
        low, high = np.searchsorted(t, [centre - 2 * half, centre + 2 * half])
        if high - low < _LEAST_IN_WINDOW:
            continue
        found, *_ = np.linalg.lstsq(_columns(t[low:high], w, (1,)), y[low:high], rcond=None)
        centres.append(centre)
        phases.append(np.arctan2(-found[2], found[1]))
    if len(centres) < _LEAST_WINDOWS:
        return w * emf.time, np.full(len(emf.time), w / pole_pairs)
    degree = min(_SMOOTH, len(centres) // 4)
    smooth = np.polynomial.Polynomial.fit(centres, np.unwrap(phases), degree)
    return w * emf.time + smooth(emf.time), (w + smooth.deriv()(emf.time)) / pole_pairs


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


def _beat(x: Array, y: Array, pole_pairs: int) -> float:
    """Half the range of single periods' amplitudes within a turn over their mean.

    The middle of all turns in the record; NaN of less than a turn.
    """
    period = np.floor((x - x.min()) / (2 * np.pi)).astype(int)
    found = np.full(period.max() + 1, np.nan)
    for k in range(len(found)):
        here = period == k
        if here.sum() < 6 or np.ptp(x[here]) < 0.8 * 2 * np.pi:
            continue
        fitted, *_ = np.linalg.lstsq(_columns(x[here], 1.0, (1,)), y[here], rcond=None)
        found[k] = np.hypot(*fitted[1:])
    turns = len(found) // pole_pairs
    each = found[: turns * pole_pairs].reshape(turns, pole_pairs)
    whole = each[np.isfinite(each).mean(axis=1) > _WHOLE] if turns else each
    if pole_pairs < 2 or not len(whole):
        return float("nan")
    ranges = np.nanmax(whole, axis=1) - np.nanmin(whole, axis=1)
    return float(np.median(ranges / 2 / np.nanmean(whole, axis=1)))


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
    slots = study.stator.slots
    # Of an odd number of magnets north and south poles are not alike.
    poles = study.rotor.pole_pairs * (2 if study.rotor.magnets_per_pole_pair % 2 == 0 else 1)
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
