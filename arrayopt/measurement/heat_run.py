"""A heat run: thermal resistance and time constant out of the winding's warming."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf, isnan, log, nan, sqrt

import numpy as np
from scipy.optimize import least_squares
from scipy.special import exprel

from arrayopt.errors import StudyError
from arrayopt.machine import phase_resistance, thermal_resistance
from arrayopt.machine.copper import TEMPERATURE_COEFFICIENT
from arrayopt.measurement.records import HeatRun
from arrayopt.quantities import Array
from arrayopt.study import Study

_LEAST_ROWS = 5  # three unknowns, and something left to judge the scatter by
_STEADY = 0.95  # of the steady rise: three time constants
_SURE = 2.0  # standard uncertainties that two values may lie apart, about 95 %
# What meters are off by when they are said to be good; standard uncertainties (common
# practice, no source).
_THERMOMETER = 1.0  # K, of a rise
_RATIO = 0.002  # of the ratio of two resistances read by one meter
_AMMETER = 0.01
_OHMMETER = 0.005
_COMPUTED = 0.02  # of a resistance that was computed instead of read
_STARTS = (0.2, 0.5, 1.5)  # of the run's length: time constants to begin with


@dataclass(frozen=True)
class HeatFit:
    """What a heat run says.

    Attributes
    ----------
    run : HeatRun
    by_resistance : bool
        Temperatures are those of the copper's resistance, not of a thermometer.
    ambient : float
        Of the room [degC]; the study's where the file has none.
    thermal_resistance, thermal_resistance_uncertainty : float
        Winding to air, and its standard uncertainty, meters included [K/W].
    time_constant, time_constant_uncertainty : float
        Thermal resistance times heat capacity [s]. With copper whose loss grows the warming
        takes longer than that.
    loss : float
        Copper loss at the steady temperature [W].
    steady_rise : float
        That the winding would settle at [K].
    share : float
        Of the steady rise that was reached at the last row.
    noise : float
        Standard deviation of the readings about the fit [K].
    study_resistance : float
        Thermal resistance that the study counts on [K/W]; NaN without one.
    time, rise, fitted : ndarray, shape (n,)
        From the first row [s], over ambient [K].

    """

    run: HeatRun
    by_resistance: bool
    ambient: float
    thermal_resistance: float
    thermal_resistance_uncertainty: float
    time_constant: float
    time_constant_uncertainty: float
    loss: float
    steady_rise: float
    share: float
    noise: float
    study_resistance: float
    time: Array
    rise: Array
    fitted: Array

    @property
    def steady(self) -> bool:
        """Whether the run went on until the temperature stood still, within 5 %."""
        return self.share >= _STEADY

    @property
    def ratio(self) -> float:
        """Thermal resistance found over the study's; NaN without one."""
        return self.thermal_resistance / self.study_resistance

    @property
    def agrees(self) -> bool | None:
        """Whether the two are as one within two standard uncertainties; None without a study's."""
        if isnan(self.study_resistance):
            return None
        apart = abs(self.thermal_resistance - self.study_resistance)
        return apart <= _SURE * self.thermal_resistance_uncertainty


def fit_heat_run(study: Study, run: HeatRun) -> HeatFit:
    """Fit one thermal resistance and one heat capacity to the warming of a winding.

    ``C d(rise)/dt = P (1 + a rise) - rise/R`` with the copper loss P at ambient and copper's
    coefficient a there (IEC 60028): the rise approaches ``R P/(1 - a R P)`` as one exponential
    (derived). Loss is that of all three phases at the same rms current, as in ``[heat] run``; of
    temperatures it counts on the computed resistance, of resistances on the one that was read.
    The cold resistance is that of the first row, which must be at ambient.

    Parameters
    ----------
    study : Study
    run : HeatRun
        With resistances and temperatures the resistances count: they are the mean of the
        copper.

    Raises
    ------
    StudyError
        Without a temperature of the room, with fewer than five rows, if the winding does not
        get warmer, or the run is shorter than one time constant.

    """
    ambient = _ambient(study, run)
    by_resistance = run.resistance is not None and _count(run.resistance) >= _LEAST_ROWS
    read = run.resistance if by_resistance else run.winding
    if read is None or _count(read) < _LEAST_ROWS:
        got = max(_count(v) for v in (run.winding, run.resistance) if v is not None)
        raise _fault(run, f"a fit needs at least {_LEAST_ROWS} rows", got, "measure more")
    kept = ~np.isnan(read)
    time, values = run.time[kept] - run.time[kept][0], read[kept]
    # Coefficient of the copper's resistance against that at ambient, not at 20 C.
    a = TEMPERATURE_COEFFICIENT / (1 + TEMPERATURE_COEFFICIENT * (ambient - 20))
    rows = _Rows(time, values, a, by_resistance)
    _warming(run, rows, ambient)
    if by_resistance:
        of_line = 4.5 if study.winding.connection == "delta" else 1.5
        cold_loss = of_line * run.current**2  # times the cold resistance, which is fitted
    else:
        cold_loss = 3 * run.current**2 * phase_resistance(study, ambient)
        rows = _Rows(time, values - ambient, a, by_resistance)
    return _fit(study, run, rows, ambient=ambient, cold_loss=cold_loss)


