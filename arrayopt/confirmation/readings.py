"""What a solved position says: torque, flux, inductances, flux densities, reverse field."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import pi

import numpy as np

from arrayopt.confirmation.library import ngs
from arrayopt.confirmation.motor import SHEETS, Motor
from arrayopt.confirmation.newton import Solution
from arrayopt.confirmation.sector import Mesh
from arrayopt.confirmation.sheet import Sheet
from arrayopt.machine import winding_of
from arrayopt.quantities import MM, MU0, Array

_PHASES = 2 * pi / 3 * np.arange(3)
_RULE = 6  # order of the points in magnets
_SPLIT = 3  # parts of a triangle's side, in pictures
_ON = 1e-8  # m


def phase_currents(electrical: float, *, direct: float = 0.0, quadrature: float = 0.0) -> Array:
    """Currents of phases A, B, C [A] with peaks along and ahead of the magnets' flux.

    Parameters
    ----------
    electrical : float
        Of the rotor from where phase A links most [rad].
    direct, quadrature : float
        Positive direct current adds to the magnets' flux, positive quadrature current drives
        towards growing angle [A].

    """
    turn = electrical - _PHASES
    return np.asarray(direct * np.cos(turn) - quadrature * np.sin(turn))


def along_and_across(linkages: Array, electrical: float) -> tuple[float, float]:
    """Direct and quadrature part of three linkages (amplitude-invariant)."""
    vector = 2 / 3 * (linkages @ np.exp(1j * (_PHASES - electrical)))
    return float(vector.real), float(vector.imag)


def phase_zero(motor: Motor) -> float:
    """Rotor angle at which phase A links most, mechanical [rad]."""
    winding = winding_of(motor.study)
    p, Q = winding.pole_pairs, winding.slots
    middles = 2 * pi / Q * (np.arange(Q) + winding.coil_span / 2)
    return float(np.angle(winding.coil_signs("A") @ np.exp(1j * p * middles)) / p)


@dataclass(frozen=True)
class Reader:
    """Reads solutions of one motor; all figures per metre of length, of the whole motor."""

    motor: Motor

    @cached_property
    def zero(self) -> float:
        """Rotor angle at which phase A links most [rad]."""
        return phase_zero(self.motor)

    def torque(self, solution: Solution) -> float:
        """Torque on the rotor by the derivative of the energy of the gap's waves [N m/m].

        That is also Maxwell's stress on any circle between the two of the gap.
        """
        air, (near, far) = self.motor.air, self.motor.waves(solution)
        slope = np.real(air.crossed * np.conj(near) * 1j * air.numbers * far)
        return float(slope.sum()) * self.motor.sector.copies

    def torque_by_stress(self, solution: Solution) -> float:
        """Torque on the rotor by Maxwell's stress, mean over the meshed part of the gap [N m/m].

        References
        ----------
        Arkkio 1987, Acta Polytechnica Scandinavica El 59 (from memory).

        """
        motor = self.motor
        potential = ngs.GridFunction(motor.stator.space)
        potential.vec.FV().NumPy()[:] = solution.stator
        slope = ngs.grad(potential)
        r = ngs.sqrt(ngs.x**2 + ngs.y**2)
        # B_r B_t from A: B_r = dA/(r dt), B_t = -dA/dr.
        around = (-ngs.y * slope[0] + ngs.x * slope[1]) / r
        outward = (ngs.x * slope[0] + ngs.y * slope[1]) / r
        mesh = motor.stator.mesh
        where = mesh.mesh.Materials("gap")
        depth = abs(motor.gap.stator - motor.stator_edge)
        inward = ngs.Integrate(-r * outward * around, mesh.mesh, definedon=where, order=12)
        sign = -motor.layout.sign
        return float(sign * inward / MU0 / depth) * motor.sector.copies

    def half_slots(self, solution: Solution) -> Array:
        """Mean potential of every half slot of the motor, shape (half slot,) [Wb/m]."""
        sector = self.motor.sector
        own = self.motor.means @ solution.stator
        return np.concatenate([own * sector.sign**k for k in range(sector.copies)])

    def linkages(self, solution: Solution) -> Array:
        """Flux linkage of each phase [Wb/m]."""
        own = self.motor.means @ solution.stator
        return np.asarray(self.motor.sides.T @ own) * self.motor.sector.copies

    def inductances(self, solution: Solution, electrical: float) -> tuple[float, float]:
        """Change of linkage with a small direct and quadrature current more [H/m]."""
        motor, found = self.motor, []
        for k, name in enumerate(("direct", "quadrature")):
            more = phase_currents(electrical, **{name: 1.0})
            change = solution.tangent((motor.sides @ more) @ motor.means)
            linkages = motor.sides.T @ (motor.means @ change) * motor.sector.copies
            found.append(along_and_across(linkages, electrical)[k])
        return found[0], found[1]

    # --- iron -------------------------------------------------------------------------------

    def peaks(self, solution: Solution) -> tuple[float, float, float, float]:
        """Greatest mean flux density across any tooth, tooth tip, yoke and steel ring [T].

        A tooth's is the larger of those at root and top, a tip's where it leaves its tooth. All
        flux counts as in the iron; NaN without that part.
        """
        stator, study = self.motor.study.stator, self.motor.study
        share = stator.stacking_factor
        A, R = solution.stator, self._corners
        tooth = tip = yoke = ring = np.nan
        if R.tooth is not None:
            flux = np.abs(A[R.tooth[..., 1]] - A[R.tooth[..., 0]])
            tooth = float(flux.max()) / ((stator.tooth_width_mm or np.nan) * MM * share)
        if R.tip is not None:
            flux = np.abs(A[R.tip[..., 1]] - A[R.tip[..., 0]])
            tip = float(flux.max()) / (study.tooth_tip_mm * MM * share)
        if R.yoke is not None:
            yoke = float(np.abs(A[R.yoke]).max()) / ((stator.yoke_mm or np.nan) * MM * share)
        if R.ring is not None:
            near, far = R.ring
            inside = solution.rotor[near[1]]
            outside = np.interp(near[0], far[0], solution.rotor[far[1]])
            ring = float(np.abs(inside - outside).max()) / (study.rotor.steel_ring_mm * MM)
        return tooth, tip, yoke, ring

    @cached_property
    def _corners(self) -> _Corners:
        return _corners(self.motor)

    def iron_field(self, solution: Solution) -> Array:
        """Mean flux density of every triangle of the sheets, shape (copy, triangle, 2) [T].

        Along the radius and the circumference of its own half slot's tooth, mirrored where the
        half slot is.
        """
        motor = self.motor
        potential = ngs.GridFunction(motor.stator.space)
        potential.vec.FV().NumPy()[:] = solution.stator
        slope = ngs.grad(potential)
        mesh = motor.stator.mesh
        of, order, area = self._sheet_order
        parts = [
            np.array(ngs.Integrate(part, mesh.mesh, element_wise=True))[of] / area
            for part in (slope[1], -slope[0])
        ]
        copy = mesh.copy[of]
        tooth = 2 * pi / motor.study.stator.slots * (copy // 2 + 0.5)
        c, s = np.cos(tooth), np.sin(tooth)
        radial, around = c * parts[0] + s * parts[1], c * parts[1] - s * parts[0]
        # Seen in a mirror a flux density along the mirror line keeps, across it changes sign; the
        # potential of a mirrored part is of the other sign.
        field = np.stack([radial, around], axis=-1)[order]
        return field.reshape(2 * motor.sector.teeth, len(self.sheet.parts), 2)

    @cached_property
    def _sheet_order(self) -> tuple[Array, Array, Array]:
        return _sheet_order(self.motor)

    @cached_property
    def sheet(self) -> Sheet:
        """Triangles of the sheets of half a slot."""
        of, order, area = self._sheet_order
        count = len(of) // (2 * self.motor.sector.teeth)
        names = [element.mat for element in self.motor.stator.mesh.mesh.Elements(ngs.VOL)]
        first = order[:count]
        return Sheet(tuple(names[k] for k in of[first]), area[first])

    # --- magnets ----------------------------------------------------------------------------

    @cached_property
    def magnet_points(self) -> MagnetPoints:
        """Points in the magnets that the reverse field is taken at."""
        return _magnet_points(self.motor)

    def reverse_field(self, solution: Solution) -> Array:
        """Field against each magnet's own polarisation, at `magnet_points` [A/m]."""
        motor, points = self.motor, self.magnet_points
        potential = ngs.GridFunction(motor.rotor.space)
        potential.vec.FV().NumPy()[:] = solution.rotor
        slope = ngs.grad(potential)(points.points)
        along = slope[:, 1] * np.cos(points.direction) - slope[:, 0] * np.sin(points.direction)
        return np.asarray((points.remanence - along) / (MU0 * points.permeability))


