"""Slotted motors with any magnets by plane finite elements: what a stator answers to each wave.

Magnets like air add waves in closed form to the field round the stator. Ideal iron answers
each wave on its own, so one mesh serves every rotor and position, and torques carry no noise of
a mesh. Nothing of the package but the study's numbers. Outer rotors of blocks, endless along
the shaft, no steel ring. Lengths in mm, fields in T, the potential A in T mm.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import ngsolve as ngs
import numpy as np
from finite_elements import (
    Sector,
    coil_signs,
    coil_span,
    curl,
    name_edges,
    named,
    pieces,
    sections,
    stator_faces,
    tables,
)
from netgen import occ

from arrayopt.quantities import MU0
from arrayopt.study import Study

ngs.SetNumThreads(1)

FAR = 5.0  # surface radii; waves of 2 a turn that come back from there are 5e-4 of themselves
SKIN = 1.015  # surface radii; where the answer is read, and torque and pull
POINTS = 1024  # of a turn


@dataclass(frozen=True)
class Off:
    """How one magnet is off: its polarisation as a share of what it should be, its place [mm]."""

    share: complex = 1.0
    outwards: float = 0.0


def magnet_waves(study: Study, off: dict[int, Off], *, waves: int) -> np.ndarray:
    """Waves 1, 2, ... of the magnets' own potential at the stator's radius, shape (wave,) [T mm].

    ``A = Re sum c_n (r/R)^n exp(i n angle)``, main magnet 0 at the angle zero. A line of dipoles
    J dS at z0 has the field ``Bx - i By = J dS/(2 pi (z - z0)^2)``; a rectangle integrates its
    powers between its corners (derived).
    """
    rotor, R = study.rotor, study.stator.surface_diameter_mm / 2
    extent, _ = sections(study)
    places, p = rotor.pole_pairs * rotor.magnets_per_pole_pair, rotor.pole_pairs
    n = np.arange(1, waves + 1)
    total = np.zeros(waves, dtype=complex)
    for k in range(places):
        name, a, one = (
            tables(study)[k % rotor.magnets_per_pole_pair],
            2 * np.pi * k / places,
            off.get(k, Off()),
        )
        magnet = getattr(rotor, name)
        grade = study.magnet_grade(magnet.grade or rotor.grade)
        J = one.share * grade.remanence_at(rotor.magnet_temperature_c) * np.exp(1j * (1 + p) * a)
        half = magnet.width_mm / 2
        moment = np.zeros(waves, dtype=complex)
        for x, sx in zip(extent[name], (-1, 1), strict=True):
            for y, sy in ((-half, -1), (half, 1)):
                w = (x + one.outwards + 1j * y) / R
                with np.errstate(divide="ignore", invalid="ignore"):
                    G = np.where(n > 1, w ** (1.0 - n) / (n * (n - 1)), -np.log(w))
                moment += -1j * sx * sy * G
        total += -1j * J / (2 * np.pi) * moment * np.exp(-1j * (n + 1) * a) * R
    return total


@dataclass(frozen=True)
class Answers:
    """What a slotted stator of ideal iron makes of waves ``(r/R)^n exp(i n angle)``.

    Attributes
    ----------
    back : ndarray of complex, shape (wave in, 2 N + 1)
        Waves ``(R/r)^|m| exp(i m angle)`` that leave the stator, m from -N to N.
    begin, end : ndarray of complex, shape (wave in,)
        Mean potential in the half of slot 0 by tooth 0, and in its other half.

    """

    study: Study
    back: np.ndarray
    begin: np.ndarray
    end: np.ndarray

    def leaving(self, now: np.ndarray) -> np.ndarray:
        """Waves that leave the stator, of waves that come, both (..., wave)."""
        whole, N = now @ self.back, now.shape[-1]
        return np.asarray(whole[..., N + 1 :] + np.conj(whole[..., N - 1 :: -1]))

    def linkages(self) -> np.ndarray:
        """Linkage of phases A, B, C per wave and length of stack, (phase, wave) [mWb/m]."""
        Q, span = self.study.stator.slots, coil_span(self.study)
        turns = self.study.winding.turns_per_coil / self.study.winding.parallel_paths
        n = np.arange(1, len(self.begin) + 1)
        coil = np.exp(2j * np.pi * n * span / Q) * self.end - self.begin
        turned = np.exp(2j * np.pi * np.outer(np.arange(Q), n) / Q)
        return np.asarray(turns * (coil_signs(self.study) @ turned) * coil)

    def torque(self, c: np.ndarray, turns: np.ndarray) -> np.ndarray:
        """Torque on the rotor per length of stack at angles of the rotor, (turn,) [N m/m].

        ``-(2 pi/mu0) sum n^2 Im d_n conj(c_n)`` with d the waves that leave the stator: Maxwell's
        stress on any circle in the gap (derived).
        """
        n = np.arange(1, len(c) + 1)
        now = c * np.exp(-1j * np.outer(turns, n))
        d = self.leaving(now)
        return np.asarray(-2 * np.pi / MU0 * (n**2 * (d * np.conj(now)).imag).sum(axis=1) * 1e-6)

    def pull(self, c: np.ndarray, turns: np.ndarray) -> np.ndarray:
        """Pull on the stator per length of stack in its own frame, complex, (turn,) [N/m].

        Maxwell's stress on the stator's circle, sampled.
        """
        R, n = self.study.stator.surface_diameter_mm / 2, np.arange(1, len(c) + 1)
        now = c * np.exp(-1j * np.outer(turns, n))
        d = self.leaving(now)
        # A circle off the corners, over which the waves that go out have settled.
        q = SKIN
        r, wave = q * R, np.exp(1j * np.outer(n, np.arange(POINTS) * 2 * np.pi / POINTS))
        into, out = now * q**n, d * q ** (-1.0 * n)
        radial = ((1j * n / r * (into + out)) @ wave).real
        tangential = ((-n / r * (into - out)) @ wave).real
        stress = (radial + 1j * tangential) ** 2 / 2
        around = np.exp(2j * np.pi * np.arange(POINTS) / POINTS)
        return np.asarray((stress * around).mean(axis=1) * 2 * np.pi * r * 1e-3 / MU0)


def answers(study: Study, *, waves: int, size: float = 1.0, order: int = 4) -> Answers:
    """Solve what the stator answers to every wave; its mesh is that of all slots."""
    return _answers(study.model_dump_json(), waves, size, order)


@lru_cache(maxsize=8)
def _answers(study_json: str, waves: int, size: float, order: int) -> Answers:
    study = Study.model_validate_json(study_json)
    R, Q = study.stator.surface_diameter_mm / 2, study.stator.slots
    mesh = _stator_mesh(study, size)
    space = ngs.H1(mesh, order=order)
    u, v = space.TnT()
    form = ngs.BilinearForm(ngs.grad(u) * ngs.grad(v) * ngs.dx)
    # Beyond the mesh a wave of one a turn goes on; there are hardly any others.
    form += 1 / (FAR * R) * u * v * ngs.ds("outside")
    form.Assemble()
    inverse = form.mat.Inverse(inverse="sparsecholesky")
    n, x, y = ngs.Parameter(1), ngs.x, ngs.y
    r, angle = ngs.sqrt(x * x + y * y), ngs.atan2(y, x)
    grown = ngs.exp(n * ngs.log(r / R))
    c, s = grown * ngs.cos(n * angle), grown * ngs.sin(n * angle)
    # What the iron must answer: the wave's slope across its surface, as the slope within the
    # slots and a skin of air, less that across the skin's far side.
    slots = ngs.dx("skin|slot|low.*|high.*", bonus_intorder=2)
    loads = []
    for f, g in ((c, s), (s, -c)):
        slope = (n / r / r * ngs.CF((f * x + g * y, f * y - g * x))).Compile()
        skin = (n / r * f).Compile() * v * ngs.ds("skin", bonus_intorder=2)
        loads.append(ngs.LinearForm(skin - slope * ngs.grad(v) * slots))
    halves = ["low0", f"high{Q - 1}"]
    areas = [ngs.Integrate(ngs.CF(1), mesh, definedon=mesh.Materials(h)) for h in halves]
    means = [ngs.LinearForm(v * ngs.dx(h)).Assemble() for h in halves]
    near = 1 + (SKIN - 1) / 2
    turn = np.arange(POINTS) * 2 * np.pi / POINTS
    circle = mesh(near * R * np.cos(turn), near * R * np.sin(turn))
    m = np.arange(-waves, waves + 1)
    back = np.zeros((waves, 2 * waves + 1), dtype=complex)
    sides = np.zeros((2, waves), dtype=complex)
    potential = ngs.GridFunction(space)
    for wave in range(1, waves + 1):
        n.Set(wave)
        for part, load, own in zip((1, 1j), loads, (c, s), strict=True):
            load.Assemble()
            potential.vec.data = inverse * load.vec
            found = np.fft.fft(potential(circle).ravel()) / POINTS
            back[wave - 1] += part * found[m] * near ** np.abs(m)
            for i, half in enumerate(halves):
                mine = ngs.Integrate(own, mesh, definedon=mesh.Materials(half), order=10)
                total = ngs.InnerProduct(means[i].vec, potential.vec) + mine
                sides[i, wave - 1] += part * total / areas[i]
    return Answers(study, back, *sides)


def _stator_mesh(study: Study, size: float) -> ngs.Mesh:
    """Air of all slots and round the stator; its iron is left out."""
    R = study.stator.surface_diameter_mm / 2
    faces = [
        *_stator_faces(study, size),
        named(_disc(SKIN * R) - _disc(R), "skin", size * 0.03 * R),
        named(_disc(FAR * R) - _disc(SKIN * R), "air", size * FAR * R / 4),
    ]
    return _meshed(study, faces, size)


def _stator_faces(study: Study, size: float) -> list[Any]:
    """Both halves of all slots, and their openings as ``slot``."""
    if study.stator.kind != "slotted":
        return []
    whole = Sector(study.stator.slots, 2 * np.pi, 1)
    faces = stator_faces(study, whole, size=size, yoke=1.0)
    faces = [face for face in faces if face.faces[0].name != "sheet"]
    for face in faces:
        if face.faces[0].name == "air":
            face.faces.name = "slot"
    return faces


def _meshed(study: Study, faces: list[Any], size: float) -> ngs.Mesh:
    """Mesh of the faces, fine at the corners of the slots' mouths."""
    R, shape = study.stator.surface_diameter_mm / 2, occ.Glue(faces)
    met = Counter(_place(edge) for face in shape.faces for edge in face.edges)
    for edge in shape.edges:
        edge.name = "within" if met[_place(edge)] > 1 else "iron"
    name_edges(shape, {"outside": FAR * R, "skin": SKIN * R})
    for vertex in shape.vertices:
        if abs(np.hypot(vertex.p.x, vertex.p.y) - R) < 1e-6 and study.stator.slot_opening_mm:
            vertex.maxh = size * study.stator.slot_opening_mm / 20
    mesh = ngs.Mesh(occ.OCCGeometry(shape, dim=2).GenerateMesh(maxh=10 * R, grading=0.35))
    mesh.Curve(4)
    return mesh


