"""Strength against the outside: turning rings, thick rings, beams, pull of off-centre rotors."""

from __future__ import annotations

from math import pi

import ngsolve as ngs
import numpy as np
import pytest
from finite_elements import curl, named, pieces, sections
from makers import make_study
from netgen import occ
from scipy.integrate import solve_bvp
from verification import agree

from arrayopt.checks.stresses import (
    annulus_stress,
    band_stress,
    lip_stress,
    strip_stress,
    thick_ring_stress,
)
from arrayopt.field import solve_field
from arrayopt.field.pull import magnetic_pull
from arrayopt.layout import build_layout
from arrayopt.quantities import MU0
from arrayopt.study import Study

ngs.SetNumThreads(1)
ORDERS = np.arange(1, 16)
DENSITY, SPEED, POISSON = 1270.0, 400.0, 0.35


def ring_by_equations(*, inner, outer, pressure=0.0, speed=0.0, density=DENSITY):
    """Hoop stress at the bore from equilibrium and Hooke's law, plane stress, E = 1 Pa.

    Unknowns are the displacement u and the radial stress s over x = r/outer:
    ``s' = -(s - t)/x - rho w^2 ro^2 x``, ``u' = (1 - nu^2) s - nu u/x``, t the hoop stress.
    """

    scale = max(pressure, density * (speed * outer) ** 2)

    def hoop(x, u, s):
        return u / x + POISSON * s

    def slopes(x, y):
        u, s = y
        load = density * (speed * outer) ** 2 * x / scale
        return np.array([(1 - POISSON**2) * s - POISSON * u / x, -(s - hoop(x, u, s)) / x - load])

    def ends(a, b):
        return np.array([a[1] + pressure / scale, b[1]])

    x = np.linspace(inner / outer, 1, 60)
    found = solve_bvp(slopes, ends, x, np.ones((2, 60)), tol=1e-9, max_nodes=20000)
    assert found.success
    return scale * float(hoop(found.x[0], *found.y[:, 0]))


@pytest.mark.parametrize("inner", [0.2, 0.6, 0.95])
def test_turning_ring(inner):
    agree(
        f"hoop stress at the bore of a turning ring, {inner:g} of its outer radius",
        source="equilibrium and Hooke's law as a boundary value problem, scipy solve_bvp",
        kind="independent",
        theirs=ring_by_equations(inner=inner * 0.05, outer=0.05, speed=SPEED),
        ours=annulus_stress(
            density=DENSITY, speed=SPEED, inner=inner * 0.05, outer=0.05, poisson=POISSON
        ),
        rtol=1e-6,  # tolerance of the solver
        unit="Pa",
    )


@pytest.mark.parametrize("inner", [0.5, 0.95])
def test_ring_under_pressure(inner):
    agree(
        f"hoop stress at the bore of a ring under pressure, {inner:g} of its outer radius",
        source="equilibrium and Hooke's law as a boundary value problem, scipy solve_bvp",
        kind="independent",
        theirs=ring_by_equations(inner=inner * 0.05, outer=0.05, pressure=1e5),
        ours=thick_ring_stress(1e5, inner=inner * 0.05, outer=0.05),
        rtol=1e-6,  # tolerance of the solver
        unit="Pa",
    )


def test_thin_ring():
    """Both formulas become those of a thin band: ``rho v^2`` and ``p r/t``."""
    R, t = 0.05, 1e-6
    own = annulus_stress(density=DENSITY, speed=SPEED, inner=R - t / 2, outer=R + t / 2, poisson=0)
    loaded = thick_ring_stress(1e3, inner=R - t / 2, outer=R + t / 2)
    band = band_stress(1e3, radius=R, thickness=t, density=DENSITY, speed=SPEED)
    assert own == pytest.approx(DENSITY * (SPEED * R) ** 2, rel=1e-4)  # a fifty thousandth thick
    assert own + loaded == pytest.approx(band, rel=1e-4)


