"""Flux linkage, back-EMF, ripple, skew, layers and paths: coil by coil and row by row."""

from __future__ import annotations

import dataclasses
from math import pi, sqrt

import numpy as np
import pytest
from makers import make_study

from arrayopt.checks import design_cautions
from arrayopt.evaluation import evaluate
from arrayopt.field import AirgapField, solve_field
from arrayopt.layout import Layout, build_layout
from arrayopt.machine import (
    flux_linkages,
    line_emf,
    machine_figures,
    phase_emf,
    skew_factors,
    third_harmonic,
    torque_ripple,
    winding_of,
)
from arrayopt.study import Study

ORDERS = np.arange(1, 14)
WAVES = np.array([[1.0], [-0.3], [0.2], [0.15], [-0.1], [0.05], [0.08], [0, ], [0.06], [0], [-0.04],
                  [0], [0.03]])  # fmt: skip
ROUNDING = 1e-9


def solved(study: Study) -> tuple[Layout, AirgapField]:
    layout = build_layout(study)
    return layout, solve_field(layout, orders=ORDERS)


def with_waves(field: AirgapField) -> AirgapField:
    """Return the field with strong harmonics of both signs, even ones too."""
    return dataclasses.replace(field, surface=0.8 * WAVES)


def turned_linkage(study: Study, steps: int) -> np.ndarray:
    """Linkage of phase A over a turn of the rotor, coil by coil, in the field of `with_waves`.

    Each coil's flux is a sum over 400 angles between the middles of its slots.
    """
    winding, stator, p = winding_of(study), study.stator, study.rotor.pole_pairs
    pitch = 2 * pi / stator.slots
    turned = 2 * pi * np.arange(steps) / steps / p
    rows = np.arange(study.rotor.skew_steps) - (study.rotor.skew_steps - 1) / 2
    rows *= np.radians(study.rotor.skew_step_deg)
    total = np.zeros(steps)
    for k, letter in enumerate(winding.pattern):
        sign = (letter == "A") - (letter == "a")
        if sign:
            across = k * pitch + winding.coil_span * pitch * (np.arange(400) + 0.5) / 400
            for row in rows:
                waves = np.cos(p * ORDERS[:, None, None] * (across - turned[:, None] - row))
                density = (0.8 * WAVES[:, :, None] * waves).sum(axis=0).mean(axis=1)
                total += sign * density * winding.coil_span * pitch / len(rows)
    area = stator.surface_diameter_mm / 2 * stator.stack_mm * 1e-6
    return total * area * study.winding.turns_per_coil / study.winding.parallel_paths


@pytest.mark.parametrize(
    ("slots", "pairs", "values"),
    [
        (12, 5, {}),
        (12, 7, {}),
        (9, 4, {}),
        (15, 7, {}),
        (9, 4, {"winding.coil_span_slots": 3}),  # more than a pole pair
        (9, 4, {"rotor.skew_steps": 3, "rotor.skew_step_deg": 4.0}),
        (9, 4, {"rotor.skew_steps": 2, "rotor.skew_step_deg": 60.0}),  # more than half a wave
        (27, 6, {}),
        (12, 5, {"winding.layers": 1}),
        (24, 2, {"winding.layers": 1}),
        (24, 2, {"winding.coil_span_slots": 5}),
        (24, 2, {"winding.coil_span_slots": 7}),
        (12, 5, {"winding.parallel_paths": 2, "winding.coil_span_slots": 3}),
    ],
)
def test_independent_emf_coil_by_coil(slots: int, pairs: int, values: dict[str, int]) -> None:
    """The rotor turned step by step; every harmonic with its sign, and none lost."""
    study = make_study(
        kind="slotted", pole_pairs=pairs, fill=0.5, values={"stator.slots": slots} | values
    )
    layout, field = solved(study)
    psi = flux_linkages(layout, with_waves(field))
    steps = 64
    spectrum = np.fft.rfft(turned_linkage(study, steps)) * 2 / steps
    shifted = spectrum * np.exp(-1j * np.arange(len(spectrum)) * np.angle(spectrum[1]))
    size = abs(spectrum[1])
    # 400 angles of a coil of up to 7 slots, whose orders reach 13 p.
    np.testing.assert_allclose(shifted[1:14].real, psi[:, 0], atol=3e-4 * size)
    np.testing.assert_allclose(shifted[1:14].imag, 0, atol=3e-4 * size)
    # What turning it by a small angle changes is the back-EMF over speed, minus d psi/d angle.
    waves = np.arange(len(spectrum))
    slope = np.fft.irfft(1j * waves * spectrum * steps / 2) * pairs
    angles = 2 * pi * np.arange(steps) / steps + np.angle(spectrum[1])
    found = phase_emf(psi, ORDERS, field.turns, angles)[:, 0]
    np.testing.assert_allclose(found, -slope, atol=2e-3 * np.abs(slope).max())  # orders times 3e-4


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize(("kind", "layers"), [("smooth", 1), ("ironless", 1), ("ironless", 2)])
def test_independent_gap_winding(position: str, kind: str, layers: int) -> None:
    """Turns spread evenly over coil sides: a side fills its sector, or half of it."""
    study = make_study(
        position=position, kind=kind, pole_pairs=5, airgap=2.0, fill=0.6,
        values={"stator.slots": 12, "stator.coil_side_mm": 4.0, "winding.layers": layers},
    )  # fmt: skip
    layout, field = solved(study)
    thickness = 1.0
    inward = (kind == "smooth") != (position == "outer")
    radii = 41.0 + (-1 if inward else 1) * thickness * (np.arange(20) + 0.5) / 20
    seen = np.mean([r * field.harmonics_at(np.array([r * 1e-3]))[:, 0] for r in radii], axis=0)
    middle, pitch, winding = radii.mean(), 2 * pi / 12, winding_of(study)
    psi = np.zeros(len(ORDERS), dtype=complex)
    for k, sign in enumerate(winding.coil_signs("A")):
        # Middles of the two sides; beside each other in a sector when there are two layers.
        apart = pitch - (4.0 / middle if layers == 2 else 0)
        for u in (np.arange(200) + 0.5) / 200 - 0.5:
            a = k * pitch + u * 4.0 / middle
            n = 5 * ORDERS
            psi += sign * (np.exp(1j * n * (a + apart)) - np.exp(1j * n * a)) / (1j * n) / 200
    psi *= seen * 1e-3 * 12e-3 * 22
    psi *= np.exp(-1j * ORDERS * np.angle(psi[0]))
    # Even sums instead of Gauss points through the thickness and over the sides.
    np.testing.assert_allclose(
        flux_linkages(layout, field)[:, 0], psi.real, atol=1e-4 * psi[0].real
    )