def _place(edge: Any) -> tuple[float, float, float]:
    return round(edge.center.x, 6), round(edge.center.y, 6), round(edge.mass, 6)


@dataclass(frozen=True)
class Whole:
    """A motor whose magnets are part of the mesh, of any recoil permeability, at one position."""

    study: Study
    mesh: ngs.Mesh
    space: ngs.FESpace
    potentials: np.ndarray  # of every magnet alone as it should be, (magnet, unknown) [T mm]

    def linkages(self) -> np.ndarray:
        """Linkage of phases A, B, C by every magnet, per length, (phase, magnet) [mWb/m]."""
        Q, span = self.study.stator.slots, coil_span(self.study)
        turns = self.study.winding.turns_per_coil / self.study.winding.parallel_paths
        v = self.space.TestFunction()
        sides = []
        for side in ("low", "high"):
            for j in range(Q):
                where = f"{side}{j}"
                area = ngs.Integrate(ngs.CF(1), self.mesh, definedon=self.mesh.Materials(where))
                mean = ngs.LinearForm(v / area * ngs.dx(where)).Assemble()
                sides.append(self.potentials @ mean.vec.FV().NumPy())
        low, high = np.array(sides).reshape(2, Q, -1)
        coils = np.roll(high, 1 - span, axis=0) - low
        return np.asarray(turns * coil_signs(self.study) @ coils)

    def pull(self, shares: np.ndarray) -> complex:
        """Pull on the stator per length with these shares of every magnet [N/m]."""
        potential = ngs.GridFunction(self.space)
        potential.vec.FV().NumPy()[:] = shares @ self.potentials
        R, x, y = self.study.stator.surface_diameter_mm / 2, ngs.x, ngs.y
        B, r = curl(ngs.grad(potential)), ngs.sqrt(x * x + y * y)
        normal = ngs.CF((x / r, y / r))
        where = self.mesh.Materials("skin")
        stress = [(B[i] * (B * normal) - B * B / 2 * normal[i]) for i in (0, 1)]
        # A mean over the skin, weighted so that the force on every circle counts alike.
        depth = R * (SKIN - 1)
        force = [ngs.Integrate(s / depth, self.mesh, definedon=where, order=10) for s in stress]
        return complex(*force) * 1e-3 / MU0


