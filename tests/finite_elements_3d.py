"""Finite elements in space of one rotor on a smooth stator or without one, ends and all.

It takes a study's numbers and shares nothing with the package's field or layout. Magnets and
infinitely permeable iron carry no current, so that a scalar potential does: H = -grad f, B =
mu_r H + J, f = 0 on iron. Lengths in mm, fields in T (mu0 H too), f in T mm. Stator and steel ring
end where stack and magnets end, and their end faces are iron like the rest of them.

A quarter of a pole pair and half a length say all when the number of magnets a pole pair is even:
f is even about a main magnet's axis and about the middle of the stack, so that no flux crosses
these planes, and odd about the plane a quarter of a pole pair from the axis, where f = 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, exp, hypot, pi, sin
from typing import Any, NamedTuple

import ngsolve as ngs
from finite_elements import annular, pieces, sections
from netgen import occ

from arrayopt.study import Study

ngs.SetNumThreads(1)
ngs.ngsglobals.msg_level = 0

TOUCH = 1e-6  # mm
REACH = 4.0  # air round the motor, in lengths over which a wave of the fundamental falls by e
IRON = "surface_iron|face_iron|ring"


@dataclass(frozen=True)
class Ends:
    """Flux into a stack, as amplitude of the fundamental over the stack's cylinder [T].

    What enters an end face counts as if it came through the cylinder at the same angle, which
    is what a tooth below that face makes of it.

    Attributes
    ----------
    surface : float
        Stack mean of the radial flux density at the stator's surface.
    faces : float
        What both end faces of the iron add, whole.
    edge : float
        What lies so near the edge that it could be either's; half was given to each.
    unknowns : int

    """

    surface: float
    faces: float
    edge: float
    unknowns: int


class Material(NamedTuple):
    """Relative permeability and polarisation [T]."""

    permeability: float
    J: tuple[float, float, float]


def solve_ends(
    study: Study,
    *,
    size: float = 1.0,
    order: int = 3,
    reach: float = REACH,
    levels: int = 3,
) -> Ends:
    """Solve a rotor of finite length.

    Parameters
    ----------
    study : Study
        Of an even number of magnets a pole pair, stator smooth or ironless.
    size : float
        Scale of the mesh.
    order : int
        Of the elements.
    reach : float
        Air on all sides, see ``REACH``.
    levels : int
        Of elements that grow thinner towards the stack's edge, where flux density has no bound.

    """
    assert study.rotor.magnets_per_pole_pair % 2 == 0
    assert study.stator.kind != "slotted"
    p, R = study.rotor.pole_pairs, study.stator.surface_diameter_mm / 2
    mesh, magnets = build(study, size=size, reach=reach, levels=levels)
    space = ngs.H1(mesh, order=order, dirichlet=f"{IRON}|odd|far")
    u, v = space.TnT()
    permeability = mesh.MaterialCF({n: m.permeability for n, m in magnets.items()}, default=1.0)
    form = ngs.BilinearForm(permeability * ngs.grad(u) * ngs.grad(v) * ngs.dx).Assemble()
    source = ngs.LinearForm(space)
    for name, magnet in magnets.items():
        source += ngs.CF(magnet.J) * ngs.grad(v) * ngs.dx(name)
    source.Assemble()
    f = ngs.GridFunction(space)
    f.vec.data = form.mat.Inverse(space.FreeDofs(), inverse="sparsecholesky") * source.vec

    unit = R * study.stator.stack_mm / 2 * pi / (4 * p)
    wave = ngs.cos(p * ngs.atan2(ngs.y, ngs.x))
    if study.stator.kind == "ironless":
        # The same, of the space inside the cylinder alone.
        form = ngs.BilinearForm(ngs.grad(u) * ngs.grad(v) * ngs.dx("core")).Assemble()
        source.vec[:] = 0
    # Flux through a surface is the reaction of the equations there, far more exact than a
    # derivative.
    reaction = form.mat.CreateColVector()
    reaction.data = source.vec - form.mat * f.vec

    def flux(boundary: str) -> float:
        weight = ngs.GridFunction(space)
        weight.Set(wave, definedon=mesh.Boundaries(boundary))
        return ngs.InnerProduct(reaction, weight.vec) / unit

    if study.stator.kind == "ironless":
        return Ends(abs(flux("surface_air")), 0.0, 0.0, space.ndof)
    total, surface, faces = (
        flux(name) for name in ("surface_iron|face_iron", "surface_iron", "face_iron")
    )
    # The last two both count the outermost elements of each other, half of which is theirs:
    # near a square edge the flux density is the same on its two sides.
    way, edge = (1 if total > 0 else -1), surface + faces - total
    return Ends(way * (surface - edge / 2), way * (faces - edge / 2), way * edge, space.ndof)


# --- geometry -------------------------------------------------------------------------------


def build(
    study: Study, *, size: float, reach: float, levels: int = 3
) -> tuple[ngs.Mesh, dict[str, Material]]:
    """Mesh, and what each magnet's region is made of."""
    sign = 1 if study.rotor.position == "outer" else -1
    p, ring, gap = study.rotor.pole_pairs, study.rotor.steel_ring_mm, study.airgap.length_mm
    _, radii = sections(study)
    R, span = radii.surface, pi / (2 * p)
    fall = R / p
    behind = radii.back + sign * ring
    start, end = (r * fallen(s * reach / p) for r, s in ((R, -sign), (behind, sign)))
    stack, length = study.stator.stack_mm / 2, study.rotor_length_mm / 2
    top = max(stack, length) + reach * fall

    core = solid(start, R, span, stack)
    magnets, materials = magnet_bodies(study, span=span, length=length, size=size)
    taken = [core, *magnets]
    if ring:
        taken.append(solid(radii.back, behind, span, length))
    close = R * fallen(-0.5 * sign / p), behind * fallen(0.5 * sign / p)
    near = solid(*close, span, max(stack, length) + 0.7 * fall)
    far = solid(start, end, span, top)
    for body in taken:
        near = near - body
    for body in (*taken, near):
        far = far - body
    bodies = [named(near, "air", size * fall / 3), named(far, "air", size * 1.5 * fall), *magnets]
    if study.stator.kind == "ironless":
        bodies.append(named(core, "core", size * fall / 2))
    shape = occ.Glue(bodies)
    name_faces(study, shape, span=span, far=(start, end, top))
    # Flux crowds at the stack's edge.
    for edge in shape.edges:
        if all(abs(q - R) + abs(z - stack) < TOUCH for q, z in corners(edge)):
            edge.maxh = size * min(gap, fall) / 2
            edge.hpref = 1
    # One step of smoothing: three take twice as long and move the flux by 4e-6 of itself.
    raw = occ.OCCGeometry(shape).GenerateMesh(maxh=size * 1.5 * fall, grading=0.5, optsteps3d=1)
    mesh = ngs.Mesh(raw)
    if levels:
        mesh.RefineHP(levels, factor=0.15)
    mesh.Curve(3)
    return mesh, materials


