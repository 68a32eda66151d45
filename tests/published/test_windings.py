"""Winding factors, balance and phase belts against published families and closed forms."""

from __future__ import annotations

from math import asin, gcd, pi, sin, sqrt

import numpy as np
import pytest
from makers import make_study
from verification import agree, worst_of

from arrayopt.machine import is_balanced, star_of_slots, winding_faults, winding_of

ONE = np.array([1])

# Cros & Viarouge 2002, IEEE Trans. Energy Convers. 17:248 and Bianchi et al. 2006, IEEE Trans.
# Ind. Appl. 42 (both from memory): slots, poles, winding factor of double-layer tooth coils.
PUBLISHED = [
    (3, 2, 0.866), (3, 4, 0.866), (6, 4, 0.866), (9, 6, 0.866), (12, 8, 0.866), (12, 16, 0.866),
    (24, 16, 0.866), (9, 8, 0.945), (9, 10, 0.945), (18, 16, 0.945), (18, 20, 0.945),
    (36, 40, 0.945), (12, 10, 0.933), (12, 14, 0.933), (24, 20, 0.933), (24, 28, 0.933),
    (36, 30, 0.933), (36, 42, 0.933), (18, 14, 0.902), (18, 22, 0.902), (15, 14, 0.951),
    (15, 16, 0.951), (30, 28, 0.951), (24, 22, 0.949), (24, 26, 0.949), (48, 44, 0.949),
    (21, 20, 0.953), (21, 22, 0.953),
]  # fmt: skip


@pytest.mark.parametrize("published", sorted({row[2] for row in PUBLISHED}))
def test_published_tooth_coils(published: float) -> None:
    family = [(Q, poles) for Q, poles, factor in PUBLISHED if factor == published]
    factors = [star_of_slots(slots=Q, pole_pairs=n // 2).factors(ONE)[0] for Q, n in family]
    agree(
        f"Winding factor of tooth coils, {family[0][0]} slots {family[0][1]} poles and its family",
        source="Cros & Viarouge 2002; Bianchi et al. 2006 (from memory)", kind="published",
        rtol=6e-4,  # three digits printed
        **worst_of((published, factor) for factor in factors),
    )  # fmt: skip


@pytest.mark.parametrize(("slots", "poles"), [row[:2] for row in PUBLISHED])
def test_exact_tooth_coils(slots: int, poles: int) -> None:
    """Closed form with z, the numerator of q = Q/(3 * 2p) in lowest terms."""
    z = slots // gcd(slots, 3 * poles)
    closed = sin(pi / 6) / (z * sin(pi / 6 / z)) * sin(pi * poles / (2 * slots))
    got = star_of_slots(slots=slots, pole_pairs=poles // 2).factors(ONE)
    np.testing.assert_allclose(got, closed, rtol=1e-12)  # rounding only


# Textbook cases of distributed windings: q slots per pole and phase, full and 5/6 pitch.
@pytest.mark.parametrize(
    ("slots", "poles", "span", "factor"),
    [
        (12, 4, 3, 1.0),
        (24, 4, 6, 0.966),  # spread alone
        (36, 4, 9, 0.960),
        (48, 4, 12, 0.958),
        (24, 4, 5, 0.966 * 0.966),  # 5/6 pitch
        (12, 4, 2, 0.866),  # 2/3 pitch
    ],
)
def test_published_distributed(slots: int, poles: int, span: int, factor: float) -> None:
    got = star_of_slots(slots=slots, pole_pairs=poles // 2, coil_span=span).factors(ONE)
    np.testing.assert_allclose(got, factor, atol=1e-3)  # product of two three-digit numbers


def test_exact_distributed_harmonics() -> None:
    """2/3 pitch has no third harmonic, 5/6 pitch sin 75 deg of the fifth, whatever the spread."""
    orders = np.array([1, 3, 5])
    np.testing.assert_allclose(
        star_of_slots(slots=12, pole_pairs=2, coil_span=2).pitch_factors(orders)[1], 0, atol=1e-12
    )
    fifth = star_of_slots(slots=24, pole_pairs=2, coil_span=5).pitch_factors(orders)[2]
    np.testing.assert_allclose(fifth, abs(sin(5 * 5 / 6 * pi / 2)), rtol=1e-12)


@pytest.mark.parametrize("slots", [9, 12, 18, 24, 27, 36, 45, 48])
def test_exact_phases_are_equal_and_120_degrees_apart(slots: int) -> None:
    for p in range(1, 40):
        if not is_balanced(slots=slots, pole_pairs=p):
            continue
        pattern = star_of_slots(slots=slots, pole_pairs=p).pattern
        sums = []
        for phase in "ABC":
            turns = [(c == phase) - (c == phase.lower()) for c in pattern]
            assert np.abs(turns).sum() == slots // 3
            sums.append(np.exp(2j * pi * p / slots * np.arange(slots)) @ turns)
        turn = sums[1] / sums[0]
        np.testing.assert_allclose(abs(turn.imag), sqrt(3) / 2, rtol=1e-9)  # rounding of sums
        np.testing.assert_allclose(turn.real, -0.5, rtol=1e-9)
        np.testing.assert_allclose(sums[2] / sums[1], turn, rtol=1e-9)


def test_independent_balance() -> None:
    """Balanced exactly where a third of a turn carries the star of slots into itself."""
    for slots in range(3, 61):
        for p in range(1, 31):
            star = sorted(k * p % slots for k in range(slots))
            turned = sorted((3 * k * p + slots) % (3 * slots) for k in range(slots))
            assert is_balanced(slots=slots, pole_pairs=p) == ([3 * s for s in star] == turned), (
                slots,
                p,
            )


# Cros & Viarouge 2002 (from memory): combinations that no three-phase winding can use.
@pytest.mark.parametrize(("slots", "poles"), [(12, 6), (12, 12), (24, 18), (15, 6), (10, 8)])
def test_published_unbalanced(slots: int, poles: int) -> None:
    with pytest.raises(ValueError, match=f"{slots} slots cannot carry a balanced three-phase"):
        star_of_slots(slots=slots, pole_pairs=poles // 2)


def test_unbalanced_study_offers_balanced_neighbours() -> None:
    study = make_study(pole_pairs=12, kind="slotted")
    (fault,) = winding_faults(study)
    assert "24 slots and 12 pole pairs give no balanced" in fault
    counts, pairs = (
        [int(n) for n in part.split(";")[0].split("=")[1].split(",")]
        for part in fault.split(": nearest")[-1].split(":")[-1].split(" or ")
    )
    assert all(Q % (3 * gcd(Q, 12)) == 0 for Q in counts)
    assert all(24 % (3 * gcd(24, p)) == 0 for p in pairs)


def test_coils_that_embrace_no_flux_are_told() -> None:
    study = make_study(
        pole_pairs=8, kind="slotted", values={"stator.slots": 48, "winding.coil_span_slots": 6}
    )
    (fault,) = winding_faults(study)
    assert "embrace no flux" in fault
    assert fault.endswith("use 3")
    assert winding_faults(study.with_values({"winding.coil_span_slots": 3})) == []


def test_exact_coil_span_of_study_is_used() -> None:
    study = make_study(
        pole_pairs=2, kind="slotted", values={"stator.slots": 24, "winding.coil_span_slots": 5}
    )
    pitch = winding_of(study).pitch_factors(ONE)
    np.testing.assert_allclose(pitch, sin(asin(1) * 5 / 6), rtol=1e-12)