def test_exact_lines() -> None:
    """Star is A less B without triplen orders; delta keeps the phase's other orders."""
    turns = 5.0 * ORDERS[:, None]
    angles = 2 * pi * np.arange(64) / 64
    emf = [phase_emf(WAVES, ORDERS, turns, angles - s * 2 * pi / 3)[:, 0] for s in (0, 1)]
    star, delta = (
        line_emf(WAVES, ORDERS, turns, angles, np.array([d]))[:, 0] for d in (False, True)
    )
    np.testing.assert_allclose(star, emf[0] - emf[1], atol=ROUNDING)
    spectra = np.abs(np.fft.rfft([star, delta, emf[0]])) / 32
    np.testing.assert_allclose(spectra[:2, 3:14:3], 0, atol=ROUNDING)
    others = [m for m in ORDERS if m % 3]
    np.testing.assert_allclose(spectra[0, others], sqrt(3) * spectra[2, others], atol=ROUNDING)
    np.testing.assert_allclose(spectra[1, others], spectra[2, others], atol=ROUNDING)
    # Third harmonic of the voltage: three times that of the linkage.
    assert third_harmonic(WAVES, ORDERS)[0] == pytest.approx(spectra[2, 3] / spectra[2, 1])


def brute_ripple(waves: np.ndarray) -> float:
    """Peak to peak over mean of the summed e i, one phase after the other, at 3600 angles."""
    t = np.arange(3600) / 3600 * 2 * pi
    torque = np.zeros_like(t)
    for shift in (0, 2 * pi / 3, 4 * pi / 3):
        emf = sum(m * w * np.sin(m * (t - shift)) for m, w in zip(ORDERS, waves[:, 0], strict=True))
        torque += emf * np.sin(t - shift)
    return float(np.ptp(torque) / torque.mean())


def test_exact_ripple_of_two_harmonics() -> None:
    """Fifth and seventh give the sixth wave of torque: 2 |7 psi7 - 5 psi5|/psi1 (derived)."""
    waves = np.zeros_like(WAVES)
    waves[[0, 4, 6], 0] = 2.0, 0.03, -0.02
    expected = 2 * abs(7 * -0.02 - 5 * 0.03) / 2.0
    assert torque_ripple(waves, ORDERS, 5 * ORDERS[:, None])[0] == pytest.approx(expected)


def test_independent_ripple_brute_force() -> None:
    study = make_study(kind="slotted", pole_pairs=5, values={"stator.slots": 12})
    layout, field = solved(study)
    psi = flux_linkages(layout, field)
    for waves in (psi, WAVES):
        found = torque_ripple(waves, ORDERS, 5 * ORDERS[:, None])[0]
        assert found == pytest.approx(brute_ripple(waves), rel=0.02)  # 96 angles against 3600
    assert torque_ripple(WAVES[:1], ORDERS[:1], np.array([[5.0]]))[0] < ROUNDING


# --- skew ---


def skewed(steps: int, degrees: float, **values: object) -> Study:
    return make_study(
        kind="slotted", pole_pairs=5, fill=0.5,
        values={"stator.slots": 12, "rotor.skew_steps": steps, "rotor.skew_step_deg": degrees}
        | values,
    )  # fmt: skip


