"""Forces between magnets against closed forms of parallel blocks and magpylib's own forces."""

from __future__ import annotations

import itertools

import magpylib
import numpy as np
import pytest
from makers import make_study, unit_magnets
from verification import agree

from arrayopt.checks.assembly import _lifts
from arrayopt.field import forces, solve_field
from arrayopt.field.sheets import FINE, Sheets, magnet_sheets
from arrayopt.layout import Blocks, build_layout

MU0 = 4e-7 * np.pi
AKOUN = "Akoun & Yonnet 1984, IEEE Trans. Magn. 20:1962"


def parallel_blocks(first, second, offset, *, J):
    """Force on the second of two parallel blocks polarised along z (Akoun & Yonnet 1984).

    Sizes and offset of middles in metres; the formula from memory, its test below against
    the paper's figure.
    """
    a, b, c = np.asarray(first) / 2
    A, B, C = np.asarray(second) / 2
    total = np.zeros(3)
    for i, j, k, m, p, q in itertools.product((0, 1), repeat=6):
        u = offset[0] + (-1) ** j * A - (-1) ** i * a
        v = offset[1] + (-1) ** m * B - (-1) ** k * b
        w = offset[2] + (-1) ** q * C - (-1) ** p * c
        r = np.sqrt(u**2 + v**2 + w**2)
        angle = np.arctan2(u * v, r * w)
        lu, lv = np.log(r - u), np.log(r - v)
        phi = np.array(
            [
                (v**2 - w**2) / 2 * lu + u * v * lv + v * w * angle + r * u / 2,
                (u**2 - w**2) / 2 * lv + u * v * lu + u * w * angle + r * v / 2,
                -u * w * lu - v * w * lv + u * v * angle - r * w,
            ]
        )
        total += (-1) ** (i + j + k + m + p + q) * phi
    return J[0] * J[1] / (4 * np.pi * MU0) * total


def ours(first, second, offset, *, J):
    """The same by charged faces: their z is our x, their y our y, their x our shaft, lifted."""

    def sheets(size, shift, polarisation, lift):
        length, width, thickness = size
        block = Blocks(np.array([-thickness / 2]), np.array([thickness / 2]), np.array([width]))
        made = magnet_sheets(
            block, 0.0, np.array([polarisation, 0.0]), length / 2, pieces=1, sag=FINE
        )
        move = np.array([[shift[2]], [shift[1]]])
        return Sheets(made.start + move, made.end + move, made.charge, made.half), lift

    source, _ = sheets(first, (0, 0, 0), J[0], 0.0)
    moved, lift = sheets(second, offset, J[1], offset[0])
    target = forces._Target.of(forces._charged(moved))
    force = target.forces([forces._charged(source)], np.array([lift]))[0, 0]
    return force[[2, 1, 0]]


PAPER = ((20e-3, 12e-3, 6e-3), (12e-3, 20e-3, 6e-3), (0.0, -4e-3, 8e-3))


def test_published_force_of_the_paper():
    """0.64 N and -1.85 N are read off the paper's curve, so two digits."""
    closed = parallel_blocks(*PAPER, J=(0.38, 0.38))
    np.testing.assert_allclose(closed, (0, 0.64, -1.85), atol=0.02)


@pytest.mark.parametrize("axis", [1, 2])
def test_paper_by_charged_faces(axis):
    name = "force along the common width" if axis == 1 else "force between faces"
    agree(
        f"two blocks of the paper, {name}",
        source=f"{AKOUN}, closed form (from memory; meets the paper's figure)",
        kind="published",
        theirs=parallel_blocks(*PAPER, J=(0.38, 0.38))[axis],
        ours=ours(*PAPER, J=(0.38, 0.38))[axis],
        rtol=3e-3,  # twelve points on wide faces 2 mm apart, closer than a ring has them
        unit="N",
    )


@pytest.mark.parametrize(
    ("offset", "axis"),
    [((0, 5e-3, 0.5e-3), 1), ((3e-3, 5e-3, 0), 0), ((6e-3, 4.6e-3, 1e-3), 2), ((9e-3, 0, 4e-3), 2)],
)
def test_blocks_beside_each_other(offset, axis):
    """Neighbours with walls of 0.6 mm and more, one of them lifted, as while assembling."""
    size = (10e-3, 4e-3, 3e-3)
    agree(
        f"blocks 10 x 4 x 3 mm, offset {', '.join(f'{1e3 * x:g}' for x in offset)} mm, part {axis}",
        source=f"{AKOUN}, closed form (from memory)",
        kind="published",
        theirs=parallel_blocks(size, size, offset, J=(1.3, 1.3))[axis],
        ours=ours(size, size, offset, J=(1.3, 1.3))[axis],
        rtol=1e-3,  # Gauss points on the faces
        unit="N",
    )