@dataclass(frozen=True)
class _Corners:
    """Unknowns at corners of the iron; None without that part."""

    tooth: Array | None
    tip: Array | None
    yoke: Array | None
    ring: tuple[tuple[Array, Array], tuple[Array, Array]] | None


def _corners(motor: Motor) -> _Corners:
    stator, inward = motor.study.stator, -motor.layout.sign
    tooth = tip = yoke = ring = None
    surface = stator.surface_diameter_mm / 2 * MM
    if stator.kind == "slotted":
        top = surface + inward * motor.study.tooth_tip_mm * MM
        floor = top + inward * (stator.slot_depth_mm or 0) * MM
        pitch, half = 2 * pi / stator.slots, (stator.tooth_width_mm or 0) / 2 * MM

        def sides(radius: float) -> Array:
            """Corners at both sides of all teeth, shape (tooth, side)."""
            turn = float(np.arcsin(half / radius))
            angles = pitch * (np.arange(motor.sector.teeth) + 0.5)
            return np.array(
                [[_vertex(motor.stator.mesh, radius, a + t) for t in (-turn, turn)] for a in angles]
            )

        tooth = np.stack([sides(floor), sides(top)])
        if "tip" in motor.stator.regions:
            tip = np.stack([sides(top), sides(surface)], axis=-1)
        middles = pitch * np.arange(motor.sector.teeth)
        yoke = np.array([_vertex(motor.stator.mesh, floor, a) for a in middles])
    elif stator.kind == "smooth" and stator.yoke_mm:
        yoke = _round(motor.stator.mesh, surface)[1]
    if motor.study.rotor.steel_ring_mm:
        near = float(motor.layout.ring_radius[0])
        far = near - inward * motor.study.rotor.steel_ring_mm * MM
        ring = (_round(motor.rotor.mesh, near), _round(motor.rotor.mesh, far))
    return _Corners(tooth, tip, yoke, ring)


