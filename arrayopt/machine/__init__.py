"""From airgap harmonics to the figures of the machine."""

from arrayopt.machine.copper import mean_turn, phase_resistance, resistivity
from arrayopt.machine.figures import MachineFigures, machine_figures
from arrayopt.machine.harmonics import end_share, harmonic_distortion, ideal_share, waveform
from arrayopt.machine.winding import (
    FAIR_FACTOR,
    Winding,
    is_balanced,
    star_of_slots,
    winding_faults,
    winding_of,
)

__all__ = [
    "FAIR_FACTOR", "MachineFigures", "Winding", "end_share", "harmonic_distortion", "ideal_share",
    "is_balanced", "machine_figures", "mean_turn", "phase_resistance", "resistivity",
    "star_of_slots", "waveform", "winding_faults", "winding_of",
]  # fmt: skip
