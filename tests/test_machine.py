"""Figures of the machine against circuit identities, hand sums and integration coil by coil."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
import shapely
from makers import make_study, unit_magnets
from whole_array import whole_array

from arrayopt.checks import design_cautions
from arrayopt.evaluation import evaluate
from arrayopt.field import AirgapField, solve_field
from arrayopt.layout import build_layout
from arrayopt.machine import (
    MachineFigures,
    harmonic_distortion,
    machine_figures,
    mean_turn,
    waveform,
    winding_of,
)
from arrayopt.machine.copper import slot_area, slot_fill
from arrayopt.materials import magnet_grade
from arrayopt.study import Study
from arrayopt.study.coils import usual_span

ORDERS = np.array([1, 2, 3, 4, 5, 7])
ROUNDING = 1e-12

# Double-layer tooth windings as commonly drawn, one coil a tooth, small letters wound backwards
# (published: Cros & Viarouge 2002, from memory).
PATTERNS = {(12, 7): "AabBCcaABbcC", (9, 4): "AaABbBCcC", (24, 14): "AabBCcaABbcC" * 2}


def solved(study: Study) -> tuple[AirgapField, MachineFigures]:
    layout = build_layout(study)
    field = solve_field(layout, orders=ORDERS)
    return field, machine_figures(layout, field)


def motor(**values: object) -> Study:
    """Slotted motor of 24 slots and 28 poles with a mean turn of 60 mm."""
    return make_study(
        pole_pairs=14, kind="slotted", fill=0.7, values={"winding.mean_turn_mm": 60.0} | values
    )


# --- identities ---


@pytest.mark.parametrize("connection", ["star", "delta"])
def test_exact_power_balance(connection: str) -> None:
    """Three sinusoidal phases: electrical power over speed is the torque constant per peak A."""
    _, figures = solved(motor(**{"winding.connection": connection}))
    speed, current = 70.0, 3.0
    theta = np.linspace(0, 2 * pi, 7)[:, None]  # electrical angle
    phases = theta - np.array([0, 1, 2]) * 2 * pi / 3
    emf = 14 * speed * figures.flux_linkage * np.cos(phases)
    torque = (emf * current * np.cos(phases)).sum(axis=1) / speed
    np.testing.assert_allclose(torque, figures.torque_constant[0] * current, rtol=ROUNDING)
    # Line to line: difference of two phases in star, one phase in delta.
    fine = np.linspace(0, 2 * pi, 3600, endpoint=False)
    line = np.cos(fine) - np.cos(fine - 2 * pi / 3) if connection == "star" else np.cos(fine)
    peak = 14 * figures.flux_linkage * np.abs(line).max()
    np.testing.assert_allclose(figures.back_emf_constant, peak, rtol=1e-6)  # 3600 angles
    np.testing.assert_allclose(figures.speed_constant * figures.back_emf_constant, 1, rtol=ROUNDING)


def test_exact_star_and_delta() -> None:
    star, delta = (solved(motor(**{"winding.connection": c}))[1] for c in ("star", "delta"))
    np.testing.assert_allclose(
        star.back_emf_constant / delta.back_emf_constant, sqrt(3), rtol=ROUNDING
    )
    for name in ("torque_constant", "motor_constant", "continuous_torque"):
        np.testing.assert_allclose(getattr(star, name), getattr(delta, name), rtol=ROUNDING)


def test_exact_turns_and_strands() -> None:
    """Motor constant goes with copper, not with turns; torque constant with turns alone."""
    one = solved(motor())[1]
    more = solved(motor(**{"winding.turns_per_coil": 11, "winding.strands": 2}))[1]
    np.testing.assert_allclose(one.torque_constant / more.torque_constant, 2, rtol=ROUNDING)
    np.testing.assert_allclose(one.resistance_cold / more.resistance_cold, 4, rtol=ROUNDING)
    for name in ("motor_constant", "continuous_torque", "slot_fill"):
        np.testing.assert_allclose(getattr(one, name), getattr(more, name), rtol=ROUNDING)


# --- by hand ---


def test_exact_heat_by_hand() -> None:
    """22 turns x 8 coils x 60 mm of 0.63 mm wire; 85 K over 2.4 K/W at 110 C.

    Magnets stay at the ambient of 25 C: N42SH then has 1 - 5 K x 0.11 % of its remanence.
    """
    _, figures = solved(motor(**{"heat.rotor_rise_share": 0.0}))
    cold = 22 * 8 * 60e-3 / 58e6 / (pi / 4 * 0.63e-3**2)
    hot = cold * (1 + 0.00393 * 90)
    current = sqrt((110 - 25) / 2.4 / 3 / hot)
    torque = 1.5 * 14 * figures.flux_linkage * sqrt(2) * current * (1 - 5 * 0.0011)
    np.testing.assert_allclose(figures.resistance_cold, cold, rtol=ROUNDING)
    np.testing.assert_allclose(figures.resistance_hot, hot, rtol=ROUNDING)
    np.testing.assert_allclose(figures.continuous_current, current, rtol=ROUNDING)
    np.testing.assert_allclose(figures.continuous_torque, torque, rtol=ROUNDING)
    np.testing.assert_allclose(figures.joint_torque, torque * 6.0 * 0.9, rtol=ROUNDING)
    # Motor constant: torque over root of the copper loss of any current, here 5 A peak.
    loss = 3 * (5 / sqrt(2)) ** 2 * cold
    np.testing.assert_allclose(
        figures.motor_constant, figures.torque_constant * 5 / sqrt(loss), rtol=ROUNDING
    )


def test_no_data_is_nan() -> None:
    study = motor().model_copy(update={"heat": None, "joint": None})
    _, figures = solved(study)
    for name in ("resistance_hot", "continuous_current", "continuous_torque", "joint_torque"):
        assert np.isnan(getattr(figures, name)).all(), name
    assert np.isfinite(figures.torque_constant).all()
    cool = motor().model_copy(update={"joint": None})
    assert np.isfinite(solved(cool)[1].continuous_torque).all()
    assert np.isnan(solved(cool)[1].joint_torque).all()


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_slot_fill(position: str) -> None:
    """Slot as a polygon: sector between radii less two half teeth with parallel sides."""
    study = make_study(position=position, pole_pairs=14, kind="slotted")
    # 14 mm of winding space below tips of 1 mm.
    lo, hi = (26.0, 40.0) if position == "outer" else (42.0, 56.0)
    t = np.linspace(-pi / 24, pi / 24, 401)
    x, y = np.outer([hi, lo], np.cos(t)), np.outer([hi, lo], np.sin(t))
    sector = shapely.Polygon(np.stack([np.r_[x[0], x[1, ::-1]], np.r_[y[0], y[1, ::-1]]], axis=1))
    area = sector.area - 5.0 * 14.0
    np.testing.assert_allclose(slot_area(study)[0] * 1e6, area, rtol=1e-4)  # chords
    fill = 2 * 22 * pi / 4 * 0.63**2 / area
    np.testing.assert_allclose(slot_fill(study), fill, rtol=1e-4)  # chords
    without = study.model_copy(
        update={"stator": study.stator.model_copy(update={"slot_depth_mm": None})}
    )
    assert slot_fill(without) is None


def test_exact_fill_of_a_winding_in_the_gap() -> None:
    """22 turns in a coil side of 3 mm by 1.5 mm."""
    study = make_study(airgap=3.0, pole_pairs=14, values={"winding.wire_diameter_mm": 0.3})
    np.testing.assert_allclose(slot_fill(study), 22 * pi / 4 * 0.09 / (3 * 1.5), rtol=ROUNDING)


def test_exact_mean_turn_of_a_tooth_coil() -> None:
    """Middle of the coil round the tooth: straight sides, four quarter circles."""
    study = make_study(pole_pairs=14, kind="slotted")
    side = (
        2 * pi * (41.0 - 1.0 - 7.0) / 24 - 5.0
    ) / 2  # of one coil, half a slot wide, below the tip
    square = shapely.box(0, 0, 5.0, 12.0).buffer(side / 2, quad_segs=400)
    np.testing.assert_allclose(mean_turn(study) * 1e3, square.length, rtol=1e-5)  # chords
    assert mean_turn(motor()) == pytest.approx(60e-3, rel=ROUNDING)


# --- flux linkage ---


def phase_linkage(pattern: str, coil: np.ndarray, slots: int) -> float:
    """Fundamental over a turn of the linkage of phase A, from one coil's linkage at even angles."""
    steps = len(coil)
    total = sum(
        ((c == "A") - (c == "a")) * np.roll(coil, round(k * steps / slots))
        for k, c in enumerate(pattern)
    )
    return np.abs(np.fft.rfft(total)) * 2 / steps


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize(("slots", "pole_pairs"), list(PATTERNS))
def test_independent_slotted_linkage(position: str, slots: int, pole_pairs: int) -> None:
    """The airgap waveform summed over each tooth's pitch, coil by coil."""
    study = make_study(
        position=position, pole_pairs=pole_pairs, kind="slotted", values={"stator.slots": slots}
    )
    field, figures = solved(study)
    steps = slots * 2000
    t = (np.arange(steps) + 0.5) * 2 * pi / steps
    density = waveform(field.surface, ORDERS, t * pole_pairs)[:, 0]
    flux = np.cumsum(density) * 41e-3 * 12e-3 * 2 * pi / steps
    coil = 22 * (flux - np.roll(flux, steps // slots))
    waves = phase_linkage(PATTERNS[slots, pole_pairs], coil, slots)
    # Steps of 1/2000 slot.
    np.testing.assert_allclose(figures.flux_linkage, waves[pole_pairs], rtol=1e-6)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("kind", ["smooth", "ironless"])
@pytest.mark.parametrize(("slots", "pole_pairs"), [(12, 7), (9, 4)])
def test_independent_gap_winding_linkage(
    position: str, kind: str, slots: int, pole_pairs: int
) -> None:
    """Every turn of a coil side linked on its own, in the field of all magnets summed.

    Long magnets of mu_r = 1; smooth iron of 40 mm diameter mirrors the field in itself.
    """
    study = make_study(
        position=position, pole_pairs=pole_pairs, kind=kind, diameter=40.0, airgap=3.0,
        length=150.0, stack=1.0,
        values={"stator.slots": slots, "stator.winding_thickness_mm": 2.0,
                "stator.coil_side_mm": 4.0},
    )  # fmt: skip
    layout = unit_magnets(build_layout(study))
    figures = machine_figures(layout, solve_field(layout, orders=ORDERS))
    magnets = whole_array(study)
    Br = magnet_grade("N42SH").remanence
    # Winding on the iron, or behind the surface of a stator without iron.
    inward = (kind == "smooth") != (position == "outer")
    lo, hi = (18.0, 20.0) if inward else (20.0, 22.0)
    steps = slots * 40
    t = (np.arange(steps) + 0.5) * 2 * pi / steps
    coils = []
    for r in lo + (hi - lo) * (np.arange(6) + 0.5) / 6:

        def radial(at: float) -> np.ndarray:
            points = np.stack([at * np.cos(t), at * np.sin(t), 0 * t], axis=1) * 1e-3
            B = magnets.getB(points)
            return (B[:, 0] * np.cos(t) + B[:, 1] * np.sin(t)) / Br

        # Mirrored in a circle of 20 mm: the field at 400/r, spread by how areas grow.
        density = radial(r)
        if kind == "smooth":
            density = density + radial(400 / r) * (20 / r) ** 2
        flux = np.cumsum(density - density.mean()) * r * 1e-3 * 1e-3 * 2 * pi / steps
        spectrum = np.fft.rfft(flux)
        # Coil sides of 4 mm at 21 or 19 mm, each up against its neighbour's: 22 turns over them.
        middle, n = (lo + hi) / 2, np.arange(len(spectrum))
        for u in (np.arange(22) + 0.5) / 22 * 4.0 / middle:
            a, b = u, 2 * pi / slots - u
            coils.append(spectrum * (np.exp(1j * n * b) - np.exp(1j * n * a)))
    coil = np.fft.irfft(np.mean(coils, axis=0), n=steps) * 22
    waves = phase_linkage(PATTERNS[slots, pole_pairs], coil, slots)
    # 22 turns stand for an even side, 6 layers for an even thickness.
    np.testing.assert_allclose(figures.flux_linkage, waves[pole_pairs], rtol=5e-4)


def test_exact_distortion_of_a_square_wave() -> None:
    """Square wave: root of (pi^2/8 - 1); 4000 odd orders stand for all."""
    orders = np.arange(1, 8000, 2)
    got = harmonic_distortion((4 / pi / orders)[:, None], orders)
    np.testing.assert_allclose(got, sqrt(pi**2 / 8 - 1), rtol=3e-4)  # orders left out


def test_exact_coil_span_of_overlapping_coils() -> None:
    """Full pitch distributed winding of q = 1: every turn embraces a whole pole."""
    study = make_study(pole_pairs=4, kind="slotted", values={"stator.slots": 24})
    field, figures = solved(study)
    assert winding_of(study).coil_span == 3
    expected = 2 * 22 * 8 * abs(field.surface[0]) * 41e-3 * 12e-3 / 4
    np.testing.assert_allclose(figures.winding_factor, 1, rtol=ROUNDING)
    np.testing.assert_allclose(figures.flux_linkage, expected, rtol=ROUNDING)


@pytest.mark.parametrize(
    ("slots", "pairs", "span"),
    [
        (12, 4, 1),
        (9, 3, 1),
        (36, 12, 1),
        (12, 5, 1),
        (36, 16, 1),
        (36, 3, 6),
        (48, 4, 6),
        (15, 5, 1),
    ],
)
def test_exact_usual_span(slots: int, pairs: int, span: int) -> None:
    """Half-way between one and two slots a coil goes round one tooth, as everybody winds it."""
    assert usual_span(slots=slots, pole_pairs=pairs) == span


def test_short_stacks_and_poor_windings_are_cautioned() -> None:
    """Common mistakes that stay within every key's range."""

    def told(values: dict[str, float]) -> str:
        study = make_study(kind="slotted", fill=0.5).with_values(values)
        return "\n".join(design_cautions(study, evaluate(study)))

    assert told({}) == ""
    assert "differ a lot in length" in told({"stator.stack_mm": 1.2})
    assert "winding factor is 0.617" in told(
        {"stator.slots": 9, "rotor.pole_pairs": 7, "stator.tooth_width_mm": 5.0}
    )