def _places(mesh: Mesh) -> Array:
    return np.array([vertex.point for vertex in mesh.mesh.vertices])


def _vertex(mesh: Mesh, radius: float, angle: float) -> int:
    """Corner of the mesh nearest to a place."""
    at = _places(mesh)
    return int(
        np.argmin(np.hypot(at[:, 0] - radius * np.cos(angle), at[:, 1] - radius * np.sin(angle)))
    )


def _round(mesh: Mesh, radius: float) -> tuple[Array, Array]:
    """Angles and numbers of the corners on a circle, by angle, those on the last side left out."""
    at = _places(mesh)
    on = np.flatnonzero(np.abs(np.hypot(*at.T) - radius) < _ON)
    on = np.array([k for k in on if int(k) not in mesh.slaves])
    angle = np.arctan2(at[on, 1], at[on, 0]) % (2 * pi)
    order = np.argsort(angle)
    return angle[order], on[order]


def _sheet_order(motor: Motor) -> tuple[Array, Array, Array]:
    """Numbers of the sheets' triangles, what puts them by copy and triangle, and areas [m2]."""
    mesh = motor.stator.mesh
    names = np.array([element.mat for element in mesh.mesh.Elements(ngs.VOL)])
    of = np.flatnonzero(np.isin(names, SHEETS.split("|")))
    area = np.array(ngs.Integrate(ngs.CF(1), mesh.mesh, element_wise=True))[of]
    return of, np.lexsort((mesh.element[of], mesh.copy[of])), area


@dataclass(frozen=True)
class MagnetPoints:
    """Points in the magnets, shape (point,) each, and what the field is judged by there.

    Attributes
    ----------
    points : ngsolve points
    x, y, weight : ndarray
        Places in the rotor's frame [m] and shares of area [m2].
    direction, remanence, permeability : ndarray
        Of the magnets [rad], [T], relative.
    family, place : ndarray of int
        Of the layout, and on the ring.

    """

    points: Array
    x: Array
    y: Array
    weight: Array
    direction: Array
    remanence: Array
    permeability: Array
    family: Array
    place: Array


