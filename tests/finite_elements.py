"""Plane finite elements of one motor: an independent solver that shares nothing with the kernel.

It reads a study's numbers and builds its own geometry, directions of polarisation and winding.
Everything is endless along the shaft. Lengths in mm and fields in T (mu0 H and mu0 M too), so
that the vector potential A is in T mm and flux per length in mWb/m. Windings have two layers; a
coil side fills the half of its slot next to the teeth that it goes round. No skew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import cos, degrees, gcd, hypot, isclose, pi, sin, sqrt
from typing import Any

import ngsolve as ngs
import numpy as np
from netgen import occ

from arrayopt.materials import Steel
from arrayopt.quantities import MU0
from arrayopt.study import Study

ngs.SetNumThreads(1)
ngs.ngsglobals.msg_level = 0

LINEAR_IRON = 1e-5  # 1/mu_r of iron that does not saturate
SATURATED = 10.0  # T; end of the extended magnetisation curve
NEWTON_STEPS = 60


@dataclass(frozen=True)
class Piece:
    """One magnet: section in its place, angle of polarisation [rad], remanence [T], mu_r."""

    face: Any
    direction: float
    remanence: float
    recoil_permeability: float


@dataclass(frozen=True)
class Radii:
    """Radii that the magnets give a motor [mm]; ``back`` is where a ring's steel begins."""

    surface: float
    gap: float
    back: float


@dataclass(frozen=True)
class Sector:
    """Part of a motor that is solved: from angle 0 to ``span``, ``teeth`` of them.

    ``sign`` is that of the field in the next sector, -1 where an odd number of poles fits.
    """

    teeth: int
    span: float
    sign: int


@dataclass
class Solution:
    """Vector potential of a sector and what was found with it."""

    study: Study
    sector: Sector
    mesh: ngs.Mesh
    potential: ngs.GridFunction

    def mean(self, value: Any, region: str) -> float:
        """Mean of a value over a region."""
        where = self.mesh.Materials(region)
        area = ngs.Integrate(ngs.CF(1), self.mesh, definedon=where)
        return float(ngs.Integrate(value, self.mesh, definedon=where) / area)

    def harmonic(self, order: int, *, edge: str = "surface") -> float:
        """Peak of a space order per turn of the radial flux density on a circle [T].

        The sector must hold whole half waves of it.
        """
        x, y = ngs.x, ngs.y
        a = ngs.atan2(y, x)
        where = self.mesh.Boundaries(edge)
        radius = ngs.Integrate(ngs.CF(1), self.mesh, definedon=where) / self.sector.span
        parts = [
            ngs.Integrate(self.potential * f(order * a), self.mesh, definedon=where, order=12)
            for f in (ngs.cos, ngs.sin)
        ]
        return float(np.hypot(*parts) * 2 / (radius * self.sector.span) * order / radius)

    @cached_property
    def coil_sides(self) -> np.ndarray:
        """Mean potential on both sides of every tooth, shape (tooth of the motor, 2) [T mm]."""
        sides = np.array(
            [
                [self.mean(self.potential, f"{side}{j}") for side in ("low", "high")]
                for j in range(self.sector.teeth)
            ]
        )
        copies = self.study.stator.slots // self.sector.teeth
        return np.concatenate([sides * self.sector.sign**k for k in range(copies)])

    def linkages(self) -> np.ndarray:
        """Flux linkage of phases A, B, C per length of stack [mWb/m = Wb/km]."""
        turns = self.study.winding.turns_per_coil / self.study.winding.parallel_paths
        span = coil_span(self.study)
        last = np.roll(self.coil_sides[:, 1], 1 - span)
        return turns * coil_signs(self.study) @ (last - self.coil_sides[:, 0])

    def tooth_flux(self, *, down: float = 0.5) -> np.ndarray:
        """Flux per length through every tooth of the sector, at a share of its depth [T mm]."""
        stator = self.study.stator
        r = self._radius(down)
        half = stator.tooth_width_mm / 2 * (1 - 1e-9)
        flux = []
        for j in range(self.sector.teeth):
            a = 2 * pi / stator.slots * (j + 0.5)
            sides = [(r * cos(a) - t * sin(a), r * sin(a) + t * cos(a)) for t in (-half, half)]
            low, high = (self.potential(self.mesh(x, y)) for x, y in sides)
            flux.append(high - low)
        return np.array(flux)

    def yoke_flux(self) -> np.ndarray:
        """Flux per length through the yoke behind every slot between two teeth [T mm]."""
        # The potential is zero on the yoke's far side.
        r = self._radius(1 + 1e-9)
        angles = 2 * pi / self.study.stator.slots * np.arange(1, self.sector.teeth)
        return np.array([self.potential(self.mesh(r * cos(a), r * sin(a))) for a in angles])

    def _radius(self, down: float) -> float:
        """Radius at a share of a slot's depth below the tips [mm]."""
        depth = self.study.tooth_tip_mm + down * (self.study.stator.slot_depth_mm or 0)
        inward = -1 if self.study.rotor.position == "outer" else 1
        return self.study.stator.surface_diameter_mm / 2 + inward * depth


