"""Where finite length matters beside the stator surface: ring, winding, overhang, batches."""

from __future__ import annotations

import magpylib as magpy
import numpy as np
import pytest
from makers import make_study, unit_magnets
from whole_array import whole_array

from arrayopt.checks.iron import ring_flux, tooth_flux_density
from arrayopt.evaluation import evaluate_batch
from arrayopt.field import solve_field
from arrayopt.field.free import free_harmonics_at_ring
from arrayopt.layout import build_layout, rotor_masses
from arrayopt.materials import magnet_grade
from arrayopt.study import Study

ORDERS = np.arange(1, 8)
RINGED = {"rotor.steel_ring_mm": 2.0, "rotor.clearance_mm": 0.1}


def solved(study: Study, *, recoil: float = 1.0):
    layout = unit_magnets(build_layout(study), recoil_permeability=recoil)
    return solve_field(layout, orders=ORDERS)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize(("M", "p"), [(2, 16), (4, 16), (4, 5)])
def test_independent_field_at_the_ring(position: str, M: int, p: int) -> None:
    """A clearance of 0.1 mm away, against all magnets in magpylib sampled evenly and densely."""
    study = make_study(position=position, pole_pairs=p, magnets_per_pole_pair=M, values=RINGED)
    layout = build_layout(study)
    got = free_harmonics_at_ring(layout, orders=ORDERS)[..., 0].sum(axis=0)
    count, radius = 4096 // p, float(layout.ring_radius[0])
    theta = np.arange(count) / count * 2 * np.pi / p
    # Planes crowd towards the magnets' end, where the field changes over the clearance.
    u, w = np.polynomial.legendre.leggauss(16)
    depth = np.expm1(6 * (u + 1) / 2) / np.expm1(6)
    weight = w * np.exp(6 * (u + 1) / 2)
    z = study.stator.stack_mm * 0.5e-3 * (1 - depth)
    t, h = (a.ravel() for a in np.meshgrid(theta, z, indexing="ij"))
    points = np.stack([radius * np.cos(t), radius * np.sin(t), h], axis=1)
    B = magpy.getB(whole_array(study), points)
    radial = (B[:, 0] * np.cos(t) + B[:, 1] * np.sin(t)).reshape(count, 16)
    mean = radial @ (weight / weight.sum()) / magnet_grade(study.rotor.grade).remanence
    waves = 2 / count * np.cos(np.outer(ORDERS * p, theta)) @ mean
    # 4096 samples a turn leave aliases of a percent of the highest orders.
    np.testing.assert_allclose(got, waves, rtol=0, atol=1e-3 * np.abs(waves).max())


def test_exact_ring_alone_does_not_know_the_airgap() -> None:
    """Same magnets and ring, an ironless stator at three distances: the ring sees the same."""
    fluxes = []
    for gap in (0.3, 1.0, 4.0):
        study = make_study(
            magnets_per_pole_pair=2, pole_pairs=16, airgap=gap, diameter=84 - 2 * gap,
            fill=0.8, kind="ironless", values=RINGED,
        )  # fmt: skip
        fluxes.append(float(ring_flux(solved(study))[0]))
    # Nothing that the ring sees has changed; sampling is the same, so only rounding is left.
    np.testing.assert_allclose(fluxes, fluxes[0], rtol=1e-6)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("depth", [0.5, 2.0, 4.0])
def test_independent_field_in_an_ironless_winding(position: str, depth: float) -> None:
    """Stack mean inside the winding against all magnets in magpylib, ends included."""
    study = make_study(position=position, pole_pairs=8, kind="ironless", diameter=72.0)
    radius = 36e-3 + depth * (-1e-3 if position == "outer" else 1e-3)
    field = solved(study)
    theta = np.linspace(0, 2 * np.pi / 8, 96, endpoint=False)
    u, w = np.polynomial.legendre.leggauss(12)
    z = study.stator.stack_mm * 0.5e-3 * (u + 1) / 2
    t, h = (a.ravel() for a in np.meshgrid(theta, z, indexing="ij"))
    points = np.stack([radius * np.cos(t), radius * np.sin(t), h], axis=1)
    B = magpy.getB(whole_array(study), points)
    radial = (B[:, 0] * np.cos(t) + B[:, 1] * np.sin(t)).reshape(96, 12) @ (w / 2)
    wanted = 2 * np.mean(radial * np.cos(8 * theta)) / magnet_grade("N42SH").remanence
    got = float(field.harmonics_at(np.array([radius]))[0, 0])
    np.testing.assert_allclose(got, wanted, rtol=1e-3)  # both routes sample finely enough


