"""Settled polarisation against closed cases: no recoil, magnets alone, temperature.

Full rings with recoil are in published/test_iron.py.
"""

from __future__ import annotations

from math import atan, hypot, log, pi, sqrt

import magpylib as magpy
import numpy as np
import pytest
from makers import make_study, unit_magnets
from whole_array import whole_array

from arrayopt.field import solve_field
from arrayopt.layout import build_layout
from arrayopt.materials import magnet_grade
from arrayopt.study import Study

ORDERS = np.array([1, 2, 3, 4, 5, 7])


def prism_factor(a: float, b: float, c: float) -> float:
    """Demagnetising factor along c of a prism a x b x c.

    Aharoni 1998, J. Appl. Phys. 83:3422, eq. 1 (from memory).
    """
    ab, bc, ca, d = hypot(a, b), hypot(b, c), hypot(c, a), sqrt(a * a + b * b + c * c)
    total = (b * b - c * c) / (2 * b * c) * log((d - a) / (d + a))
    total += (a * a - c * c) / (2 * a * c) * log((d - b) / (d + b))
    total += b / (2 * c) * log((ab + a) / (ab - a)) + a / (2 * c) * log((ab + b) / (ab - b))
    total += c / (2 * a) * log((bc - b) / (bc + b)) + c / (2 * b) * log((ca - a) / (ca + a))
    total += 2 * atan(a * b / (c * d)) + c / (a * b) * (ca + bc)
    total += (a**3 + b**3 - 2 * c**3 + (a * a + b * b - 2 * c * c) * d) / (3 * a * b * c)
    total -= (ab**3 + bc**3 + ca**3) / (3 * a * b * c)
    return total / pi


def settled(study: Study, recoil: float) -> np.ndarray:
    """Polarisation of each family per tesla of remanence."""
    layout = unit_magnets(build_layout(study), recoil_permeability=recoil)
    return solve_field(layout, orders=ORDERS).polarisation[:, 0]


def test_exact_prism_factor() -> None:
    """The formula of these tests: a cube has 1/3, and the three factors sum to 1."""
    np.testing.assert_allclose(prism_factor(2.0, 2.0, 2.0), 1 / 3, rtol=1e-12)
    a, b, c = 1.0, 2.5, 0.7
    total = prism_factor(a, b, c) + prism_factor(b, c, a) + prism_factor(c, a, b)
    np.testing.assert_allclose(total, 1, rtol=1e-12)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize("M", [2, 3, 4, 8])
def test_exact_without_recoil(position: str, shape: str, M: int) -> None:
    study = make_study(position=position, shape=shape, magnets_per_pole_pair=M)
    np.testing.assert_allclose(settled(study, 1.0), 1, rtol=1e-12)  # rounding only


@pytest.mark.parametrize(
    ("width", "thickness", "length"),
    [(3.0, 3.0, 3.0), (3.0, 3.0, 60.0), (6.0, 2.0, 60.0), (2.0, 6.0, 12.0), (8.0, 2.0, 8.0)],
)
@pytest.mark.parametrize("position", ["outer", "inner"])
def test_published_block_alone(
    position: str, width: float, thickness: float, length: float
) -> None:
    """Two blocks 0.4 m apart, no iron: J = Br - (mu_r - 1) N J."""
    study = make_study(
        position=position, pole_pairs=1, magnets_per_pole_pair=2, diameter=400.0, airgap=2.0,
        length=length, stack=length, kind="ironless", fill=0.01,
        values={"rotor.main.width_mm": width, "rotor.main.thickness_mm": thickness},
    )  # fmt: skip
    factor = prism_factor(width, length, thickness)
    for recoil in (1.05, 1.5):
        seen = (1 / settled(study, recoil) - 1) / (recoil - 1)
        # Volume mean by 3 x 3 x 2 Gauss points of a field that is singular at the edges.
        np.testing.assert_allclose(seen, factor, rtol=0.025)


@pytest.mark.parametrize("M", [4, 8])
def test_exact_free_families_of_square_blocks(M: int) -> None:
    """Long square blocks have N = 1/2 whichever way they are polarised."""
    square = {
        f"rotor.{table}.{size}_mm": 3.0
        for table in ("main", "transverse", "oblique")[: 2 if M == 4 else 3]
        for size in ("width", "thickness")
    }
    study = make_study(
        pole_pairs=1, magnets_per_pole_pair=M, diameter=800.0, airgap=2.0, length=120.0,
        stack=120.0, kind="ironless", fill=0.01, values=square,
    )  # fmt: skip
    # Length over side is 40, and Gauss points as above; the other blocks are 100 sizes away.
    np.testing.assert_allclose((1 / settled(study, 1.05) - 1) / 0.05, 0.5, rtol=0.025)


