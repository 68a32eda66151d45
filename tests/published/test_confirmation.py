"""Finite elements of `arrayopt.confirmation` against closed forms, circuits and other elements.

Per metre of length throughout: the plane knows no ends. Where a check depends on the mesh, its
tolerance says what the mesh leaves.
"""

from __future__ import annotations

from functools import cache
from math import lcm, pi

import finite_elements
import ngsolve as ngs
import numpy as np
import pytest
from annulus_series import annulus, segments
from makers import make_study
from scipy.integrate import quad, solve_bvp
from scipy.optimize import brentq
from sector_motors import MOTORS, reader, slotted, state, torques
from verification import agree, worst_of

from arrayopt.confirmation.cells import free_gap, half_slot
from arrayopt.confirmation.iron_loss import loss_by_part, over_phase
from arrayopt.confirmation.motor import Motor
from arrayopt.confirmation.plan import even, periods
from arrayopt.confirmation.readings import Reader, along_and_across, phase_currents
from arrayopt.confirmation.sector import repeated, sector_of
from arrayopt.confirmation.side import Side
from arrayopt.confirmation.waveforms import over_turn
from arrayopt.field import carter_coefficient, solve_field
from arrayopt.layout import build_layout
from arrayopt.machine import flux_linkages
from arrayopt.materials import Steel, steel
from arrayopt.quantities import MU0
from arrayopt.study import Study, size_contradictions

ANNULUS = "Annulus series, Zhu, Howe & Chan 2002 (from memory)"
CIRCUIT = "Magnetic circuit: Ampere's law and continuity along the pole (derived)"
ELEMENTS = "Plane finite elements (ngsolve), other mesh, coupling and windings"


# --- iron's curve ---------------------------------------------------------------------------


def yoked(**values: float | str) -> Study:
    """Smooth stator under whole poles of arcs with a heavy steel ring; poles long over the gap."""
    return make_study(
        pole_pairs=10, magnets_per_pole_pair=2, shape="arc", fill=1.0, diameter=400.0,
        thickness=2.0, airgap=2.0, length=300.0, stack=0.5,
        values={
            "stator.slots": 30, "stator.winding_thickness_mm": 0.5, "stator.yoke_mm": 4.0,
            "stator.stacking_factor": 0.9, "rotor.steel_ring_mm": 12.0, **values,
        },
    )  # fmt: skip


def flux_density(iron: Steel, field: float, *, share: float) -> float:
    """Flux density [T] of a stack of which a share is iron, over all of its section."""
    own = brentq(lambda B: float(iron.field_at(np.array(B))) - field, 0, 20, xtol=1e-13)
    return share * own + (1 - share) * MU0 * field


@pytest.mark.parametrize("sheet", ["M330-50A", "M235-35A"])
@pytest.mark.parametrize("field", [50.0, 500.0, 5e3, 2e5])
def test_exact_field_round_a_ring(sheet: str, field: float) -> None:
    """A yoke round a current: H falls as 1/r, B follows by the curve (Ampere's law, exact).

    Below, at and beyond the knee, and past the curve's end.
    """
    study = yoked(**{"stator.sheet": sheet})
    layout = build_layout(study)
    sector = sector_of(layout)
    cell = half_slot(study, free_gap(study, layout), size=2.0)
    side = Side(repeated(cell, sector), sector, order=3, fixed=True)
    iron, share = study.steel(sheet), study.stator.stacking_factor
    side.add_iron({"yoke": (iron, share)})
    R, depth = 0.2, 4e-3
    # A sheet of current over the gap drives the field round the shaft.
    u = side.space.TrialFunction()
    mesh = side.mesh.mesh
    edge = ngs.Integrate(ngs.CF(1), mesh, definedon=mesh.Boundaries("gap"))
    side.iron += ngs.Variation(-field * R * sector.span / edge * u * ngs.ds("gap"))
    side.iron += ngs.Variation(ngs.grad(u) * ngs.grad(u) / (2 * MU0) * ngs.dx("slot.*|air|gap"))
    potential = ngs.GridFunction(side.space)
    finite_elements.minimise(side.iron, potential, linear=False)
    surface = float(potential(mesh((R - 1e-9) * np.cos(0.01), (R - 1e-9) * np.sin(0.01))))
    expected = quad(lambda r: flux_density(iron, field * R / r, share=share), R - depth, R)[0]
    # The curve's corners within an element; a share of 1 would be 3 to 10 % off.
    np.testing.assert_allclose(surface, expected, rtol=2e-4)