@pytest.mark.parametrize("ring", [0.0, 2.0])
def test_teeth_and_ring_beside_the_magnets_carry_the_flux_of_longer_stacks(ring: float) -> None:
    """Sheets beyond the magnets take little; those beside them must not look relieved."""
    values = {**RINGED, "rotor.steel_ring_mm": ring}
    studies = [make_study(kind="slotted", stack=stack, values=values) for stack in (12.0, 24.0)]
    same, longer = (solved(study) for study in studies)
    teeth = [float(tooth_flux_density(field)[0]) for field in (same, longer)]
    # Fringing into the longer stack adds up to a tenth; half would be the mean over all of it.
    assert 1.0 <= teeth[1] / teeth[0] < 1.12
    if ring:
        fluxes = [float(ring_flux(field)[0]) for field in (same, longer)]
        assert 0.98 < fluxes[1] / fluxes[0] < 1.12


def test_exact_batch_of_all_kinds_equals_single_evaluations() -> None:
    """Pole pairs (one and two among them), stack, ring, slots and gap mixed in one batch."""
    changes = [
        {"rotor.pole_pairs": 1, "stator.slots": 6, "stator.tooth_width_mm": 5.0},
        {"rotor.pole_pairs": 2, "stator.slots": 6},
        {"rotor.pole_pairs": 10},
        {"rotor.pole_pairs": 14, "stator.stack_mm": 20.0},
        {"rotor.pole_pairs": 14, "rotor.steel_ring_mm": 2.0, "airgap.length_mm": 1.5},
        {"rotor.pole_pairs": 14, "stator.slot_opening_mm": 0.5, "rotor.length_mm": 18.0},
    ]
    base = make_study(kind="slotted", pole_pairs=14, fill=0.6)
    studies = [base.with_values(change) for change in changes]
    together = evaluate_batch(studies)
    for i, study in enumerate(studies):
        alone = evaluate_batch([study])
        for name in together:
            np.testing.assert_allclose(
                together[name].values[i], alone[name].values[0], rtol=1e-9, atol=1e-15, err_msg=name
            )


@pytest.mark.parametrize(("p", "span"), [(1, 170.0), (2, 85.0), (3, 50.0)])
def test_exact_carrier_of_wide_arcs(p: int, span: float) -> None:
    """Print is ring less pockets: with arcs all areas are sectors."""
    study = make_study(
        pole_pairs=p, magnets_per_pole_pair=2, shape="arc",
        values={"rotor.main.span_deg": span, "carrier.floor_mm": 0.0, "carrier.backing_mm": 1.6},
    )  # fmt: skip
    ring = np.pi * (46.6**2 - 42**2)
    pockets = 2 * p * np.radians(span) / 2 * (45**2 - 42**2)
    grams = (ring - pockets) * 12.0 * 1.27e-3  # PETG, 12 mm long
    # Curved sides are chords of a 64th of the span.
    np.testing.assert_allclose(
        float(rotor_masses(build_layout(study)).carrier[0]) * 1e3, grams, rtol=1e-2
    )


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("shape", ["block", "arc"])
def test_exact_ring_that_touches_the_magnets(shape: str, position: str) -> None:
    """No clearance is the limit of ever smaller ones, for orders of many waves too."""
    fields = []
    for clearance in (0.0, 0.02, 0.04):
        study = make_study(
            position=position, pole_pairs=20, magnets_per_pole_pair=2, diameter=60.0,
            fill=0.6, kind="ironless", shape=shape,
            values={"rotor.steel_ring_mm": 1.0, "rotor.clearance_mm": clearance},
        )  # fmt: skip
        fields.append(free_harmonics_at_ring(build_layout(study), orders=ORDERS)[0, :, 0])
    at, near, far = fields
    # Straight on from the other two; what curves is 0.2 % of the largest.
    np.testing.assert_allclose(at, 2 * near - far, rtol=0, atol=3e-3 * np.abs(at).max())
