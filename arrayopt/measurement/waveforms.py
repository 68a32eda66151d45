"""Back-EMF and cogging waveforms: amplitudes, speed, beat and orders."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import uniform_filter1d
from scipy.signal import savgol_filter

from arrayopt.errors import StudyError
from arrayopt.machine import cogging_periods, like_poles
from arrayopt.measurement.instruments import VOLTMETER
from arrayopt.measurement.records import Cogging, Emf
from arrayopt.quantities import RPM, Array
from arrayopt.study import Study

HARMONICS = (1, 3, 5, 7)  # of a back-EMF, fitted together
_WHOLE = 0.9  # of a turn's periods: a beat is told from there on
_MISMATCH = 0.03  # between a given speed and that of the waveform
_UNEVEN = 0.25  # of a waveform left over: harmonics are less
_DEAD = 0.05  # of the largest lead's wave: less is none
_FAINT = 0.2  # of a lead's largest wave: where it is less, noise crosses zero too
_SLOW, _FASTEST = 1 / 3, 90  # of the fastest (percentile): slower parts are left out
_NEAR = 12  # part of a record in which a wave keeps its size, roughly
_GAP = 8  # times between readings that end a run
_HYSTERESIS = 0.3  # of a wave's rms about zero: noise within it is no crossing
_SMOOTH = 5  # points that a parabola goes through
_LEAST_CROSSINGS, _LEAST_IN_PERIOD = 6, 6
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
    beat : (float, float) or None
        Half the range of the amplitude within a turn over its mean, and what noise makes of it;
        None of less than a turn, or of too few readings a period.
    imbalance : float or None
        Range over mean of three phases, or lines; None of fewer.

    """

    emf: Emf
    speed: float
    measured_speed: bool
    constants: dict[str, tuple[float, float]]
    harmonics: dict[str, Array]
    beat: tuple[float, float] | None
    imbalance: float | None


def fit_emf(study: Study, emf: Emf) -> EmfFit:
    """Fit sine waves and their harmonics to back-EMF over the speed that it was read at.

    Over time the speed follows from the waveform itself, as it changes: a hand drill slows and
    hurries, and volts are of a moment's speed. With the pole pairs no tachometer is needed. Parts
    slower than a third of the fastest are left out.

    Raises
    ------
    StudyError
        If the waveform is too short or too coarse, a lead reads nothing, or the frequency is not
        that of the speed.

    """
    p = study.rotor.pole_pairs
    alive = {lead: float(np.nanstd(volts)) for lead, volts in emf.volts.items()}
    dead = [lead for lead, size in alive.items() if size < _DEAD * max(alive.values())]
    if dead or not max(alive.values()):
        named = " and ".join(f"lead {lead}" for lead in dead) or "every lead"
        raise StudyError([
            f"{emf.path}: {named} reads nothing; look for an open phase or a loose probe, or empty "
            "its column"
        ])  # fmt: skip
    constants, harmonics, beats, speeds = {}, {}, [], []
    for lead, volts in emf.volts.items():
        read = np.isfinite(volts)
        if emf.angle is not None:
            assert emf.speed is not None
            x, speed = p * emf.angle[read], np.full(int(read.sum()), emf.speed)
            y = volts[read]
        else:
            assert emf.time is not None
            x, speed, y = _unrolled(emf.time[read], volts[read], p, path=emf.path)
        amplitudes, sd, left = _sines(x, y, speed, path=emf.path)
        if left > _UNEVEN:
            raise StudyError([
                f"{emf.path}: lead {lead} is no back-EMF of {p} pole pairs; got {100 * left:.0f} % "
                "of it left over; look for hum, loose probes and wrong columns, or turn more evenly"
            ])  # fmt: skip
        # A phase that is off by what is left over makes an amplitude smaller by half its square.
        meter = np.hypot(VOLTMETER, SPEED if emf.angle is not None else 0.0)
        relative = np.hypot(np.hypot(sd / amplitudes[0], left**2 / 2), meter)
        constants[lead] = float(amplitudes[0]), float(relative * amplitudes[0])
        harmonics[lead] = amplitudes / amplitudes[0]
        beats.append(_beat(x, y / speed, p))
        speeds.append(float(np.mean(speed)))
    mean = float(np.mean(speeds))
    if emf.angle is None and emf.speed is not None and abs(mean / emf.speed - 1) > _MISMATCH:
        raise StudyError([
            f"{emf.path}: waveform and speed_rpm must agree; got {mean / RPM:.4g} rpm by "
            f"the waveform with {p} pole pairs and {emf.speed / RPM:.4g} rpm; correct "
            "speed_rpm, the unit of time or rotor.pole_pairs"
        ])  # fmt: skip
    told = [beat for beat in beats if np.isfinite(beat[0])]
    return EmfFit(
        emf, mean, emf.angle is None, constants, harmonics,
        beat=max(told) if told else None, imbalance=_imbalance(constants),
    )  # fmt: skip