def along_the_pole(study: Study, *, remanence: float) -> tuple[np.ndarray, np.ndarray]:
    """Flux per length in the yoke [Wb/m] over angles from the pole's middle to its end.

    Between the magnets' axis and the neutral line iron takes up a potential, which lowers the flux
    that the magnets send between ideal irons (by the annulus series) through the gap's permeance.
    The yoke's own field drives flux along the gap too, as through a third of its depth: the second
    term of ``k coth(k gap)``, the first being the permeance.
    """
    p = study.rotor.pole_pairs
    grade, share = study.magnet_grade(study.rotor.grade), study.stator.stacking_factor
    J = remanence * grade.remanence_at(study.rotor.magnet_temperature_c)
    mu, near, far = grade.recoil_permeability, 0.202, 0.204
    R, yoke, ring = 0.2, study.stator.yoke_mm * 1e-3, study.rotor.steel_ring_mm * 1e-3
    end, gap = pi / (2 * p), far - R
    orders = np.arange(1, 120, 2)
    case = {"magnet": (near, far), "iron": (R, far), "at": (R, far), "recoil": mu}
    waves = np.array([annulus(m * p, *segments(p, 2, sense=1, harmonic=m), **case) for m in orders])
    waves *= J * np.array([R, far]) / (p * orders[:, None])

    def own(t: np.ndarray, which: int) -> np.ndarray:
        return np.sin(np.outer(t, p * orders)) @ waves[:, which]

    across = (np.log(near / R) + np.log(far / near) / mu) / MU0  # A per Wb/m and rad
    sheet, back = study.steel(study.stator.sheet), study.steel(study.rotor.ring_steel)

    def yoke_field(flux: np.ndarray) -> np.ndarray:
        section = yoke * share
        return sheet.field_at(flux / section, air=(yoke - section + gap / 3) / section)

    def slopes(t: np.ndarray, y: np.ndarray) -> np.ndarray:
        lost, potential = y  # flux that the irons' potential takes away, and that potential
        H = yoke_field(own(t, 0) - lost)
        H_ring = back.field_at((own(t, 1) - lost) / ring)
        return np.array([potential / across, -(H * (R - yoke / 2) + H_ring * (far + ring / 2))])

    t = np.linspace(0, end, 200)
    start = np.array([0 * t, 0 * t])
    found = solve_bvp(
        slopes, lambda a, b: np.array([a[0], b[1]]), t, start, tol=1e-4, max_nodes=100_000
    )
    assert found.success
    flux = own(t, 0) - found.sol(t)[0]
    return t, flux - MU0 * gap / 3 * yoke_field(flux)


