"""Harmonic and single-layer winding factors, paths: published values and exact identities."""

from __future__ import annotations

from functools import reduce
from math import cos, gcd, pi, radians, sin

import numpy as np
import pytest

from arrayopt.machine import is_balanced, star_of_slots

# Coprime slots, pole pairs and layers: orders 1 to Q of the fundamental are then all space orders.
COPRIME = [(12, 5, 2), (12, 7, 2), (9, 4, 2), (15, 7, 2), (27, 5, 2), (24, 11, 2), (12, 1, 2),
           (12, 5, 1), (24, 11, 1), (18, 7, 1), (24, 1, 1), (30, 7, 1)]  # fmt: skip


# Single-layer tooth coils (published: Cros & Viarouge 2002, IEEE Trans. Energy Convers. 17:248;
# Bianchi et al. 2006, IEEE Trans. Ind. Appl. 42; from memory): slots, poles, winding factor.
@pytest.mark.parametrize(
    ("slots", "poles", "factor"),
    [(6, 4, 0.866), (12, 8, 0.866), (12, 10, 0.966), (12, 14, 0.966), (24, 20, 0.966),
     (24, 28, 0.966), (24, 22, 0.958), (24, 26, 0.958), (18, 16, 0.945), (18, 20, 0.945),
     (18, 14, 0.902), (36, 30, 0.966)],
)  # fmt: skip
def test_published_single_layer(slots: int, poles: int, factor: float) -> None:
    winding = star_of_slots(slots=slots, pole_pairs=poles // 2, layers=1)
    assert (winding.layers, winding.coil_span) == (1, 1)
    assert winding.coils == slots // 6
    np.testing.assert_allclose(winding.factors(np.array([1]))[0], factor, atol=6e-4)  # three digits


def test_published_harmonics_of_12_slots_10_poles() -> None:
    """0.933, 0.5, 0.067, 0.067, 0.5, 0.933 for odd orders 1 to 11 (from memory)."""
    orders = np.arange(1, 13, 2)
    found = np.abs(star_of_slots(slots=12, pole_pairs=5).factors(orders))
    np.testing.assert_allclose(found, [0.933, 0.5, 0.067, 0.067, 0.5, 0.933], atol=6e-4)
    # One layer: both coils of a phase are in step, so the pitch alone counts (derived).
    single = star_of_slots(slots=12, pole_pairs=5, layers=1).factors(orders)
    np.testing.assert_allclose(np.abs(single), np.abs(np.sin(orders * radians(75))), rtol=1e-12)


@pytest.mark.parametrize(("slots", "pole_pairs", "q"), [(24, 4, 1), (24, 2, 2), (36, 3, 2)])
def test_exact_single_layer_is_the_belt_winding(slots: int, pole_pairs: int, q: int) -> None:
    """Whole numbers of slots per pole and phase: in one layer coils of any odd span fill belts.

    Belt of q slots at full pitch, order m: cos(15 deg m) for q = 2, 1 for q = 1 (textbook).
    """
    orders = np.arange(1, 30, 2)
    single = star_of_slots(slots=slots, pole_pairs=pole_pairs, layers=1).factors(orders)
    textbook = [1.0 if q == 1 else abs(cos(radians(15 * m))) for m in orders]
    np.testing.assert_allclose(np.abs(single), textbook, atol=1e-12)
    double = star_of_slots(slots=slots, pole_pairs=pole_pairs, coil_span=3 * q).factors(orders)
    np.testing.assert_allclose(single, double, atol=1e-12)  # signs too


@pytest.mark.parametrize(("slots", "pole_pairs", "layers"), COPRIME)
def test_exact_parseval(slots: int, pole_pairs: int, layers: int) -> None:
    """Over all orders the squares of the factors say how many coil sides there are.

    Sides c_k in the slots: sum |sum c_k e^(i v k angle)|^2 = Q sum c_k^2, and each term is
    (2 coils k_w)^2. Factors that dropped part of a harmonic would fall short.
    """
    winding = star_of_slots(slots=slots, pole_pairs=pole_pairs, layers=layers)
    factors = winding.factors(np.arange(1, slots + 1))
    sides = winding.side_counts("A")
    np.testing.assert_allclose(
        ((2 * winding.coils * factors) ** 2).sum(), slots * (sides**2).sum(), rtol=1e-12
    )


@pytest.mark.parametrize("slots", [6, 12, 18, 24, 30, 36, 42, 48])
def test_exact_single_layer_phases(slots: int) -> None:
    """Every slot holds one side; phases are equal and 120 degrees apart for every odd order."""
    for p in range(1, 30):
        if not is_balanced(slots=slots, pole_pairs=p, layers=1):
            continue
        winding = star_of_slots(slots=slots, pole_pairs=p, layers=1)
        sides = np.array([winding.side_counts(phase) for phase in "ABC"])
        assert (np.abs(sides).sum(axis=0) == 1).all()
        for m in (1, 5, 7):
            a, b, c = sides @ np.exp(2j * pi * m * p / slots * np.arange(slots))
            turn = np.exp(2j * pi / 3 * m)
            signs = [turn, turn.conjugate()]
            assert min(abs(b - a * s) for s in signs) < 1e-9
            assert min(abs(c - b * s) for s in signs) < 1e-9


def test_exact_single_layer_needs_an_odd_span_and_even_slots() -> None:
    with pytest.raises(ValueError, match="span an odd number of slots; got 2"):
        star_of_slots(slots=12, pole_pairs=5, coil_span=2, layers=1)
    with pytest.raises(ValueError, match=r"9 slots cannot carry a balanced .* of 1 layers"):
        star_of_slots(slots=9, pole_pairs=4, layers=1)


@pytest.mark.parametrize("layers", [1, 2])
def test_independent_parallel_paths(layers: int) -> None:
    """Paths are equal when each gets as many coils of every phasor, wound either way round."""
    for slots in range(6, 61, 3):
        for p in range(1, 25):
            if not is_balanced(slots=slots, pole_pairs=p, layers=layers):
                continue
            winding = star_of_slots(slots=slots, pole_pairs=p, layers=layers)
            signs = winding.coil_signs("A")
            counts: dict[int, int] = {}
            for k in np.flatnonzero(signs):
                # Phasor in steps of half a slot's electrical angle, turned by half a turn.
                at = int(2 * k * p + (slots if signs[k] < 0 else 0)) % (2 * slots)
                counts[at] = counts.get(at, 0) + 1
            assert winding.most_paths == reduce(gcd, counts.values()), (slots, p)


def test_exact_pitch_of_wide_coils() -> None:
    """A coil of one slot more than a pole embraces as much as one of one slot less."""
    orders = np.array([1, 5, 7, 11])
    less, more = (
        star_of_slots(slots=36, pole_pairs=2, coil_span=span).pitch_factors(orders)
        for span in (8, 10)
    )
    np.testing.assert_allclose(np.abs(less), np.abs(more), rtol=1e-12)
    assert less[0] == pytest.approx(sin(radians(80)), rel=1e-12)