def _magnet_points(motor: Motor) -> MagnetPoints:
    mesh = motor.rotor.mesh.mesh
    rule = ngs.IntegrationRule(ngs.TRIG, _RULE)
    columns: list[list[Array]] = []
    layout = motor.layout
    for region in motor.magnets:
        points = mesh.MapToAllElements(rule, mesh.Materials(region))
        jacobian = ngs.specialcf.JacobianMatrix(2)
        scale = jacobian[0, 0] * jacobian[1, 1] - jacobian[0, 1] * jacobian[1, 0]
        weights = np.tile(np.array(rule.weights), len(points) // len(rule.weights))
        family = motor.family(region)
        ones = np.ones(len(points))
        columns.append(
            [
                points, ngs.x(points).ravel(), ngs.y(points).ravel(),
                np.abs(scale(points).ravel()) * weights,
                motor.direction(region) * ones, motor.remanence[region] * ones,
                layout.grades[family][0].recoil_permeability * ones, (family * ones).astype(int),
                (motor.place(region) * ones).astype(int),
            ]
        )  # fmt: skip
    return MagnetPoints(*(np.concatenate(column) for column in zip(*columns, strict=True)))


@dataclass(frozen=True)
class Map:
    """Field of a sector for a picture: triangles with potential and flux density.

    Attributes
    ----------
    x, y, potential, density : ndarray, shape (point,)
        [m], [Wb/m], [T]; triangles do not share points.
    triangles : ndarray of int, shape (triangle, 3)
    region : ndarray of int
        Of each triangle, among `regions`.
    regions : tuple of str

    """

    x: Array
    y: Array
    potential: Array
    density: Array
    triangles: Array
    region: Array
    regions: tuple[str, ...]


def field_map(motor: Motor, solution: Solution) -> Map:
    """Return the field of both sides, the rotor turned to its angle."""
    corners = [(i / _SPLIT, j / _SPLIT) for i in range(_SPLIT + 1) for j in range(_SPLIT + 1 - i)]
    place = {corner: k for k, corner in enumerate(corners)}
    local = []
    for i in range(_SPLIT):
        for j in range(_SPLIT - i):
            one, two, three, four = (
                place.get(((i + a) / _SPLIT, (j + b) / _SPLIT))
                for a, b in ((0, 0), (1, 0), (0, 1), (1, 1))
            )
            local.append([one, two, three])
            if four is not None:
                local.append([two, four, three])
    rule = ngs.IntegrationRule(corners, [0.0] * len(corners))
    found: list[list[Array]] = [[], [], [], [], [], []]
    names: list[str] = []
    count = 0
    for side, unknowns, turn in (
        (motor.stator, solution.stator, 0.0), (motor.rotor, solution.rotor, solution.angle),
    ):  # fmt: skip
        mesh = side.mesh.mesh
        potential = ngs.GridFunction(side.space)
        potential.vec.FV().NumPy()[:] = unknowns
        points = mesh.MapToAllElements(rule, ngs.VOL)
        x, y = ngs.x(points).ravel(), ngs.y(points).ravel()
        c, s = np.cos(turn), np.sin(turn)
        slope = ngs.grad(potential)(points)
        regions = list(dict.fromkeys(side.regions))
        own = [regions.index(element.mat) for element in mesh.Elements(ngs.VOL)]
        first = np.arange(mesh.ne)[:, None, None] * len(corners)
        for column, value in zip(
            found,
            (
                c * x - s * y, s * x + c * y, potential(points).ravel(),
                np.hypot(slope[:, 0], slope[:, 1]),
                (first + np.array(local)[None]).reshape(-1, 3) + count,
                np.repeat(own, len(local)) + len(names),
            ),
            strict=True,
        ):  # fmt: skip
            column.append(value)
        names += regions
        count += len(x)
    x, y, flux, density, triangles, region = (np.concatenate(column) for column in found)
    return Map(x, y, flux, density, triangles, region, tuple(names))
