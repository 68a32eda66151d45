"""The tables of a study file: what each may say, with units, ranges and defaults."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from arrayopt.study.additions import Materials
from arrayopt.study.section import Section


class Block(Section):
    """A rectangular magnet, placed with its faces square to its own radius."""

    shape: Literal["block"]
    width_mm: float = Field(ge=0.3, le=100, description="size along the circumference")
    thickness_mm: float = Field(ge=0.3, le=100, description="size along the radius")
    flush: Literal["gap", "back", "centre"] = Field(
        "gap", description="side of the magnet band that it touches"
    )
    grade: str | None = Field(None, description="its own grade; left out, that of the rotor")


class Arc(Section):
    """A ring segment with radial sides and one direction of polarisation throughout."""

    shape: Literal["arc"]
    span_deg: float = Field(ge=0.2, le=180, description="angle that it spans at the shaft")
    thickness_mm: float = Field(ge=0.3, le=100, description="size along the radius")
    flush: Literal["gap", "back", "centre"] = Field(
        "gap", description="side of the magnet band that it touches"
    )
    grade: str | None = Field(None, description="its own grade; left out, that of the rotor")


Magnet = Annotated[Block | Arc, Field(discriminator="shape")]


class Rotor(Section):
    """The ring of magnets."""

    position: Literal["outer", "inner"] = Field(description="where the magnets sit")
    pole_pairs: int = Field(ge=1, le=120, description="north-south pairs round the ring")
    magnets_per_pole_pair: int = Field(
        ge=2,
        le=24,
        description="2 is plain alternating, 4 main and transverse; 6, 8 and others add oblique",
    )
    grade: str = Field(description="magnet grade, from the materials list")
    remanence: Literal["minimum", "typical", "maximum"] = Field(
        "typical", description="which remanence of the grade to count on; minimum is guaranteed"
    )
    magnet_temperature_c: float = Field(
        20, ge=-40, le=200, description="at which all magnetic figures but those of heat are given"
    )
    length_mm: float | None = Field(
        None, ge=0.5, le=300, description="magnet length along the shaft; left out, the stack's"
    )
    overhang_mm: float | None = Field(
        None, ge=-50, le=50,
        description="magnets beyond the stack at each end, instead of length_mm",
    )  # fmt: skip
    main: Magnet = Field(description="radially polarised magnets")
    transverse: Magnet | None = Field(None, description="tangentially polarised magnets")
    oblique: Magnet | None = Field(None, description="magnets of all other directions")
    wall_mm: float = Field(0.8, ge=0, le=20, description="least printed wall between two pockets")
    clearance_mm: float = Field(
        0.1, ge=0, le=2, description="pocket larger than the magnet, each side"
    )
    steel_ring_mm: float = Field(
        0, ge=0, le=30, description="thickness of the steel ring behind the magnets; 0 is none"
    )
    ring_steel: str = Field("mild-steel", description="steel of that ring, from the materials list")
    skew_steps: int = Field(
        1, ge=1, le=20, description="rows of magnets along the shaft, each turned against the last"
    )
    skew_step_deg: float = Field(
        0, ge=0, le=60, description="angle between two such rows, mechanical"
    )

    @property
    def outer(self) -> bool:
        """Whether the magnets sit outside the stator."""
        return self.position == "outer"

    @property
    def sign(self) -> int:
        """Way from the stator to the magnets along the radius: 1 is outwards, -1 inwards."""
        return 1 if self.outer else -1


class Carrier(Section):
    """The printed part that holds the magnets."""

    material: str = Field("PETG", description="plastic, from the materials list")
    backing_mm: float = Field(
        1.6, ge=0, le=30, description="print behind the pockets where there is no steel ring"
    )
    skin_mm: float = Field(
        0, ge=0, le=5,
        description="print between magnets and gap, part of the airgap; rotor.clearance_mm is cut "
        "out of it",
    )  # fmt: skip
    lip_mm: float | None = Field(
        None, ge=0.1, le=10,
        description="reach of the skin over each side of pockets open between these lips; "
        "left out, the skin covers them",
    )  # fmt: skip
    corner_relief_mm: float = Field(
        0.2, ge=0, le=2, description="radius cut into the pocket's corners for the nozzle's round"
    )
    floor_mm: float = Field(
        2,
        ge=0,
        le=30,
        description="closed end plate under the ring of magnets only; a disc to the shaft counts "
        "in other_mass_g",
    )
    other_mass_g: float = Field(
        0, ge=0, le=20000, description="hub, bearings, screws: turns with the rotor, stays the same"
    )


class Airgap(Section):
    """The gap."""

    length_mm: float = Field(
        ge=0.1, le=30,
        description="stator surface to the nearest magnet face or corner, skin included; the "
        "winding of a smooth stator lies in it, that of an ironless one does not",
    )  # fmt: skip


class Stator(Section):
    """The part that carries the winding."""

    kind: Literal["slotted", "smooth", "ironless"] = Field(
        description="iron with slots, iron without slots, or no iron at all"
    )
    surface_diameter_mm: float = Field(
        ge=2, le=2000,
        description="surface that faces the magnets: of the iron (smooth: under the winding), or "
        "of an ironless winding",
    )  # fmt: skip
    stack_mm: float = Field(ge=0.5, le=300, description="length of iron or active winding")
    slots: int = Field(
        ge=3, le=720,
        description="slots, or coil sectors where there are none: equal shares of the turn",
    )  # fmt: skip
    slot_opening_mm: float | None = Field(
        None, ge=0, le=100, description="slotted: opening at the surface"
    )
    tooth_width_mm: float | None = Field(
        None, ge=0.2, le=200, description="slotted: width of the parallel-sided tooth"
    )
    slot_depth_mm: float | None = Field(
        None, ge=0.5, le=300, description="slotted: winding space along the radius, below the tips"
    )
    tooth_tip_mm: float | None = Field(
        None, ge=0.1, le=50, description="slotted: depth of the opening; left out, 1 mm"
    )
    yoke_mm: float | None = Field(
        None, ge=0.2, le=200, description="iron behind the slots or the winding, along the radius"
    )
    sheet: str = Field("M330-50A", description="electrical sheet, from the materials list")
    stacking_factor: float = Field(
        0.95, ge=0.5, le=1, description="share of iron in the stack length"
    )
    winding_thickness_mm: float | None = Field(
        None, ge=0.1, le=50,
        description="winding along the radius; smooth: on the iron, part of the airgap; ironless: "
        "behind the surface, not part of it",
    )  # fmt: skip
    coil_side_mm: float | None = Field(
        None, ge=0.1, le=200,
        description="smooth and ironless: width of one straight coil side; with two layers and "
        "coils of one sector two share a sector",
    )  # fmt: skip


class Winding(Section):
    """Three-phase winding."""

    turns_per_coil: int = Field(ge=1, le=2000, description="turns of one coil")
    wire_diameter_mm: float | None = Field(
        None, ge=0.02, le=5, description="bare copper; or give winding.wire"
    )
    wire: str | None = Field(None, description='wire size "AWG 0" to "AWG 50", or a wire of yours')
    enamel_grade: int = Field(
        1, ge=1, le=2, description="thickness of the enamel by IEC 60317-0-1; 2 is thicker"
    )
    strands: int = Field(1, ge=1, le=500, description="wires in parallel in each turn")
    connection: Literal["star", "delta"] = Field("star", description="of the three phases")
    layers: int = Field(2, ge=1, le=2, description="coil sides in each slot")
    parallel_paths: int = Field(
        1, ge=1, le=120, description="equal groups of a phase's coils side by side"
    )
    coil_span_slots: int | None = Field(
        None, ge=1, le=360, description="slots that a coil spans; left out, nearest to a pole"
    )
    mean_turn_mm: float | None = Field(
        None, ge=1, le=5000, description="measured mean length of a turn; left out, estimated"
    )


class HeatRun(Section):
    """A heat run: a steady current and the temperature rise that the winding settles at."""

    current_a_rms: float = Field(gt=0, le=10000, description="phase current, the same in all three")
    rise_k: float = Field(gt=0, le=300, description="steady winding temperature above ambient_c")


class Heat(Section):
    """Cooling, measured or assumed; without it no continuous torque is claimed."""

    ambient_c: float = Field(25, ge=-40, le=100, description="air around the motor")
    winding_limit_c: float = Field(ge=30, le=250, description="hottest winding allowed")
    thermal_resistance_k_per_w: float | None = Field(
        None, ge=0.01, le=1000, description="winding to air, fan as in use; or give heat.run"
    )
    run: HeatRun | None = Field(
        None, description="heat run that the thermal resistance follows from"
    )
    rotor_rise_share: float = Field(
        0.5, ge=0, le=1, description="rise of magnets and carrier over that of the winding"
    )
    magnet_limit_c: float | None = Field(
        None, ge=30, le=300, description="hottest magnets allowed; left out, the grade's class"
    )
    carrier_limit_c: float | None = Field(
        None, ge=30, le=300, description="hottest carrier allowed; left out, the plastic's"
    )
    speed_rpm: float = Field(
        0, ge=0, le=200000, description="motor speed whose iron loss the continuous torque bears"
    )


class Drive(Section):
    """Supply and drive; without it no speed and no peak torque is claimed."""

    voltage_v: float = Field(ge=1, le=1500, description="direct voltage of the supply under load")
    peak_current_a: float = Field(
        gt=0, le=10000, description="amplitude of the line current for a moment"
    )


class Joint(Section):
    """The reduction between motor and joint."""

    gear_ratio: float = Field(ge=1, le=1000, description="motor turns per joint turn")
    gear_efficiency: float = Field(ge=0.05, le=1, description="share of power that arrives")


class Strength(Section):
    """What must hold the magnets and the rotor's place."""

    overspeed_rpm: float | None = Field(
        None, gt=0, le=200000,
        description="speed to survive; left out, 1.2 times the no-load speed on the drive's supply",
    )  # fmt: skip
    adhesive: str = Field("epoxy", description="glue of the magnets, from the materials list")
    bonded_share: float = Field(
        0.5, ge=0.05, le=1, description="share of a pocket's faces that the glue wets and holds"
    )
    safety_factor: float = Field(
        3, ge=1, le=20, description="strength over stress that glue and print must keep"
    )
    eccentricity_mm: float = Field(
        0.1, ge=0, le=5, description="rotor off the stator's centre, as built"
    )
    stiffness_n_per_mm: float | None = Field(
        None, gt=0, le=1e7, description="carrier and bearings against a radial force at the magnets"
    )