def curl(gradient: Any) -> Any:
    """B = curl (A e_z) from grad A."""
    return ngs.CF((gradient[1], -gradient[0]))


# --- geometry -------------------------------------------------------------------------------


def point(radius: float, angle: float) -> Any:
    return occ.Pnt(radius * cos(angle), radius * sin(angle), 0)


def annular(inner: float, outer: float, start: float, end: float) -> Any:
    """Face between two radii and two angles."""
    middle = (start + end) / 2
    return occ.Face(
        occ.Wire(
            [
                occ.Segment(point(inner, start), point(outer, start)),
                occ.ArcOfCircle(point(outer, start), point(outer, middle), point(outer, end)),
                occ.Segment(point(outer, end), point(inner, end)),
                occ.ArcOfCircle(point(inner, end), point(inner, middle), point(inner, start)),
            ]
        )
    )


def rectangle(low: float, high: float, width: float) -> Any:
    """Face from x = low to high, as wide on either side of the x axis."""
    return occ.WorkPlane().MoveTo(low, -width / 2).Rectangle(high - low, width).Face()


def turned(face: Any, angle: float) -> Any:
    return face.Rotate(occ.Axis((0, 0, 0), occ.Z), degrees(angle))


def named(face: Any, name: str, size: float) -> Any:
    face.faces.name = name
    face.faces.maxh = size
    return face