def _imbalance(constants: dict[str, tuple[float, float]]) -> float | None:
    """Return the range over the mean of three phases, else of three lines; None of fewer."""
    for length in (1, 2):
        values = [value for lead, (value, _) in constants.items() if len(lead) == length]
        if len(values) > 2:
            return float(np.ptp(values) / np.mean(values))
    return None


def _columns(x: Array, waves: float, orders: tuple[int, ...]) -> Array:
    parts = [np.ones_like(x)]
    for k in orders:
        parts += [np.cos(k * waves * x), np.sin(k * waves * x)]
    return np.array(parts).T


def _sines(x: Array, y: Array, speed: Array, *, path: str) -> tuple[Array, float, float]:
    """Fit `HARMONICS` over an electrical angle, times the speed.

    Returns their amplitudes over the speed, the standard uncertainty of the first, and the rms of
    what is left over that of the fit.
    """
    periods = float(np.ptp(x)) / (2 * np.pi) if len(x) else 0.0
    each = len(x) / max(periods, 1e-9)
    if each < 4 or periods < 0.9:
        raise StudyError([
            f"{path}: a waveform must have a whole electrical period and 4 readings in each; got "
            f"{periods:.3g} periods with {each:.3g} readings each; record longer or more often"
        ])  # fmt: skip
    orders = tuple(k for k in HARMONICS if 2.2 * k < each)
    A = np.column_stack([np.ones_like(x), _columns(x, 1.0, orders)[:, 1:] * speed[:, None]])
    found, *_ = np.linalg.lstsq(A, y, rcond=None)
    left = y - A @ found
    sd = float(np.sqrt((left**2).sum() / max(len(y) - len(found), 1) * 2 / (speed**2).sum()))
    pairs = np.hypot(found[1::2], found[2::2])
    amplitudes = np.full(len(HARMONICS), np.nan)
    amplitudes[[HARMONICS.index(k) for k in orders]] = pairs
    if not amplitudes[0] > 5 * sd:
        raise StudyError([
            f"{path}: no back-EMF in this waveform; got an amplitude within its noise; check "
            "columns, units and rotor.pole_pairs"
        ])  # fmt: skip
    return amplitudes, sd, float(np.std(left) / np.std(A @ found))


def _unrolled(t: Array, y: Array, pole_pairs: int, *, path: str) -> tuple[Array, Array, Array]:
    """Electrical angle [rad], speed of the shaft [rad/s] and volts where it turned fast enough.

    Every crossing of zero is half a period. The angle between is a parabola through the nearest
    crossings, then mended by the phase of each period against it.
    """
    parts = []
    breaks = np.flatnonzero(np.diff(t) > _GAP * np.median(np.diff(t))) + 1
    for run in np.split(np.arange(len(t)), breaks):
        crossings, first = _crossings(t[run], y[run])
        if len(crossings) < _LEAST_CROSSINGS:
            continue
        inside = run[(t[run] >= crossings[0]) & (t[run] <= crossings[-1])]
        angle, speed = _through(t[inside], crossings, first + np.pi * np.arange(len(crossings)))
        for _ in range(2):
            angle, speed = _mended(t[inside], y[inside], angle, speed)
        parts.append((angle, speed / pole_pairs, y[inside]))
    if not parts:
        raise StudyError([
            f"{path}: the record must hold at least {_LEAST_CROSSINGS / 2:g} electrical periods on "
            f"end; got {np.ptp(t) if len(t) else 0:.3g} s; record longer or turn faster"
        ])  # fmt: skip
    fastest = float(np.percentile(np.concatenate([speed for _, speed, _ in parts]), _FASTEST))
    kept, end = [], 0.0
    for angle, speed, volts in parts:
        fast = speed > _SLOW * fastest
        # Runs follow each other by whole turns; where a gap ended nobody knows.
        kept.append((angle[fast] + end, speed[fast], volts[fast]))
        end += 2 * np.pi * pole_pairs * np.ceil(np.ptp(angle) / (2 * np.pi * pole_pairs))
    x, speed, volts = (np.concatenate(part) for part in zip(*kept, strict=True))
    return x, speed, volts


