"""Every figure of a design by name: its key in JSON and CSV, its label, its units."""

from __future__ import annotations

from dataclasses import dataclass

from arrayopt.quantities import RPM


@dataclass(frozen=True)
class Figure:
    """One number of a design.

    Attributes
    ----------
    name : str
        Variable of the results Dataset, in `unit`.
    key : str
        Path in JSON, column in CSV; ends in the unit it is given in.
    label : str
        In tables and pictures.
    unit, shown_unit : str
        SI unit of the variable; unit of key and label.
    scale : float
        Shown value over SI value.

    """

    name: str
    key: str
    label: str
    unit: str
    shown_unit: str = ""
    scale: float = 1.0

    @property
    def table(self) -> str:
        """First step of the key: airgap, machine, mass, ..."""
        return self.key.split(".", maxsplit=1)[0]

    @property
    def better(self) -> str:
        """Whether ``more`` or ``less`` of it is better; empty where neither is by itself."""
        return "more" if self.name in _MORE else "less" if self.name in _LESS else ""

    @property
    def phrase(self) -> str:
        """Label within a sentence, e.g. ``mass of rotor``."""
        return phrase(self.label)

    @property
    def title(self) -> str:
        """Label and unit, e.g. ``Mass of rotor [g]``."""
        unit = self.shown_unit or self.unit
        return self.label if unit == "1" else f"{self.label} [{unit}]"


# What a search may improve.
_MORE = {
    "fundamental", "torque_constant", "motor_constant", "continuous_torque", "peak_torque",
    "joint_torque", "joint_peak_torque", "bore", "torque_constant_low", "continuous_torque_low",
    "tolerance_yield",
}  # fmt: skip
_LESS = {
    "distortion", "third_harmonic", "torque_ripple", "iron_loss", "magnet_mass", "ring_mass",
    "carrier_mass", "rotor_mass", "inertia", "outer_diameter", "price",
}  # fmt: skip