@pytest.mark.parametrize(
    ("sheet", "remanence", "share"), [("M330-50A", 0.4, 0.9), ("M235-35A", 0.6, 1.0)]
)
def test_independent_saturated_yoke(sheet: str, remanence: float, share: float) -> None:
    """A yoke of 4 mm that would carry 2.1 and 2.9 T if it did not saturate."""
    study = yoked(**{"stator.sheet": sheet, "stator.stacking_factor": share})
    motor = Motor(study, size=2.0, remanence=remanence)
    read = Reader(motor)
    found, ideal = (motor.solve(0.0, saturates=s) for s in (True, False))
    angles, flux = along_the_pole(study, remanence=remanence)
    section = study.stator.yoke_mm * 1e-3 * share
    case = f"{sheet} at {100 * share:g} %, smooth stator"
    rtol = 2.5e-3  # across the yoke H falls with the radius, and flux enters it slantwise
    agree(
        f"Saturated yoke, {case}", source=CIRCUIT, kind="independent", unit="T",
        theirs=flux[-1] / section, ours=read.peaks(found)[2], rtol=rtol,
    )  # fmt: skip
    assert read.peaks(found)[2] < 0.9 * read.peaks(ideal)[2]
    # Another curve and another share are told apart by more than that.
    sheets = {"M330-50A", "M235-35A"} - {sheet}
    for wrong in ({"stator.sheet": sheets.pop()}, {"stator.stacking_factor": 1.9 - share}):
        other = along_the_pole(study.varied(wrong), remanence=remanence)[1]
        assert abs(other[-1] / flux[-1] - 1) > 4 * rtol
    # Of three half slots over a pole two lie beside its middle and one across its end.
    mean = np.einsum("ctk,t->ck", read.iron_field(found), read.sheet.part_area)
    around = np.sort(np.abs(mean[:, 1]) / read.sheet.part_area.sum())
    expected = np.interp((np.arange(3000) + 0.5) / 3000 * angles[-1], angles, flux)
    expected = expected.reshape(3, -1).mean(axis=1) / (section / share)
    # Each half slot's own axes are turned by up to half a pitch, which mixes in radial flux.
    np.testing.assert_allclose(around[:4].mean(), expected[:2].mean(), rtol=5e-3)
    np.testing.assert_allclose(around[4:].mean(), expected[2], rtol=5e-3)


# --- slots ----------------------------------------------------------------------------------


@pytest.mark.parametrize("opening", [3.0, 4.0])
def test_published_carter_coefficient(opening: float) -> None:
    """Closed form of Carter's conformal map, as in `test_carter`: six slots in a long pole."""
    study = slotted(
        60, tooth=10.47 - opening, opening=opening, depth=15.0, yoke=20.0, tip=2.0, ring=10.0,
        pole_pairs=5, magnets_per_pole_pair=2, shape="arc", fill=1.0, diameter=200.0,
        thickness=2.0, airgap=2.0, values={"rotor.clearance_mm": 0.0},
    )  # fmt: skip
    motor, p, pitch = Motor(study, size=2.0), 5, 2 * pi / 60
    near = motor.gap.stator
    wave = int(np.argmin(np.abs(motor.air.numbers - p)))
    # Positions over a slot pitch take out what slots make of the magnets' other waves.
    turns = pitch * (np.arange(4) + 0.5) / 4
    found = [
        motor.waves(motor.solve(turn, saturates=False))[0][wave] * np.exp(-1j * p * turn)
        for turn in turns
    ]
    ours = p / near * np.abs(np.mean(found))
    grade = study.magnet_grade(study.rotor.grade)
    J, mu = grade.remanence_at(study.rotor.magnet_temperature_c), grade.recoil_permeability
    gap = 2e-3 + 2e-3 / mu

    def fundamental(coefficient: float) -> float:
        """Field of a stator without slots, set back by what they add to the gap."""
        iron = 0.1 - (coefficient - 1) * gap
        case = {"magnet": (0.102, 0.104), "iron": (iron, 0.104), "at": (near,), "recoil": mu}
        return J * annulus(p, *segments(p, 2, sense=1), **case)[0]

    closed = carter_coefficient(slot_pitch=pitch * 0.1, slot_opening=opening * 1e-3, gap=gap)
    coefficient = brentq(lambda k: fundamental(k) - ours, 1.0, 1.5)
    agree(
        f"Carter's coefficient less 1, finite elements of confirm, opening {opening:g} of 10.5 mm",
        source="Carter 1901, closed form (from memory)", kind="published",
        theirs=float(closed) - 1, ours=coefficient - 1,
        rtol=0.03,  # iron of 1e5 mu0 adds some 3e-4 of the gap
    )  # fmt: skip


# --- rings of arcs --------------------------------------------------------------------------

RINGS = [
    (position, M, kind, ring)
    for position in ("outer", "inner")
    for M, kind, ring in (
        (2, "smooth", 0.0), (2, "ironless", 0.0), (2, "smooth", 6.0),
        (4, "smooth", 0.0), (4, "ironless", 6.0),
    )
]  # fmt: skip
R, AIR, DEEP, WINDING, SIDE = 25.0, 2.0, 4.0, 1.0, 3.0  # mm