@pytest.mark.parametrize("kind", ["strip", "lips"])
def test_beams_by_equations(kind):
    """Plate strips as beams: ``M'' = q`` with both ends firm, or one free."""
    load, width, t = 800.0, 3e-3, 0.4e-3
    reach = 1.1e-3
    span, q = (width, load / width) if kind == "strip" else (reach, load / 2 / reach)

    # deflection, slope, moment, shear over x = 0..1, scaled by span and load
    def slopes(_, y):
        return np.array([y[1], y[2], y[3], np.ones_like(y[0])])

    def ends(a, b):
        last = [b[0], b[1]] if kind == "strip" else [b[2], b[3]]
        return np.array([a[0], a[1], *last])

    found = solve_bvp(slopes, ends, np.linspace(0, 1, 20), np.zeros((4, 20)), tol=1e-9)
    moment = float(np.abs(found.y[2]).max()) * q * span**2
    ours = (
        strip_stress(load, width=width, thickness=t)
        if kind == "strip"
        else lip_stress(load, reach=reach, thickness=t)
    )
    agree(
        f"bending stress of {'a skin across a pocket' if kind == 'strip' else 'two lips'}",
        source="equation of a beam as a boundary value problem, scipy solve_bvp",
        kind="independent",
        theirs=6 * moment / t**2,
        ours=ours,
        rtol=1e-6,  # tolerance of the solver
        unit="Pa",
    )


# --- pull of an off-centre rotor ------------------------------------------------------------

# mm: magnets two waves longer than the stack at either end leave it the field of endless ones.
LONG, STACK = 300.0, 200.0


def pull_study(position: str, *, ring=0.0, M=4, recoil=1.0, p=4, kind="smooth") -> Study:
    """Arc magnets on a smooth stator of 30 mm, a gap of 1.5 mm."""
    return make_study(
        position=position, pole_pairs=p, magnets_per_pole_pair=M, shape="arc", fill=0.9, kind=kind,
        diameter=30.0, airgap=1.5, thickness=3.0, length=LONG, stack=STACK,
        values={
            "rotor.steel_ring_mm": ring,
            "rotor.grade": "mine",
            "materials.magnets": {"mine": {"like": "N42SH", "recoil_permeability": recoil}},
        },
    )  # fmt: skip


def stiffness_of(study: Study) -> float:
    """Pull per eccentricity and length of stack [N/m2], by the package."""
    field = solve_field(build_layout(study), orders=ORDERS)
    return magnetic_pull(field)[0] / (study.stator.stack_mm * 1e-3)


def disc(radius: float, x: float = 0.0):
    return occ.WorkPlane().Circle(x, 0, radius).Face()


def pull_by_finite_elements(study: Study, shift: float) -> float:
    """Force along x per length on the stator, moved by ``shift`` [mm] along x [N/m].

    The whole rotor stays; ideal irons are left out, for the potential's natural condition there
    is theirs. The force is Maxwell's stress over a layer of air next to the stator.
    """
    outer = study.rotor.position == "outer"
    _, radii = sections(study)
    R, layer = radii.surface, 0.3 * study.airgap.length_mm
    sign = 1 if outer else -1
    magnets = pieces(study, angle=0.0, span=2 * pi)
    stator, edge = disc(R, shift), disc(R + sign * layer, shift)
    ring = study.rotor.steel_ring_mm > 0
    if outer:
        air = disc(radii.back if ring else 4 * R) - edge
        skin = edge - stator
    else:
        air = edge - disc(radii.back) if ring else edge
        skin = stator - edge
    faces = []
    for k, magnet in enumerate(magnets):
        air = air - magnet.face
        faces.append(named(magnet.face, f"magnet{k}", 1.2))
    faces += [named(air, "air", 4.0), named(skin, "skin", 0.35)]
    mesh = ngs.Mesh(occ.OCCGeometry(occ.Glue(faces), dim=2).GenerateMesh(maxh=6.0, grading=0.25))
    mesh.Curve(4)
    space = ngs.H1(mesh, order=4)
    u, v = space.TnT()
    form, right = ngs.BilinearForm(space), ngs.LinearForm(space)
    # The potential's constant is free: a trace of it in the energy settles it.
    form += 1e-9 * u * v * ngs.dx
    form += ngs.grad(u) * ngs.grad(v) * ngs.dx("air|skin")
    for k, magnet in enumerate(magnets):
        where, mu = ngs.dx(f"magnet{k}"), magnet.recoil_permeability
        J = magnet.remanence * np.array([np.cos(magnet.direction), np.sin(magnet.direction)])
        form += ngs.grad(u) * ngs.grad(v) / mu * where
        right += (J[0] * ngs.grad(v)[1] - J[1] * ngs.grad(v)[0]) / mu * where
    form.Assemble()
    right.Assemble()
    potential = ngs.GridFunction(space)
    potential.vec.data = form.mat.Inverse(inverse="sparsecholesky") * right.vec
    B = curl(ngs.grad(potential))
    # Weight one at the stator, nothing at the layer's other side: its slope carries the stress.
    x, y = ngs.x - shift, ngs.y
    r = ngs.sqrt(x * x + y * y)
    normal = ngs.CF((x / r, y / r))
    stress = (B[0] * (B * normal) - B * B / 2 * normal[0]) / layer
    force = ngs.Integrate(stress, mesh, definedon=mesh.Materials("skin"), order=10)
    return sign * float(force) * 1e-3 / MU0