class Sensor(Section):
    """A position sensor and the disc magnet of its own that it reads."""

    radius_mm: float = Field(0, ge=0, le=500, description="off the shaft's axis")
    height_mm: float = Field(
        ge=-500, le=500, description="along the shaft from the middle of the stack"
    )
    magnet_diameter_mm: float = Field(ge=0.5, le=100, description="of its disc, on the shaft")
    magnet_thickness_mm: float = Field(ge=0.3, le=50, description="of the disc along the shaft")
    magnet_grade: str = Field("N35", description="grade of the disc, polarised across it")
    distance_mm: float = Field(ge=0.1, le=50, description="disc's face to the sensing element")
    error_limit_deg: float = Field(
        0.5, gt=0, le=90, description="angle error that the array's stray field may cause"
    )


class Limits(Section):
    """Limits that a check is held against and a search must respect."""

    tooth_flux_density_t: float | None = Field(
        None, ge=0.1, le=2.5, description="no-load peak in the teeth; left out, the sheet's knee"
    )
    yoke_flux_density_t: float | None = Field(
        None, ge=0.1, le=2.5, description="no-load peak in the yoke; left out, the sheet's knee"
    )
    ring_flux_density_t: float | None = Field(
        None, ge=0.1, le=2.5, description="no-load peak in the steel ring; left out, its knee"
    )
    slot_fill: float = Field(
        0.45, ge=0.05, le=0.9, description="copper over slot area reached by hand"
    )
    wire_fill: float = Field(
        0.65, ge=0.05, le=0.95, description="enamelled wire over slot area reached by hand"
    )
    demagnetised_percent: float = Field(
        1.0, ge=0, le=100, description="magnet volume whose reverse field exceeds the grade's limit"
    )