@cache
def ring_of_arcs(position: str, M: int, kind: str, ring: float, *, size: float = 0.75) -> Reader:
    study = make_study(
        position=position, pole_pairs=5, magnets_per_pole_pair=M, shape="arc", fill=1.0,
        diameter=2 * R, thickness=DEEP, airgap=AIR, kind=kind, length=300.0, stack=0.5,
        values={
            "rotor.steel_ring_mm": ring, "stator.slots": 15,
            "stator.winding_thickness_mm": WINDING, "stator.coil_side_mm": SIDE,
        },
    )  # fmt: skip
    return Reader(Motor(study, size=size))


def series(case: tuple[str, int, str, float], orders: np.ndarray, at: list[float]) -> np.ndarray:
    """Radial flux density by the annulus series, shape (order, radius) [T]; order 1 is p's."""
    (position, M, kind, ring), p = case, 5
    study = ring_of_arcs(*case).motor.study
    sense = 1 if position == "outer" else -1
    near, back = (R + sense * AIR) * 1e-3, (R + sense * (AIR + DEEP)) * 1e-3
    irons = R * 1e-3 if kind == "smooth" else None, back if ring else None
    grade = study.magnet_grade(study.rotor.grade)
    space = {
        "magnet": (min(near, back), max(near, back)), "iron": irons[::sense],
        "recoil": grade.recoil_permeability, "at": tuple(at),
    }  # fmt: skip
    waves = [annulus(m * p, *segments(p, M, sense=sense, harmonic=m), **space) for m in orders]
    return grade.remanence_at(study.rotor.magnet_temperature_c) * np.array(waves)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_published_waves_of_rings_of_arcs(position: str) -> None:
    """Both circles of the gap, four irons, two and four arcs a pole pair, rotor turned."""
    p, turn, orders, pairs = 5, 0.1, np.array([1, 3, 5, 7]), []
    for case in RINGS:
        if case[0] != position:
            continue
        motor = ring_of_arcs(*case).motor
        waves = motor.waves(motor.solve(turn, saturates=False))
        radii = [motor.gap.stator, motor.gap.rotor]
        places = np.searchsorted(motor.air.numbers, p * orders - 1e-6)
        expected = series(case, orders, radii)
        for k in (0, 1):
            # B_r = dA/(r dt): a cosine of B is a sine of A, turned with the rotor.
            got = -1j * waves[k][places] * np.exp(-1j * p * orders * turn) * p * orders / radii[k]
            # Mesh, and iron that is 1e5 times as permeable as air.
            np.testing.assert_allclose(
                got / expected[0, k], expected[:, k] / expected[0, k], rtol=0, atol=5e-5,
                err_msg=str(case),
            )  # fmt: skip
            pairs.append((abs(expected[0, k]), abs(got[0])))
    agree(
        f"Airgap fundamental by finite elements, {position} rings of arcs, worst of {len(pairs)}",
        source=ANNULUS, kind="published", unit="T", rtol=5e-5, **worst_of(pairs),
    )  # fmt: skip


@pytest.mark.parametrize("case", RINGS, ids=str)
def test_published_linkage_of_a_ring_of_arcs(case: tuple[str, int, str, float]) -> None:
    """Coils with sides of 3 mm in the gap: the potential of the series, mean over each side."""
    read, (position, _, kind, _) = ring_of_arcs(*case), case
    turn, p, Q = 0.05, 5, 15
    ours = read.linkages(read.motor.solve(turn, saturates=False))
    winding = read.motor.study.winding
    # The winding lies on iron that faces the gap, behind the surface where there is none.
    sense = 1 if position == "outer" else -1
    ends = np.array([R, R + WINDING * sense * (1 if kind == "smooth" else -1)]) * 1e-3
    x, w = np.polynomial.legendre.leggauss(12)
    radii = ends.mean() + x * np.ptp(ends) / 2
    # Higher ones are gone at the winding, and of the series' own rounding in open space.
    orders = np.arange(1, 22, 2)
    potential = series(case, orders, radii.tolist()) * radii / (p * orders[:, None])
    potential = potential @ (w * radii) / (w @ radii)
    side, pitch = SIDE * 1e-3 / ends.mean(), 2 * pi / Q
    # Three coils a pole pair, 120 degrees apart and none backwards; a coil's first side begins at
    # its slot's middle, its last one ends at the next.
    first = pitch * np.arange(3) + side / 2
    spread = potential * np.sinc(p * orders * side / 2 / pi)
    there, here = (
        spread @ np.sin(np.outer(p * orders, a - turn)) for a in (first + pitch - side, first)
    )
    coils = p * winding.turns_per_coil / winding.parallel_paths * (there - here)
    scale = np.abs(coils).max()
    np.testing.assert_allclose(ours / scale, coils / scale, rtol=0, atol=5e-5)  # mesh


