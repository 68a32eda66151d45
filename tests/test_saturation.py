"""Saturation of stator and ring: unsaturated limits, order, and a ring of linear iron exactly."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from makers import make_study

from arrayopt.checks import design_cautions
from arrayopt.checks.iron import tooth_flux_density, yoke_flux_density
from arrayopt.evaluation import evaluate
from arrayopt.field import AirgapField, solve_field
from arrayopt.layout import Layout, build_layout
from arrayopt.machine import Saturation, inductances, ring_loss, stator_saturation
from arrayopt.machine.saturation import _network
from arrayopt.machine.slot import slot_permeance
from arrayopt.materials import Steel
from arrayopt.quantities import MU0
from arrayopt.study import Study

ORDERS = np.arange(1, 10)


def motor(**values: Any) -> Study:
    """24 slots, 28 poles, 82 mm, teeth at 1.1 T."""
    return make_study(pole_pairs=14, kind="slotted", fill=0.5, values=values)


def solved(study: Study) -> tuple[Layout, AirgapField]:
    layout = build_layout(study)
    return layout, solve_field(layout, orders=ORDERS)


def saturated(study: Study, current: float) -> Saturation:
    return stator_saturation(*solved(study), current=current)


def linear_steel(relative_permeability: float) -> Steel:
    B = np.array([0.0, 300.0])
    return Steel(
        name="linear", density=7850.0, thickness=0.5e-3, resistivity=1e-7, loss=1.0, knee=1.6,
        curve_field=B / MU0 / relative_permeability, curve_flux_density=B,
    )  # fmt: skip


@pytest.fixture
def made_of(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Give all iron one relative permeability, whatever the flux density."""

    def use(relative_permeability: float) -> None:
        steel = linear_steel(relative_permeability)
        monkeypatch.setattr(Study, "steel", lambda _study, _name: steel)

    return use


# --- stator ---


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize(("slots", "layers"), [(24, 2), (24, 1), (21, 2)])
def test_exact_unsaturated_flux_is_that_of_the_checks(
    position: str, slots: int, layers: int
) -> None:
    """The network's magnets alone: peaks in teeth and yoke as from the airgap harmonics."""
    study = make_study(
        position=position, pole_pairs=14 if slots == 24 else 10, kind="slotted", fill=0.5,
        values={"stator.slots": slots, "winding.layers": layers},
    )  # fmt: skip
    layout, field = solved(study)
    found = stator_saturation(layout, field, current=0.0)
    # A tooth stands at a pole's middle at one of the rotor's positions, so that peaks are met.
    np.testing.assert_allclose(found.tooth, tooth_flux_density(field)[0], rtol=1e-9)
    np.testing.assert_allclose(found.yoke, yoke_flux_density(field)[0], rtol=1e-9)


@pytest.mark.parametrize("current", [0.0, 10.0])
def test_exact_ideal_iron_loses_nothing(current: float, made_of: Callable[[float], None]) -> None:
    """Loss falls as one over the permeability while it is small."""
    losses = []
    for permeability in (1e6, 1e8):
        made_of(permeability)
        losses.append(saturated(motor(), current).loss)
    assert losses[0] < 1e-3
    assert losses[0] / losses[1] == pytest.approx(100, rel=0.02)  # second-order terms


def test_exact_weak_magnets_lose_least() -> None:
    """No load: loss rises with the flux; far below the knee only the iron's reluctance is left."""
    losses = []
    for remanence in (0.3, 0.9, 1.3, 1.55):
        own = {"like": "N42SH", "remanence_min_t": 0.2, "remanence_typical_t": remanence,
               "remanence_max_t": 1.6}  # fmt: skip
        study = motor(**{"materials.magnets": {"mine": own}, "rotor.grade": "mine",
                         "stator.tooth_width_mm": 3.5})  # fmt: skip
        losses.append(saturated(study, 0.0).loss)
    assert 0 < losses[0] < 1e-2
    assert losses[1] < losses[2] < losses[3]
    assert losses[3] > 0.01


