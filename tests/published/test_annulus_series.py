"""Full rings of arcs against the exact series of an endless ring with recoil, order by order.

The series (`annulus_series`) is itself held against closed forms and against one-dimensional finite
elements first. Series: Zhu, Howe, Bolte & Ackermann 1993, IEEE Trans. Magn. 29:124; Zhu, Howe &
Chan 2002, 38:229 (both from memory).
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from annulus_series import annulus, radial_poles, segments
from makers import make_study, unit_magnets
from scipy.linalg import solveh_banded
from verification import agree, worst_of

from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout

SOURCE = "Annulus series, Zhu, Howe & Chan 2002 (from memory)"
HARMONICS = (1, 3, 5, 7)
NEAR, MAGNET, FAR = 41.0, (43.0, 46.0), 46.5  # iron inside, magnet ring, iron outside
IRONS = [(NEAR, FAR), (NEAR, None), (None, FAR), (None, None)]
POLARISATIONS = {
    "radial": radial_poles(harmonic=1),
    "strong inside": (1.0, 1.0),
    "strong outside": (1.0, -1.0),
    "two arcs": segments(3, 2, sense=1),
    "four arcs, third harmonic": segments(3, 4, sense=1, harmonic=3),
}


# --- the series itself ----------------------------------------------------------------------


@pytest.mark.parametrize("p", [1, 2, 3, 14])
@pytest.mark.parametrize("strong", ["inside", "outside"])
def test_published_series_of_the_ideal_ring(p: int, strong: str) -> None:
    """Ni Mhiochain et al. 1999, J. Appl. Phys. 86:6412 (seen); Halbach 1980 (from memory)."""
    (ri, ro), inside = MAGNET, strong == "inside"
    r = NEAR if inside else FAR
    sense = 1 if inside else -1
    got, weak = (
        annulus(p, 1.0, s, magnet=MAGNET, iron=(None, None), at=(r,))[0] for s in (sense, -sense)
    )
    if not inside:
        expected = p / (p + 1) * (1 - (ri / ro) ** (p + 1)) * (ro / r) ** (p + 1)
    elif p == 1:
        expected = np.log(ro / ri)
    else:
        expected = p / (p - 1) * (1 - (ri / ro) ** (p - 1)) * (r / ri) ** (p - 1)
    np.testing.assert_allclose(got, expected, rtol=1e-10)  # rounding only
    np.testing.assert_allclose(weak, 0, atol=1e-12)  # no field on the other side


@pytest.mark.parametrize("recoil", [1.0, 1.1])
def test_exact_series_of_cylinders_of_one_direction(recoil: float) -> None:
    """Order 1: a full cylinder gives J/(1 + mu) at its surface, a bored one ends in its bore.

    Closed forms of a uniformly polarised cylinder across its axis (derived).
    """
    full = annulus(1, 1.0, -1.0, magnet=(1e-6, 3.0), iron=(None, None), at=(6.0,), recoil=recoil)
    # Bore of 3e-7 of the radius.
    np.testing.assert_allclose(full, 1 / (1 + recoil) / 4, rtol=1e-9)
    ri, ro, mu = 2.0, 3.0, recoil
    bored = annulus(1, 1.0, -1.0, magnet=(ri, ro), iron=(None, None), at=(1.0, 6.0), recoil=mu)
    # A tube shields: the field of magnetic charge J cos t on both faces with permeability mu.
    shared = (1 + mu) ** 2 - (1 - mu) ** 2 * (ri / ro) ** 2
    hole = (1 - mu) * (1 - (ri / ro) ** 2) / shared
    outside = (1 + mu) * (1 - (ri / ro) ** 2) / shared * (ro / 6.0) ** 2
    np.testing.assert_allclose(bored, [hole, outside], rtol=1e-10, atol=1e-15)


@pytest.mark.parametrize("recoil", [1.0, 1.05])
@pytest.mark.parametrize("harmonic", HARMONICS)
def test_exact_series_of_radial_poles_in_a_narrow_gap(recoil: float, harmonic: int) -> None:
    """Between two irons long waves give J h/(h + mu g), a magnetic circuit."""
    J = radial_poles(harmonic=harmonic)[0]
    got = annulus(
        harmonic, J, 0.0, magnet=(1e4 + 1, 1e4 + 4), iron=(1e4, 1e4 + 4), at=(1e4,), recoil=recoil
    )
    # Curvature: 4 mm of ten metres.
    np.testing.assert_allclose(got, J * 3 / (3 + recoil), rtol=5e-4)


def by_elements(
    n: int,
    radial: float,
    tangential: float,
    *,
    magnet: tuple[float, float],
    iron: tuple[float | None, float | None],
    at: tuple[float, float],
    recoil: float,
    cells: int = 4000,
) -> list[float]:
    """Radial flux density of order n at both ends of a range, by linear elements in the radius.

    Weak form of div B = 0 times cos(n t): int mu (f' v' + n^2 f v/r^2) r dr = int (radial v' - n
    tangential v/r) r dr and what crosses the ends (derived).
    """
    ends = [at[0], *magnet, at[1]]
    parts = [np.linspace(a, b, cells + 1) for a, b in pairwise(ends)]
    r = np.concatenate([parts[0], parts[1][1:], parts[2][1:]])
    h, m = np.diff(r), (r[1:] + r[:-1]) / 2
    ring = np.repeat([0.0, 1.0, 0.0], cells)
    mu = 1 + ring * (recoil - 1)
    # Rows of a symmetric matrix of three diagonals; the middle of each cell stands for it.
    own, next_ = mu * (m / h + n**2 * h / m / 4), mu * (n**2 * h / m / 4 - m / h)
    diagonal = np.append(own, 0) + np.append(0, own)
    source = ring * np.stack(
        [-radial * m - n * tangential * h / 2, radial * m - n * tangential * h / 2]
    )
    b = np.append(source[0], 0) + np.append(0, source[1])
    # Beyond an open end waves of order n go on in free space; iron holds f at zero.
    walls = np.array([wall is not None for wall in iron])
    stiff = diagonal.copy()
    stiff[[0, -1]] += np.where(walls, 1e15, n)
    f = solveh_banded(np.stack([np.append(0, next_), stiff]), b)
    through = diagonal * f + np.append(next_ * f[1:], 0) + np.append(0, next_ * f[:-1]) - b
    return [through[0] / at[0], -through[-1] / at[1]]


@pytest.mark.parametrize("n", [1, 2, 3, 14, 98])
@pytest.mark.parametrize("recoil", [1.0, 1.1])
def test_independent_series_by_elements_in_the_radius(n: int, recoil: float) -> None:
    """Radial, parallel and rotating polarisation, with and without either iron."""
    for name, (radial, tangential) in POLARISATIONS.items():
        for iron in IRONS:
            case = {"magnet": MAGNET, "iron": iron, "at": (NEAR, FAR), "recoil": recoil}
            # Cells of a micrometre leave 1e-8.
            np.testing.assert_allclose(
                annulus(n, radial, tangential, **case),
                by_elements(n, radial, tangential, **case),
                rtol=0, atol=1e-7, err_msg=f"{name}, iron at {iron}",
            )  # fmt: skip


def test_published_arcs_become_the_ideal_ring() -> None:
    """Thin arcs turn like the ideal ring, times sin x/x (from memory), in every surrounding."""
    p, M = 5, 24
    for sense, at in ((1, NEAR), (-1, FAR)):
        x = (p + sense) * np.pi / (p * M)
        for iron in IRONS:
            case = {"magnet": MAGNET, "iron": iron, "at": (at,), "recoil": 1.05}
            arcs = annulus(p, *segments(p, M, sense=sense), **case)
            ideal = annulus(p, 1.0, sense, **case)
            # What turns the other way is of order M - 1; none of it is left in order 1.
            np.testing.assert_allclose(arcs, np.sin(x) / x * np.array(ideal), rtol=1e-9)


# --- the kernel against the series ----------------------------------------------------------

RINGS = [(1, 4), (1, 8), (2, 2), (2, 4), (4, 3), (5, 8), (10, 6), (14, 2), (14, 4)]
# Two arcs of a quarter turn, polarised in parallel, nearly are a ring of one direction: little of
# its field is left inside, and one cell an arc misses 4 % of that.
HARDEST = ("outer", 2, 2)
# Of the fundamental at a recoil permeability of 1.05, by kind of stator and steel ring. One cell
# a magnet is exact in how it sees itself on average and blind to how fields vary across it, most
# of all those of a ring that no stator draws through the magnet.
WITH_RECOIL = {
    ("ironless", 0.0): 6e-3,
    ("smooth", 0.0): 4.5e-3,
    ("ironless", 2.0): 1.5e-2,
    ("smooth", 2.0): 6e-3,
}
ALIASES = 3e-4  # without recoil; the kernel's aliases and ends 300 mm apart


@cache
def both(
    position: str, p: int, M: int, kind: str, ring: float, recoil: float
) -> tuple[np.ndarray, np.ndarray]:
    """Harmonics of an endless ring of touching arcs, in T per T: exact and by the kernel."""
    # A small ring is endless even with few poles.
    surface, gap, depth = (41.0, 1.0, 3.0) if p > 3 else (2.5, 0.25, 0.75)
    study = make_study(
        position=position, pole_pairs=p, magnets_per_pole_pair=M, shape="arc", fill=1.0,
        diameter=2 * surface, airgap=gap, thickness=depth, length=300.0, stack=0.5, kind=kind,
        values={"rotor.steel_ring_mm": ring},
    )  # fmt: skip
    layout = unit_magnets(build_layout(study), recoil_permeability=recoil)
    field = solve_field(layout, orders=ORDERS)
    sense = 1 if position == "outer" else -1
    near, back = surface + sense * gap, surface + sense * (gap + depth)
    irons = (surface if kind == "smooth" else None, back if ring else None)
    case = {"magnet": (min(near, back), max(near, back)), "iron": irons[::sense], "at": (surface,)}
    exact = [
        annulus(m * p, *segments(p, M, sense=sense, harmonic=m), recoil=recoil, **case)[0]
        for m in HARMONICS
    ]
    return np.array(exact), field.surface[np.isin(ORDERS, HARMONICS), 0]


def surroundings(kind: str, ring: float) -> str:
    return f"{kind} stator, {'steel ring' if ring else 'no ring'}"


@pytest.mark.parametrize("recoil", [1.0, 1.05, 1.1])
@pytest.mark.parametrize(("kind", "ring"), WITH_RECOIL)
def test_published_fundamental_of_full_rings(kind: str, ring: float, recoil: float) -> None:
    """Outer and inner rotors of 2 to 8 arcs a pole pair, 1 to 14 pole pairs."""
    pairs = []
    for position in ("outer", "inner"):
        for p, M in RINGS:
            exact, got = both(position, p, M, kind, ring, recoil)
            if recoil == 1 or ring or (position, p, M) != HARDEST:
                pairs.append((abs(exact[0]), abs(got[0])))
    agree(
        f"Fundamental of full rings, recoil {recoil:g}, {surroundings(kind, ring)}, worst of "
        f"{len(pairs)}",
        source=SOURCE, kind="published", unit="1", **worst_of(pairs),
        # What one cell is blind to grows with recoil.
        rtol=max(WITH_RECOIL[kind, ring] * (recoil - 1) / 0.05, ALIASES),
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["ironless", "smooth"])
def test_published_fundamental_of_the_hardest_ring(kind: str) -> None:
    exact, got = both(*HARDEST, kind, 0.0, 1.05)
    agree(
        f"Fundamental of a full ring of four arcs of two pole pairs, recoil 1.05, {kind} stator",
        source=SOURCE, kind="published", unit="1",
        theirs=abs(exact[0]), ours=abs(got[0]), rtol=0.045,
    )  # fmt: skip


@pytest.mark.parametrize("recoil", [1.0, 1.05, 1.1])
@pytest.mark.parametrize(("p", "M"), RINGS)
def test_published_harmonics_of_full_rings(p: int, M: int, recoil: float) -> None:
    """Third, fifth and seventh harmonic against the fundamental, signs included."""
    # Arcs of other directions settle at other polarisations, which the third harmonic shows
    # where a ring of isotropic recoil has none: 1.2 % at 1.05, with one pole pair 2.4 %.
    blind = (0.025 if p == 1 else 0.012) * (recoil - 1) / 0.05
    for kind, ring in WITH_RECOIL:
        for position in ("outer", "inner"):
            exact, got = both(position, p, M, kind, ring, recoil)
            np.testing.assert_allclose(
                got[1:] / abs(exact[0]), exact[1:] / abs(exact[0]),
                rtol=0, atol=max(blind, ALIASES), err_msg=f"{position}, {kind}, ring {ring}",
            )  # fmt: skip


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_published_many_arcs_are_nearly_the_ideal_ring(position: str) -> None:
    """24 arcs a pole pair with recoil under a stator against polarisation that turns throughout."""
    p, M, sense = 7, 24, 1 if position == "outer" else -1
    _, got = both(position, p, M, "smooth", 0.0, 1.05)
    x = (p + sense) * np.pi / (p * M)
    magnet, irons = ((42.0, 45.0), (41.0, None)) if sense > 0 else ((37.0, 40.0), (None, 41.0))
    ideal = annulus(p, 1.0, sense, magnet=magnet, iron=irons, at=(41.0,), recoil=1.05)[0]
    agree(
        f"Fundamental of 24 arcs a pole pair, recoil 1.05, smooth stator, {position} rotor",
        source=SOURCE, kind="published", unit="1",
        theirs=abs(ideal) * np.sin(x) / x, ours=abs(got[0]), rtol=1e-3,  # one cell an arc
    )  # fmt: skip