def test_exact_temperature_scales_polarisation() -> None:
    """Linear magnets of one grade: everything goes as the remanence at that temperature."""
    cold, hot = (
        solve_field(
            build_layout(make_study(values={"rotor.magnet_temperature_c": t})),
            orders=ORDERS,
        )
        for t in (20.0, 100.0)
    )  # fmt: skip
    ratio = 1 + 80 * magnet_grade("N42SH").remanence_coefficient
    np.testing.assert_allclose(hot.polarisation / cold.polarisation, ratio, rtol=1e-12)
    np.testing.assert_allclose(hot.surface[0] / cold.surface[0], ratio, rtol=1e-12)


@pytest.mark.parametrize("grade", ["N35", "N42SH", "N52"])
def test_published_remanence_coefficient(grade: str) -> None:
    """Sintered NdFeB loses 0.08 to 0.12 % per kelvin, IEC 60404-8-1 (seen)."""
    magnet = magnet_grade(grade)
    lost = 1 - magnet.remanence_at(100) / magnet.remanence_at(20)
    assert 80 * 0.0008 - 1e-9 <= lost <= 80 * 0.0012 + 1e-9


def test_exact_own_grade_of_a_family() -> None:
    """With mu_r = 1.05 a weaker transverse grade lowers its own polarisation, mostly."""
    mixed = build_layout(make_study(values={"rotor.transverse.grade": "N35"}))
    plain = build_layout(make_study())
    J = [solve_field(x, orders=ORDERS).polarisation[:, 0] for x in (mixed, plain)]
    ratio = magnet_grade("N35").remanence / magnet_grade("N42SH").remanence
    np.testing.assert_allclose(J[0][1] / J[1][1], ratio, rtol=0.02)  # coupling is 5 % of 10 %
    np.testing.assert_allclose(J[0][0] / J[1][0], 1, rtol=0.02)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize(("M", "p"), [(2, 1), (3, 5), (4, 6), (6, 4)])
def test_independent_field_of_all_neighbours(position: str, shape: str, M: int, p: int) -> None:
    """J = 1 + (mu_r - 1) mu0 H: H by magpylib from every magnet of a pole pair to either side."""
    mu = 1.5
    study = make_study(
        position=position, shape=shape, magnets_per_pole_pair=M, pole_pairs=p, kind="ironless",
        fill=0.5 if p == 1 and shape == "block" else 0.7,
    )  # fmt: skip
    layout = unit_magnets(build_layout(study), recoil_permeability=mu)
    J = settled(study, mu)
    owner = {k: f for f, family in enumerate(layout.families) for k in family.places}
    ring = whole_array(study).children
    window = min(2 * M + 1, p * M)
    u, w = np.polynomial.legendre.leggauss(3 if shape == "block" else 2)
    v, wz = np.polynomial.legendre.leggauss(2)
    length, thickness = layout.length[0], layout.shapes[0].thickness[0]
    for f, family in enumerate(layout.families):
        k, shape_of = family.places[0], layout.shapes[f]
        turn = 2 * np.pi * k / (p * M)
        along = turn + family.directions[0]
        middle = (shape_of.lo[0] + shape_of.hi[0]) / 2
        a, b, c = (g.ravel() for g in np.meshgrid(u / 2, u / 2, (v + 1) / 4, indexing="ij"))
        weight = np.einsum("i,j,k->ijk", w, w, wz).ravel()
        if shape == "block":
            x, y = middle + a * thickness, b * shape_of.width[0]
        else:
            r, t = middle + a * thickness, b * shape_of.span[0]
            x, y, weight = r * np.cos(t), r * np.sin(t), weight * r
        X, Y = x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)
        points = np.stack([X, Y, c * length], axis=1)
        seen = 0.0
        for o in range(-(window // 2), window - window // 2):
            source = ring[(k + o) % (p * M)]
            B = magpy.getH(source, points) * 4e-7 * np.pi
            B *= J[owner[(k + o) % M]] / magnet_grade(study.rotor.grade).remanence
            seen += np.average(B[:, 0] * np.cos(along) + B[:, 1] * np.sin(along), weights=weight)
        # The same points; an arc of 126 degrees is 43 chords.
        np.testing.assert_allclose(J[f], 1 + (mu - 1) * seen, rtol=8e-4)
