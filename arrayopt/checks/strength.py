"""Does the rotor stay together, and does it stay in place: glue, print, steel ring, supports.

Estimates by handbook formulas, each part by itself. A magnet is held towards the gap by its glue
or by the print in front of it, whichever is the stronger; sharing between the two is not counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, nan, pi

import numpy as np

from arrayopt.checks.buildable import check_buildable
from arrayopt.checks.holding import GLUE, LIPS, SKIN, Held, held_magnets, print_strength
from arrayopt.checks.limits import Check
from arrayopt.checks.stresses import annulus_stress, thick_ring_stress
from arrayopt.field import ORDERS, AirgapField, solve_field
from arrayopt.field.forces import pair_forces, seated_forces
from arrayopt.field.pull import magnetic_pull
from arrayopt.layout import Layout, build_layout, rotor_masses
from arrayopt.layout.carrier import carrier_sections
from arrayopt.machine import MachineFigures, machine_figures, phase_peak_current
from arrayopt.quantities import MM, RPM, Array
from arrayopt.study import Study

OVERSPEED = 1.2  # times the no-load speed (common practice, no source)
STEEL_YIELD = 200e6  # Pa, mild steel (from memory)
DEFLECTION = 0.1  # of the running clearance, that a support may give (common practice, no source)
_POISSON_PRINT, _POISSON_STEEL = 0.35, 0.3  # from memory


@dataclass(frozen=True)
class RingStress:
    """Hoop stress at the bore of the ring behind the magnets at overspeed [Pa].

    Attributes
    ----------
    part : str
    own, carried : float
        From its own mass; from magnets and walls, negative where magnetism pulls harder.
    strength : float

    """

    part: str
    own: float
    carried: float
    strength: float

    @property
    def hoop(self) -> float:
        """Tension at the bore; zero where it is pressed together."""
        return max(self.own + self.carried, 0.0)


@dataclass(frozen=True)
class OffCentre:
    """Pull between a rotor and a stator whose axes lie apart.

    Attributes
    ----------
    eccentricity, clearance : float
        As built, and what runs free between rotor and stator [m].
    centred : float
        Pull when centred [N]; zero but for one pole pair of an odd number of magnets.
    magnetic_stiffness : float
        Pull that each metre of eccentricity adds [N/m].
    support : float
        Stiffness of carrier and bearings [N/m]; NaN where not given.

    """

    eccentricity: float
    clearance: float
    centred: float
    magnetic_stiffness: float
    support: float

    @property
    def pull(self) -> float:
        """Pull at the eccentricity as built [N]."""
        return self.centred + self.magnetic_stiffness * self.eccentricity

    @property
    def support_needed(self) -> float:
        """Support that the pull deflects by no more than a tenth of the clearance [N/m]."""
        return self.magnetic_stiffness + self.pull / (DEFLECTION * self.clearance)

    @property
    def stable(self) -> bool:
        """Whether the support is stiffer than the magnetic pull; False without data."""
        return self.support > self.magnetic_stiffness

    @property
    def total(self) -> float:
        """Eccentricity with the support bent by the pull [m]; NaN without or past a limit."""
        if not self.stable:
            return nan
        return self.eccentricity + self.pull / (self.support - self.magnetic_stiffness)

    @property
    def gap_left(self) -> float:
        """Least clearance round the rotor [m]; NaN where `total` is."""
        return self.clearance - self.total


@dataclass(frozen=True)
class Strength:
    """What holds a rotor together and in place; NaN where the study has no data.

    Attributes
    ----------
    speed : float
        To survive [rad/s].
    speed_source : str
        Where it comes from, in words; empty where no speed is known.
    temperature : float
        Of magnets, glue and print [C].
    torque : float
        Whose share the magnets bear [N m].
    torque_source : str
    outermost : float
        Radius of the rotor [m].
    loose_parts : int
        Parts that the print falls into without its floor.
    held : tuple of Held
        One a family.
    ring : RingStress or None
        Of an outer rotor at overspeed.
    off_centre : OffCentre

    Examples
    --------
    >>> from math import tau
    >>> from arrayopt import load_study, strength
    >>> study = load_study("studies/ankle/study.toml")
    >>> found = strength(study)
    >>> found.speed_source, f"{found.speed * 60 / tau:.0f} rpm"
    ('1.2 times the no-load speed', '1983 rpm')
    >>> for held in found.held:
    ...     print(held.family, held.best.what, held.best.safety > study.strength.safety_factor)
    main glue True
    transverse glue True
    >>> found.ring.part, found.ring.hoop < found.ring.strength
    ('print behind the magnets', True)
    """

    speed: float
    speed_source: str
    temperature: float
    torque: float
    torque_source: str
    outermost: float
    loose_parts: int
    held: tuple[Held, ...]
    ring: RingStress | None
    off_centre: OffCentre


def strength(study: Study) -> Strength:
    """Estimate the stresses in glue, print and steel ring, and the pull of an off-centre rotor.

    Magnets and prints are as warm as at continuous torque, or as at
    ``rotor.magnet_temperature_c`` if that is hotter; magnetic loads are those at that latter
    temperature, in the finished motor, at rest.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Strength
        SI units, temperatures in C.

    Raises
    ------
    StudyError
        If magnets do not fit or the winding is unbalanced.

    References
    ----------
    Handbook formulas and their sources in `arrayopt.checks.stresses`; magnetic forces by charged
    faces, `arrayopt.field.forces`; pull off centre, `arrayopt.field.pull` (derived).

    Examples
    --------
    A support must be stiffer than the magnets' pull grows when the rotor moves off centre.

    >>> from arrayopt import load_study, strength
    >>> study = load_study("studies/ankle/study.toml")
    >>> soft, stiff = (
    ...     strength(study.with_values({"strength.stiffness_n_per_mm": stiffness})).off_centre
    ...     for stiffness in (50, 500)
    ... )
    >>> soft.stable, stiff.stable
    (False, True)
    >>> stiff.gap_left < stiff.clearance - stiff.eccentricity  # the pull bends it further
    True
    """
    check_buildable(study)
    layout = build_layout(study)
    field = solve_field(layout, orders=ORDERS)
    machine = machine_figures(layout, field)
    speed, speed_source = _speed(study, machine)
    torque, torque_source = _torque(study, machine)
    warm = [study.rotor.magnet_temperature_c, float(machine.rotor_temperature[0])]
    temperature = float(np.nanmax(warm))
    # What symmetry cancels must not show as a load of 1e-14 N.
    forces = np.round(_forces(layout, field), 9)
    held = tuple(
        held_magnets(layout, i, forces, speed=speed, torque=torque, temperature=temperature)
        for i in range(len(layout.families))
    )
    return Strength(
        speed=speed,
        speed_source=speed_source,
        temperature=temperature,
        torque=torque,
        torque_source=torque_source,
        outermost=float(rotor_masses(layout).outermost_radius[0]),
        loose_parts=carrier_sections(study)[0].loose_parts,
        held=held,
        ring=_ring(layout, forces, speed=speed, temperature=temperature),
        off_centre=_off_centre(study, field),
    )


def strength_checks(study: Study, found: Strength) -> list[Check]:
    """Hold stresses against strengths over the safety factor; what has no data is left out."""
    wanted, glue = study.strength.safety_factor, study.adhesive(study.strength.adhesive)
    rows = [
        Check(
            f"{one.family} magnets, {one.best.what}", one.best.stress / 1e6,
            one.best.strength / wanted / 1e6, "MPa", _SOURCES[one.best.what],
        )
        for one in found.held
    ]  # fmt: skip
    if found.ring is not None:
        ring = found.ring
        rows.append(
            Check(
                f"hoop stress, {ring.part}", ring.hoop / 1e6, ring.strength / wanted / 1e6, "MPa",
                _SOURCES[ring.part],
            )
        )  # fmt: skip
    if any(one.best.what == GLUE for one in found.held):
        rows.append(
            Check(
                "glue temperature", found.temperature, glue.service_temperature, "C",
                "adhesives.csv or materials.adhesives, lasting use (from memory)",
            )
        )  # fmt: skip
    centre = found.off_centre
    rows += [
        Check(
            "support against magnetic pull", centre.support / 1e3, centre.magnetic_stiffness / 1e3,
            "N/mm", "strength.stiffness_n_per_mm; below it the rotor is pulled against the stator "
            "(derived)",
            most=False,
        ),
        Check(
            "clearance left off centre", centre.gap_left * 1e3, 0.0, "mm",
            "airgap.length_mm less skin and winding, strength.eccentricity_mm (derived)",
            most=False,
        ),
    ]  # fmt: skip
    return [check for check in rows if check.value == check.value]


_WARM = "straight line from 20 C through half, common practice, no source"
PRINT_RING, STEEL_RING = "print behind the magnets", "steel ring"
_SOURCES = {
    GLUE: f"adhesives.csv or materials.adhesives, over strength.safety_factor ({_WARM})",
    SKIN: f"plastics.csv, along the layers, over strength.safety_factor ({_WARM})",
    LIPS: f"plastics.csv, along the layers, over strength.safety_factor ({_WARM})",
    PRINT_RING: f"plastics.csv, along the layers, over strength.safety_factor ({_WARM})",
    STEEL_RING: "yield of mild steel, 200 MPa (from memory), over strength.safety_factor",
}


def _forces(layout: Layout, field: AirgapField) -> Array:
    """Magnetic forces on the magnets of a pole pair [N], of the top row of several."""
    rows = layout.studies[0].rotor.skew_steps
    forces = seated_forces(layout, field) / rows
    if rows > 1:
        below = pair_forces(layout, lifts=np.zeros(1)).pairs[:, 1:, :, 0, 2]
        forces[:, 2] += below.sum(axis=(1, 2))
    return forces


def _speed(study: Study, machine: MachineFigures) -> tuple[float, str]:
    """Speed to survive [rad/s] and where it comes from."""
    if study.strength.overspeed_rpm is not None:
        return study.strength.overspeed_rpm * RPM, "strength.overspeed_rpm"
    if study.drive is None:
        return nan, ""
    return OVERSPEED * float(machine.no_load_speed[0]), f"{OVERSPEED:g} times the no-load speed"


def _torque(study: Study, machine: MachineFigures) -> tuple[float, str]:
    """Largest torque known [N m], of iron that does not saturate, and where it comes from."""
    if study.drive is not None:
        peak = float(machine.torque_constant[0]) * phase_peak_current(study)
        return float(peak), "the drive's peak current"
    continuous = float(machine.continuous_torque[0])
    return continuous, "" if isnan(continuous) else "continuous torque"


def _ring(layout: Layout, forces: Array, *, speed: float, temperature: float) -> RingStress | None:
    """Stress of the ring that an outer rotor's magnets press on at overspeed."""
    study = layout.studies[0]
    steel = study.rotor.steel_ring_mm * MM
    thick = steel or study.carrier.backing_mm * MM
    if not layout.outer or isnan(speed) or thick <= 0:
        return None
    inner = float(layout.ring_radius[0])
    outer = inner + thick
    pressure = _push(layout, forces, speed) / (2 * pi * inner * float(layout.length[0]))
    carried = thick_ring_stress(pressure, inner=inner, outer=outer)
    density = (
        study.steel(study.rotor.ring_steel).density
        if steel
        else study.plastic(study.carrier.material).density
    )
    own = annulus_stress(
        density=density,
        speed=speed,
        inner=inner,
        outer=outer,
        poisson=_POISSON_STEEL if steel else _POISSON_PRINT,
    )
    if steel:
        return RingStress(STEEL_RING, own, carried, STEEL_YIELD)
    return RingStress(PRINT_RING, own, carried, print_strength(study, temperature))