class Order(Section):
    """What to buy."""

    motors: int = Field(1, ge=1, le=100000, description="motors to build")
    spares_percent: float = Field(5, ge=0, le=200, description="spare magnets, rounded up")
    size_tolerance_mm: float = Field(
        0.05, ge=0.001, le=1, description="tolerance asked for on every size"
    )
    flatness_mm: float = Field(
        0.05, ge=0.001, le=1, description="flatness asked for on every flat face"
    )
    angle_tolerance_deg: float = Field(
        3, ge=0.1, le=45, description="tolerance asked for on the direction of polarisation"
    )
    coating: str = Field(
        "Ni-Cu-Ni", min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]*$",
        description="coating asked for",
    )  # fmt: skip


class Bounds(Section):
    """What a figure may be, in the unit that its key ends in."""

    at_least: float | None = Field(None, description="least value of that figure")
    at_most: float | None = Field(None, description="greatest value of that figure")

    @property
    def given(self) -> list[tuple[str, float]]:
        """The ends that are given, each in words and number."""
        both = (("at least", self.at_least), ("at most", self.at_most))
        return [(word, value) for word, value in both if value is not None]


class Tolerance(Section):
    """How far rotors are off as they are printed and bought; limits are plus or minus."""

    rotors: int = Field(5000, ge=200, le=200000, description="rotors that are drawn")
    seed: int = Field(1, ge=0, le=2**31 - 1, description="same seed, same rotors")
    distribution: Literal["normal", "uniform"] = Field(
        "normal", description="normal: 19 of 20 are within the limit; uniform: all, evenly spread"
    )
    remanence_batch_percent: float | None = Field(
        None, ge=0, le=20, description="whole batches; left out, half the range of the grade"
    )
    remanence_percent: float = Field(
        2, ge=0, le=20, description="one magnet against the others of its batch"
    )
    angle_deg: float | None = Field(
        None, ge=0, le=30,
        description="direction of polarisation; left out, what the order asks for",
    )  # fmt: skip
    size_mm: float | None = Field(
        None, ge=0, le=1, description="every size of a magnet; left out, what the order asks for"
    )
    position_mm: float = Field(
        0.1, ge=0, le=2, description="pocket off its place, along the radius and across"
    )
    play_mm: float | None = Field(
        None, ge=0, le=2, description="magnet off its pocket's middle; left out, the clearance"
    )
    tilt_deg: float = Field(1, ge=0, le=20, description="magnet askew in its pocket")
    eccentricity_mm: float = Field(
        0.1,
        ge=0,
        le=5,
        description="ring off its shaft, turning with the rotor (dynamic eccentricity)",
    )
    off_centre_mm: float = Field(
        0.05,
        ge=0,
        le=5,
        description="shaft off the stator's axis, standing still (static eccentricity)",
    )
    oval_mm: float = Field(0.1, ge=0, le=5, description="radius of the ring at its longer axis")
    airgap_mm: float = Field(0.1, ge=0, le=5, description="airgap of the whole rotor")
    temperature_k: float = Field(10, ge=0, le=100, description="magnets warmer or colder")
    missing_percent: float = Field(0, ge=0, le=50, description="magnets left out by mistake")
    flipped_percent: float = Field(0, ge=0, le=50, description="magnets put in the wrong way round")
    swapped_percent: float = Field(
        0, ge=0, le=50, description="magnets exchanged with their neighbour"
    )
    limits: dict[str, Bounds] = Field(
        default_factory=dict, description="figure of a rotor in quotes = what it may be"
    )