def name_faces(study: Study, shape: Any, *, span: float, far: tuple[float, float, float]) -> None:
    """Name faces by their corners; ``far`` are the radii and the height at which the air ends."""
    sign = 1 if study.rotor.position == "outer" else -1
    stack, length = study.stator.stack_mm / 2, study.rotor_length_mm / 2
    _, radii = sections(study)
    ring, kind = study.rotor.steel_ring_mm, "air" if study.stator.kind == "ironless" else "iron"
    for face in shape.faces:
        ends = corners(face)
        sides = [v.p.y * cos(span) - v.p.x * sin(span) for v in face.vertices]
        if max(map(abs, sides)) < TOUCH:
            face.name = "odd"
        elif all(abs(q - radii.surface) < TOUCH and z < stack + TOUCH for q, z in ends):
            face.name = f"surface_{kind}"
        elif all(abs(z - stack) < TOUCH and sign * (radii.surface - q) > -TOUCH for q, z in ends):
            face.name = f"face_{kind}"
        elif ring and all(
            -TOUCH < sign * (q - radii.back) < ring + TOUCH and z < length + TOUCH for q, z in ends
        ):
            face.name = "ring"
        elif any(all(abs(q - r) < TOUCH for q, _ in ends) for r in far[:2]) or all(
            abs(z - far[2]) < TOUCH for _, z in ends
        ):
            face.name = "far"


def corners(shape: Any) -> list[tuple[float, float]]:
    """Radius and height of the corners of a face or edge."""
    return [(hypot(v.p.x, v.p.y), v.p.z) for v in shape.vertices]


def fallen(exponent: float) -> float:
    """Radius over another where waves have fallen so far; not all the way to the shaft."""
    return max(exp(exponent), 0.1)


def solid(one: float, other: float, span: float, top: float) -> Any:
    """Part of a ring from the middle of the stack up."""
    return annular(min(one, other), max(one, other), 0, span).Extrude(occ.Vec(0, 0, top))


def named(body: Any, name: str, size: float) -> Any:
    body.mat(name)
    body.maxh = size
    return body


def magnet_bodies(
    study: Study, *, span: float, length: float, size: float
) -> tuple[list[Any], dict[str, Material]]:
    """Magnets cut to the sector and half a length."""
    fall = study.stator.surface_diameter_mm / 2 / study.rotor.pole_pairs
    whole = solid(0.1, 1e3, span, length)
    bodies, materials = [], {}
    for k, magnet in enumerate(pieces(study, angle=0.0, span=span)):
        body = magnet.face.Extrude(occ.Vec(0, 0, length)) * whole
        bodies.append(named(body, f"magnet{k}", size * fall / 2.5))
        J, direction = magnet.remanence, magnet.direction
        materials[f"magnet{k}"] = Material(
            magnet.recoil_permeability, (J * cos(direction), J * sin(direction), 0.0)
        )
    return bodies, materials