def magpylib_block(layout, k, turn, lift=0.0):
    """The magnet at place k as an object of magpylib."""
    M = layout.magnets_per_pole_pair
    i = next(i for i, family in enumerate(layout.families) if k % M in family.places)
    shape, b = layout.shapes[i], (1 if layout.outer else -1) * 2 * np.pi * (k % M) / M
    size = (float(shape.thickness[0]), float(shape.width[0]), float(layout.length[0]))
    magnet = magpylib.magnet.Cuboid(
        polarization=(np.cos(b), np.sin(b), 0),
        dimension=size,
        position=(float(shape.lo[0] + shape.hi[0]) / 2, 0, 0),
    )
    magnet.rotate_from_angax(np.degrees(turn), "z", anchor=0)
    magnet.position = magnet.position + np.array([0, 0, lift])
    return magnet


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("place", [0, 1, 3])
@pytest.mark.parametrize("offset", [1, 2, 5, -1])
def test_independent_forces_of_magpylib(position, place, offset):
    """Turned pairs, the target lifted by a third; magpylib sums dipoles and differences."""
    study = make_study(position=position, pole_pairs=8, magnets_per_pole_pair=8, fill=0.6)
    layout = unit_magnets(build_layout(study))
    count = 64
    lifts = np.array([4e-3])
    found = forces.pair_forces(layout, lifts=lifts).pairs[place, 0, offset % count, 0]
    source = magpylib_block(layout, place + offset, 2 * np.pi * offset / count)
    target = magpylib_block(layout, place, 0.0, lifts[0])
    theirs, _ = magpylib.getFT(source, target, meshing=(10, 10, 20), eps=1e-7)
    size = np.linalg.norm(theirs)
    np.testing.assert_allclose(found, theirs, atol=6e-3 * size)  # their mesh


def test_exact_action_and_reaction():
    layout = build_layout(make_study(magnets_per_pole_pair=4))
    pairs = forces.pair_forces(layout, lifts=np.zeros(1)).pairs[:, 0, :, 0]
    count = pairs.shape[1]
    for place, offset in ((0, 1), (1, 2), (2, 3)):
        turn = 2 * np.pi * offset / count
        back = pairs[(place + offset) % 4, -offset % count]
        c, s = np.cos(turn), np.sin(turn)
        turned = np.array([c * back[0] - s * back[1], s * back[0] + c * back[1], back[2]])
        np.testing.assert_allclose(turned, -pairs[place, offset], atol=1e-3)  # of some 2 N


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_independent_pull_of_one_magnet_on_a_flat_iron(position):
    """A wide ring of few and small magnets is flat: block and its mirror image (Akoun & Yonnet)."""
    study = make_study(
        position=position, pole_pairs=20, magnets_per_pole_pair=2, diameter=1200.0, length=12.0,
        stack=12.0, airgap=1.0, fill=0.05,
        values={"rotor.main.width_mm": 5.0},
    )  # fmt: skip
    layout = unit_magnets(build_layout(study))
    field = solve_field(layout, orders=np.arange(1, 4))
    pull = forces.seated_forces(layout, field)[0]
    size, apart = (12e-3, 5e-3, 3e-3), (0, 0, 2 * 1e-3 + 3e-3)
    mirror = parallel_blocks(size, size, apart, J=(1.0, 1.0))[2]
    towards = -1 if position == "outer" else 1
    # The iron's curvature and the block's corners on it: 1200 mm is flat within 0.5 %.
    assert pull[0] * towards == pytest.approx(abs(mirror), rel=5e-3)
    np.testing.assert_allclose(pull[1:], 0, atol=1e-6)


def test_lifted_magnets_leave_the_ring():
    layout = build_layout(make_study())
    found = forces.pair_forces(layout, lifts=_lifts(layout)).pairs.sum(axis=(1, 2))
    whole = np.linalg.norm(found, axis=-1)
    assert (whole[:, -1] < 0.05 * whole.max(axis=1)).all()  # free of it at the path's beginning


def test_exact_no_force_along_the_shaft_when_seated():
    layout = build_layout(make_study(magnets_per_pole_pair=8))
    found = forces.pair_forces(layout, lifts=np.zeros(1)).pairs
    np.testing.assert_allclose(found[..., 2], 0, atol=1e-9)


def test_forces_converge(monkeypatch):
    """Half as many points more change no force by more than 0.1 % of the largest, arcs too."""
    for shape in ("block", "arc"):
        layout = build_layout(make_study(shape=shape, pole_pairs=3, fill=0.9, diameter=30.0))
        lifts = np.array([0.0, 2e-3, 6e-3])
        few = forces.pair_forces(layout, lifts=lifts).pairs
        with monkeypatch.context() as more:
            for name, count in (("_ACROSS", 18), ("_CHORD", 3), ("_ALONG", 12)):
                more.setattr(forces, name, count)
            many = forces.pair_forces(layout, lifts=lifts).pairs
        assert np.abs(few - many).max() < 1e-3 * np.abs(many).max()


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_steel_ring_pulls_its_magnets(position):
    bare = build_layout(make_study(position=position))
    ringed = build_layout(make_study(position=position, values={"rotor.steel_ring_mm": 2.0}))
    lifts = np.array([0.0, 6e-3, 40e-3])
    found = forces.pair_forces(ringed, lifts=lifts).ring
    away = 1 if position == "outer" else -1
    assert (found[0, :2, 0] * away > 1).all()  # towards the ring, several newtons
    assert (found[:, 1, 2] < 0).all()  # a lifted magnet is drawn in
    np.testing.assert_allclose(found[:, 2], 0, atol=1e-12)  # out of the ring altogether
    np.testing.assert_allclose(forces.pair_forces(bare, lifts=lifts).ring, 0)


@pytest.mark.parametrize("rows", [2, 3])
def test_lower_rows_of_a_skewed_rotor_act(rows):
    study = make_study(values={"rotor.skew_steps": rows, "rotor.skew_step_deg": 2.0})
    layout = build_layout(study)
    found = forces.pair_forces(layout, lifts=np.array([0.0]))
    assert found.pairs.shape[:3] == (4, rows, 40)
    below = found.pairs[0, 1].sum(axis=0)[0]
    # A main magnet nearly on top of its like is pushed up.
    assert below[2] > 0.5
