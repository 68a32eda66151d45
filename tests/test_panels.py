"""Filon panels against closed forms, and against even sampling of magpylib's own magnets."""

from __future__ import annotations

import numpy as np
import pytest
from magpylib.core import magnet_cuboid_Bfield, magnet_cylinder_segment_Hfield

from arrayopt.field.magnet import Circle, circle_harmonics, free_field
from arrayopt.field.panels import NODES, graded_panels, half_width, wave_integrals
from arrayopt.layout import Arcs, Blocks

ORDERS = np.arange(1, 14)
MM = 1e-3


def panels_for(apart: float, *, angle: float = 0.0, digits: float = 8.0):
    edges = np.array([[angle + 1j * apart]])
    size = np.array([max(apart, angle)])
    return graded_panels(edges, size=size, accuracy=np.array([digits]))


@pytest.mark.parametrize("apart", [1e-4, 0.02, 0.3, 3.0])
@pytest.mark.parametrize("angle", [0.0, 0.01, 1.0])
def test_exact_panels_tile_half_a_circle(apart: float, angle: float) -> None:
    panels = panels_for(apart, angle=angle)
    order = np.argsort(panels.middle)
    middle, half = panels.middle[order], half_width(panels.level[order])
    edges = np.append(middle - half, middle[-1] + half[-1])
    np.testing.assert_allclose(edges[[0, -1]], [0, np.pi], atol=1e-15)  # rounding only
    np.testing.assert_allclose(edges[1:-1], (middle + half)[:-1], rtol=1e-14)


@pytest.mark.parametrize("n", [1, 7, 60, 900])
@pytest.mark.parametrize("power", range(NODES))
def test_exact_powers_times_waves(n: int, power: int) -> None:
    """Filon's rule integrates what its nodes can carry, however many waves a panel holds."""
    panels = panels_for(0.02, angle=0.3)
    got = wave_integrals((panels.angles / np.pi) ** power, panels, np.array([[n]]))[0, 0]
    # By parts, downwards in the power: I_k = (e^(i n pi) - k/pi I_(k-1))/(i n), t = angle/pi.
    wanted = (np.exp(1j * n * np.pi) - 1) / (1j * n)
    for k in range(1, power + 1):
        wanted = (np.exp(1j * n * np.pi) - k / np.pi * wanted) / (1j * n)
    np.testing.assert_allclose(got, wanted, rtol=1e-10, atol=1e-12)  # rounding only


@pytest.mark.parametrize("apart", [1e-3, 0.02, 0.1, 0.5])
@pytest.mark.parametrize("p", [1, 4, 20, 60])
def test_exact_poisson_kernel(apart: float, p: int) -> None:
    """``(1 - q^2)/(1 - 2 q cos t + q^2)`` has the harmonics ``2 q^n``: a pole a distance away."""
    q = np.exp(-apart)
    panels = panels_for(apart, digits=9 + p * apart)
    # 1 - 2 q cos t + q^2 without loss of digits.
    field = (1 - q**2) / ((1 - q) ** 2 + 4 * q * np.sin(panels.angles / 2) ** 2)
    got = 2 / np.pi * wave_integrals(field, panels, p * ORDERS[None])[0].real
    wanted = 2 * q ** (p * ORDERS)
    # Nine natural digits of the fundamental, and a pole is rougher than any magnet's edge.
    np.testing.assert_allclose(got, wanted, rtol=0, atol=5e-4 * wanted[0] + 1e-14)


def even_samples(field, *, radius: float, apart: float, p: int, tangential: bool) -> np.ndarray:
    """Harmonics from even samples of half a circle; aliases stay under exp(-16)."""
    count = int(p * ORDERS[-1] + 8 / apart)
    t = (np.arange(count) + 0.5) * np.pi / count
    radial = field(radius * np.cos(t), radius * np.sin(t))
    wave = np.sin if tangential else np.cos
    return 2 / count * wave(np.outer(p * ORDERS, t)) @ radial


def one_circle(radius: float, height: float, p: int) -> Circle:
    one = np.ones((1, 1))
    return Circle(np.array([radius]), height * one, one, np.array([p]), ORDERS)


def proportions(outer: bool, p: int, ratio: float) -> tuple[float, float, float, float]:
    """Width, gap, thickness and inner face of a block beside a circle of 40 mm [m]."""
    r = 40 * MM
    width = min(0.8 * np.pi * r / (2 * p), 0.6 * r)
    gap, thick = ratio * width, min(0.8 * width, 0.3 * r)
    lo = r + gap if outer else np.sqrt(max((r - gap) ** 2 - width**2 / 4, 0)) - thick
    return width, gap, thick, lo


# Gaps over widths up to 3, as far as the block fits beside the circle and clear of the shaft.
PROPORTIONS = [
    (outer, p, ratio)
    for outer in (True, False)
    for p in (1, 4, 20, 60)
    for ratio in (0.05, 0.3, 1.0, 3.0)
    if proportions(outer, p, ratio)[1] <= 16 * MM and proportions(outer, p, ratio)[3] >= 2 * MM
]


