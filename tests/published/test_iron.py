"""Iron by reflection against exact two-dimensional solutions."""

from __future__ import annotations

import numpy as np
import pytest
from annulus_series import annulus, segments
from makers import make_study, unit_magnets

from arrayopt.checks.iron import ring_flux, tooth_flux_density
from arrayopt.field import IronSurfaces, solve_field
from arrayopt.layout import build_layout

ORDERS = np.array([1, 2, 3, 4, 5, 7])


@pytest.mark.parametrize("outer", [True, False])
@pytest.mark.parametrize("n", [1, 4, 14, 42, 300])
@pytest.mark.parametrize("iron", [(1, 1), (1, 0), (0, 1), (0, 0)])
def test_independent_two_reflections(outer: bool, n: int, iron: tuple[int, int]) -> None:
    """Two unknown multipoles and zero potential on both irons, by a 2x2 system."""
    stator, ring = (41.0, 45.5) if outer else (45.5, 41.0)
    free_stator, free_ring = 0.7, -0.2
    # Potentials at the surfaces, of free field and of (r/stator)^n and (r/ring)^-n or the like.
    towards = 1 if outer else -1  # the free field grows as r^(towards n) at the stator
    free = np.array([-free_stator * stator / n, free_ring * ring / n]) * towards
    grows = (ring / stator) ** (-towards * n)
    potentials = np.array([[1, grows], [grows, 1]])  # columns: multipoles leaving stator, ring
    slopes = np.array([[towards, -towards * grows], [towards * grows, -towards]]) * n
    slopes = slopes / np.array([[stator], [ring]])
    keep = np.array(iron, dtype=bool)
    x = np.zeros(2)
    x[keep] = np.linalg.solve(potentials[np.ix_(keep, keep)], -free[keep])
    expected = np.array([free_stator, free_ring]) + slopes @ x
    surfaces = IronSurfaces(outer, *(np.array([float(v)]) for v in (stator, ring, *iron)))
    order = np.array([[n]])
    got = surfaces.surface_fields(np.full((1, 1), free_stator), np.full((1, 1), free_ring), order)
    for where in (0, 1):
        np.testing.assert_allclose(got[where], expected[where], rtol=1e-9)  # rounding only


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("shape", ["block", "arc"])
def test_exact_smooth_stator_doubles_the_free_field(position: str, shape: str) -> None:
    layout = build_layout(make_study(position=position, shape=shape))
    field = solve_field(layout, orders=ORDERS)
    np.testing.assert_allclose(field.surface, 2 * field.free, rtol=1e-12)  # rounding only


@pytest.mark.parametrize("sense", [1, -1, 0])
@pytest.mark.parametrize("p", [2, 5, 14])
@pytest.mark.parametrize("outer", [True, False])
def test_independent_annulus_of_continuous_polarisation(outer: bool, p: int, sense: int) -> None:
    """Rotating either way and radial: reflect the free field, or solve the whole problem."""
    magnet, near, far = (43.0, 46.0), 41.0, 46.5
    free = annulus(p, 1.0, sense, magnet=magnet, iron=(None, None), at=(near, far))
    exact = annulus(p, 1.0, sense, magnet=magnet, iron=(near, far), at=(near, far))
    stator, ring = (near, far) if outer else (far, near)
    if not outer:
        free, exact = free[::-1], exact[::-1]
    one = np.ones(1)
    surfaces = IronSurfaces(outer, stator * one, ring * one, one, one)
    got = surfaces.surface_fields(*np.array(free)[:, None, None], np.array([[p]]))
    # Rounding against the cancelled field of the weak side.
    np.testing.assert_allclose(np.ravel(got), exact, rtol=1e-9, atol=1e-12)


def full_ring(
    position: str, p: int, M: int, kind: str, ring: float, recoil: float
) -> tuple[float, float]:
    """Fundamental of an endless ring of touching arcs: by the kernel and exact."""
    study = make_study(
        position=position, pole_pairs=p, magnets_per_pole_pair=M, shape="arc", fill=1.0,
        thickness=3.0, length=300.0, stack=0.5, kind=kind, values={"rotor.steel_ring_mm": ring},
    )  # fmt: skip
    layout = unit_magnets(build_layout(study), recoil_permeability=recoil)
    field = solve_field(layout, orders=ORDERS)
    outer = position == "outer"
    magnet = (42.0, 45.0) if outer else (37.0, 40.0)
    stator = 41.0 if kind == "smooth" else None
    back = (magnet[1] if outer else magnet[0]) if ring else None
    exact = annulus(
        p, *segments(p, M, sense=1 if outer else -1), magnet=magnet, recoil=recoil,
        iron=(stator, back) if outer else (back, stator), at=(41.0,),
    )[0]  # fmt: skip
    return abs(float(field.surface[0, 0])), abs(exact)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize(("M", "p"), [(2, 4), (3, 10), (4, 14), (8, 5)])
