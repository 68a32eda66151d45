"""Does the rotor stay together, and does it stay in place: glue, print, steel ring, supports.

Estimates by handbook formulas, each part by itself. A magnet is held towards the gap by its glue
or by the print in front of it, whichever is the stronger; sharing between the two is not counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isnan, nan, pi, sqrt

import numpy as np

from arrayopt.checks.limits import Check
from arrayopt.field import AirgapField, solve_field
from arrayopt.field.forces import seated_forces
from arrayopt.layout import Layout, build_layout
from arrayopt.layout.build import MM
from arrayopt.layout.shapes import Array
from arrayopt.machine import MachineFigures, machine_figures, phase_peak_current
from arrayopt.materials import MU0, share_left
from arrayopt.study import Study

RPM = 2 * pi / 60  # rad/s
GLUE, SKIN, LIPS = "glue", "skin", "lips"
OVERSPEED = 1.2  # times the no-load speed (common practice, no source)
STEEL_YIELD = 200e6  # Pa, mild steel (from memory)
DEFLECTION = 0.1  # of the running clearance, that a support may give (common practice, no source)
_POISSON_PRINT, _POISSON_STEEL = 0.35, 0.3  # from memory
_ORDERS = np.arange(1, 16)
_SLIVER = 0.2e-3  # m; print thinner than this is not made
# Force between a sine field and a sine of current follows sin^2: at its peak twice the mean.
_PEAK_SHARE = 2.0


@dataclass(frozen=True)
class Loads:
    """Loads on a magnet of one row [N], the largest of each kind within a family.

    Attributes
    ----------
    centrifugal : float
        At overspeed; NaN where no speed is known.
    radial : float
        Magnetic, of the member that is pulled most towards the gap; outwards positive.
    tangential, axial : float
        Magnetic, whatever their sense.
    torque : float
        Tangential share of the torque at peak current; NaN where no torque is known.
    to_gap, to_back : float
        Largest sum of magnetic and centrifugal force either way, at rest or at overspeed.

    """

    centrifugal: float
    radial: float
    tangential: float
    axial: float
    torque: float
    to_gap: float
    to_back: float

    @property
    def sideways(self) -> float:
        """Tangential load [N]; torque counts where it is known."""
        return self.tangential + (0.0 if isnan(self.torque) else self.torque)


@dataclass(frozen=True)
class Hold:
    """One part that holds a magnet, with its stress and its strength when warm [Pa]."""

    what: str
    stress: float
    strength: float

    @property
    def safety(self) -> float:
        """Strength over stress; infinite without stress."""
        return self.strength / self.stress if self.stress > 0 else inf


@dataclass(frozen=True)
class Held:
    """A family of magnets: its loads and all that could hold it, the glue first.

    Attributes
    ----------
    family : str
    number : int
        Magnets of it on the rotor, all rows.
    bond_area : float
        Glued faces of one magnet times the share that is bonded [m2].
    loads : Loads
    holds : tuple of Hold

    """

    family: str
    number: int
    bond_area: float
    loads: Loads
    holds: tuple[Hold, ...]

    @property
    def best(self) -> Hold:
        """The strongest of what holds it."""
        return max(self.holds, key=lambda hold: hold.safety)


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
    held : tuple of Held
        One a family.
    ring : RingStress or None
        Of an outer rotor at overspeed.
    off_centre : OffCentre

    """

    speed: float
    speed_source: str
    temperature: float
    torque: float
    torque_source: str
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
        Of a rotor that fits.

    Raises
    ------
    KeyError
        If the study names a material that it does not know; a loaded study never does.

    """
    layout = build_layout(study)
    field = solve_field(layout, orders=_ORDERS)
    machine = machine_figures(layout, field)
    speed, speed_source = _speed(study, machine)
    torque, torque_source = _torque(study, machine)
    warm = [study.rotor.magnet_temperature_c, float(machine.rotor_temperature[0])]
    temperature = float(np.nanmax(warm))
    # What symmetry cancels must not show as a load of 1e-14 N.
    forces = np.round(seated_forces(layout, field) / study.rotor.skew_steps, 9)
    held = tuple(
        _held(layout, i, forces, speed=speed, torque=torque, temperature=temperature)
        for i in range(len(layout.families))
    )
    return Strength(
        speed=speed,
        speed_source=speed_source,
        temperature=temperature,
        torque=torque,
        torque_source=torque_source,
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
            "N/mm", "strength.stiffness_n_per_mm; below it the rotor is pulled home (derived)",
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


# --- loads ----------------------------------------------------------------------------------


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


def _loads(layout: Layout, family: int, forces: Array, *, speed: float, torque: float) -> Loads:
    """Return the loads on one magnet of a family."""
    shape, rows = layout.shapes[family], layout.studies[0].rotor.skew_steps
    mass = float(shape.area[0] * layout.length[0]) / rows * layout.grades[family][0].density
    centre = float(shape.lo[0] + shape.hi[0]) / 2
    centrifugal = mass * speed**2 * centre
    own = forces[list(layout.families[family].places)]
    gap = -1 if layout.outer else 1  # sense of a force towards the gap
    radial = own[:, 0]
    turning = radial if isnan(centrifugal) else np.concatenate([radial, radial + centrifugal])
    count = int(layout.members[:, 0].sum()) * rows
    return Loads(
        centrifugal=centrifugal,
        radial=float(radial[np.argmax(gap * radial)]),
        tangential=float(np.abs(own[:, 1]).max()),
        axial=float(np.abs(own[:, 2]).max()),
        torque=_PEAK_SHARE * torque / centre / count,
        to_gap=float(max(0.0, (gap * turning).max())),
        to_back=float(max(0.0, (-gap * turning).max())),
    )


# --- what holds a magnet --------------------------------------------------------------------


def _held(
    layout: Layout, family: int, forces: Array, *, speed: float, torque: float, temperature: float
) -> Held:
    study, shape = layout.studies[0], layout.shapes[family]
    loads = _loads(layout, family, forces, speed=speed, torque=torque)
    backed = _backed(layout, family)
    area = bond_area(layout, family)
    # Without print or ring behind it a magnet hangs on its glue both ways.
    radial = loads.to_gap if backed else max(loads.to_gap, loads.to_back)
    stress = sqrt(radial**2 + loads.sideways**2 + loads.axial**2) / area
    glue = study.adhesive(study.strength.adhesive).strength_at(temperature)
    holds = [Hold(GLUE, stress, glue)]
    what, front = _front(layout, family)
    if what and backed and loads.to_gap > 0:
        load = loads.to_gap / (float(layout.length[0]) / study.rotor.skew_steps)
        width = float(shape.width[0]) + 2 * float(layout.clearance[0])
        if what == LIPS:
            stress = lip_stress(
                load, reach=min((study.carrier.lip_mm or 0.0) * MM, width / 2), thickness=front
            )
        elif layout.outer:
            stress = strip_stress(load, width=width, thickness=front)
        else:
            stress = band_stress(
                load / width,
                radius=float(layout.gap_radius[0]) + study.carrier.skin_mm * MM - front / 2,
                thickness=front,
                density=study.plastic(study.carrier.material).density,
                speed=0.0 if isnan(speed) else speed,
            )
        holds.append(Hold(what, stress, print_strength(study, temperature)))
    members = int(layout.members[family, 0]) * study.rotor.skew_steps
    return Held(layout.families[family].name, members, area, loads, tuple(holds))


def bond_area(layout: Layout, family: int) -> float:
    """Area [m2] of one magnet that glue holds: sides, back and end, times the bonded share.

    The back counts where print or ring is behind it, the end where a floor is under every
    magnet of the family, so not with several rows.
    """
    study, shape = layout.studies[0], layout.shapes[family]
    length = float(layout.length[0]) / study.rotor.skew_steps
    area = 2 * float(shape.thickness[0]) * length
    if _backed(layout, family):
        area += float(shape.width[0]) * length
    if study.carrier.floor_mm > 0 and study.rotor.skew_steps == 1:
        area += float(shape.area[0])
    return area * study.strength.bonded_share


def print_strength(study: Study, temperature: float) -> float:
    """Strength of the print along its layers [Pa] at a temperature [C].

    Half of it is left at the plastic's service temperature (common practice, no source).
    Layers lie square to the shaft, so that their lines run round the ring.
    """
    plastic = study.plastic(study.carrier.material)
    return plastic.strength_along * share_left(temperature, half_at=plastic.service_temperature)


def _backed(layout: Layout, family: int) -> bool:
    """Tell whether print or steel is behind a magnet."""
    study, shape = layout.studies[0], layout.shapes[family]
    if study.rotor.steel_ring_mm > 0:
        return True
    backing, c = study.carrier.backing_mm * MM, float(layout.clearance[0])
    edge = float(layout.ring_radius[0]) + (backing if layout.outer else -backing)
    if layout.outer:
        behind = edge - float(_grown_reach(layout, family))
    else:
        behind = float(shape.lo[0]) - c - max(edge, 0.0)
    return behind >= _least(study) - 1e-9


def _front(layout: Layout, family: int) -> tuple[str, float]:
    """Return what of the print is in front of a magnet, empty for nothing, and how thick [m]."""
    study, shape = layout.studies[0], layout.shapes[family]
    skin, gap = study.carrier.skin_mm * MM, float(layout.gap_radius[0])
    if layout.outer:
        front = float(shape.lo[0] - layout.clearance[0]) - (gap - skin)
    else:
        front = gap + skin - float(_grown_reach(layout, family))
    if skin > 0 and front > 0:
        return (SKIN if study.carrier.lip_mm is None else LIPS), front
    return (SKIN, front) if front >= _least(study) else ("", 0.0)


def _grown_reach(layout: Layout, family: int) -> Array:
    """Farthest point of a pocket from the shaft [m]."""
    shape, c = layout.shapes[family], layout.clearance
    corner = np.sqrt(np.maximum(shape.outer_radius**2 - shape.hi**2, 0))
    return np.asarray(np.hypot(shape.hi + c, np.where(corner > 0, corner + c, 0))[0])


def _least(study: Study) -> float:
    """Thinnest print that is made [m]."""
    return max(study.rotor.wall_mm * MM, _SLIVER)


# --- handbook formulas ----------------------------------------------------------------------


def strip_stress(load: float, *, width: float, thickness: float) -> float:
    """Bending stress [Pa] of a skin across a pocket, a strip held firmly at both sides.

    Largest at the sides, ``w^2/12`` per pressure in bending moment.

    Parameters
    ----------
    load : float
        Per length along the shaft, even over the width [N/m].
    width, thickness : float
        [m].

    References
    ----------
    Beam with both ends fixed, textbook (from memory).

    Examples
    --------
    >>> round(strip_stress(1000.0, width=4e-3, thickness=0.5e-3) / 1e6, 6)
    8.0
    """
    return load * width / (2 * thickness**2)


def lip_stress(load: float, *, reach: float, thickness: float) -> float:
    """Bending stress [Pa] at the root of two lips that share a load per length [N/m] evenly.

    References
    ----------
    Cantilever under an even load, textbook (from memory).

    Examples
    --------
    >>> round(lip_stress(1000.0, reach=1e-3, thickness=0.5e-3) / 1e6, 6)
    6.0
    """
    return 1.5 * load * reach / thickness**2


def band_stress(
    pressure: float, *, radius: float, thickness: float, density: float, speed: float
) -> float:
    """Hoop stress [Pa] of a thin band that turns and bears a pressure from within.

    Parameters
    ----------
    pressure : float
        [Pa], taken as if it went all round.
    radius, thickness : float
        [m].
    density : float
        Of the band [kg/m3].
    speed : float
        [rad/s].

    References
    ----------
    ``p r/t + rho v^2``, Timoshenko, Strength of Materials (from memory).

    Examples
    --------
    >>> round(band_stress(1e5, radius=20e-3, thickness=1e-3, density=1250, speed=400.0))
    2080000
    """
    return pressure * radius / thickness + density * (speed * radius) ** 2


def annulus_stress(
    *, density: float, speed: float, inner: float, outer: float, poisson: float
) -> float:
    """Hoop stress at the bore [Pa] of a free ring from its own turning mass.

    ``(3 + nu)/4 rho w^2 [ro^2 + (1 - nu)/(3 + nu) ri^2]``, radii in metres, speed in rad/s.

    References
    ----------
    Timoshenko; Shigley & Mischke, Mechanical Engineering Design (from memory).

    Examples
    --------
    >>> round(annulus_stress(density=7850, speed=1e3, inner=0.1, outer=0.1, poisson=0.3))
    78500000
    """
    shape = outer**2 + (1 - poisson) / (3 + poisson) * inner**2
    return (3 + poisson) / 4 * density * speed**2 * shape


def thick_ring_stress(pressure: float, *, inner: float, outer: float) -> float:
    """Hoop stress at the bore [Pa] of a ring under a pressure from within; radii in metres.

    References
    ----------
    Lame: ``p (ro^2 + ri^2)/(ro^2 - ri^2)``, as in Timoshenko (from memory).

    Examples
    --------
    >>> round(thick_ring_stress(1e6, inner=1.0, outer=3.0))
    1250000
    """
    return pressure * (outer**2 + inner**2) / (outer**2 - inner**2)


# --- ring behind the magnets ----------------------------------------------------------------


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


# --- off-centre rotor -----------------------------------------------------------------------


def _off_centre(study: Study, field: AirgapField) -> OffCentre:
    stiffness, centred = magnetic_pull(field)
    winding = study.stator.winding_thickness_mm if study.stator.kind == "smooth" else None
    clearance = study.airgap.length_mm - study.carrier.skin_mm - (winding or 0.0)
    support = study.strength.stiffness_n_per_mm
    return OffCentre(
        eccentricity=study.strength.eccentricity_mm * MM,
        clearance=clearance * MM,
        centred=centred,
        magnetic_stiffness=stiffness,
        support=nan if support is None else support * 1e3,
    )


def magnetic_pull(field: AirgapField) -> tuple[float, float]:
    """Pull on an off-centre rotor per metre [N/m], in its worst direction, and centred [N].

    Linear in the eccentricity, every harmonic, over the length that magnets and stack share;
    zero without stator iron. Irons are smooth and infinitely permeable, magnets are taken as
    air once their field is known.

    The stator's surface moved by e among the field Br of the centred motor leaves it at the
    potential ``Br e cos(angle)/mu0``. That adds harmonics next to each one of Br, whose field
    grows by ``C_v = coth(v ln(Y/R))`` where a ring's surface Y bounds it, and Maxwell's stress
    on Br and what is added gives the pull. One harmonic n of Br without a ring pulls
    ``pi (n - 1) Br^2/(2 mu0)`` per length on an outer rotor and n + 1 on an inner one (derived).

    Parameters
    ----------
    field : AirgapField
        Of one design.

    References
    ----------
    Derived; an array of free field B0 on an outer rotor: ``2 pi (p - 1) B0^2 e/mu0``.

    """
    layout, irons = field.layout, field.irons
    if not irons.stator_iron[0]:
        return 0.0, 0.0
    n, R = field.turns[:, 0], float(irons.stator[0])
    length = float(field.overlap[0] * layout.stack[0])
    B = np.zeros(int(n.max()) + 3)
    # Flux carries over to the surface that Carter's coefficient moves.
    B[n] = field.surface[:, 0] * layout.surface_radius[0] / R / field.overlap[0]
    order = np.arange(1, len(B) - 1)
    low, high = B[order - 1], B[order + 1]
    strong, weak = (high, low) if layout.outer else (low, high)
    C = np.ones(len(order))
    if irons.ring_iron[0]:
        q = np.exp(-2 * order * abs(np.log(irons.ring[0] / R)))
        C = (1 + q) / (1 - q)
    # Along the axis of a main magnet and square to it; the same but for one or two pole pairs.
    ways = [
        np.sum(order * (strong + s * weak) * ((C + 1) * strong + s * (C - 1) * weak))
        for s in (1, -1)
    ]
    centred = pi * R / (2 * MU0) * abs(float(np.sum(B[:-1] * B[1:])))
    return pi / (4 * MU0) * float(max(ways)) * length, centred * length