# Steps of 72 deg are a whole wave of the fundamental, 36 deg half of one.
@pytest.mark.parametrize(("steps", "degrees"), [(2, 3.0), (3, 7.3), (5, 2.0), (4, 36.0), (3, 14.4)])
def test_independent_rows_added_up(steps: int, degrees: float) -> None:
    """Waves of every row shifted and averaged, about the middle of the stack."""
    layout = build_layout(skewed(steps, degrees))
    rows = np.radians(degrees) * (np.arange(steps) - (steps - 1) / 2)
    expected = [np.cos(5 * m * rows).mean() for m in ORDERS]
    np.testing.assert_allclose(skew_factors(layout, ORDERS)[:, 0], expected, atol=ROUNDING)


def test_exact_limits_of_skew() -> None:
    """Many thin rows are sinc; one row is no skew; rows over one wave of an order kill it."""
    half = 5 * ORDERS * np.radians(20 * 0.9) / 2
    found = skew_factors(build_layout(skewed(20, 0.9)), ORDERS)[:, 0]
    np.testing.assert_allclose(found, np.sin(half) / half, atol=0.04)  # 20 rows
    np.testing.assert_array_equal(skew_factors(build_layout(skewed(1, 0.0)), ORDERS), 1)
    # 12 slots, 5 pole pairs: order 12 turns once per slot pitch of 30 deg over 5 waves.
    fifth = skew_factors(build_layout(skewed(2, 360 / 25 / 2)), ORDERS)[4, 0]
    slot = skew_factors(build_layout(skewed(6, 30 / 6)), ORDERS)[11, 0]
    np.testing.assert_allclose([fifth, slot], 0, atol=ROUNDING)


def test_exact_figures_of_a_skewed_rotor() -> None:
    """Torque constant falls by the fundamental's factor; inductance and losses stay."""
    plain, turned = (machine_figures(*solved(study)) for study in (skewed(1, 0.0), skewed(3, 6.0)))
    factor = (1 + 2 * np.cos(np.radians(30))) / 3
    assert turned.skew_factor[0] == pytest.approx(factor)
    assert np.isnan(plain.skew_factor[0])
    assert turned.torque_constant[0] / plain.torque_constant[0] == pytest.approx(factor)
    assert turned.inductance[0] == plain.inductance[0]
    # Two rows half a wave apart cancel: no torque, however it is counted.
    assert abs(machine_figures(*solved(skewed(2, 36.0))).flux_linkage[0]) < 1e-12


# --- layers, paths, delta ---


def test_exact_paths() -> None:
    """Two paths: half the turns in series, a quarter of R and L, the same motor constant."""
    one, two = (
        machine_figures(*solved(make_study(
            kind="slotted", pole_pairs=5,
            values={"stator.slots": 12, "winding.parallel_paths": n},
        )))
        for n in (1, 2)
    )  # fmt: skip
    ratios = {"flux_linkage": 1 / 2, "torque_constant": 1 / 2, "resistance_cold": 1 / 4,
              "inductance": 1 / 4, "inductance_gap": 1 / 4, "inductance_slot": 1 / 4,
              "inductance_end": 1 / 4, "motor_constant": 1, "continuous_torque": 1,
              "continuous_current": 2, "slot_fill": 1, "no_load_speed": 2,
              "torque_ripple": 1}  # fmt: skip
    for name, ratio in ratios.items():
        found = getattr(two, name)[0] / getattr(one, name)[0]
        assert found == pytest.approx(ratio, rel=1e-9), name


def test_exact_one_layer_of_twice_the_turns() -> None:
    """One slot per pole and phase: the same conductors in the same slots, joined otherwise."""
    double, single = (
        machine_figures(*solved(make_study(
            kind="slotted", pole_pairs=4, fill=0.5,
            values={"stator.slots": 24, "winding.layers": n, "winding.turns_per_coil": 60 // n},
        )))
        for n in (2, 1)
    )  # fmt: skip
    for name in ("flux_linkage", "resistance_cold", "inductance_gap", "inductance_slot",
                 "slot_fill", "wire_fill", "motor_constant", "winding_factor"):  # fmt: skip
        one, two = getattr(double, name)[0], getattr(single, name)[0]
        assert one == pytest.approx(two, rel=1e-9), name
    np.testing.assert_allclose(double.linkages, single.linkages, atol=1e-12)


def test_delta_warns_of_a_third_harmonic() -> None:
    """Plain narrow magnets over full-pitch coils have one, star or not; only delta is told."""
    study = make_study(
        kind="slotted", pole_pairs=4, magnets_per_pole_pair=2, shape="arc", fill=0.9,
        values={"stator.slots": 24, "winding.connection": "delta"},
    )  # fmt: skip
    star = study.with_values({"winding.connection": "star"})
    told, other = ("\n".join(design_cautions(s, evaluate(s))) for s in (study, star))
    assert "third harmonic of" in told
    assert "third harmonic" not in other