@pytest.mark.parametrize(
    ("kind", "ring"), [("smooth", 2.0), ("ironless", 2.0), ("smooth", 0.0), ("ironless", 0.0)]
)
def test_independent_full_ring(position: str, M: int, p: int, kind: str, ring: float) -> None:
    """The whole chain, mu_r = 1: families, kernel and both irons."""
    got, exact = full_ring(position, p, M, kind, ring, 1.0)
    # Aliases of the sampled circle are allowed exp(-7) = 0.0009 by design.
    np.testing.assert_allclose(got, exact, rtol=1e-3)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize(
    ("M", "p", "kind", "ring", "rtol"),
    [
        # One cell a magnet is exact in its own field but blind to how images vary across it.
        (4, 14, "ironless", 0.0, 5e-4),
        (8, 14, "ironless", 0.0, 5e-4),
        (2, 14, "smooth", 0.0, 4e-3),
        (4, 14, "smooth", 0.0, 4e-3),
        (8, 14, "smooth", 0.0, 4e-3),
        (2, 14, "smooth", 2.0, 6e-3),
        (4, 14, "smooth", 2.0, 6e-3),
        (3, 10, "smooth", 2.0, 6e-3),
    ],
)
def test_independent_full_ring_recoil(
    position: str, M: int, p: int, kind: str, ring: float, rtol: float
) -> None:
    """What mu_r = 1.05 takes off the fundamental, 1.3 to 2.8 %."""
    got, exact = (
        [full_ring(position, p, M, kind, ring, mu)[way] for mu in (1.05, 1.0)] for way in (0, 1)
    )
    assert exact[0] / exact[1] < 0.99
    np.testing.assert_allclose(got[0] / got[1], exact[0] / exact[1], rtol=rtol)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_closed_slots_are_a_smooth_stator(position: str) -> None:
    smooth, closed, half, wide = (
        solve_field(build_layout(study), orders=ORDERS)
        for study in (
            make_study(position=position),
            *(
                make_study(
                    position=position, kind="slotted", values={"stator.slot_opening_mm": opening}
                )
                for opening in (0.0, 1.5, 3.0)
            ),
        )
    )
    np.testing.assert_allclose(closed.carter, 1, rtol=1e-15)
    np.testing.assert_allclose(closed.surface, smooth.surface, rtol=1e-12)  # rounding only
    assert smooth.surface[0] ** 2 > half.surface[0] ** 2 > wide.surface[0] ** 2


@pytest.mark.parametrize(("position", "away"), [("outer", -1), ("inner", 1)])
def test_published_slots_lengthen_the_gap(position: str, away: int) -> None:
    """Carter with g' = g + h/mu_r (seen); flux carries over from the iron moved away by it."""
    slotted = make_study(position=position, pole_pairs=14, kind="slotted")
    gap, pitch, u = 1 + 3 / 1.05, np.pi * 82 / 24, 2.2 / 2 / (1 + 3 / 1.05)
    gamma = 4 / np.pi * (u * np.arctan(u) - np.log(np.hypot(1, u)))
    carter = pitch / (pitch - gamma * gap)
    moved = (carter - 1) * gap
    radius = 41 + away * moved
    smooth = slotted.with_values(
        {
            "stator.kind": "smooth",
            "stator.surface_diameter_mm": 2 * radius,
            "airgap.length_mm": 1 + moved,
        }
    )
    got, moved_field = (
        solve_field(build_layout(study), orders=ORDERS) for study in (slotted, smooth)
    )
    np.testing.assert_allclose(got.carter, carter, rtol=1e-12)
    np.testing.assert_allclose(
        got.surface, moved_field.surface * radius / 41, rtol=1e-9, atol=1e-12
    )  # rounding only


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_independent_iron_flux(position: str) -> None:
    """Tooth and ring flux by adding up the flux density over the surface, step by step."""
    study = make_study(
        position=position, pole_pairs=14, kind="slotted", values={"rotor.steel_ring_mm": 2.0}
    )
    layout = build_layout(study)
    field = solve_field(layout, orders=ORDERS)
    t, step = np.linspace(0, 2 * np.pi, 168_000, endpoint=False, retstep=True)
    n = ORDERS * 14

    def flux(waves: np.ndarray, radius: float) -> np.ndarray:
        """Flux per length from angle zero on."""
        density = np.cos(np.outer(t, n)) @ waves * radius
        return np.concatenate([[0], np.cumsum((density + np.roll(density, -1)) / 2)]) * step

    over = flux(field.surface[:, 0], 41e-3)[:-1]
    pitch = len(t) // 24
    tooth = np.abs(np.roll(over, -pitch) - over).max() / (5e-3 * 0.95)
    # Peaks are looked for at 49 angles of half a period; those in a ring are narrow.
    np.testing.assert_allclose(tooth_flux_density(field), tooth, rtol=2e-3)
    along = flux(field.ring[:, 0], float(layout.ring_radius[0]))
    np.testing.assert_allclose(ring_flux(field), np.abs(along).max(), rtol=1e-2)