TIGHT = {  # slots, pole pairs, layers, sides that share a sector, radius where they meet [mm]
    ("outer", "smooth"): (12, 5, 2, 2, R),
    ("inner", "smooth"): (12, 2, 2, 1, R - 3.0),
    ("outer", "ironless"): (12, 5, 1, 1, R - 3.0),
    ("inner", "ironless"): (12, 5, 2, 2, R),
}


def test_independent_linkage_of_tight_windings() -> None:
    """Deep windings without slots whose sides just meet: beside, alone and on each other."""
    pairs = []
    for (position, kind), (slots, p, layers, abreast, inner) in TIGHT.items():
        study = make_study(
            position=position, pole_pairs=p, shape="arc", fill=0.9, diameter=2 * R, thickness=DEEP,
            airgap=4.0, kind=kind, length=300.0, stack=0.5,
            values={
                "stator.slots": slots, "stator.winding_thickness_mm": 3.0,
                "stator.coil_side_mm": int(200 * pi * inner / slots / abreast) / 100,
                "winding.layers": layers,
            },
        )  # fmt: skip
        assert size_contradictions(study) == []
        read = Reader(Motor(study, size=1.5))
        turns = 2 * pi / p * np.arange(12) / 12
        linked = [read.linkages(read.motor.solve(a, saturates=False))[0] for a in turns]
        layout = build_layout(study)
        fast = flux_linkages(layout, solve_field(layout, orders=np.array([1])))[0, 0]
        pairs.append((abs(np.fft.rfft(linked)[1]) / 6, abs(fast) / float(layout.stack[0])))
    agree(
        f"Flux linkage of tight windings without slots, fast model, worst of {len(pairs)}",
        source="Plane finite elements of confirm (ngsolve)", kind="independent", unit="Wb/m",
        rtol=1e-2,  # mesh, recoil as one value a magnet
        **worst_of(pairs),
    )  # fmt: skip


# --- other elements -------------------------------------------------------------------------

OTHERS = {
    "12-10-inner-M4": 60.0,
    "12-10-outer-M2-ring": 40.0,
    "12-8-outer-M3": 40.0,
    "36-6-outer-M4-coils-over-six-slots": 15.0,
}  # A
CHEAP = [name for name in OTHERS if "ring" not in name]
BARE = "12-8-outer-M3"  # solved without magnets too
TURN = 0.05  # rad mechanical from where phase A links most


def torque_by_other_elements(found: finite_elements.Solution, study: Study) -> float:
    """Maxwell's stress over the layer of its gap next to the stator [N m/m].

    Arkkio 1987, Acta Polytechnica Scandinavica El 59 (from memory).
    """
    sign = 1 if study.rotor.position == "outer" else -1
    near = study.stator.surface_diameter_mm / 2
    far = near + sign * 0.4 * study.airgap.length_mm  # a circle of its mesh
    x, y = ngs.x, ngs.y
    r = ngs.sqrt(x * x + y * y)
    inside = ngs.IfPos((r - near) * (far - r), 1, 0)
    B = finite_elements.curl(ngs.grad(found.potential))
    radial, around = (B[0] * x + B[1] * y) / r, (B[1] * x - B[0] * y) / r
    pull = ngs.Integrate(
        inside * r * radial * around, found.mesh, definedon=found.mesh.Materials("air"), order=6
    )
    copies = study.stator.slots // found.sector.teeth
    return float(-sign * copies * pull / abs(far - near) / MU0 * 1e-6)


