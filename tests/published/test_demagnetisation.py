"""Field inside the magnets against closed forms, magpylib and mirrored magnets.

Ideal array: derived from Halbach's solution (1980, Nucl. Instrum. Methods 169:1, from memory)
by taking H along the polarisation in place of B in the bore. Blocks alone: demagnetising
factors of bars and prisms (Aharoni 1998, J. Appl. Phys. 83:3432, from memory). Iron, recoil and
currents: plane finite elements, and magnets mirrored in a flat wall.
"""

from __future__ import annotations

import dataclasses

import magpylib as magpy
import ngsolve as ngs
import numpy as np
import pytest
from finite_elements import curl, solve
from makers import make_study, unit_magnets
from test_recoil import prism_factor
from verification import agree, worst_of
from whole_array import whole_array

from arrayopt.checks.demagnetisation import ReverseField
from arrayopt.field import solve_field
from arrayopt.field.inside import FieldInside, field_inside
from arrayopt.layout import Layout, build_layout
from arrayopt.machine import armature
from arrayopt.materials import magnet_grade
from arrayopt.quantities import MU0
from arrayopt.study import Study

ORDERS = np.arange(1, 8)


def solved(study: Study, family: int = 0, **grid: int) -> tuple[Layout, FieldInside]:
    """Field inside at 1 T and mu_r = 1."""
    layout = unit_magnets(build_layout(study))
    field = solve_field(layout, orders=ORDERS)
    return layout, field_inside(layout, field, family, **grid)


def mean(found: FieldInside) -> float:
    return float((found.along * found.weight).sum())


# Ideal array


def off_the_ideal(position: str, p: int, M: int) -> dict[str, np.ndarray]:
    """Mean across each magnet at each radius, less H.m = b(r) cos 2e - cos^2 e at its middle."""
    study = make_study(
        position=position, pole_pairs=p, magnets_per_pole_pair=M, shape="arc", fill=1.0,
        thickness=6.0, length=300.0, stack=300.0, kind="ironless", diameter=40.0,
    )  # fmt: skip
    layout = unit_magnets(build_layout(study))
    field = solve_field(layout, orders=ORDERS)
    off = {}
    for i, family in enumerate(layout.families):
        found = field_inside(layout, field, i)
        r = np.hypot(found.x, found.y)[:, 0] * 1e3
        b = (
            p / (p - 1) * (1 - (r / 27.0) ** (p - 1))
            if position == "outer"
            else p / (p + 1) * (1 - (13.0 / r) ** (p + 1))
        )
        e = 2 * np.pi * family.places[0] / M
        section = found.weight.sum(axis=2)
        across = (found.along[..., 0] * section).sum(axis=1) / section.sum(axis=1)
        off[family.name] = across - (b * np.cos(2 * e) - np.cos(e) ** 2)
    return off


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("p", [2, 5])
def test_exact_ideal_ring(position: str, p: int) -> None:
    """Long rings of many touching arcs: every family, from the gap to the back.

    What is left falls with the square of the arcs' angle: cos 2e over 15 degrees is 1 % off.
    """
    few, many = (off_the_ideal(position, p, M) for M in (12, 24))
    for off in many.values():
        np.testing.assert_allclose(off, 0, atol=0.012)
    for name in ("main", "transverse"):
        inner = slice(4, -4)
        ratio = np.abs(few[name][inner]).mean() / np.abs(many[name][inner]).mean()
        np.testing.assert_allclose(ratio, 4, rtol=0.15)
    back = -1 if position == "outer" else 0
    # At the back b = 0: the main magnets see all of their remanence against them.
    agree(
        f"H over J at the back of the main magnets, {position} ring of 24 arcs, p = {p}",
        source="ideal array, b(r) cos 2e - cos^2 e (derived)",
        kind="exact",
        theirs=-1,
        ours=-1 + many["main"][back],
        rtol=0.006,
    )