class Variable(Section):
    """One quantity that the search may change: a range, a stepped range or a list."""

    low: float | int | None = Field(None, ge=-1e6, le=1e6, description="lower end of a range")
    high: float | int | None = Field(None, ge=-1e6, le=1e6, description="upper end of a range")
    step: float | int | None = Field(None, gt=0, description="step of the range")
    choices: list[float | int | str] | None = Field(
        None, min_length=1, max_length=200, description="the values themselves, instead of a range"
    )


class Search(Section):
    """What the optimiser may do."""

    trials: int = Field(5000, ge=10, le=1000000, description="different designs to judge")
    seed: int = Field(1, ge=0, le=2**31 - 1, description="same seed, same front")
    objectives: list[str] | None = Field(
        None, min_length=2, max_length=3,
        description="two or three figures to improve; left out, torque and rotor mass",
    )  # fmt: skip
    stock: str | None = Field(
        None, min_length=1, max_length=400,
        description="shop list (CSV) beside the study that magnets are chosen from",
    )  # fmt: skip
    limits: dict[str, Bounds] = Field(
        default_factory=dict, description="figure key in quotes = what it may be"
    )
    variables: dict[str, Variable] = Field(
        default_factory=dict, description="study key in quotes = what it may become"
    )


class StudyFile(Section):
    """All tables of a study file."""

    title: str = Field(
        min_length=1,
        max_length=200,
        pattern=r"^[^\x00-\x1f\x7f]*$",
        description="what the motor is for",
    )
    rotor: Rotor
    carrier: Carrier = Field(default_factory=Carrier)
    airgap: Airgap
    stator: Stator
    winding: Winding
    heat: Heat | None = None
    drive: Drive | None = None
    joint: Joint | None = None
    strength: Strength = Field(default_factory=Strength)
    sensor: Sensor | None = None
    limits: Limits = Field(default_factory=Limits)
    order: Order = Field(default_factory=Order)
    tolerance: Tolerance = Field(default_factory=Tolerance)
    materials: Materials = Field(default_factory=Materials)
    search: Search | None = None


# Keys of [stator] that a kind of stator has no use for.
FOREIGN = {
    "slotted": ("winding_thickness_mm", "coil_side_mm"),
    "smooth": ("slot_opening_mm", "tooth_width_mm", "slot_depth_mm", "tooth_tip_mm"),
    "ironless": ("slot_opening_mm", "tooth_width_mm", "slot_depth_mm", "tooth_tip_mm", "yoke_mm"),
}