@pytest.mark.parametrize("name", OTHERS)
def test_independent_elements_loaded(name: str) -> None:
    """Saturated under current, off any symmetric place; M = 3 and coils over six slots too."""
    study, current = MOTORS[name], OTHERS[name]
    read, p = reader(name), study.rotor.pole_pairs
    found = state(name, TURN, quadrature=current)
    assert np.nanmax(read.peaks(found)) > 1.7
    other = finite_elements.solve(
        study, angle=read.zero + TURN, size=0.9,
        currents=tuple(phase_currents(p * TURN, quadrature=current)),
    )  # fmt: skip
    ours, theirs = read.linkages(found), other.linkages() * 1e-3
    scale = np.abs(theirs).max()
    # Tips deep in saturation on both meshes, 1 to 2 parts in a thousand each.
    np.testing.assert_allclose(ours / scale, theirs / scale, rtol=0, atol=3e-3)
    agree(
        f"Torque at {current:g} A, saturated, finite elements of confirm, {name}",
        source=ELEMENTS, kind="independent", unit="N m/m",
        theirs=torque_by_other_elements(other, study), ours=read.torque(found), rtol=2e-3,
    )  # fmt: skip


def test_independent_inductance_by_other_elements() -> None:
    """Magnets as material only, iron that does not saturate: linkages of currents alone."""
    name, read = BARE, reader(BARE, remanence=0.0)
    ours = read.linkages(read.motor.solve(0.0, currents=np.array([1, -0.5, -0.5]), saturates=False))
    other = finite_elements.solve(
        MOTORS[name], currents=(1, -0.5, -0.5), magnets=False, saturates=False, size=0.5
    )
    agree(
        f"Inductance by finite elements of confirm, {name}",
        source=ELEMENTS, kind="independent", unit="H/m",
        theirs=other.linkages()[0] * 1e-3, ours=ours[0], rtol=2e-3,  # the other's coarse corners
    )  # fmt: skip


# --- symmetry and energy --------------------------------------------------------------------


@pytest.mark.parametrize("name", CHEAP)
@pytest.mark.parametrize("current", [0.0, 40.0])
def test_exact_torque_is_the_slope_of_energy(name: str, current: float) -> None:
    """Currents held, the rotor turned: T = -dE/d angle, E less what currents put in."""
    p, read, step = MOTORS[name].rotor.pole_pairs, reader(name), 2e-4
    options = {"quadrature": current, "electrical": p * TURN}
    before, here, after = (state(name, TURN + turn, **options) for turn in (-step, 0.0, step))
    slope = (after.energy - before.energy) / (2 * step) * read.motor.sector.copies
    scale = abs(torques(name, [TURN], quadrature=40.0)[0])
    # Step and rounding of the difference.
    np.testing.assert_allclose(read.torque(here) / scale, -slope / scale, rtol=0, atol=1e-5)
    # Inside the elements, not of the waves: up to 6 parts in ten thousand on this mesh.
    stress = read.torque_by_stress(here)
    np.testing.assert_allclose(stress / scale, -slope / scale, rtol=0, atol=1e-3)


def test_exact_cogging_periods() -> None:
    """lcm(slots, poles) a turn (Hendershot & Miller, from memory); poles that differ count once."""
    counts = {name: round(2 * pi / periods(study).cogging) for name, study in MOTORS.items()}
    assert counts["12-10-inner-M4"] == counts["12-10-outer-M2-ring"] == 60
    assert counts["36-6-outer-M4-coils-over-six-slots"] == 36
    assert counts["12-8-outer-M3"] == lcm(12, 4) == 12  # not 24


