"""Figures of the machine: flux linkage, constants, resistance, torque that heat allows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout import Layout
from arrayopt.layout.build import MM
from arrayopt.layout.shapes import Array
from arrayopt.machine.copper import phase_resistance, slot_fill, turns_in_series
from arrayopt.machine.winding import winding_of
from arrayopt.study.models import Study

_THROUGH_WINDING = 3  # Gauss points through a winding in the gap


@dataclass(frozen=True)
class MachineFigures:
    """Figures of a batch of motors, shape (design,), SI; NaN where the study has no data.

    Attributes
    ----------
    winding_factor : ndarray
        Of the fundamental; coil sides of finite width included in smooth and ironless stators.
    flux_linkage : ndarray
        Peak, no load, one phase [Wb].
    torque_constant : ndarray
        Per ampere of peak phase current, sinusoidal, in phase with the back-EMF [N m/A].
    back_emf_constant : ndarray
        Line-to-line peak over mechanical speed [V s/rad].
    speed_constant : ndarray
        No-load speed per volt of line-to-line peak [rad/s/V].
    resistance_cold, resistance_hot : ndarray
        One phase at 20 C and at the winding limit [ohm].
    motor_constant : ndarray
        Torque per root of copper loss at 20 C [N m/sqrt W].
    slot_fill : ndarray
    continuous_current : ndarray
        Phase current, rms [A].
    continuous_torque, joint_torque : ndarray
        At the winding limit; after the reduction [N m].

    """

    winding_factor: Array
    flux_linkage: Array
    torque_constant: Array
    back_emf_constant: Array
    speed_constant: Array
    resistance_cold: Array
    resistance_hot: Array
    motor_constant: Array
    slot_fill: Array
    continuous_current: Array
    continuous_torque: Array
    joint_torque: Array


def machine_figures(layout: Layout, field: AirgapField) -> MachineFigures:
    """Compute the figures of a batch from its airgap field.

    Iron is unsaturated, iron loss and friction are not counted: continuous torque
    is what copper loss alone allows at low speed.
    """
    factor, linkage = flux_linkage(layout, field)
    torque_constant = 1.5 * layout.pole_pairs * linkage
    delta = np.array([s.winding.connection == "delta" for s in layout.studies])
    back_emf = layout.pole_pairs * linkage * np.where(delta, 1, np.sqrt(3))
    cold = layout.column(lambda s: phase_resistance(s, 20))
    hot = layout.column(lambda s: phase_resistance(s, s.heat.winding_limit_c) if s.heat else np.nan)
    loss = layout.column(_allowed_loss)
    current = np.sqrt(loss / (3 * hot))
    torque = torque_constant * np.sqrt(2) * current
    gear = layout.column(
        lambda s: s.joint.gear_ratio * s.joint.gear_efficiency if s.joint else np.nan
    )
    return MachineFigures(
        winding_factor=factor,
        flux_linkage=linkage,
        torque_constant=torque_constant,
        back_emf_constant=back_emf,
        speed_constant=1 / back_emf,
        resistance_cold=cold,
        resistance_hot=hot,
        motor_constant=torque_constant / np.sqrt(1.5 * cold),
        slot_fill=layout.column(lambda s: np.nan if (fill := slot_fill(s)) is None else fill),
        continuous_current=current,
        continuous_torque=torque,
        joint_torque=torque * gear,
    )


def flux_linkage(layout: Layout, field: AirgapField) -> tuple[Array, Array]:
    """Return winding factor and peak flux linkage [Wb] of one phase, shape (design,).

    ``2 N k_w B1 R L/p`` with B1 the stack mean at the stator surface; a winding in the
    gap sees the mean of R B1 through its thickness.
    """
    windings = [winding_of(study) for study in layout.studies]
    one = np.array([1])
    if layout.studies[0].stator.kind == "slotted":
        factor = np.array([float(w.factors(one)[0]) for w in windings])
        seen = np.abs(field.surface[0]) * layout.surface_radius
    else:
        near, far = _winding_radii(layout)
        u, weight = np.polynomial.legendre.leggauss(_THROUGH_WINDING)
        seen = np.zeros(len(layout))
        for x, w in zip(u, weight / 2, strict=True):
            radius = (near + far) / 2 + (far - near) / 2 * x
            seen += w * radius * np.abs(field.fundamental_at(radius))
        # Coil sides share a sector side by side, or lie on each other where coils overlap.
        middle = (near + far) / 2
        side = layout.column(lambda s: s.stator.coil_side_mm or 0) * MM / middle
        factor = np.array(
            [
                float(w.spread_factors(one)[0])
                * float(w.pitch_factors(one, coil_angle=_coil_angle(w.coil_span, w.slots, s))[0])
                for w, s in zip(windings, side, strict=True)
            ]
        ) * np.sinc(layout.pole_pairs * side / 2 / np.pi)
    turns = layout.column(turns_in_series)
    return factor, np.asarray(2 * turns * factor * seen * layout.stack / layout.pole_pairs)


def _coil_angle(span: int, slots: int, side: float) -> float:
    """Angle between the middles of a coil's sides."""
    return 2 * np.pi * span / slots - (side if span == 1 else 0)


def _winding_radii(layout: Layout) -> tuple[Array, Array]:
    """Inner and outer radius of a winding in the gap (smooth) or behind its surface (ironless)."""
    thickness = layout.column(lambda s: s.stator.winding_thickness_mm or 0) * MM
    on_iron = layout.studies[0].stator.kind == "smooth"
    surface = layout.surface_radius
    if on_iron == layout.outer:
        return surface, surface + thickness
    return surface - thickness, surface


def _allowed_loss(study: Study) -> float:
    """Copper loss [W] that brings the winding to its limit."""
    heat = study.heat
    if heat is None:
        return float("nan")
    return (heat.winding_limit_c - heat.ambient_c) / heat.thermal_resistance_k_per_w