def test_all_kinds_of_proportions_are_there() -> None:
    assert {(outer, p) for outer, p, _ in PROPORTIONS} == {
        (outer, p) for outer in (True, False) for p in (1, 4, 20, 60)
    }
    assert {ratio for _, _, ratio in PROPORTIONS} == {0.05, 0.3, 1.0, 3.0}


@pytest.mark.parametrize(("outer", "p", "ratio"), PROPORTIONS)
@pytest.mark.parametrize("waves", [0.3, 10.0])  # length
def test_independent_block(outer: bool, p: int, ratio: float, waves: float) -> None:
    """One block of any proportions at two heights against even sampling of magpylib."""
    r = 40 * MM
    width, gap, thick, lo = proportions(outer, p, ratio)
    length = waves * 2 * np.pi * r / p
    shape = Blocks(np.array([lo]), np.array([lo + thick]), np.array([width]))
    size = np.array([thick, width, length])
    apart = abs(np.log(1 + gap / r if outer else 1 - gap / r))
    for height in (0.1 * length, 0.499 * length):
        got = circle_harmonics(
            shape, length=np.array([length]), circle=one_circle(r, height, p), kinds=(True, True)
        )
        for kind, harmonics in enumerate(got):

            def field(x: np.ndarray, y: np.ndarray, kind: int = kind, z: float = height):
                points = np.stack([x - lo - thick / 2, y, np.full_like(x, z)], axis=1)
                J = np.eye(3)[[kind]].repeat(len(x), axis=0)
                B = magnet_cuboid_Bfield(points, np.broadcast_to(size, points.shape), J)
                return (B[:, 0] * x + B[:, 1] * y) / r

            wanted = even_samples(field, radius=r, apart=apart, p=p, tangential=bool(kind))
            # The kernel aims at exp(-7) of a field that has decayed like the fundamental.
            atol = 3e-4 * np.abs(wanted).max()
            np.testing.assert_allclose(harmonics[0], wanted, rtol=0, atol=atol)


@pytest.mark.parametrize(("lo", "p", "span"), [(41.0, 10, 0.12), (42.0, 4, 0.3), (30.0, 8, 0.2)])
def test_independent_arc(lo: float, p: int, span: float) -> None:
    """Thin blocks turned through the span against even sampling of magpylib's ring segment."""
    r, hi, length, height = 40 * MM, (lo + 5) * MM, 15 * MM, 6 * MM
    lo *= MM
    shape = Arcs(np.array([lo]), np.array([hi]), np.array([span]))
    apart = min(abs(np.log(lo / r)), abs(np.log(hi / r)))
    got = circle_harmonics(
        shape, length=np.array([length]), circle=one_circle(r, height, p), kinds=(True, True)
    )
    for kind, harmonics in enumerate(got):

        def field(x: np.ndarray, y: np.ndarray, kind: int = kind):
            return segment_field(x, y, np.full_like(x, height), (lo, hi, span, length), kind)[0]

        wanted = even_samples(field, radius=r, apart=apart, p=p, tangential=bool(kind))
        atol = 3e-4 * np.abs(wanted).max()  # 2e-5 by the thin blocks' size, the rest as for blocks
        np.testing.assert_allclose(harmonics[0], wanted, rtol=0, atol=atol)


def segment_field(x, y, z, size, kind):
    """Radial and tangential mu0 H of magpylib's ring segment, polarised along x or y."""
    lo, hi, span, length = size
    points = np.stack([np.hypot(x, y), np.arctan2(y, x), z], axis=1)
    sizes = np.tile([lo, hi, -span / 2, span / 2, -length / 2, length / 2], (len(x), 1))
    J = np.tile([1.0, kind * np.pi / 2, np.pi / 2], (len(x), 1))
    return magnet_cylinder_segment_Hfield(points, sizes, J)[:, :2].T


@pytest.mark.parametrize("span", [0.05, 0.4, 2.8])
def test_independent_field_in_and_beside_an_arc(span: float) -> None:
    """Charged faces against magpylib's ring segment, at points that are not at its edges."""
    lo, hi, length = 30 * MM, 36 * MM, 20 * MM
    turn, radius = (
        a.ravel() for a in np.meshgrid(span * np.array([-0.3, 0, 0.2, 0.8]), [31.2e-3, 33.7e-3])
    )
    z = np.linspace(0, 0.8, len(turn)) * length / 2
    x, y = radius * np.cos(turn), radius * np.sin(turn)
    B = free_field(
        Arcs(np.array([lo]), np.array([hi]), np.array([span])),
        length=np.array([length]),
        points=np.stack([x, y, z])[:, None, :],
    )[:, 0]
    for kind, (Bx, By) in enumerate((B.real, B.imag)):
        got = Bx * np.cos(turn) + By * np.sin(turn), By * np.cos(turn) - Bx * np.sin(turn)
        wanted = segment_field(x, y, z, (lo, hi, span, length), kind)
        # Chords are up to 1e-4 of the radius off their arc.
        np.testing.assert_allclose(np.array(got), wanted, rtol=0, atol=2e-3)
