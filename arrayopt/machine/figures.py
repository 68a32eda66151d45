"""Figures of the machine: flux linkage, constants, resistance, torque that heat allows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout import Layout
from arrayopt.machine.armature import inductances
from arrayopt.machine.copper import phase_resistance, slot_fill, wire_fill
from arrayopt.machine.emf import third_harmonic, torque_ripple
from arrayopt.machine.heat import continuous_warmth
from arrayopt.machine.linkage import flux_linkages, skew_factors, winding_factors
from arrayopt.machine.speed import phase_voltage
from arrayopt.quantities import RPM, Array


@dataclass(frozen=True)
class MachineFigures:
    """Figures of a batch of motors, shape (design,), SI; NaN where the study has no data.

    Attributes
    ----------
    linkages : ndarray, shape (order, design)
        Signed harmonics of the no-load flux linkage of one phase [Wb].
    winding_factor : ndarray
        Of the fundamental, skew apart; coil sides of finite width included in smooth and
        ironless stators.
    skew_factor : ndarray
        NaN without skew.
    flux_linkage : ndarray
        Peak, no load, one phase [Wb].
    torque_constant : ndarray
        Per ampere of peak phase current, sinusoidal, in phase with the back-EMF [N m/A].
    back_emf_constant : ndarray
        Line-to-line peak over mechanical speed [V s/rad].
    speed_constant : ndarray
        No-load speed per volt of line-to-line peak [rad/s/V].
    no_load_speed : ndarray
        On the drive's supply [rad/s].
    third_harmonic, torque_ripple : ndarray
        Of the phase back-EMF over its fundamental; peak-to-peak over mean torque under
        sinusoidal current, cogging apart.
    resistance_cold, resistance_hot : ndarray
        One phase at 20 C and at its temperature at continuous torque [ohm].
    inductance, inductance_gap, inductance_slot, inductance_end : ndarray
        Synchronous, one phase, and its parts [H].
    motor_constant : ndarray
        Torque per root of copper loss at 20 C [N m/sqrt W].
    slot_fill, wire_fill : ndarray
        Copper, and enamelled wire, over winding space.
    thermal_resistance, winding_temperature, rotor_temperature, copper_loss, iron_loss : ndarray
        At continuous torque [K/W], [C], [C], [W], [W].
    continuous_current : ndarray
        Phase current, rms [A].
    continuous_torque, joint_torque : ndarray
        At the first limit of winding, magnets and carrier; after the reduction [N m].

    """

    linkages: Array
    winding_factor: Array
    skew_factor: Array
    flux_linkage: Array
    torque_constant: Array
    back_emf_constant: Array
    speed_constant: Array
    no_load_speed: Array
    third_harmonic: Array
    torque_ripple: Array
    resistance_cold: Array
    resistance_hot: Array
    inductance: Array
    inductance_gap: Array
    inductance_slot: Array
    inductance_end: Array
    motor_constant: Array
    slot_fill: Array
    wire_fill: Array
    thermal_resistance: Array
    winding_temperature: Array
    rotor_temperature: Array
    copper_loss: Array
    iron_loss: Array
    continuous_current: Array
    continuous_torque: Array
    joint_torque: Array


def machine_figures(layout: Layout, field: AirgapField) -> MachineFigures:
    """Compute the figures of a batch from its airgap field.

    Iron is unsaturated. Torque is that at the shaft before friction: iron loss brakes
    it where a speed is given.
    """
    studies, one = layout.studies, np.array([1])
    linkages = flux_linkages(layout, field)
    linkage = linkages[0]
    torque_constant = 1.5 * layout.pole_pairs * linkage
    delta = np.array([s.winding.connection == "delta" for s in studies])
    back_emf = layout.pole_pairs * linkage * np.where(delta, 1, np.sqrt(3))
    cold = layout.column(lambda s: phase_resistance(s, 20))
    warmth = continuous_warmth(layout, field)
    hot = np.array([phase_resistance(s, t) for s, t in zip(studies, warmth.winding, strict=True)])
    speed = layout.column(lambda s: s.heat.speed_rpm if s.heat else np.nan) * RPM
    drag = np.divide(warmth.iron_loss, speed, out=np.zeros(len(layout)), where=speed > 0)
    torque = torque_constant * warmth.magnet_ratio * np.sqrt(2) * warmth.current - drag
    gear = layout.column(
        lambda s: s.joint.gear_ratio * s.joint.gear_efficiency if s.joint else np.nan
    )
    inductance = inductances(layout, field)
    return MachineFigures(
        linkages=linkages,
        winding_factor=np.abs(winding_factors(layout, one)[0]),
        skew_factor=np.where(
            layout.column(lambda s: s.rotor.skew_steps) > 1, skew_factors(layout, one)[0], np.nan
        ),
        flux_linkage=linkage,
        torque_constant=torque_constant,
        back_emf_constant=back_emf,
        speed_constant=1 / back_emf,
        no_load_speed=layout.column(phase_voltage) / (layout.pole_pairs * linkage),
        third_harmonic=third_harmonic(linkages, field.orders),
        torque_ripple=torque_ripple(linkages, field.orders, field.turns),
        resistance_cold=cold,
        resistance_hot=hot,
        inductance=inductance.total,
        inductance_gap=inductance.gap,
        inductance_slot=inductance.slot,
        inductance_end=inductance.end,
        motor_constant=torque_constant / np.sqrt(1.5 * cold),
        slot_fill=layout.column(lambda s: np.nan if (fill := slot_fill(s)) is None else fill),
        wire_fill=layout.column(lambda s: np.nan if (fill := wire_fill(s)) is None else fill),
        thermal_resistance=warmth.thermal_resistance,
        winding_temperature=warmth.winding,
        rotor_temperature=warmth.rotor,
        copper_loss=warmth.copper_loss,
        iron_loss=warmth.iron_loss,
        continuous_current=warmth.current,
        continuous_torque=np.maximum(torque, 0),
        joint_torque=np.maximum(torque, 0) * gear,
    )