FIGURES: tuple[Figure, ...] = (
    Figure("fundamental", "airgap.fundamental_t", "Airgap fundamental, peak", "T"),
    Figure(
        "distortion", "airgap.thd_percent", "Total harmonic distortion", "1", "%", 100
    ),
    Figure(
        "ideal_share", "airgap.ideal_share_percent", "Fundamental against an ideal array's", "1",
        "%", 100,
    ),
    Figure(
        "end_share", "airgap.end_share_percent", "End-effect factor, airgap field", "1", "%", 100
    ),
    Figure("carter", "airgap.carter_coefficient", "Carter coefficient", "1"),
    Figure("winding_factor", "machine.winding_factor", "Winding factor", "1"),
    Figure("skew_factor", "machine.skew_factor", "Skew factor", "1"),
    Figure(
        "flux_linkage", "machine.flux_linkage_peak_wb", "Flux linkage of a phase, peak",
        "Wb",
    ),
    Figure(
        "torque_constant", "machine.torque_constant_nm_per_a",
        "Torque constant, per A peak of phase current", "N m/A",
    ),
    Figure(
        "back_emf_constant", "machine.back_emf_constant_v_s_per_rad",
        "Back-EMF constant, line-to-line peak", "V s/rad",
    ),
    Figure(
        "speed_constant", "machine.speed_constant_rpm_per_v",
        "Speed constant, line-to-line peak", "rad/s/V", "rpm/V", 1 / RPM,
    ),
    Figure(
        "no_load_speed", "machine.no_load_speed_rpm", "No-load speed on the drive's supply",
        "rad/s", "rpm", 1 / RPM,
    ),
    Figure(
        "third_harmonic", "machine.back_emf_third_percent",
        "Third harmonic of the phase back-EMF", "1", "%", 100,
    ),
    Figure(
        "torque_ripple", "machine.torque_ripple_percent",
        "Torque ripple, peak to peak, without cogging", "1", "%", 100,
    ),
    Figure("resistance_cold", "machine.phase_resistance_ohm", "Phase resistance at 20 C", "ohm"),
    Figure(
        "resistance_hot", "machine.phase_resistance_hot_ohm",
        "Phase resistance at continuous torque", "ohm",
    ),
    Figure(
        "inductance", "machine.phase_inductance_mh", "Phase inductance, synchronous", "H", "mH", 1e3
    ),
    Figure(
        "inductance_gap", "machine.inductance_gap_mh", "Magnetising part, airgap and magnets",
        "H", "mH", 1e3,
    ),
    Figure(
        "inductance_slot", "machine.inductance_slot_mh", "Slot leakage part",
        "H", "mH", 1e3,
    ),
    Figure(
        "inductance_end", "machine.inductance_end_mh", "End-turn leakage part, estimate",
        "H", "mH", 1e3,
    ),
    Figure(
        "slot_fill", "machine.slot_fill_percent", "Copper fill of the winding space", "1", "%", 100
    ),
    Figure(
        "wire_fill", "machine.wire_fill_percent", "Fill of enamelled wire", "1", "%",
        100,
    ),
    Figure(
        "motor_constant", "machine.motor_constant_nm_per_sqrt_w", "Motor constant at 20 C",
        "N m/sqrt W",
    ),
    Figure(
        "continuous_current", "machine.continuous_phase_current_a_rms",
        "Continuous phase current, rms", "A",
    ),
    Figure(
        "continuous_torque", "machine.continuous_torque_nm", "Continuous torque", "N m",
    ),
    Figure("peak_torque", "machine.peak_torque_nm", "Torque at the drive's peak current", "N m"),
    Figure(
        "joint_torque", "joint.continuous_torque_nm", "Continuous torque at the joint", "N m",
    ),
    Figure(
        "joint_peak_torque", "joint.peak_torque_nm", "Torque at the joint at peak current", "N m",
    ),
    Figure(
        "thermal_resistance", "heat.thermal_resistance_k_per_w",
        "Thermal resistance, winding to air", "K/W",
    ),
    Figure(
        "winding_temperature", "heat.winding_c", "Winding at continuous torque", "C"
    ),
    Figure(
        "rotor_temperature", "heat.rotor_c", "Magnets and carrier at continuous torque", "C"
    ),
    Figure("copper_loss", "heat.copper_loss_w", "Copper loss at continuous torque", "W"),
    Figure("iron_loss", "heat.iron_loss_w", "Iron loss at heat.speed_rpm", "W"),
    Figure("magnet_mass", "mass.magnets_g", "Mass of magnets", "kg", "g", 1e3),
    Figure("ring_mass", "mass.ring_g", "Mass of steel ring", "kg", "g", 1e3),
    Figure("carrier_mass", "mass.carrier_g", "Mass of printed carrier", "kg", "g", 1e3),
    Figure("other_mass", "mass.other_g", "Mass of hub and others", "kg", "g", 1e3),
    Figure("rotor_mass", "mass.rotor_g", "Mass of rotor", "kg", "g", 1e3),
    Figure("inertia", "mass.inertia_kg_mm2", "Rotor inertia without hub", "kg m2", "kg mm2", 1e6),
    Figure("outer_diameter", "size.outer_diameter_mm", "Rotor outer diameter", "m", "mm", 1e3),
    Figure("bore", "size.bore_diameter_mm", "Bore left for the shaft", "m", "mm", 1e3),
    Figure("wall", "size.least_wall_mm", "Least printed wall between pockets", "m", "mm", 1e3),
    Figure(
        "least_edge", "size.least_magnet_edge_mm", "Shortest edge of a magnet", "m", "mm", 1e3,
    ),
    Figure(
        "ring_needed", "size.ring_needed_mm", "Steel ring that would not saturate", "m", "mm", 1e3,
    ),
    Figure("tooth_flux_density", "iron.tooth_flux_density_t", "Tooth flux density, no load", "T"),
    Figure("tip_flux_density", "iron.tip_flux_density_t", "Tooth tip flux density, no load", "T"),
    Figure("yoke_flux_density", "iron.yoke_flux_density_t", "Yoke flux density, no load", "T"),
    Figure(
        "tooth_peak", "iron.tooth_flux_density_peak_t", "Tooth flux density, peak current", "T"
    ),
    Figure("yoke_peak", "iron.yoke_flux_density_peak_t", "Yoke flux density, peak current", "T"),
    Figure("ring_flux_density", "iron.ring_flux_density_t", "Steel ring flux density", "T"),
    Figure(
        "flux_loss", "iron.flux_loss_percent", "Flux that saturation takes, no load", "1", "%", 100
    ),
    Figure(
        "torque_loss", "iron.torque_loss_percent", "Torque that saturation takes, peak current",
        "1", "%", 100,
    ),
    Figure(
        "demagnetised", "magnets.demagnetised_percent",
        "Magnet volume past the reverse-field limit", "1", "%", 100,
    ),
    Figure("price", "order.magnets_price", "Price of the magnets of a motor", "1"),
    Figure(
        "torque_constant_low", "tolerance.torque_constant_low_nm_per_a",
        "Torque constant that 95 % of rotors reach", "N m/A",
    ),
    Figure(
        "continuous_torque_low", "tolerance.continuous_torque_low_nm",
        "Continuous torque that 95 % of rotors reach", "N m",
    ),
    Figure(
        "tolerance_yield", "tolerance.yield_percent", "Rotors within the tolerance limits", "1",
        "%", 100,
    ),
)  # fmt: skip