def tables(study: Study) -> list[str]:
    """Table of the study that each magnet of a pole pair is sized by."""
    M = study.rotor.magnets_per_pole_pair
    names = {0: "main", M: "main", 2 * M: "main"}
    if M % 4 == 0:
        names |= {M // 2: "transverse", 3 * M // 2: "transverse"}
    return [names.get(2 * k, "oblique") for k in range(M)]


def sections(study: Study) -> tuple[dict[str, tuple[float, float]], Radii]:
    """Radial extent of each kind of magnet at its middle, and the motor's radii."""
    rotor, outer = study.rotor, study.rotor.position == "outer"
    surface = study.stator.surface_diameter_mm / 2
    gap = surface + study.airgap.length_mm * (1 if outer else -1)
    magnets = {name: getattr(rotor, name) for name in set(tables(study))}
    near = {}
    for name, magnet in magnets.items():
        block = magnet.shape == "block"
        # An inner rotor's blocks come nearest with their corners.
        near[name] = sqrt(gap**2 - magnet.width_mm**2 / 4) if block and not outer else gap
    sign = 1 if outer else -1
    band = sign * max(sign * near[n] + m.thickness_mm for n, m in magnets.items())
    extent, reach = {}, []
    for name, magnet in magnets.items():
        spare = abs(band - near[name]) - magnet.thickness_mm
        first = near[name] + sign * spare * {"gap": 0, "centre": 0.5, "back": 1}[magnet.flush]
        ends = sorted((first, first + sign * magnet.thickness_mm))
        extent[name] = (ends[0], ends[1])
        corner = magnet.width_mm / 2 if magnet.shape == "block" and outer else 0.0
        reach.append(hypot(ends[1], corner) if outer else ends[0])
    edge = max(reach) if outer else min(reach)
    return extent, Radii(surface, gap, edge + sign * rotor.clearance_mm)


def pieces(study: Study, *, angle: float, span: float) -> list[Piece]:
    """Magnets that show in the sector, uncut; the rotor turned by an angle."""
    rotor = study.rotor
    p, M = rotor.pole_pairs, rotor.magnets_per_pole_pair
    extent, _ = sections(study)
    found = []
    for k in range(p * M):
        name = tables(study)[k % M]
        magnet = getattr(rotor, name)
        low, high = extent[name]
        a = 2 * pi * k / (p * M)
        if magnet.shape == "block":
            half = np.arctan2(magnet.width_mm / 2, low)
        else:
            half = np.radians(magnet.span_deg) / 2
        middle = (a + angle + half) % (2 * pi) - half
        if middle - half >= span - 1e-9:
            continue
        if magnet.shape == "block":
            face = rectangle(low, high, magnet.width_mm)
        else:
            face = annular(low, high, -half, half)
        grade = study.magnet_grade(magnet.grade or rotor.grade)
        # Strong side inward on an outer rotor, outward on an inner one.
        direction = (1 + p if rotor.position == "outer" else 1 - p) * a + angle
        found.append(
            Piece(
                turned(face, middle),
                direction,
                grade.remanence_at(rotor.magnet_temperature_c),
                grade.recoil_permeability,
            )
        )
    return found


def sector_of(study: Study) -> Sector:
    """The least part that repeats, with one sign or the other."""
    p, Q = study.rotor.pole_pairs, study.stator.slots
    half_wave = study.rotor.magnets_per_pole_pair % 2 == 0
    if study.stator.kind != "slotted":
        return Sector(0, pi / p, -1) if half_wave else Sector(0, 2 * pi / p, 1)
    teeth = Q // gcd(Q, p)
    if half_wave and teeth % 2 == 0:
        return Sector(teeth // 2, pi * teeth / Q, -1)
    return Sector(teeth, 2 * pi * teeth / Q, 1)


def stator_faces(study: Study, sector: Sector, *, size: float, yoke: float) -> list[Any]:
    """Iron, slot halves (``low0``, ``high0``, ...) and openings of the sector's teeth."""
    stator, outer = study.stator, study.rotor.position == "outer"
    inward = -1 if outer else 1
    R, half = stator.surface_diameter_mm / 2, pi / stator.slots
    top = R + inward * study.tooth_tip_mm
    floor = top + inward * stator.slot_depth_mm
    back = floor + inward * yoke
    start, end = 0.5 * min(R, back), 1.1 * max(R, back)
    tooth = rectangle(start, end, stator.tooth_width_mm)
    strip = rectangle(start, end, stator.slot_opening_mm)
    low = band(top, floor, -half, 0) - tooth
    high = band(top, floor, 0, half) - tooth
    openings = [
        band(R, top, -half, 0) * turned(strip, -half),
        band(R, top, 0, half) * turned(strip, half),
    ]
    iron = band(R, back, -half, half) - low - high - openings[0] - openings[1]
    slot = size * min(stator.tooth_width_mm, stator.slot_depth_mm / 3)
    fine = size * max(stator.slot_opening_mm / 3, 0.3 * study.tooth_tip_mm)
    faces = []
    for j in range(sector.teeth):
        a = half * (2 * j + 1)
        faces.append(named(turned(iron, a), "sheet", size * stator.tooth_width_mm / 2.5))
        faces.append(named(turned(low, a), f"low{j}", slot))
        faces.append(named(turned(high, a), f"high{j}", slot))
        faces.extend(named(turned(face, a), "air", fine) for face in openings)
    return faces


def build(
    study: Study, sector: Sector, *, angle: float, size: float, yoke: float
) -> tuple[ngs.Mesh, list[Piece]]:
    """Mesh of the sector and the magnets in it, kept for a solution with other iron or currents."""
    return _built(study.model_dump_json(), sector, angle=angle, size=size, yoke=yoke)


@lru_cache(maxsize=4)
def _built(
    study_json: str, sector: Sector, *, angle: float, size: float, yoke: float
) -> tuple[ngs.Mesh, list[Piece]]:
    study = Study.model_validate_json(study_json)
    sign = 1 if study.rotor.position == "outer" else -1
    kind = study.stator.kind
    _, radii = sections(study)
    R, span, p = radii.surface, sector.span, study.rotor.pole_pairs
    gap, ring = study.airgap.length_mm, study.rotor.steel_ring_mm
    behind = radii.back + sign * ring
    pole = pi * R / p
    near = R + sign * 0.4 * gap
    # A wave of order p falls by exp(-2) to where the outside ends.
    end = behind * np.exp(sign * max(2 / p, 0.1))
    magnets = pieces(study, angle=angle, span=span)
    rotor_space = whole = band(near, radii.back, 0, span)
    faces = []
    for k, magnet in enumerate(magnets):
        rotor_space = rotor_space - magnet.face
        faces.append(named(magnet.face * whole, f"magnet{k}", size * min(pole / 3, 2.5)))
    faces.append(named(rotor_space, "air", size * pole / 4))
    if ring:
        iron = band(radii.back, behind, 0, span)
        faces.append(named(iron, "ring", size * max(ring / 2, pole / 12)))
    faces.append(named(band(behind, end, 0, span), "air", size * pole / 2))
    faces.append(named(band(R, near, 0, span), "air", size * max(gap / 2, pole / 30)))
    inside = R
    if kind == "slotted":
        faces += stator_faces(study, sector, size=size, yoke=yoke)
        inside = R - sign * (study.tooth_tip_mm + (study.stator.slot_depth_mm or 0) + yoke)
    elif kind == "ironless":
        inside = R * np.exp(-sign * max(2 / p, 0.1))
        faces.append(named(band(R, inside, 0, span), "air", size * pole / 4))
    shape = occ.Glue(faces)
    name_edges(shape, {"outside": end, "inside": inside, "surface": R})
    join_sides(shape, span)
    mesh = ngs.Mesh(occ.OCCGeometry(shape, dim=2).GenerateMesh(maxh=size * pole, grading=0.4))
    mesh.Curve(3)
    return mesh, magnets


def band(one: float, other: float, start: float, end: float) -> Any:
    return annular(min(one, other), max(one, other), start, end)


def name_edges(shape: Any, circles: dict[str, float]) -> None:
    """Name the edges that lie on circles about the shaft."""
    for edge in shape.edges:
        middle = edge.Value(sum(edge.parameter_interval) / 2)
        found = [hypot(q.x, q.y) for q in (edge.start, middle, edge.end)]
        for name, radius in circles.items():
            # Plain numbers: arrays of three would take as long as the mesh itself.
            if all(isclose(at, radius, rel_tol=1e-8) for at in found):
                edge.name = name


def join_sides(shape: Any, span: float) -> None:
    """Make the sector's two sides one."""
    sides: tuple[list[Any], list[Any]] = ([], [])
    for edge in shape.edges:
        angles = np.array([np.arctan2(q.y, q.x) for q in (edge.start, edge.end)])
        for side, where in zip(sides, (0.0, span), strict=True):
            if np.all(np.abs(np.sin((angles - where) / 2)) < 1e-8):
                side.append(edge)
    one, other = [sorted(side, key=lambda e: hypot(e.center.x, e.center.y)) for side in sides]
    turn = occ.gp_Trsf.Rotation(occ.Axis((0, 0, 0), occ.Z), degrees(span))
    for first, second in zip(one, other, strict=True):
        first.Identify(second, "sides", occ.IdentificationType.PERIODIC, turn)


# --- winding --------------------------------------------------------------------------------


def coil_span(study: Study) -> int:
    """Slots that a coil spans: as given, else nearest to a pole, the smaller of two."""
    poles = 2 * study.rotor.pole_pairs
    nearest = int(np.ceil(study.stator.slots / poles - 0.5))
    return study.winding.coil_span_slots or max(nearest, 1)


def coil_signs(study: Study) -> np.ndarray:
    """Sense of the coil of phases A, B, C that begins in each slot, two layers: (phase, slot)."""
    p, Q = study.rotor.pole_pairs, study.stator.slots
    # Sixty degrees a belt, A c B a C b; the hair's breadth puts edges into the next belt.
    belt = np.floor((np.arange(Q) * p / Q % 1) * 6 + 1e-6).astype(int) % 6
    phase, sense = np.array([0, 2, 1, 0, 2, 1])[belt], np.array([1, -1, 1, -1, 1, -1])[belt]
    return np.where(phase == np.arange(3)[:, None], sense, 0)


def phase_axis(study: Study) -> float:
    """Angle of a main magnet's axis at which phase A links most, mechanical [rad]."""
    p, Q = study.rotor.pole_pairs, study.stator.slots
    middle = 2 * pi / Q * (np.arange(Q) + coil_span(study) / 2)
    return float(np.angle(coil_signs(study)[0] @ np.exp(1j * p * middle)) / p)


# --- solution -------------------------------------------------------------------------------


def curve(steel: Steel, *, share: float = 1.0) -> Any:
    """mu0 H against B, both in T, of a stack with a share of iron, in straight pieces."""
    H = MU0 * steel.curve_field
    B = share * (steel.curve_flux_density - H) + H
    H, B = np.append(H, H[-1] + SATURATED - B[-1]), np.append(B, SATURATED)
    return ngs.BSpline(2, [0, *B], list(H))


def solve(
    study: Study,
    *,
    angle: float = 0.0,
    saturates: bool = True,
    currents: Sequence[float] = (0, 0, 0),
    magnets: bool = True,
    remanence: float = 1.0,
    yoke: float | None = None,
    size: float = 1.0,
    order: int = 3,
) -> Solution:
    """Solve one position of the rotor.

    Parameters
    ----------
    study : Study
        A smooth stator's iron and what lies behind it are left out; its surface is ideal.
    angle : float
        Of the axis of the first main magnet, from the middle of the first slot [rad].
    saturates : bool
        Steel of slotted stator and ring by their curves, else 1e5 times as permeable as air.
    currents : three numbers
        Currents of phases A, B, C at the terminals [A].
    magnets : bool
        Polarised; else they are just a material of their recoil permeability.
    remanence : float
        Scale of all magnets' remanence.
    yoke : float
        Iron behind the slots [mm]; left out, the study's, or one and a half teeth.
    size : float
        Scale of the mesh.

    """
    sector = sector_of(study)
    back = yoke or study.stator.yoke_mm or 1.5 * (study.stator.tooth_width_mm or 1.0)
    mesh, found = build(study, sector, angle=angle, size=size, yoke=back)
    fixed = "inside" if study.stator.kind == "slotted" else ""
    space = ngs.H1(mesh, order=order, dirichlet=fixed)
    space = ngs.Periodic(space, phase=[-1.0]) if sector.sign < 0 else ngs.Periodic(space)
    # The mean potential far outside has no field. Where a pole pair's poles differ and iron
    # saturates it is not zero, and finds its own value.
    free = bool(fixed) and sector.sign > 0
    if free:
        space = space * ngs.NumberSpace(mesh, definedon=mesh.Boundaries("outside"))
        u, mean = space.TrialFunction()
    else:
        u, mean = space.TrialFunction(), 0.0
    B = curl(ngs.grad(u))
    form = ngs.BilinearForm(space)
    regions = mesh.GetMaterials()
    for name, steel, share in (
        ("sheet", study.steel(study.stator.sheet), study.stator.stacking_factor),
        ("ring", study.steel(study.rotor.ring_steel), 1.0),
    ):
        if name not in regions:
            continue
        if saturates:
            energy = curve(steel, share=share).Integrate()(ngs.sqrt(B * B + 1e-16))
        else:
            energy = LINEAR_IRON / 2 * B * B
        form += ngs.Variation(energy * ngs.dx(name))
    form += ngs.Variation(0.5 * B * B * ngs.dx("air|low.*|high.*"))
    for k, magnet in enumerate(found):
        J = magnet.remanence * remanence if magnets else 0.0
        rest = B - ngs.CF((J * cos(magnet.direction), J * sin(magnet.direction)))
        form += ngs.Variation(rest * rest / 2 / magnet.recoil_permeability * ngs.dx(f"magnet{k}"))
    # Beyond the mesh waves of order p go on in free space.
    outside = study.rotor.pole_pairs / radius_of(mesh, "outside", sector)
    form += ngs.Variation(outside / 2 * (u - mean) * (u - mean) * ngs.ds("outside"))
    if study.stator.kind == "ironless":
        inside = study.rotor.pole_pairs / radius_of(mesh, "inside", sector)
        form += ngs.Variation(inside / 2 * u * u * ngs.ds("inside"))
    if any(currents):
        for name, density in current_densities(study, sector, mesh, currents).items():
            form += ngs.Variation(-density * u * ngs.dx(name))
    potential = ngs.GridFunction(space)
    minimise(form, potential, linear=not saturates)
    return Solution(study, sector, mesh, potential.components[0] if free else potential)


def radius_of(mesh: ngs.Mesh, edge: str, sector: Sector) -> float:
    return ngs.Integrate(ngs.CF(1), mesh, definedon=mesh.Boundaries(edge)) / sector.span


def current_densities(
    study: Study, sector: Sector, mesh: ngs.Mesh, currents: Sequence[float]
) -> dict[str, float]:
    """mu0 times current density in every half slot [T/mm]."""
    winding, signs = study.winding, coil_signs(study)
    per_coil = np.asarray(currents) / winding.parallel_paths * winding.turns_per_coil @ signs
    sides = {"low": -per_coil, "high": np.roll(per_coil, coil_span(study) - 1)}
    densities = {}
    for side, ampere_turns in sides.items():
        for j in range(sector.teeth):
            name = f"{side}{j}"
            area = ngs.Integrate(ngs.CF(1), mesh, definedon=mesh.Materials(name))
            densities[name] = float(1e3 * MU0 * ampere_turns[j] / area)
    return densities


def minimise(form: Any, potential: Any, *, linear: bool) -> None:
    """Newton's method on the magnetic energy, its steps halved while the energy grows."""
    vector = potential.vec
    step, residual, tried = vector.CreateVector(), vector.CreateVector(), vector.CreateVector()
    free = form.space.FreeDofs()
    for _ in range(1 if linear else NEWTON_STEPS):
        form.Apply(vector, residual)
        form.AssembleLinearization(vector)
        step.data = form.mat.Inverse(free, inverse="sparsecholesky") * residual
        gain = abs(ngs.InnerProduct(step, residual))
        now, factor = form.Energy(vector), 1.0
        tried.data = vector - step
        while not linear and form.Energy(tried) > now + 1e-9 * abs(now) and factor > 1e-3:
            factor /= 2
            tried.data = vector - factor * step
        vector.data = tried
        if gain < 1e-9 * abs(now):
            return
    if not linear:
        raise RuntimeError("Newton's method did not settle")


def peak_linkage(
    study: Study, *, current: float = 0.0, positions: int = 1, **options: Any
) -> float:
    """Mean linkage along the axis of the magnets per length of stack [mWb/m].

    Without current it is the peak of the fundamental of a phase's no-load linkage. With
    an amplitude of phase currents [A], in phase with the back-EMF, it is the mean torque
    once multiplied by 1.5 p and the current.

    Positions lie evenly in 30 electrical degrees from the axis of a phase; one, in the
    middle, cancels the fifth and seventh harmonics, two the 11th and 13th too, which coils
    over several slots keep. Current takes away their symmetry, so that 60 are needed.
    """
    found = []
    span = np.radians(60 if current else 30)
    for turn in span * (np.arange(positions) + 0.5) / positions:
        solution = at_current(study, turn, current, **options)
        vector = 2 / 3 * solution.linkages() @ np.exp(2j * pi / 3 * np.arange(3))
        found.append((vector * np.exp(-1j * turn)).real)
    return float(np.mean(found))


def at_current(study: Study, turn: float, current: float, **options: Any) -> Solution:
    """Solve at an electrical angle from phase A's axis, currents in phase with the back-EMF."""
    currents = tuple(-current * np.sin(turn - 2 * pi / 3 * np.arange(3)))
    angle = phase_axis(study) + turn / study.rotor.pole_pairs
    return solve(study, angle=angle, currents=currents, **options)


def synchronous_inductance(study: Study, **options: Any) -> float:
    """Linkage of phase A over its current, the same in all three, per length of stack [mH/m]."""
    solution = solve(study, currents=(1, -0.5, -0.5), magnets=False, saturates=False, **options)
    return float(solution.linkages()[0])
