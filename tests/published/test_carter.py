"""Carter's coefficient against the conformal map it comes from and a finite-difference slot."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.sparse import diags_array
from scipy.sparse.linalg import spsolve
from verification import agree, worst_of

from arrayopt.field import carter_coefficient


def lost_width(opening: float, gap: float) -> float:
    """Width of smooth surface whose flux one endless deep slot takes away, by the map.

    Carter 1901, Electrician 47:315 (from memory). Upper half plane w: slot at 0, tooth corners
    at +-a, gap ends at +-1, dz/dw = C sqrt(w^2 - a^2)/(w (w^2 - 1)); the field on the smooth
    side goes as w/sqrt(w^2 - a^2).
    """
    u = opening / (2 * gap)
    a, rest = u / np.hypot(1, u), 1 / np.hypot(1, u)
    scale = 2 * gap / (np.pi * rest)

    def lost(s: float) -> float:  # w = 1/s carries the endless surface to 0..1
        w = 1 / s
        root = np.sqrt(w**2 - a**2)
        # (root - rest w)/(w^2 - 1) with the zero of both taken out.
        return a**2 / (root + rest * w) / w / s**2

    return 2 * scale * quad(lost, 0, 1)[0]


def test_independent_conformal_map() -> None:
    pitch = 10.0
    pairs = []
    for gap in (0.5, 1.0, 4.0):
        for opening in (0.2, 1.0, 2.2, 5.0):
            got = carter_coefficient(slot_pitch=pitch, slot_opening=opening, gap=gap)
            pairs.append((pitch / (pitch - lost_width(opening, gap)), float(got)))
    agree(
        "Carter's coefficient, worst of 12 slots",
        source="Carter 1901, conformal map integrated afresh (from memory)", kind="independent",
        rtol=1e-8,  # quadrature
        **worst_of(pairs),
    )  # fmt: skip


@pytest.mark.parametrize(("opening", "gap"), [(3.0, 1.0), (4.0, 2.0)])
def test_independent_finite_differences(opening: float, gap: float) -> None:
    """Half a slot pitch solved on a grid: flux between the surfaces, with and without slot."""
    pitch, deep = 10.0, 6.0

    def permeance(cells: int) -> float:
        """Flux per potential over a half pitch; Richardson over the grid follows."""
        h = 1.0 / cells
        nx, ny = round(pitch / 2 / h) + 1, round((gap + deep) / h) + 1
        x, y = np.meshgrid(np.arange(nx) * h, np.arange(ny) * h, indexing="ij")
        tooth = (x >= opening / 2 - h / 4) & (y >= gap - h / 4) | (y >= gap + deep - h / 4)
        floor = y < h / 4
        free = ~(tooth | floor).ravel()
        sides = np.ones((nx, ny))
        sides[[0, -1]] = 0.5  # mirror planes halve the cells on them
        across = sides.ravel()
        along = np.where(np.arange(ny) < ny - 1, 1.0, 0.0) * np.ones((nx, 1))
        up, right = (across * along.ravel())[:-1], np.ones(nx * ny - ny)
        lines = diags_array([-up, -up, -right, -right], offsets=[1, -1, ny, -ny], format="csr")
        system = (lines - diags_array([lines.sum(axis=1)], offsets=[0])).tocsr()
        potential = np.where(floor.ravel(), 1.0, 0.0)
        known = system[free] @ potential
        potential[free] = spsolve(system[free][:, free].tocsc(), -known)
        return float((system @ potential)[floor.ravel()].sum())

    # Tooth corners make the error of the grid fall as its step to the power 4/3.
    coarse, fine = permeance(10), permeance(20)
    exact = fine + (fine - coarse) / (2 ** (4 / 3) - 1)
    agree(
        f"Carter's coefficient, opening {opening:g} mm, gap {gap:g} mm, pitch 10 mm",
        source="Finite differences", kind="independent",
        theirs=pitch / 2 / gap / exact,
        ours=float(carter_coefficient(slot_pitch=pitch, slot_opening=opening, gap=gap)),
        rtol=5e-4,  # Carter's slot stands alone; neighbours 3 gaps away and more change little
    )  # fmt: skip


def test_exact_limits() -> None:
    closed = carter_coefficient(slot_pitch=10.0, slot_opening=0.0, gap=1.0)
    np.testing.assert_allclose(closed, 1, rtol=1e-15)
    # Narrow slot: gamma g -> b^2/(2 pi g) (series of the closed form).
    narrow = carter_coefficient(slot_pitch=10.0, slot_opening=0.02, gap=1.0)
    np.testing.assert_allclose(narrow - 1, 0.02**2 / (2 * np.pi) / 10, rtol=1e-3)  # next term
    # Vanishing gap: no flux crosses over the opening.
    tight = carter_coefficient(slot_pitch=10.0, slot_opening=3.0, gap=1e-6)
    np.testing.assert_allclose(tight, 10 / 7, rtol=1e-5)  # gap over opening
