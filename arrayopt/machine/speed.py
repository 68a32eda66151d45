"""Torque against speed up to what the supply allows, continuous and for a moment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout import Layout
from arrayopt.machine.copper import phase_resistance
from arrayopt.machine.heat import Warmth
from arrayopt.machine.iron import iron_loss
from arrayopt.quantities import Array
from arrayopt.study.models import Study

_POINTS = 61


@dataclass(frozen=True)
class TorqueSpeed:
    """Torque at the shaft of one motor over its speed, shape (speed,).

    Attributes
    ----------
    speed : ndarray
        Mechanical [rad/s], from standstill to where no torque is left.
    peak, continuous : ndarray
        Torque with the drive's peak current and with what heat allows [N m]; continuous
        is NaN without heat data.
    iron_loss : ndarray
        No-load loss in the iron [W]; NaN where teeth or yoke lack their size.

    """

    speed: Array
    peak: Array
    continuous: Array
    iron_loss: Array


def phase_peak_current(study: Study) -> float:
    """Amplitude of the phase current at the drive's peak [A]; NaN without a drive."""
    if study.drive is None:
        return float("nan")
    return study.drive.peak_current_a / (np.sqrt(3) if study.winding.connection == "delta" else 1)


def phase_voltage(study: Study) -> float:
    """Largest amplitude of a phase's voltage [V]: line-to-line peaks reach the supply's.

    So it is with space-vector modulation (common practice, no source); NaN without a drive.
    """
    if study.drive is None:
        return float("nan")
    return study.drive.voltage_v / (1 if study.winding.connection == "delta" else np.sqrt(3))


def torque_speed(
    layout: Layout,
    field: AirgapField,
    warmth: Warmth,
    *,
    linkage: float,
    inductance: float,
    peak_share: float,
) -> TorqueSpeed:
    """Return the curves of a layout of one design whose study has a drive.

    Current is kept in phase with the back-EMF; no field weakening. Winding and magnets are
    as warm as at continuous torque, or at 20 C and the study's temperature without heat data.

    Parameters
    ----------
    layout, field
    warmth : Warmth
        Of the design; its continuous current and temperatures.
    linkage : float
        Peak flux linkage of a phase at the study's magnet temperature [Wb].
    inductance : float
        Synchronous [H]; NaN counts as 0.
    peak_share : float
        Share of the torque at peak current that saturation leaves.

    """
    study = layout.studies[0]
    p, volts = study.rotor.pole_pairs, phase_voltage(study)
    inductance = float(np.nan_to_num(inductance))
    warm = linkage * (float(warmth.magnet_ratio[0]) if study.heat else 1.0)
    speed = np.linspace(0, volts / (p * warm), _POINTS)
    hot = float(warmth.winding[0]) if study.heat else 20.0
    resistance = phase_resistance(study, hot)
    lost = np.array([iron_loss(layout, field, np.array([w]))[0] for w in speed])
    drag = np.divide(np.nan_to_num(lost), speed, out=np.zeros_like(speed), where=speed > 0)

    reached = _current_within(
        volts, emf=p * speed * warm, resistance=resistance, reactance=p * speed * inductance
    )

    def torque(current: Array, share: Array | float = 1.0) -> Array:
        return np.asarray(np.maximum(1.5 * p * warm * share * current - drag, 0))

    most = phase_peak_current(study)
    steady, continuous = np.zeros_like(speed), np.full_like(speed, np.nan)
    if study.heat:
        copper = (warmth.winding[0] - study.heat.ambient_c) / warmth.thermal_resistance[0]
        copper = np.maximum(copper - np.nan_to_num(lost), 0)
        steady = np.minimum(np.minimum(np.sqrt(copper / (1.5 * resistance)), most), reached)
        continuous = torque(steady)
    current = np.minimum(most, reached)
    # Continuous torque is that of unsaturated iron; the loss grows with what goes beyond it.
    beyond = np.clip((current - steady) / np.maximum(most - steady, 1e-12), 0, 1)
    peak = torque(current, 1 - (1 - peak_share) * beyond)
    return TorqueSpeed(speed, peak, continuous, lost)


def _current_within(volts: float, *, emf: Array, resistance: float, reactance: Array) -> Array:
    """Largest current in phase with the back-EMF within a voltage: (E + R I)^2 + (X I)^2 = V^2."""
    a = resistance**2 + reactance**2
    b = resistance * emf
    return np.asarray((np.sqrt(np.maximum(b**2 - a * (emf**2 - volts**2), 0)) - b) / a)