@pytest.mark.parametrize("name", CHEAP)
def test_exact_cogging(name: str) -> None:
    """Its period, its signs about symmetric places, its mean."""
    read, period = reader(name), periods(MOTORS[name]).cogging
    count = 6
    turns = -read.zero + (np.arange(count) + 0.5) / count * period  # a magnet on a slot's middle
    torque = torques(name, turns)
    extent = np.ptp(torque)
    assert extent > 0.1
    # What Newton leaves: its steps end at 1e-11 of the energy.
    exact = {"rtol": 0, "atol": 1e-5}
    further = state(name, float(turns[0] + period))
    np.testing.assert_allclose(read.torque(further) / extent, torque[0] / extent, **exact)
    energy = state(name, float(turns[0])).energy
    np.testing.assert_allclose(further.energy, energy, rtol=1e-9)
    # Half of it is another waveform.
    assert abs(torques(name, [turns[0] + period / 2])[0] - torque[0]) > 0.1 * extent
    symmetric = torques(name, [-read.zero, -read.zero + period / 2])
    np.testing.assert_allclose(symmetric / extent, 0, **exact)
    if MOTORS[name].rotor.magnets_per_pole_pair % 2 == 0:
        np.testing.assert_allclose(torque / extent, -torque[::-1] / extent, **exact)
    np.testing.assert_allclose(torque.mean() / extent, 0, **exact)


def test_exact_no_magnets_no_flux() -> None:
    read, found = reader(BARE, remanence=0.0), state(BARE, TURN, remanence=0.0)
    np.testing.assert_array_equal(read.linkages(found), 0)
    assert read.torque(found) == read.torque_by_stress(found) == 0
    np.testing.assert_allclose(found.energy, 0, atol=1e-12)  # what keeps a root smooth


def test_exact_linear_iron_adds_up() -> None:
    """Magnets and currents together are magnets alone and currents alone."""
    name, options = BARE, {"saturates": False}
    both = reader(name).linkages(state(name, TURN, quadrature=30.0, **options))
    magnets = reader(name).linkages(state(name, TURN, **options))
    bare = reader(name, remanence=0.0)
    currents = bare.linkages(state(name, TURN, quadrature=30.0, remanence=0.0, **options))
    np.testing.assert_allclose(both, magnets + currents, rtol=1e-9)  # rounding only


@pytest.mark.parametrize("name", CHEAP)
def test_exact_mean_torque_is_power_over_speed(name: str) -> None:
    """Back-EMF times current over speed: 1.5 p (psi x i) on average, iron as saturated as it is."""
    study, current = MOTORS[name], OTHERS[name]
    p, read = study.rotor.pole_pairs, reader(name)
    turns = even(periods(study).torque, 8)
    torque = torques(name, turns, quadrature=current)
    linked = [
        along_and_across(read.linkages(state(name, float(t), quadrature=current)), p * t)[0]
        for t in turns
    ]
    power = 1.5 * p * np.mean(linked) * current
    np.testing.assert_allclose(torque.mean(), power, rtol=5e-4)  # eight positions


def test_exact_inductances_are_slopes() -> None:
    """Direct and quadrature, saturated: linkages with half an ampere more and less."""
    name, current, half = "12-10-inner-M4", 60.0, 0.5
    p, read = MOTORS[name].rotor.pole_pairs, reader(name)
    here = state(name, TURN, quadrature=current)
    got = read.inductances(here, p * TURN)
    for k in (0, 1):
        more = []
        for sign in (1, -1):
            extra = sign * half
            amps = {"quadrature": current + k * extra, "direct": (1 - k) * extra}
            found = read.motor.solve(
                read.zero + TURN, currents=phase_currents(p * TURN, **amps), start=here
            )
            more.append(along_and_across(read.linkages(found), p * TURN)[k])
        # The curve's corners between the two.
        np.testing.assert_allclose(got[k], more[0] - more[1], rtol=0.01)


# --- waveforms, loss, mesh ------------------------------------------------------------------