def test_exact_order() -> None:
    """More current, narrower teeth, thinner tips or yoke: more loss and more flux density."""
    base = saturated(motor(), 20.0)
    assert saturated(motor(), 0.0).loss < base.loss < saturated(motor(), 60.0).loss
    assert saturated(motor(), 60.0).tooth > base.tooth
    for key, value in (("tooth_width_mm", 4.0), ("yoke_mm", 2.0), ("tooth_tip_mm", 0.4)):
        assert saturated(motor(**{f"stator.{key}": value}), 20.0).loss > base.loss, key
    assert 0 < saturated(motor(), 500.0).loss < 1


def test_exact_current_of_either_sign() -> None:
    """The rotor's two senses are mirror images."""
    one, other = saturated(motor(), 30.0), saturated(motor(), -30.0)
    assert one.loss == pytest.approx(other.loss, rel=1e-6)  # Newton's tolerance
    assert one.tooth == pytest.approx(other.tooth, rel=1e-9)


def test_exact_paths_and_turns_are_ampere_turns() -> None:
    twice = motor(**{"winding.turns_per_coil": 44})
    halved = motor(**{"winding.parallel_paths": 2})
    base = saturated(motor(), 30.0)
    for study, current in ((twice, 15.0), (halved, 60.0)):
        found = saturated(study, current)
        np.testing.assert_allclose(
            dataclasses.astuple(found), dataclasses.astuple(base), rtol=1e-6
        )  # Newton's tolerance


def test_exact_unknown_yoke_is_left_out() -> None:
    found = saturated(motor(**{"stator.yoke_mm": None}), 20.0)
    assert np.isnan(found.yoke)
    assert 0 < found.loss < saturated(motor(), 20.0).loss


@pytest.mark.parametrize(("ring", "slots", "pairs"), [(0.0, 24, 14), (2.0, 24, 14), (0.0, 12, 5)])
def test_independent_network_is_the_inductance(ring: float, slots: int, pairs: int) -> None:
    """Tooth potentials through gap and openings link what the current sheet's waves do.

    The potential rises over an opening as evenly as ampere-turns do; at the tooth's top nothing
    has crossed the slot yet.
    """
    study = make_study(
        pole_pairs=pairs, kind="slotted", fill=0.5,
        values={"stator.slots": slots, "rotor.steel_ring_mm": ring},
    )  # fmt: skip
    layout, field = solved(study)
    net, found, slot = _network(layout, field), inductances(layout, field), slot_permeance(study)
    expected = found.gap[0] + found.slot[0] * slot.opening / (slot.opening + slot.linking)
    teeth = net.linkage.shape[1]
    flux = np.repeat(net.drive, 3, axis=1) @ net.permeance[2 * teeth : 3 * teeth].T
    linked = 22 * slots / teeth * flux @ net.linkage.T
    np.testing.assert_allclose(linked, -expected * np.sin(net.axis), atol=1e-9 * expected)


# --- ring ---


def ringed(thickness: float, *, position: str = "outer", kind: str = "smooth") -> Study:
    return make_study(
        position=position, pole_pairs=10, kind=kind, magnets_per_pole_pair=2, shape="arc",
        fill=0.9, values={"rotor.steel_ring_mm": thickness},
    )  # fmt: skip


def test_exact_ring_order() -> None:
    losses = [ring_loss(solved(ringed(t))[1])[0] for t in (0.5, 1.0, 1.5, 2.0, 4.0, 20.0)]
    assert all(a > b > 0 for a, b in pairwise(losses))
    assert losses[0] < 1
    assert losses[-1] < 1e-3
    assert ring_loss(solved(ringed(0.0))[1])[0] == 0