# The whole array, magnet by magnet


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("M", [2, 3, 4, 8])
@pytest.mark.parametrize(
    ("shape", "atol"),
    [
        ("block", 1e-6),  # the coarse grid of the magnets far away
        ("arc", 3e-3),  # chords: 2e-4 of the thickness; most where they meet the corners
    ],
)
def test_independent_whole_array(position: str, M: int, shape: str, atol: float) -> None:
    """Every magnet of a finite ring as a magpylib object, H inside one of them."""
    study = make_study(
        position=position, pole_pairs=5, magnets_per_pole_pair=M, shape=shape, kind="ironless",
        length=9.0, stack=9.0, diameter=44.0, values={"rotor.main.thickness_mm": 4.0} if
        position == "outer" and shape == "block" else None,
    )  # fmt: skip
    layout = unit_magnets(build_layout(study))
    field = solve_field(layout, orders=ORDERS)
    array = whole_array(study)
    for i, family in enumerate(layout.families):
        found = field_inside(layout, field, i, through=6, across=4, along=2)
        # Off the planes of an arc's edges, where magpylib returns NaN.
        turn = 2 * np.pi * family.places[0] / (5 * M) + (1e-7 if shape == "arc" else 0)
        z = found.z * (1 - 1e-6) + 1e-8 if shape == "arc" else found.z * (1 - 1e-9)
        x, y, z = np.broadcast_arrays(found.x[..., None], found.y[..., None], z)
        c, s = np.cos(turn), np.sin(turn)
        points = np.stack([x * c - y * s, x * s + y * c, z], axis=-1)
        H = array.getH(points.reshape(-1, 3)).reshape(points.shape)
        a = turn + family.directions[0]
        theirs = MU0 * (H[..., 0] * np.cos(a) + H[..., 1] * np.sin(a))
        theirs = theirs / magnet_grade(study.rotor.grade).remanence
        np.testing.assert_allclose(found.along, theirs, rtol=0, atol=atol)
        if (family.name, M) == ("main", 4):
            agree(
                f"Mean reverse field in a main magnet, {position} ring of {shape}s, no iron",
                source="all magnets as magpylib objects",
                kind="independent",
                theirs=float((theirs * found.weight).sum()),
                ours=mean(found),
                rtol=1e-3,
                unit="1",
            )


# Blocks alone


def alone(width: float, thickness: float, length: float) -> Study:
    """Two blocks 0.8 m apart, no iron."""
    return make_study(
        pole_pairs=1, magnets_per_pole_pair=2, diameter=800.0, airgap=2.0, length=length,
        stack=length, kind="ironless", fill=0.01,
        values={"rotor.main.width_mm": width, "rotor.main.thickness_mm": thickness},
    )  # fmt: skip


def test_exact_cube_alone() -> None:
    _, found = solved(alone(4.0, 4.0, 4.0))
    agree(
        "Mean demagnetising factor of a cube",
        source="symmetry of its three axes",
        kind="exact",
        theirs=1 / 3,
        ours=-mean(found),
        rtol=3e-3,  # midpoint rule near edges where the field is log-singular
    )


@pytest.mark.parametrize("ratio", [0.2, 0.5, 1.0, 2.0])
def test_published_long_bar_alone(ratio: float) -> None:
    """Thickness over width q: N = [(1-q^2)/2q ln(1+q^2) + q ln q + 2 atan(1/q)]/pi."""
    q = ratio
    N = (1 - q**2) / (2 * q) * np.log1p(q**2) + q * np.log(q) + 2 * np.arctan(1 / q)
    _, found = solved(alone(4.0, 4.0 * q, 250.0))
    # In the middle, 60 widths from the ends.
    section = found.weight.sum(axis=2)
    agree(
        f"Demagnetising factor of a long bar, {q:g} times as thick as wide",
        source="Aharoni 1998, J. Appl. Phys. 83:3432 (from memory), long limit",
        kind="published",
        theirs=N / np.pi,
        ours=-float((found.along[..., 0] * section).sum()),
        rtol=3e-3,
    )


@pytest.mark.parametrize(("width", "thickness", "length"), [(3.0, 5.0, 9.0), (8.0, 2.0, 6.0)])
def test_published_prism_alone(width: float, thickness: float, length: float) -> None:
    _, found = solved(alone(width, thickness, length))
    agree(
        f"Mean demagnetising factor of a prism {width:g} x {thickness:g} x {length:g}",
        source="Aharoni 1998, J. Appl. Phys. 83:3432 (from memory)",
        kind="published",
        theirs=prism_factor(width, length, thickness),
        ours=-mean(found),
        rtol=3e-3,
    )