def figure(name: str) -> Figure:
    """Return the figure of this name.

    Examples
    --------
    >>> figure("rotor_mass").title
    'Mass of rotor [g]'
    """
    return next(f for f in FIGURES if f.name == name)


def phrase(label: str) -> str:
    """Return a label as it stands within a sentence.

    Examples
    --------
    >>> phrase("Torque per A of phase current")
    'torque per A of phase current'
    """
    return label[:1].lower() + label[1:]


def figure_table() -> str:
    """Return all figures as a Markdown table, as it stands in the README."""
    lines = ["| figure | is | objective | in a Dataset |", "|---|---|---|---|"]
    lines += [f"| `{f.key}` | {f.label} | {f.better} | `{f.name}` |" for f in FIGURES]
    return "\n".join(lines)


# What a scattered rotor is judged by, its own figures; keys as in [tolerance.limits].
OUTCOMES: tuple[Figure, ...] = (
    Figure("torque_constant", "torque_constant_nm_per_a", "Torque constant", "N m/A"),
    Figure(
        "torque_share", "torque_constant_percent", "Torque constant over the design's", "1", "%",
        100,
    ),
    Figure("emf_a", "back_emf_a_v_s_per_rad", "Back-EMF of phase A, peak", "V s/rad"),
    Figure("emf_b", "back_emf_b_v_s_per_rad", "Back-EMF of phase B, peak", "V s/rad"),
    Figure("emf_c", "back_emf_c_v_s_per_rad", "Back-EMF of phase C, peak", "V s/rad"),
    Figure(
        "imbalance", "back_emf_imbalance_percent", "Imbalance between phases", "1", "%", 100
    ),
    Figure(
        "beat", "back_emf_beat_percent", "Back-EMF variation over a turn", "1", "%", 100
    ),
    Figure(
        "stray_waves", "stray_waves_percent", "Waves that a perfect ring lacks", "1", "%", 100
    ),
    Figure(
        "cogging_slots", "cogging_slots_nm", "Cogging at one wave a slot, peak", "N m"
    ),
    Figure(
        "cogging_twice", "cogging_twice_slots_nm", "Cogging at two waves a slot, peak", "N m"
    ),
    Figure("pull", "magnetic_pull_n", "Unbalanced pull, worst angle", "N"),
    Figure("least_gap", "least_airgap_mm", "Least air between rotor and stator", "m", "mm", 1e3),
)  # fmt: skip

FIGURES_BY_KEY = {f.key: f for f in FIGURES}
OUTCOMES_BY_KEY = {f.key: f for f in OUTCOMES}
OUTCOMES_BY_NAME = {f.name: f for f in OUTCOMES}
