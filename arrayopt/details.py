"""What is computed of one design only: saturation, waveforms, torque against speed."""

from __future__ import annotations

import numpy as np
import xarray as xr

from arrayopt.field import ORDERS, AirgapField, solve_field
from arrayopt.layout import Layout, build_layout
from arrayopt.machine import (
    TorqueSpeed,
    continuous_warmth,
    flux_linkages,
    inductances,
    line_emf,
    phase_emf,
    phase_peak_current,
    ring_loss,
    stator_saturation,
    torque_speed,
)
from arrayopt.quantities import Array
from arrayopt.study import Study

# Figures that a batch leaves out, and `details` gives.
BY_DETAILS = {
    "peak_torque", "joint_peak_torque", "tip_flux_density", "flux_loss", "torque_loss",
    "tooth_peak", "yoke_peak",
}  # fmt: skip
_ANGLES = np.linspace(0, 2 * np.pi, 121)


def details(study: Study) -> tuple[dict[str, float], xr.Dataset]:
    """Return the figures and curves that would be too slow or too much for a search.

    Returns
    -------
    figures : dict of str to float
        By names of `arrayopt.figures`, SI units.
    curves : xarray.Dataset
        ``phase_emf`` and ``line_emf`` over mechanical speed along ``angle`` (electrical,
        one turn); with a drive ``torque_peak``, ``torque_continuous`` and ``loss_iron``
        along ``speed``.

    """
    layout = build_layout(study)
    field = solve_field(layout, orders=ORDERS)
    linkages = flux_linkages(layout, field)
    figures, peak_share = _iron(layout, field)
    curves = _waveforms(layout, field, linkages)
    if study.drive is not None:
        gear = study.joint.gear_ratio * study.joint.gear_efficiency if study.joint else np.nan
        constant = 1.5 * study.rotor.pole_pairs * float(linkages[0, 0])
        figures["peak_torque"] = constant * phase_peak_current(study) * peak_share
        figures["joint_peak_torque"] = figures["peak_torque"] * gear
        curve = torque_speed(
            layout,
            field,
            continuous_warmth(layout, field),
            linkage=float(linkages[0, 0]),
            inductance=float(inductances(layout, field).total[0]),
            peak_share=peak_share,
        )
        curves = curves.merge(_speed_curves(curve))
    return figures, curves


def _iron(layout: Layout, field: AirgapField) -> tuple[dict[str, float], float]:
    """Return the figures of saturation, and the share of peak torque that is left."""
    study = layout.studies[0]
    ring = float(ring_loss(field)[0])
    figures = {"flux_loss": ring if study.rotor.steel_ring_mm else np.nan}
    share = 1 - ring
    if study.stator.kind == "slotted" and study.stator.slot_depth_mm is not None:
        rest = stator_saturation(layout, field, current=0.0)
        figures["tip_flux_density"] = rest.tip
        figures["flux_loss"] = 1 - (1 - ring) * (1 - rest.loss)
        if study.drive is not None:
            peak = stator_saturation(layout, field, current=phase_peak_current(study))
            figures |= {"tooth_peak": peak.tooth, "yoke_peak": peak.yoke}
            share *= 1 - peak.loss
            figures["torque_loss"] = 1 - share
    return figures, share


def _waveforms(layout: Layout, field: AirgapField, linkages: Array) -> xr.Dataset:
    delta = np.array([layout.studies[0].winding.connection == "delta"])
    orders, turns = field.orders, field.turns
    phase = phase_emf(linkages, orders, turns, _ANGLES)[:, 0]
    line = line_emf(linkages, orders, turns, _ANGLES, delta)[:, 0]
    unit = "V s/rad"
    return xr.Dataset(
        {
            "phase_emf": ("angle", phase, {"units": unit, "long_name": "Phase back-EMF"}),
            "line_emf": ("angle", line, {"units": unit, "long_name": "Line-to-line back-EMF"}),
        },
        coords={"angle": ("angle", _ANGLES, {"units": "rad", "long_name": "Electrical angle"})},
    )


def _speed_curves(curve: TorqueSpeed) -> xr.Dataset:
    parts = (
        ("torque_peak", curve.peak, "N m", "Torque at the drive's peak current"),
        ("torque_continuous", curve.continuous, "N m", "Continuous torque"),
        ("loss_iron", curve.iron_loss, "W", "Iron loss, no load"),
    )
    return xr.Dataset(
        {name: ("speed", v, {"units": unit, "long_name": text}) for name, v, unit, text in parts},
        coords={"speed": ("speed", curve.speed, {"units": "rad/s", "long_name": "Motor speed"})},
    )