@pytest.mark.parametrize(
    ("position", "ring", "M", "recoil", "p", "rtol"),
    [
        # Magnets like air: exact but for what is not linear, 1e-3 at this eccentricity.
        ("outer", 0.0, 4, 1.0, 4, 3e-3),
        ("inner", 0.0, 4, 1.0, 4, 3e-3),
        ("outer", 2.0, 2, 1.0, 4, 3e-3),
        ("inner", 1.5, 2, 1.0, 4, 3e-3),
        # Two pole pairs of three magnets: neighbouring orders pull together.
        ("outer", 2.0, 3, 1.0, 2, 3e-3),
        # Recoil: magnets are taken as air for the field that eccentricity adds.
        ("outer", 0.0, 4, 1.05, 4, 0.03),
        ("outer", 2.0, 2, 1.05, 4, 0.03),
    ],
)
def test_pull_by_plane_finite_elements(position, ring, M, recoil, p, rtol):
    """A fifteenth of the gap off centre."""
    study = pull_study(position, ring=ring, M=M, recoil=recoil, p=p)
    shift = 0.1
    iron = "with a steel ring" if ring else "without a ring"
    agree(
        f"pull per eccentricity, {position} rotor {iron}, {p} pole pairs of {M}, recoil {recoil:g}",
        source="plane finite elements of the whole rotor off centre, Maxwell's stress (ngsolve)",
        kind="independent",
        theirs=pull_by_finite_elements(study, shift) / (shift * 1e-3),
        ours=stiffness_of(study),
        rtol=rtol,
        unit="N/m2",
    )


@pytest.mark.parametrize(("position", "orders"), [("outer", 3), ("inner", 5)])
def test_pull_of_an_ideal_array(position, orders):
    """``2 pi (p - 1) B0^2/mu0`` per length, p + 1 on an inner rotor, with the free fundamental."""
    study = pull_study(position, M=16)
    field = solve_field(build_layout(study), orders=np.array([1]))
    agree(
        f"pull per eccentricity of a free fundamental, {position} rotor",
        source="multipoles shifted by e on a smooth stator, closed form (derived)",
        kind="exact",
        theirs=2 * pi * orders * field.free[0, 0] ** 2 / MU0,
        ours=magnetic_pull(field)[0] / (STACK * 1e-3),
        rtol=1e-6,  # rounding
        unit="N/m2",
    )


@pytest.mark.parametrize(("p", "share"), [(3, 1.0), (1, 0.5)])
def test_pull_of_a_narrow_gap(p, share):
    """``pi R L B^2/(2 mu0 g)`` (from memory): iron 4.6 mm from iron at a radius of 300 mm.

    One pole pair pulls half as much (derived): what eccentricity adds would need the flux of the
    whole stator to have another sign than its other side's.
    """
    study = make_study(
        pole_pairs=p, magnets_per_pole_pair=2, shape="arc", fill=1.0, diameter=600.0, airgap=1.5,
        length=300.0, stack=300.0, values={"rotor.steel_ring_mm": 10.0},
    )  # fmt: skip
    field = solve_field(build_layout(study), orders=np.array([1]))
    R, ring = 0.3, float(field.irons.ring[0])
    B = float(field.surface[0, 0])
    theirs = share * pi * R * B**2 / (2 * MU0 * (ring - R))
    found = magnetic_pull(field)[0] / 0.3
    assert found == pytest.approx(theirs, rel=0.03)  # twice the gap over the radius