def exact_ring_loss(
    field: AirgapField, thickness: float, permeability: float, *, outer: bool
) -> float:
    """Stator field that a linear ring of finite thickness loses, fundamental, plane and exact.

    Homogeneous part beside that of an infinitely permeable ring: potential F r^n + G r^-n in the
    gap, the ring's own C r^n + D r^-n, and what leaks out on its far side; continuous potential
    and flux at both faces of the ring, where the magnets' flux B enters besides.
    """
    irons, n = field.irons, float(field.turns[0, 0])
    near = float(irons.ring[0])
    far = near + thickness * (1 if outer else -1)
    scale = 1.0 / near  # radii over that of the ring: raw powers overflow
    s, b = float(irons.stator[0]) * scale, far * scale
    B, e = float(field.ring[0, 0]), -n if outer else n
    sides = [
        # at the stator: iron keeps the potential at zero, or without iron no wave from within
        [s**n, s**-n, 0, 0, 0] if irons.stator_iron[0] else ([0, 1, 0, 0, 0] if outer else
                                                             [1, 0, 0, 0, 0]),
        [1, 1, -1, -1, 0],
        [n, -n, -permeability * n, permeability * n, 0],
        [0, 0, b**n, b**-n, -(b**e)],
        [0, 0, permeability * n * b**n, -permeability * n * b**-n, -e * b**e],
    ]  # fmt: skip
    # B = -mu0 d(phi)/dr; the flux that infinitely permeable iron would take enters the ring.
    F, G, *_ = np.linalg.solve(np.array(sides), [0, 0, B * near / MU0, 0, 0])
    lost = -MU0 * n * (F * s**n - G * s**-n) / (s * near)
    return float(-lost / field.surface[0, 0])


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("kind", ["smooth", "ironless"])
@pytest.mark.parametrize(("thickness", "permeability"), [(1.0, 200.0), (1.0, 1000.0), (0.5, 100.0)])
def test_independent_linear_ring(
    position: str, kind: str, thickness: float, permeability: float,
    made_of: Callable[[float], None],
) -> None:  # fmt: skip
    """Laplace's equation solved through gap, ring and the space behind it."""
    made_of(permeability)
    _, field = solved(ringed(thickness, position=position, kind=kind))
    exact = exact_ring_loss(field, thickness * 1e-3, permeability, outer=position == "outer")
    assert 0.002 < exact < 0.5
    # Flux spread evenly over a ring of up to 1 mm, a fourteenth of a pole.
    np.testing.assert_allclose(ring_loss(field)[0], exact, rtol=0.03)


# --- told ---


def test_cautions_of_saturation() -> None:
    """A thin ring is told with its loss, a roomy one is not."""
    thin, thick = ringed(0.8), ringed(6.0)
    found = evaluate(thin)
    told, other = (
        "\n".join(design_cautions(s, r)) for s, r in ((thin, found), (thick, evaluate(thick)))
    )
    assert "iron saturates at no load" in told
    assert "iron saturates" not in other
    loss = ring_loss(solved(thin)[1])[0]
    assert found["flux_loss"].values[0] == pytest.approx(loss, rel=0.02)  # more harmonics


def test_exact_peak_torque_is_what_is_left() -> None:
    narrow = motor(**{"stator.tooth_width_mm": 3.0})
    found = evaluate(narrow)
    assert "of the torque at peak current, already taken off" in "\n".join(
        design_cautions(narrow, found)
    )
    left = found["torque_constant"].values[0] * 25.0 * (1 - found["torque_loss"].values[0])
    assert found["peak_torque"].values[0] == pytest.approx(left, rel=1e-12)
    assert found["joint_peak_torque"].values[0] == pytest.approx(left * 6.0 * 0.9, rel=1e-12)


@pytest.mark.parametrize(("slots", "pairs"), [(12, 4), (18, 8)])
def test_exact_network_covers_a_period_of_one_layer(slots: int, pairs: int) -> None:
    """An odd number of teeth repeats the poles but not the coils: every phase must be there."""
    study = make_study(
        pole_pairs=pairs, kind="slotted", fill=0.6, diameter=60.0,
        values={"stator.slots": slots, "winding.layers": 1, "stator.yoke_mm": 8.0,
                "stator.tooth_width_mm": 5.0},
    )  # fmt: skip
    net = _network(*solved(study))
    turns = np.abs(net.linkage).sum(axis=1)
    np.testing.assert_allclose(turns, turns[0], rtol=1e-12)
    assert turns[0] > 0
    # No current, no load: the linear linkage along d is the flux linkage of the figures.
    study = study.with_values({"rotor.length_mm": 12.0})
    layout, field = solved(study)
    along = _network(layout, field)
    repeats = slots / along.linkage.shape[1]
    linkage = along.output(along.flux(0 * np.repeat(along.drive, 3, axis=1)), 0.0)
    got = linkage * repeats * study.winding.turns_per_coil
    np.testing.assert_allclose(
        got, evaluate(study)["flux_linkage"].values[0], rtol=1e-5
    )  # positions