def _push(layout: Layout, forces: Array, speed: float) -> float:
    """Sum of all outward forces of magnets and walls on the ring behind them [N]."""
    study, length = layout.studies[0], float(layout.length[0])
    magnetic = float(forces[:, 0].sum()) * study.rotor.pole_pairs * study.rotor.skew_steps
    gap_side = float(layout.gap_radius[0]) - study.carrier.skin_mm * MM
    back, c = float(layout.ring_radius[0]), layout.clearance
    walls = pi * (back**2 - gap_side**2)
    push = 0.0
    for shape, members, grades in zip(layout.shapes, layout.members, layout.grades, strict=True):
        area, middle = float(shape.area[0]), float(shape.lo[0] + shape.hi[0]) / 2
        push += int(members[0]) * area * length * grades[0].density * speed**2 * middle
        pocket = (shape.width + 2 * c) * (shape.thickness + 2 * c)
        walls -= int(members[0]) * float(pocket[0])
    density = study.plastic(study.carrier.material).density
    middle = (back + gap_side) / 2
    return magnetic + push + max(walls, 0.0) * length * density * speed**2 * middle


def _off_centre(study: Study, field: AirgapField) -> OffCentre:
    stiffness, centred = magnetic_pull(field)
    support = study.strength.stiffness_n_per_mm
    return OffCentre(
        eccentricity=study.strength.eccentricity_mm * MM,
        clearance=study.clearance_mm * MM,
        centred=centred,
        magnetic_stiffness=stiffness,
        support=nan if support is None else support * 1e3,
    )
