"""Stack means of finite machines, against finite elements that share nothing with the kernel.

The stator is a smooth iron cylinder that ends, end faces and all. The mesh used here is within
0.05 % of a finer one (elements of 0.7 of the size) in more air.
"""

from __future__ import annotations

from functools import cache
from math import pi
from typing import Any

import numpy as np
import pytest
from finite_elements import solve
from finite_elements_3d import Ends, solve_ends
from makers import make_study
from verification import agree

from arrayopt.evaluation import evaluate_batch
from arrayopt.study import Study

SOURCE = "Finite elements in space (ngsolve)"
RING = {"rotor.steel_ring_mm": 2.0, "rotor.clearance_mm": 0.1}


def finite(share: float = 0.8, *, longer: float = 1.0, **make: Any) -> Study:
    """Study of a stack that is a share of the wavelength long, magnets longer by a factor."""
    stack = share * pi * 82 / 10
    return make_study(stack=stack, length=longer * stack, **make)


@cache
def usual() -> Ends:
    """On the mesh used here."""
    return solve_ends(finite())


def fundamental(study: Study) -> float:
    return float(evaluate_batch([study]).fundamental[0])


@pytest.mark.parametrize("share", [0.3, 0.8])
def test_independent_finite_stack(share: float) -> None:
    """The kernel's iron has no ends, which would draw in fringes: it reads low, never high."""
    study = finite(share)
    found = usual() if share == 0.8 else solve_ends(study)
    ours = fundamental(study)
    assert ours < found.surface
    agree(
        f"Airgap fundamental, smooth stator, {share:g} wavelengths",
        source=SOURCE, kind="independent", unit="T",
        theirs=found.surface, ours=ours, rtol={0.3: 0.045, 0.8: 0.02}[share],
    )  # fmt: skip
    agree(
        f"Airgap fundamental and flux into end faces, smooth stator, {share:g} wavelengths",
        source=SOURCE, kind="independent", unit="T",
        theirs=found.surface + found.faces, ours=ours, rtol={0.3: 0.11, 0.8: 0.045}[share],
    )  # fmt: skip


@pytest.mark.parametrize(("position", "longer"), [("outer", 1.0), ("outer", 1.15), ("inner", 1.0)])
def test_independent_finite_magnets_in_free_space(position: str, longer: float) -> None:
    """Without iron ends are exact: all that is left is recoil by one cell a magnet."""
    study = finite(longer=longer, position=position, kind="ironless")
    agree(
        f"Airgap fundamental, no iron, 0.8 wavelengths, {position}, magnets x {longer:g}",
        source=SOURCE, kind="independent", unit="T",
        theirs=solve_ends(study).surface, ours=fundamental(study), rtol=1e-3,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("M", "kind", "rtol"),
    # Without a stator nothing fringes; what is left is in how images lose by their distance.
    [(4, "smooth", 0.02), (2, "smooth", 0.02), (2, "ironless", 0.012)],
)
def test_independent_finite_steel_ring(M: int, kind: str, rtol: float) -> None:
    """Ring as long as the magnets: its images lie deeper, and their ends cost more."""
    study = finite(values=RING, magnets_per_pole_pair=M, kind=kind)
    agree(
        f"Airgap fundamental, {kind} stator, steel ring, {M} magnets a pole pair, 0.8 wavelengths",
        source=SOURCE, kind="independent", unit="T",
        theirs=solve_ends(study).surface, ours=fundamental(study), rtol=rtol,
    )  # fmt: skip


@pytest.mark.parametrize("values", [{}, RING])
def test_independent_longer_stacks_add_the_plane_field(values: dict[str, Any]) -> None:
    """The ends keep their flux; what lies between them is plane, here by plane finite elements."""
    short, long = (finite(share, values=values) for share in (1.2, 2.0))
    added = (2 * solve_ends(long).surface - 1.2 * solve_ends(short).surface) / 0.8
    # Two meshes, and what one end still feels of the other.
    np.testing.assert_allclose(added, solve(long, saturates=False).harmonic(10), rtol=1e-3)


def test_mesh_is_fine_enough() -> None:
    fine, coarse = usual(), solve_ends(finite(), size=1.5, reach=3.3)
    for name in ("surface", "faces"):
        # What lies at the very edge is divided between the two: 0.07 % of the surface's.
        np.testing.assert_allclose(
            getattr(coarse, name), getattr(fine, name), rtol=0, atol=5e-4 * fine.surface
        )
