"""Rings of arcs against closed forms of the ideal array and its segments.

Ideal array: Halbach 1980, Nucl. Instrum. Methods 169:1 and Zhu & Howe 2001, IEE Proc. Electr.
Power Appl. 148:299 (from memory); field inside for p = 1 and p >= 2 also Ni Mhiochain et al.
1999, J. Appl. Phys. 86:6412 (seen). Segments: the same references (from memory). All forms are
written out here, per tesla of remanence; nothing of arrayopt is used for an expectation.
"""

from __future__ import annotations

import numpy as np
import pytest
from free_rings import free_fundamental
from makers import make_study
from verification import agree

from arrayopt.field import ideal_ring, planar_fundamental
from arrayopt.layout import build_layout
from arrayopt.study import Study

# Stator surface, near and far magnet radius of every ring [mm].
OUTER = {"surface": 2.5, "inner": 2.75, "outer": 3.5}
INNER = {"surface": 2.5, "inner": 1.5, "outer": 2.25}


def radii(position: str) -> tuple[float, float, float]:
    ring = OUTER if position == "outer" else INNER
    return ring["surface"], ring["inner"], ring["outer"]


def ideal(position: str, p: int) -> float:
    r, ri, ro = radii(position)
    if position == "inner":
        return p / (p + 1) * (1 - (ri / ro) ** (p + 1)) * (ro / r) ** (p + 1)
    if p == 1:
        return np.log(ro / ri)
    return p / (p - 1) * (1 - (ri / ro) ** (p - 1)) * (r / ri) ** (p - 1)


def segment_factor(position: str, p: int, M: int) -> float:
    x = (p + 1 if position == "outer" else p - 1) * np.pi / (p * M)
    return np.sin(x) / x if x else 1.0


def ring(position: str, p: int, M: int, *, fill: float | dict[str, float] = 1.0) -> Study:
    """Endless in effect: 300 mm long, a slice of 0.5 mm in its middle."""
    return make_study(
        position=position, pole_pairs=p, magnets_per_pole_pair=M, shape="arc", fill=fill,
        thickness=0.75, diameter=5.0, airgap=0.25, length=300.0, stack=0.5,
    )  # fmt: skip


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("p", [1, 2, 3, 7, 14])
def test_published_ideal_ring(position: str, p: int) -> None:
    r, ri, ro = np.array(radii(position))[:, None]
    got = ideal_ring(
        pole_pairs=np.array([p]), inner=ri, outer=ro, radius=r, outside=position == "inner"
    )
    np.testing.assert_allclose(got, ideal(position, p), rtol=1e-12)  # rounding only


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("M", [2, 3, 4, 6, 8, 12])
@pytest.mark.parametrize("p", [1, 2, 5, 14])
def test_published_segmented_ring_planar(position: str, M: int, p: int) -> None:
    layout = build_layout(ring(position, p, M))
    got = abs(planar_fundamental(layout, radius=layout.surface_radius).sum())
    expected = ideal(position, p) * segment_factor(position, p, M)
    # Gauss points of the sections; two half rings (p = 1, M = 2) leave no field inside.
    np.testing.assert_allclose(got, expected, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize(("M", "p"), [(3, 1), (4, 1), (8, 1), (2, 2), (3, 2), (4, 5), (8, 14)])
def test_published_segmented_ring_3d(position: str, M: int, p: int) -> None:
    agree(
        f"Free field of {M} arcs a pole pair, {p} pole pairs, {position} rotor, per tesla",
        source="Halbach 1980; Zhu & Howe 2001 (from memory)", kind="published",
        theirs=ideal(position, p) * segment_factor(position, p, M),
        ours=abs(free_fundamental(build_layout(ring(position, p, M))).sum()),
        rtol=1e-3,  # aliases of the sampled circle are allowed exp(-7) = 0.0009 by design
    )  # fmt: skip


@pytest.mark.parametrize("p", [1, 2, 6, 14])
@pytest.mark.parametrize(("main", "transverse"), [(1.3, 0.7), (0.9, 0.4), (0.6, 1.0)])
@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_unequal_arcs(position: str, p: int, main: float, transverse: float) -> None:
    """Factor (2p/pi) [sin((p+1)w) + sin((p+1)v)]/(p+1), half-widths w and v (derived)."""
    layout = build_layout(ring(position, p, 4, fill={"main": main, "transverse": transverse}))
    w, v = main * np.pi / (4 * p), transverse * np.pi / (4 * p)
    s = p + 1 if position == "outer" else p - 1
    factor = 2 * p / np.pi * ((np.sin(s * w) + np.sin(s * v)) / s if s else w + v)
    got = abs(planar_fundamental(layout, radius=layout.surface_radius).sum())
    np.testing.assert_allclose(got, ideal(position, p) * factor, rtol=1e-9)  # Gauss points


@pytest.mark.parametrize("length", [15.0, 40.0, 120.0])
def test_published_finite_dipole_cylinder(length: float) -> None:
    """Centre field of a dipole ring of finite length: Zijlstra 1985 (from memory)."""
    ri, ro, z, M = 31.0, 41.0, length / 2, 8
    study = make_study(
        pole_pairs=1, magnets_per_pole_pair=M, shape="arc", fill=1.0, thickness=ro - ri,
        diameter=2.0, airgap=30.0, length=length, stack=0.5,
    )  # fmt: skip
    a, b = np.hypot(z, ri), np.hypot(z, ro)
    centre = np.log(ro / ri) + z / (2 * a) - z / (2 * b) + np.log((z + a) / (z + b))
    agree(
        f"Centre field of a dipole ring {length:g} mm long, 62 mm bore, per tesla",
        source="Zijlstra 1985 (from memory)", kind="published",
        theirs=centre * segment_factor("outer", 1, M),
        ours=abs(free_fundamental(build_layout(study)).sum()),
        rtol=2e-3,  # taken 1 mm from the axis of a bore of 31 mm: off by some (1/31)^2 = 0.001
    )  # fmt: skip