@pytest.mark.parametrize("name", ["12-10-inner-M4", "12-8-outer-M3"])
def test_exact_turn_from_one_cogging_period(name: str) -> None:
    """Linkages and sheets' fields of any position of a turn, from those of one cogging period."""
    study, read = MOTORS[name], reader(name)
    p, period, count = study.rotor.pole_pairs, periods(study).cogging, 2
    solved = [state(name, float(turn)) for turn in even(period, count)]
    slots = over_turn(study, np.array([read.half_slots(one) for one in solved]))
    # Phases of `over_phase` count from a magnet's axis on slot 0.
    aligned = [state(name, float(turn - read.zero)) for turn in even(period, count)]
    sheets = over_phase(study, np.array([read.iron_field(one) for one in aligned]))
    total = round(2 * pi / p / period) * count
    assert len(slots) == len(sheets) == total
    for k in (total // 3, total - 3):
        turn = 2 * pi / p * k / total
        there = read.half_slots(state(name, turn))
        np.testing.assert_allclose(slots[k], there, rtol=0, atol=1e-5 * np.abs(there).max())
        field = read.iron_field(state(name, turn - read.zero))[0]
        np.testing.assert_allclose(sheets[k], field, rtol=0, atol=1e-4)  # T; what Newton leaves


def test_exact_iron_loss_of_a_known_field() -> None:
    """A field made up: alternating, rotating, and with a third harmonic (by hand).

    ``k_h f B^2 + k_e (f B)^2`` of each component and harmonic, B in the iron itself.
    """
    name, speed, length, B = "12-10-inner-M4", 200.0, 0.02, 0.9
    study = MOTORS[name].varied({"stator.stacking_factor": 0.9})
    p, Q = study.rotor.pole_pairs, study.stator.slots
    sheet = reader(name).sheet
    count, teeth = 4, sector_of(build_layout(study)).teeth
    turn = even(periods(study).cogging, count)[:, None]
    phase = p * (turn - 2 * pi / Q * np.arange(teeth))
    # Half slots in turn, every other one mirrored: what is theirs nobody looks at.
    field = np.full((count, 2 * teeth, len(sheet.parts), 2), np.nan)
    part = np.array(sheet.parts)
    waves = {
        "tooth": (B * np.cos(phase), 0 * phase),
        "yoke": (B * np.cos(phase), B * np.sin(phase)),
        "tip": (B * np.sin(phase) + B / 5 * np.sin(3 * phase + pi), 0 * phase),
    }
    for region, (radial, around) in waves.items():
        field[:, 0::2, part == region] = np.stack([radial, around], axis=-1)[:, :, None]
    got = loss_by_part(study, field, sheet, speed=speed, length=length)
    hysteresis, eddy = steel("M330-50A").loss_coefficients()
    f, iron = speed * p / (2 * pi), B / 0.9
    # The third harmonic is against the first where that peaks: B + B/5 at the top.
    expected = {
        "tooth": hysteresis * f * iron**2 + eddy * (f * iron) ** 2,
        "yoke": 2 * (hysteresis * f * iron**2 + eddy * (f * iron) ** 2),
        "tip": hysteresis * f * (1.2 * iron) ** 2 + eddy * (f * iron) ** 2 * (1 + (3 / 5) ** 2),
    }
    for region, density in expected.items():
        area = 2 * Q * sheet.part_area[part == region].sum()
        mass = area * length * 0.9 * 7650  # kg; density of the data's row
        np.testing.assert_allclose(got[region], density * mass, rtol=1e-9, err_msg=region)
    # All sheet that the study has.
    stator = study.stator
    height = stator.slot_depth_mm + study.tooth_tip_mm
    tooth = stator.tooth_width_mm * height * Q * 1e-6
    own = 2 * Q * sheet.part_area[part == "tooth"].sum()
    np.testing.assert_allclose(own, tooth, rtol=0.02)  # ends on circles, not straight


def test_exact_mesh_converges() -> None:
    """Linkage, loaded torque and cogging against the finest mesh of four."""
    name, sizes = "12-8-outer-M3", (4.0, 2.0, 1.0, 0.6)
    period, rows = periods(MOTORS[name]).cogging, []
    for size in sizes:
        read = reader(name, size=size)
        idle = state(name, -read.zero + period / 4, size=size)
        loaded = state(name, TURN, quadrature=OTHERS[name], size=size)
        vector = read.linkages(idle) @ np.exp(2j * pi / 3 * np.arange(3))
        rows.append([abs(vector), read.torque(loaded), read.torque(idle)])
    apart = np.abs(np.array(rows) / rows[-1] - 1)[:-1]
    # What is left shrinks with the elements; meshers' chance stays below that.
    np.testing.assert_array_less(
        apart, [[2e-3, 2e-3, 3e-2], [1e-3, 1.5e-3, 5e-3], [5e-4, 1e-3, 3e-3]]
    )