def test_exact_thin_plate_alone() -> None:
    """Far from its edges a plate polarised through its thickness sees all of J against it."""
    _, found = solved(alone(80.0, 0.4, 80.0))
    # Its edges 40 mm away take 2 * sqrt(2)/pi * 0.4/40 off in the middle, to first order.
    np.testing.assert_allclose(
        found.along[:, found.y.shape[1] // 2, 0], -1 + 2 * 2**0.5 / np.pi * 0.4 / 80, atol=2e-4
    )


# Iron


def mirrored(study: Study, layout: Layout, half_window: int, *, iron: float) -> magpy.Collection:
    """Magnets near the first one, mirrored in a flat iron wall at x = iron [m]; 1 T each."""
    p, M = int(layout.pole_pairs[0]), layout.magnets_per_pole_pair
    sense = 1 if layout.outer else -1
    length = float(layout.length[0])
    made = []
    for k in range(-half_window, half_window + 1):
        table = study.rotor.main if k % 2 == 0 else study.rotor.transverse
        x = float(layout.shapes[k % 2].lo[0] + layout.shapes[k % 2].hi[0]) / 2
        b = sense * 2 * np.pi * k / M
        size = (table.thickness_mm * 1e-3, table.width_mm * 1e-3, length)
        # A wall keeps the potential at zero: charges come back with the other sign.
        made.append(
            magpy.magnet.Cuboid(
                polarization=(np.cos(b), -np.sin(b), 0),
                dimension=size,
                position=(2 * iron - x, x * 2 * np.pi * k / (p * M), 0),
            )
        )
    return magpy.Collection(*made)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("iron", ["stator", "ring"])
def test_independent_images_in_a_flat_wall(position: str, iron: str) -> None:
    """A ring of 2 m against mirrored magnets in three dimensions: what the iron adds."""
    study = make_study(
        position=position, pole_pairs=120, diameter=1960.0, airgap=2.5, thickness=6.0,
        length=24.0, stack=60.0, kind="smooth" if iron == "stator" else "ironless",
        values={
            "rotor.steel_ring_mm": 2.0 if iron == "ring" else 0.0,
            "rotor.clearance_mm": 1.0,
        },
    )  # fmt: skip
    bare = study.with_values({"stator.kind": "ironless", "rotor.steel_ring_mm": 0.0})
    for family, name in enumerate(("main", "transverse")):
        grid = {"through": 6, "across": 4, "along": 3}
        layout, with_iron = solved(study, family, **grid)
        _, without = solved(bare, family, **grid)
        added = with_iron.along - without.along
        wall = float((layout.surface_radius if iron == "stator" else layout.ring_radius)[0])
        wall_images = mirrored(study, layout, 24, iron=wall)
        shift = 2 * np.pi * float(layout.shapes[0].lo[0]) / (120 * 4) * family
        x, y, z = np.broadcast_arrays(
            with_iron.x[..., None], with_iron.y[..., None] + shift, with_iron.z
        )
        H = wall_images.getH(np.stack([x, y, z], axis=-1).reshape(-1, 3)).reshape(*x.shape, 3)
        direction = with_iron.direction
        theirs = MU0 * (H[..., 0] * np.cos(direction) + H[..., 1] * np.sin(direction))
        assert np.ptp(theirs) > 0.05
        # Curvature: the next magnet's image in a curved wall is 0.2 mm farther off its corner.
        np.testing.assert_allclose(added, theirs, rtol=0, atol=0.006)
        agree(
            f"Mean field of the images of a {iron} in a {name} magnet, {position} ring of 2 m",
            source="magnets mirrored in a flat wall, by magpylib",
            kind="independent",
            theirs=float((theirs * with_iron.weight).sum()),
            ours=float((added * with_iron.weight).sum()),
            rtol=0.02,
            unit="1",
        )


# Plane finite elements

ROTORS = {
    "outer-M2-block": ("outer", "block", 2, 10),
    "outer-M4-block": ("outer", "block", 4, 14),
    "outer-M8-block": ("outer", "block", 8, 7),
    "inner-M4-arc": ("inner", "arc", 4, 7),
}


def recoiling(recoil: float) -> dict[str, object]:
    """Magnets of a recoil permeability of our own."""
    return {
        "rotor.grade": "mine",
        "materials.magnets.mine.like": "N42SH",
        "materials.magnets.mine.recoil_permeability": recoil,
    }


def percentiles(found: FieldInside, along: np.ndarray) -> np.ndarray:
    """50th, 90th and 99th of the reverse field in the middle plane, counted as the package does."""
    weight = found.weight.sum(axis=2, keepdims=True)
    plane = dataclasses.replace(found, weight=weight)
    none = np.zeros((1, 1, 1))
    return np.array(ReverseField(plane, -along[..., None], none).percentiles())


@pytest.mark.parametrize("rotor", ROTORS)
@pytest.mark.parametrize(("kind", "ring"), [("ironless", 0.0), ("smooth", 0.0), ("smooth", 2.0)])
@pytest.mark.parametrize(
    ("recoil", "typical", "bulk", "corner"),
    [
        # The 99th percentile is near a corner: meshes of half the size move it by 1 to 3 %.
        (1.0, 2.5e-3, 0.012, 0.03),
        # One polarisation a magnet: real ones give way where the reverse field is largest.
        (1.05, 5e-3, 0.025, 0.05),
    ],
)
def test_independent_finite_elements(
    rotor: str, kind: str, ring: float, recoil: float, typical: float, bulk: float, corner: float
) -> None:
    """Point by point in the middle of 300 mm; H is what B leaves after the polarisation."""
    position, shape, M, p = ROTORS[rotor]
    study = make_study(
        position=position, shape=shape, magnets_per_pole_pair=M, pole_pairs=p, length=300.0,
        stack=300.0, kind=kind, fill=0.75, diameter=60.0, thickness=4.0,
        values={
            "rotor.steel_ring_mm": ring, "rotor.clearance_mm": 0.1, "stator.slots": 3 * p,
            "stator.coil_side_mm": 0.5, **recoiling(recoil),
        },
    )  # fmt: skip
    pitch = 2 * np.pi / (p * M)
    solution = solve(study, angle=pitch / 2, saturates=False, size=0.3)
    B = curl(ngs.grad(solution.potential))
    layout = build_layout(study)
    field = solve_field(layout, orders=np.arange(1, 16))
    remanence = study.magnet_grade("mine").remanence
    for i, family in enumerate(layout.families):
        found = field_inside(layout, field, i)
        a = pitch * (family.places[0] + 0.5)
        x, y = found.x * np.cos(a) - found.y * np.sin(a), found.x * np.sin(a) + found.y * np.cos(a)
        density = B(solution.mesh(x.ravel() * 1e3, y.ravel() * 1e3)).reshape(*x.shape, 2)
        b = a + found.direction
        along = density[..., 0] * np.cos(b) + density[..., 1] * np.sin(b)
        theirs, ours = (along - remanence) / recoil, found.along[..., 0]
        weight = found.weight.sum(axis=2)
        assert (np.abs(ours - theirs) * weight).sum() < typical * remanence
        right, got = (percentiles(found, value) for value in (theirs, ours))
        np.testing.assert_allclose(got[:2], right[:2], rtol=bulk)
        np.testing.assert_allclose(got[2], right[2], rtol=corner)
        if rotor != "outer-M2-block" and family.name == "main":
            agree(
                f"90th percentile of the reverse field, main magnets, {rotor}, {kind}, "
                f"ring {ring:g} mm, recoil {recoil:g}",
                source="Plane finite elements (ngsolve)",
                kind="independent",
                theirs=right[1],
                ours=got[1],
                rtol=bulk,
                unit="T",
            )


@pytest.mark.parametrize(
    ("position", "slots", "pole_pairs", "ring"),
    [("outer", 24, 10, 0.0), ("outer", 24, 10, 2.0), ("inner", 12, 5, 0.0), ("outer", 36, 16, 0.0)],
)
def test_independent_field_of_the_current(
    position: str, slots: int, pole_pairs: int, ring: float
) -> None:
    """Largest field of the winding over positions and electrical angles, slots in full."""
    study = make_study(
        position=position, pole_pairs=pole_pairs, kind="slotted",
        values={
            "stator.slots": slots, "stator.tooth_width_mm": 3.5, "rotor.steel_ring_mm": ring,
            "rotor.clearance_mm": 0.1, **recoiling(1.0),
        },
    )  # fmt: skip
    layout = build_layout(study)
    field = solve_field(layout, orders=np.arange(1, 16))
    currents = ((1, -0.5, -0.5), (0, 0.75**0.5, -(0.75**0.5)))
    angle = np.pi / (pole_pairs * 4)
    solutions = [
        solve(study, angle=angle, saturates=False, magnets=False, currents=i, size=0.7)
        for i in currents
    ]
    turn = np.linspace(1e-3, solutions[0].sector.span - 1e-3, 2000)
    all_round = np.linspace(0, 2 * np.pi, 240 * slots)
    c, s = np.cos(turn), np.sin(turn)
    pairs: dict[str, list[tuple[float, float]]] = {"radial": [], "tangential": []}
    winding = armature(layout, field)
    for depth in (0.1, 0.5, 1.5, 2.9):
        r = float(layout.gap_radius[0]) * 1e3 + depth * (1 if layout.outer else -1)
        theirs = np.zeros((2, len(turn)))
        for solution in solutions:
            B = curl(ngs.grad(solution.potential))(solution.mesh(r * c, r * s))
            theirs += np.array([B[:, 0] * c + B[:, 1] * s, B[:, 1] * c - B[:, 0] * s]) ** 2
        at = [winding.field_at(np.array(r * 1e-3), all_round, np.array(q)) for q in (0, np.pi / 2)]
        ours = (np.array(at) ** 2).sum(axis=0)
        for name, one, other in zip(pairs, ours, theirs, strict=True):
            pairs[name].append((one_ampere(other), one_ampere(one)))
    for name, found in pairs.items():
        agree(
            f"Largest {name} field of the current in the magnets, {position} "
            f"{slots}/{2 * pole_pairs}, ring {ring:g} mm, worst of 4 depths",
            source="Plane finite elements (ngsolve)",
            kind="independent",
            **worst_of(found),
            rtol=0.07,  # a sheet over each opening for the slot's own field, a gap away from it
            unit="mT",
        )


def one_ampere(squares: np.ndarray) -> float:
    """Largest of a field given by its squares, in mT."""
    return float(np.sqrt(squares.max())) * 1e3