@dataclass(frozen=True)
class _Rows:
    """Readings that are fitted: rises [K], or resistances between lines [ohm]."""

    time: Array
    values: Array
    a: float
    by_resistance: bool

    def rise(self, x: Array, *, cold_loss: float) -> Array:
        """Rise by unknowns: at the first row [K] or cold resistance, then logarithms of R, tau."""
        loss = cold_loss * (float(x[0]) if self.by_resistance else 1.0)
        first = 0.0 if self.by_resistance else float(x[0])
        R, tau = np.exp(np.clip(x[1:], -50, 50))
        grown = np.clip((self.a * loss * R - 1) * self.time / tau, -700, 50)
        return np.asarray(first * np.exp(grown) + loss * R / tau * self.time * exprel(grown))

    def model(self, x: Array, *, cold_loss: float) -> Array:
        """Return what is read."""
        rise = self.rise(x, cold_loss=cold_loss)
        return np.asarray(x[0] * (1 + self.a * rise)) if self.by_resistance else rise


def _fit(study: Study, run: HeatRun, rows: _Rows, *, ambient: float, cold_loss: float) -> HeatFit:
    first, scale = float(rows.values[0]), float(np.ptp(rows.values))
    loss = cold_loss * (first if rows.by_resistance else 1.0)
    last = float(rows.values[-1]) - (first if rows.by_resistance else 0.0)
    warm = max(last / (rows.a * first) if rows.by_resistance else last, 0.1)
    span = float(rows.time[-1])

    def off(x: Array) -> Array:
        return (rows.model(x, cold_loss=cold_loss) - rows.values) / scale

    starts = [
        np.array([first, log(warm / (loss * (1 + rows.a * warm))), log(share * span)])
        for share in _STARTS
    ]
    scales = np.array([max(abs(first), 1.0) if not rows.by_resistance else first, 1.0, 1.0])
    best = min(
        (least_squares(off, start, x_scale=scales) for start in starts), key=lambda one: one.cost
    )
    x = best.x
    loss = cold_loss * (float(x[0]) if rows.by_resistance else 1.0)
    R, tau = (float(v) for v in np.exp(x[1:]))
    left = 1 - rows.a * loss * R  # of the settling, past what growing copper loss undoes
    pace = tau / left if left > 0 else inf
    if not best.success or span < pace:
        took = f"{span / 60:.4g} min of a time constant of " + (
            f"about {pace / 60:.4g} min" if pace < 100 * span else "far more"
        )
        raise _fault(
            run, "a heat run must last for a time constant at least; its fit is not to be trusted",
            took, "go on until the temperature stands still",
        )  # fmt: skip
    steady = loss * R / left
    fitted = rows.rise(x, cold_loss=cold_loss)
    rise = rows.values if not rows.by_resistance else (rows.values / x[0] - 1) / rows.a
    noise = float(np.sqrt(((fitted - rise) ** 2).sum() / (len(rise) - len(x))))
    # Of the scatter about the fit, then what all rows share: it moves no residual.
    spread = np.linalg.pinv(best.jac.T @ best.jac) * 2 * best.cost / (len(rise) - len(x))
    by_power = hypot(2 * _AMMETER, _OHMMETER if rows.by_resistance else _COMPUTED)
    kelvin = _RATIO * (1 + rows.a * steady) / rows.a if rows.by_resistance else _THERMOMETER
    shared = hypot(by_power, kelvin / steady)
    return HeatFit(
        run=run,
        by_resistance=rows.by_resistance,
        ambient=ambient,
        thermal_resistance=R,
        thermal_resistance_uncertainty=R * hypot(sqrt(spread[1, 1]), shared),
        time_constant=tau,
        time_constant_uncertainty=tau * hypot(sqrt(spread[2, 2]), kelvin / steady),
        loss=loss * (1 + rows.a * steady),
        steady_rise=steady,
        share=min(float(fitted[-1]) / steady, 1.0),
        noise=noise,
        study_resistance=thermal_resistance(study) if study.heat else nan,
        time=rows.time,
        rise=rise,
        fitted=fitted,
    )


def _ambient(study: Study, run: HeatRun) -> float:
    if run.ambient is not None:
        return run.ambient
    if study.heat is None:
        raise _fault(
            run, "the temperature of the room is missing, and the study has no [heat]", None,
            "add a line # ambient_c = ... above the header",
        )  # fmt: skip
    return study.heat.ambient_c


def _warming(run: HeatRun, rows: _Rows, ambient: float) -> None:
    """Raise where the winding does not get warmer in the course of the run, over its scatter."""
    third = max(len(rows.values) // 3, 1)
    first, last = rows.values[:third], rows.values[-third:]
    if last.mean() > first.mean() and last.mean() > rows.values[0]:
        if rows.by_resistance or last.mean() > ambient:
            return
        raise _fault(
            run, "the winding must end warmer than the room",
            f"{last.mean():.4g} degC in a room of {ambient:.4g} degC", "correct ambient_c",
        )  # fmt: skip
    ends = rows.values[[0, -1]] * (1e3 if rows.by_resistance else 1)
    unit = "mohm" if rows.by_resistance else "degC"
    raise _fault(
        run, "the winding must get warmer", f"{ends[0]:.4g} {unit} at first and {ends[1]:.4g} last",
        "give the rows from switching the current on",
    )  # fmt: skip


def _count(values: Array | None) -> int:
    return 0 if values is None else int(np.count_nonzero(~np.isnan(values)))


def _fault(run: HeatRun, rule: str, got: object, remedy: str) -> StudyError:
    received = "" if got is None else f"; got {got}"
    return StudyError([f"{run.path}: {rule}{received}; {remedy}"])