def whole_motor(
    study: Study, off: dict[int, Off] | None = None, *, size: float = 1.0, order: int = 3
) -> Whole:
    """Solve every magnet alone, main magnet 0 at the angle zero; only places of `off` count."""
    off, R = off or {}, study.stator.surface_diameter_mm / 2
    magnets, (_, radii) = pieces(study, angle=0.0, span=2 * np.pi), sections(study)
    places = len(magnets)
    space_left, faces = _disc(radii.back + 0.5) - _disc(SKIN * R), _stator_faces(study, size)
    for k, magnet in enumerate(magnets):
        a, out = 2 * np.pi * k / places, off.get(k, Off()).outwards
        face = magnet.face.Move((out * np.cos(a), out * np.sin(a), 0))
        space_left = space_left - face
        faces.append(named(face, f"magnet{k}", size * 1.5))
    faces += [
        named(_disc(SKIN * R) - _disc(R), "skin", size * 0.03 * R),
        named(space_left, "air", size * 1.5),
        named(_disc(FAR * R) - _disc(radii.back + 0.5), "air", size * FAR * R / 4),
    ]
    mesh = _meshed(study, faces, size)
    space = ngs.H1(mesh, order=order)
    u, v = space.TnT()
    form = ngs.BilinearForm(space)
    form += ngs.grad(u) * ngs.grad(v) * ngs.dx("air|skin|slot|low.*|high.*")
    form += 1 / (FAR * R) * u * v * ngs.ds("outside")
    loads = []
    for k, magnet in enumerate(magnets):
        where, mu = ngs.dx(f"magnet{k}"), magnet.recoil_permeability
        form += ngs.grad(u) * ngs.grad(v) / mu * where
        Jx, Jy = (
            magnet.remanence * np.cos(magnet.direction),
            magnet.remanence * np.sin(magnet.direction),
        )
        loads.append(ngs.LinearForm((Jx * ngs.grad(v)[1] - Jy * ngs.grad(v)[0]) / mu * where))
    form.Assemble()
    inverse = form.mat.Inverse(inverse="sparsecholesky")
    potentials = np.empty((places, space.ndof))
    found = ngs.GridFunction(space)
    for k, load in enumerate(loads):
        load.Assemble()
        found.vec.data = inverse * load.vec
        potentials[k] = found.vec.FV().NumPy()
    return Whole(study, mesh, space, potentials)


def _disc(radius: float) -> Any:
    return occ.WorkPlane().Circle(0, 0, radius).Face()
