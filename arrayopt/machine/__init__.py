"""From airgap harmonics to the figures of the machine."""

from arrayopt.machine.armature import Armature, Inductances, armature, inductances
from arrayopt.machine.cogging import cogging_periods, cogging_torque, like_poles
from arrayopt.machine.copper import mean_turn, phase_resistance, resistivity
from arrayopt.machine.emf import line_emf, phase_emf, third_harmonic, torque_ripple
from arrayopt.machine.figures import MachineFigures, machine_figures
from arrayopt.machine.harmonics import end_share, harmonic_distortion, ideal_share, waveform
from arrayopt.machine.heat import (
    continuous_warmth,
    temperature_limits,
    thermal_resistance,
)
from arrayopt.machine.iron import iron_loss, tooth_waves, wave_peak, yoke_waves
from arrayopt.machine.linkage import flux_linkages, skew_factors, winding_factors
from arrayopt.machine.saturation import Saturation, ring_loss, stator_saturation
from arrayopt.machine.speed import (
    TorqueSpeed,
    phase_peak_current,
    phase_voltage,
    torque_speed,
)
from arrayopt.machine.winding import (
    FAIR_FACTOR,
    Winding,
    is_balanced,
    star_of_slots,
    winding_faults,
    winding_of,
)

__all__ = [
    "FAIR_FACTOR",
    "Armature",
    "Inductances",
    "MachineFigures",
    "Saturation",
    "TorqueSpeed",
    "Winding",
    "armature",
    "cogging_periods",
    "cogging_torque",
    "continuous_warmth",
    "end_share",
    "flux_linkages",
    "harmonic_distortion",
    "ideal_share",
    "inductances",
    "iron_loss",
    "is_balanced",
    "like_poles",
    "line_emf",
    "machine_figures",
    "mean_turn",
    "phase_emf",
    "phase_peak_current",
    "phase_resistance",
    "phase_voltage",
    "resistivity",
    "ring_loss",
    "skew_factors",
    "star_of_slots",
    "stator_saturation",
    "temperature_limits",
    "thermal_resistance",
    "third_harmonic",
    "tooth_waves",
    "torque_ripple",
    "torque_speed",
    "wave_peak",
    "waveform",
    "winding_factors",
    "winding_faults",
    "winding_of",
    "yoke_waves",
]  # fmt: skip