def _crossings(t: Array, y: Array) -> tuple[Array, float]:
    """Return the times of the crossings of zero, and the first one's phase: 0 rising, or half.

    Noise about them counts once.
    """
    if len(t) < _LEAST_CROSSINGS:
        return np.array([]), 0.0
    middle = y - np.mean(y)
    # The size of the wave near each moment, for it grows with the speed.
    window = max(len(y) // _NEAR, 9)
    near = np.sqrt(uniform_filter1d(middle**2, window, mode="nearest"))
    side = np.where(middle > _HYSTERESIS * near, 1, np.where(middle < -_HYSTERESIS * near, -1, 0))
    sure = np.flatnonzero((side != 0) & (near > _FAINT * near.max()))
    turn = np.flatnonzero(side[sure][1:] != side[sure][:-1])
    a, b = sure[turn], sure[turn + 1]
    share = middle[a] / (middle[a] - middle[b])
    first = 0.0 if len(a) and middle[a[0]] < 0 else np.pi
    return np.asarray(t[a] + share * (t[b] - t[a])), first


def _through(t: Array, at: Array, angle: Array) -> tuple[Array, Array]:
    """Angle and its slope at times, by parabolas through the nearest few points."""
    width = min(_SMOOTH, len(at) - (len(at) + 1) % 2)
    smooth = savgol_filter(angle - _line(at, angle), width, 2, mode="interp") + _line(at, angle)
    curve = CubicSpline(at, smooth)
    return np.asarray(curve(t)), np.asarray(curve(t, 1))


def _line(x: Array, y: Array) -> Array:
    return np.asarray(np.polynomial.Polynomial.fit(x, y, 1)(x))


def _mended(t: Array, y: Array, angle: Array, speed: Array) -> tuple[Array, Array]:
    """Angle and its slope with the phase that each period's fit still finds."""
    period = np.floor((angle - angle[0]) / (2 * np.pi)).astype(int)
    at, phase = [], []
    for k in range(period[-1] + 1):
        here = period == k
        if here.sum() < _LEAST_IN_PERIOD or np.ptp(angle[here]) < 0.8 * 2 * np.pi:
            continue
        found, *_ = np.linalg.lstsq(_columns(angle[here], 1.0, (1,)), y[here], rcond=None)
        at.append(float(np.mean(t[here])))
        phase.append(float(np.arctan2(found[1], found[2])))  # of a sine
    if len(at) < _SMOOTH:
        return angle + (float(np.mean(np.unwrap(phase))) if phase else 0.0), speed
    off, slope = _through(t, np.array(at), np.unwrap(phase))
    inside = (t >= at[0]) & (t <= at[-1])
    edge = np.clip(t, at[0], at[-1])
    off = np.where(inside, off, np.interp(edge, t, off))
    return angle + off, speed + np.where(inside, slope, 0.0)


def _beat(x: Array, y: Array, pole_pairs: int) -> tuple[float, float]:
    """Half the range of single periods' amplitudes within a turn over their mean, and its noise.

    The middle of all turns in the record; NaN of less than a turn.
    """
    period = np.floor((x - x.min()) / (2 * np.pi)).astype(int)
    found, noise = np.full((2, period.max() + 1), np.nan)
    for k in range(len(found)):
        here = period == k
        if here.sum() < _LEAST_IN_PERIOD or np.ptp(x[here]) < 0.8 * 2 * np.pi:
            continue
        A = _columns(x[here], 1.0, (1, 3) if here.sum() > 9 else (1,))
        fitted, *_ = np.linalg.lstsq(A, y[here], rcond=None)
        left = y[here] - A @ fitted
        found[k] = np.hypot(*fitted[1:3])
        noise[k] = np.sqrt((left**2).sum() / max(here.sum() - A.shape[1], 1) * 2 / here.sum())
    turns = len(found) // pole_pairs
    each = found[: turns * pole_pairs].reshape(turns, pole_pairs)
    whole = each[np.isfinite(each).mean(axis=1) > _WHOLE] if turns else each
    if pole_pairs < 2 or not len(whole):
        return float("nan"), float("nan")
    ranges = np.nanmax(whole, axis=1) - np.nanmin(whole, axis=1)
    mean = float(np.nanmean(whole))
    # The range of normal numbers: some 3.5 standard deviations of a dozen (handbook, from memory).
    return float(np.median(ranges)) / 2 / mean, 3.5 / 2 * float(np.nanmean(noise)) / mean


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

    A perfect ring has those of `cogging_periods` only.

    Raises
    ------
    StudyError
        If the record is shorter than two slots or too coarse for one wave a slot.

    """
    slots = study.stator.slots
    x, y = cogging.angle, cogging.torque
    spans = float(np.ptp(x)) / (2 * np.pi) * slots
    each = len(x) / max(spans, 1e-9)
    if spans < 2 or each < 4:
        raise StudyError([
            f"{cogging.path}: cogging must be read over two slots at least, with 4 readings in "
            f"each; got {spans:.3g} slots with {each:.3g} readings each; read more angles"
        ])  # fmt: skip
    own = cogging_periods(slots=slots, poles=like_poles(study))
    wanted = [slots, 2 * slots, own]
    waves = tuple(dict.fromkeys(n for n in wanted if 2.2 * n < each * slots))
    slow = [np.cos(x), np.sin(x)] if np.ptp(x) > np.pi else []
    A = np.column_stack([_columns(x, 1.0, waves), *slow])
    found, *_ = np.linalg.lstsq(A, y, rcond=None)
    left = y - A @ found
    sd = float(np.sqrt((left**2).sum() / max(len(y) - A.shape[1], 1) * 2 / len(y)))
    pairs = np.hypot(found[1 : 2 * len(waves) + 1 : 2], found[2 : 2 * len(waves) + 1 : 2])
    return CoggingFit(cogging, waves, tuple(map(float, pairs)), sd, float(found[0]))
