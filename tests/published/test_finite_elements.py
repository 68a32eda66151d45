"""Fields and flux linkages against plane finite elements that share nothing with the kernel.

Magnets of 300 mm over a stack of 0.5 mm have no ends: there the three-dimensional kernel is the
plane problem. The meshes used here are within 0.07 % of finer ones (half the size, elements of
order 4) in slotless cases, and within 0.1 % with slots (half the size, order 3).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
import xarray as xr
from finite_elements import (
    at_current,
    peak_linkage,
    phase_axis,
    solve,
    synchronous_inductance,
)
from makers import make_study
from verification import agree, worst_of

from arrayopt.checks.buildable import check_buildable
from arrayopt.evaluation import evaluate_batch, with_details
from arrayopt.study import Study

STACK = 0.5  # mm
SOURCE = "Plane finite elements (ngsolve)"

ROTORS: dict[str, dict[str, Any]] = {
    "outer-M4-block": {"pole_pairs": 14, "fill": {"main": 0.95, "transverse": 0.5}},
    "outer-M2-arc": {
        "pole_pairs": 5, "magnets_per_pole_pair": 2, "shape": "arc", "fill": 0.85,
        "diameter": 50.0, "thickness": 2.5, "airgap": 0.7,
    },
    "outer-M8-block": {
        "pole_pairs": 7, "magnets_per_pole_pair": 8, "fill": 0.85, "diameter": 60.0,
        "thickness": 5.0,
    },
    "outer-M4-thin-transverse-at-the-back": {
        "pole_pairs": 20, "fill": {"main": 0.9, "transverse": 0.7}, "diameter": 120.0,
        "values": {"rotor.transverse.thickness_mm": 2.0, "rotor.transverse.flush": "back"},
    },
    "outer-M2-block": {
        "pole_pairs": 21, "magnets_per_pole_pair": 2, "fill": 0.8, "diameter": 100.0,
        "thickness": 2.5, "airgap": 0.8,
    },
    "outer-M3-arc": {
        "pole_pairs": 8, "magnets_per_pole_pair": 3, "shape": "arc", "fill": 0.9,
        "diameter": 70.0, "thickness": 4.0,
    },
    "inner-M2-block": {
        "position": "inner", "pole_pairs": 7, "magnets_per_pole_pair": 2, "fill": 0.8,
        "diameter": 60.0,
    },
    "inner-M4-arc": {
        "position": "inner", "pole_pairs": 5, "shape": "arc", "fill": 0.9, "diameter": 50.0,
        "thickness": 5.0,
    },
    "inner-M8-block": {
        "position": "inner", "pole_pairs": 4, "magnets_per_pole_pair": 8, "fill": 0.95,
        "diameter": 60.0, "thickness": 6.0,
    },
    "inner-M6-block": {
        "position": "inner", "pole_pairs": 10, "magnets_per_pole_pair": 6, "fill": 0.85,
        "diameter": 90.0, "thickness": 4.0,
    },
}  # fmt: skip
IRONS = [("ironless", 0.0), ("smooth", 0.0), ("ironless", 2.0), ("smooth", 2.0)]


def slotless(rotor: str, kind: str, ring: float, *, recoil: float) -> Study:
    """Endless study of a rotor with magnets of a recoil permeability of our own."""
    make = dict(ROTORS[rotor])
    values = {
        "stator.slots": 3 * make["pole_pairs"],
        "stator.coil_side_mm": 0.5,
        "rotor.steel_ring_mm": ring,
        "rotor.clearance_mm": 0.1,  # corners that touch a ring leave no room for a mesh
        "materials.magnets.own": {"like": "N42SH", "recoil_permeability": recoil},
        "rotor.grade": "own",
        **make.pop("values", {}),
    }
    return make_study(kind=kind, length=300.0, stack=STACK, values=values, **make)


def evaluated(study: Study) -> xr.Dataset:
    """All that `evaluate` computes but its judgement of the magnets, which takes longest."""
    check_buildable(study)
    return with_details(evaluate_batch([study]), [study])[0]


@pytest.mark.parametrize(("kind", "ring"), IRONS)
@pytest.mark.parametrize("rotor", ROTORS)
def test_independent_harmonics(rotor: str, kind: str, ring: float) -> None:
    """Blocks and arcs, families, phases, both irons: without recoil both are exact."""
    study = slotless(rotor, kind, ring, recoil=1.0)
    p = study.rotor.pole_pairs
    amplitude = np.abs(evaluated(study).amplitude.sel(harmonic=[1, 3, 5, 7]).values[0])
    field = solve(study, saturates=False)
    expected = np.array([field.harmonic(m * p) for m in (1, 3, 5, 7)])
    # Mesh, and what is left of the kernel's aliases.
    np.testing.assert_allclose(amplitude, expected, rtol=0, atol=3e-4 * expected[0])


@pytest.mark.parametrize("rotor", ROTORS)
def test_independent_fundamental_with_recoil(rotor: str) -> None:
    """mu_r = 1.05, which takes off up to 4 %: one cell a magnet is blind to more."""
    pairs = []
    for kind, ring in IRONS:
        study = slotless(rotor, kind, ring, recoil=1.05)
        expected = solve(study, saturates=False).harmonic(study.rotor.pole_pairs)
        pairs.append((expected, float(evaluated(study).fundamental[0])))
    # Known to be the hardest: full arcs of three a pole pair under a ring alone (0.7 %), and
    # magnets five times as wide as thick without iron (0.5 %).
    hard = {"outer-M3-arc": 8e-3, "outer-M2-arc": 6e-3}
    agree(
        f"Airgap fundamental, recoil 1.05, {rotor}, worst of four irons",
        source=SOURCE, kind="independent", unit="T", rtol=hard.get(rotor, 5e-3),
        **worst_of(pairs),
    )  # fmt: skip


def slotted(
    slots: int,
    tooth: float,
    opening: float,
    depth: float,
    *,
    tip: float = 1.5,
    yoke: float | None = None,
    ring: float = 0.0,
    **make: Any,
) -> Study:
    """Endless slotted study; lengths in mm."""
    values: Mapping[str, Any] = {
        "stator.slots": slots,
        "stator.tooth_width_mm": tooth,
        "stator.slot_opening_mm": opening,
        "stator.slot_depth_mm": depth,
        "stator.tooth_tip_mm": tip,
        "stator.yoke_mm": yoke or tooth,
        "rotor.steel_ring_mm": ring,
        "rotor.clearance_mm": 0.1,
    }
    return make_study(kind="slotted", length=300.0, stack=STACK, values=values, **make)


_ARRAY = {"fill": {"main": 0.95, "transverse": 0.5}}
_ALTERNATING = {
    "pole_pairs": 5, "magnets_per_pole_pair": 2, "diameter": 50.0, "thickness": 2.5,
}  # fmt: skip
MACHINES = {
    "24-28-outer-M4-block": slotted(24, 5.0, 2.2, 14.0, pole_pairs=14, **_ARRAY),
    "36-42-outer-M4-block": slotted(36, 4.5, 1.8, 12.0, pole_pairs=21, diameter=100.0),
    "36-32-outer-M4-block": slotted(
        36, 3.6, 1.6, 10.0, tip=1.0, pole_pairs=16, diameter=86.0, **_ARRAY
    ),
    "12-10-outer-M2-block-ring": slotted(12, 7.5, 3.0, 7.0, ring=6.0, fill=0.8, **_ALTERNATING),
    "12-10-outer-M2-arc": slotted(12, 7.0, 3.0, 7.0, shape="arc", fill=0.85, **_ALTERNATING),
    "12-14-outer-M8-arc": slotted(
        12, 7.0, 2.4, 7.0, pole_pairs=7, magnets_per_pole_pair=8, shape="arc", fill=0.9,
        diameter=50.0,
    ),
    "12-10-inner-M4-block": slotted(
        12, 9.0, 3.0, 10.0, position="inner", pole_pairs=5, fill=0.8, diameter=50.0, thickness=4.0
    ),
    "12-8-inner-M2-arc-ring": slotted(
        12, 9.0, 2.5, 10.0, yoke=12.0, ring=6.0, position="inner", pole_pairs=4,
        magnets_per_pole_pair=2, shape="arc", fill=0.8, diameter=50.0,
    ),
    "36-6-outer-M4-block-coils-over-six-slots": slotted(
        36, 4.0, 1.6, 10.0, yoke=20.0, pole_pairs=3, fill=0.8, diameter=86.0, thickness=8.0
    ),
}  # fmt: skip


def linkage(study: Study) -> float:
    """Peak linkage of a phase per length of stack by the kernel [mWb/m]."""
    return float(evaluated(study).flux_linkage[0]) / STACK * 1e6


@pytest.mark.parametrize("machine", MACHINES)
def test_independent_flux_linkage(machine: str) -> None:
    """Carter's gap, the winding and the teeth, with iron that no flux saturates and real sheet."""
    study = MACHINES[machine]
    positions = 2 if machine.startswith("36-6") else 1
    unsaturated = peak_linkage(study, saturates=False, positions=positions)
    # Carter and recoil, 0.3 % each at these openings.
    np.testing.assert_allclose(linkage(study), unsaturated, rtol=5e-3)
    # Below the knee the sheet's own field takes another 0.2 to 0.9 %.
    assert float(evaluated(study).tooth_flux_density[0]) < 1.5
    true = peak_linkage(study, positions=positions)
    assert true < unsaturated
    agree(
        f"No-load flux linkage, sheet M330-50A, {machine}",
        source=SOURCE, kind="independent", unit="mWb/m", theirs=true, ours=linkage(study),
        rtol=0.01,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("share", "rtol"),
    # What an open slot takes grows to 11 % while Carter's slot stands alone and sees no poles.
    [(0.1, 1.5e-3), (0.2, 1.5e-3), (0.3, 7e-3), (0.4, 1.4e-2)],
)
def test_independent_wide_slot_openings(share: float, rtol: float) -> None:
    """Openings up to 0.4 of a pole, 12 slots and 10 poles: the hardest of what was tried."""
    opening = share * np.pi * 50 / 10
    study = slotted(12, 5.0, opening, 8.0, pole_pairs=5, fill=0.75, diameter=50.0)
    agree(
        f"Flux linkage, slots open by {share:g} of a pole, 12 slots 10 poles",
        source=SOURCE, kind="independent", unit="mWb/m", rtol=rtol,
        theirs=peak_linkage(study, saturates=False), ours=linkage(study),
    )  # fmt: skip


@pytest.mark.parametrize(
    "machine", ["36-32-outer-M4-block", "12-10-outer-M2-block-ring", "12-10-inner-M4-block"]
)
def test_independent_tooth_flux(machine: str) -> None:
    """A tooth on a main magnet's axis carries its peak."""
    study = MACHINES[machine]
    tooth = np.pi / study.stator.slots
    flux = np.abs(solve(study, angle=tooth, saturates=False).tooth_flux()).max()
    iron = study.stator.tooth_width_mm * study.stator.stacking_factor
    agree(
        f"Tooth flux density, no load, {machine}",
        source=SOURCE, kind="independent", unit="T",
        theirs=flux / iron, ours=float(evaluated(study).tooth_flux_density[0]),
        rtol=7e-3,  # half way down the tooth some flux has crossed the slots: 0.1 to 0.5 %
    )  # fmt: skip


@pytest.mark.parametrize(
    ("machine", "values"),
    [
        ("36-32-outer-M4-block", {"stator.tooth_width_mm": 2.4, "stator.yoke_mm": 5.0}),
        ("36-32-outer-M4-block", {"stator.tooth_width_mm": 2.0, "stator.yoke_mm": 5.0}),
        ("12-10-outer-M2-block-ring", {"stator.tooth_width_mm": 4.4, "stator.yoke_mm": 9.0}),
        ("12-10-outer-M2-block-ring", {"rotor.steel_ring_mm": 2.0}),
    ],
)
def test_independent_saturation(machine: str, values: dict[str, float]) -> None:
    """Teeth that would carry 1.8 to 2.2 T, and a ring that would carry 2.6 T."""
    study = MACHINES[machine].with_values(dict(values))
    true, unsaturated = (peak_linkage(study, saturates=s) for s in (True, False))
    loss = 1 - true / unsaturated
    assert loss > 0.04
    told = ", ".join(f"{key.split('.')[1]} {value:g}" for key, value in values.items())
    agree(
        f"Share of flux lost to saturation, no load, {machine}, {told}",
        source=SOURCE, kind="independent", theirs=loss, ours=float(evaluated(study).flux_loss[0]),
        rtol=0.1,  # the network's few elements: 0.3 points of 8, 1 of 15
    )  # fmt: skip


@pytest.mark.parametrize(
    "values",
    [
        {"stator.tooth_tip_mm": 1.0, "stator.tooth_width_mm": 3.8, "stator.yoke_mm": 7.6},
        {"stator.tooth_tip_mm": 0.7},
    ],
)
def test_independent_saturated_tips(values: dict[str, float]) -> None:
    """Thin tips choke while the teeth are far below their knee."""
    study = MACHINES["24-28-outer-M4-block"].with_values(dict(values))
    loss = 1 - peak_linkage(study) / peak_linkage(study, saturates=False)
    figures = evaluated(study)
    assert float(figures.tooth_flux_density[0]) < 1.25
    assert loss > 0.035
    # Tips are elements of even flux in the network: 0.05 and 0.7 points.
    np.testing.assert_allclose(float(figures.flux_loss[0]), loss, rtol=0.2)


@pytest.mark.parametrize(
    ("machine", "values"),
    [
        ("24-28-outer-M4-block", {}),
        ("12-10-outer-M2-arc", {}),
        ("12-10-outer-M2-arc", {"stator.slot_opening_mm": 1.5}),
        ("12-10-outer-M2-block-ring", {}),
        ("12-10-inner-M4-block", {}),
        ("12-8-inner-M2-arc-ring", {}),
    ],
)
def test_independent_inductance(machine: str, values: dict[str, float]) -> None:
    """Airgap and slot part, unsaturated; plane elements know no ends."""
    study = MACHINES[machine].with_values(dict(values))
    figures = evaluated(study)
    got = float(figures.inductance_gap[0] + figures.inductance_slot[0]) / STACK * 1e6
    opening = f", opening {study.stator.slot_opening_mm:g} mm"
    agree(
        f"Synchronous inductance without ends, {machine}{opening}",
        source=SOURCE, kind="independent", unit="mH/m",
        theirs=synchronous_inductance(study), ours=got,
        # Current sheet on a smooth stator and permeances of slots: 1 %, 1.8 % in the last.
        rtol=0.025 if machine == "12-8-inner-M2-arc-ring" else 0.012,
    )  # fmt: skip


LOADED = [
    ("36-32-outer-M4-block", 20.0, {"stator.yoke_mm": 2.6}),
    ("24-28-outer-M4-block", 40.0, {"stator.yoke_mm": 4.0}),
    ("12-10-inner-M4-block", 80.0, {"stator.tooth_width_mm": 7.0, "stator.yoke_mm": 5.0}),
]


def loaded(machine: str, current: float, values: Mapping[str, float]) -> Study:
    """Study of a drive with an amplitude of current [A]."""
    drive = {"drive.voltage_v": 48.0, "drive.peak_current_a": current}
    return MACHINES[machine].with_values({**values, **drive})


@pytest.mark.parametrize(("machine", "current", "values"), LOADED)
def test_independent_torque_loss(machine: str, current: float, values: Mapping[str, float]) -> None:
    study = loaded(machine, current, values)
    true, unsaturated = (
        peak_linkage(study, current=current, saturates=s, positions=2, order=2, size=0.8)
        for s in (True, False)
    )
    loss = 1 - true / unsaturated
    assert loss > 0.08
    agree(
        f"Share of torque lost to saturation at {current:g} A peak, {machine}",
        source=SOURCE, kind="independent", theirs=loss, ours=float(evaluated(study).torque_loss[0]),
        rtol=0.2,  # the network's few elements: up to two points of 9 to 17
    )  # fmt: skip


@pytest.mark.parametrize(("machine", "current", "values"), LOADED)
def test_independent_flux_at_peak_current(
    machine: str, current: float, values: Mapping[str, float]
) -> None:
    """Peaks in teeth and yoke of iron that does not saturate, over a sixth of a turn."""
    study = loaded(machine, current, values)
    found = [
        at_current(study, turn, current, saturates=False, order=2)
        for turn in np.radians(60) * np.arange(6) / 6
    ]
    tooth = max(np.abs(s.tooth_flux(down=down)).max() for s in found for down in (0.5, 0.999))
    yoke = max(np.abs(s.yoke_flux()).max() for s in found)
    figures, stator = evaluated(study), study.stator
    share = stator.stacking_factor
    # Half and whole depth of a tooth alone are looked at; slots leak a little otherwise.
    np.testing.assert_allclose(
        float(figures.tooth_peak[0]), tooth / stator.tooth_width_mm / share, rtol=0.05
    )
    np.testing.assert_allclose(
        float(figures.yoke_peak[0]), yoke / stator.yoke_mm / share, rtol=0.03
    )


def test_exact_closed_form() -> None:
    """The elements themselves against the closed form for touching arcs in free space.

    Ni Mhiochain et al. 1999, J. Appl. Phys. 86:6412 with the factor of arcs of uniform
    polarisation (from memory): ``Br p/(p-1) (1 - (a/b)^(p-1)) (r/a)^(p-1) sinc((p+1) pi/n)``.
    """
    p, M, radius, gap, thickness = 10, 8, 30.0, 1.0, 3.0
    study = make_study(
        pole_pairs=p, magnets_per_pole_pair=M, shape="arc", fill=1.0, kind="ironless",
        diameter=2 * radius, airgap=gap, thickness=thickness,
        values={
            "materials.magnets.own": {"like": "N42SH", "recoil_permeability": 1.0},
            "rotor.grade": "own",
        },
    )  # fmt: skip
    a, b = radius + gap, radius + gap + thickness
    remanence = study.magnet_grade("own").remanence
    ideal = remanence * p / (p - 1) * (1 - (a / b) ** (p - 1)) * (radius / a) ** (p - 1)
    expected = ideal * np.sinc((p + 1) / (p * M))
    got = solve(study, saturates=False, size=0.5, order=3).harmonic(p)
    np.testing.assert_allclose(got, expected, rtol=1e-4)  # mesh


def test_exact_turned_rotor() -> None:
    """Turning the rotor by a pole turns the sign of every linkage, where magnets are cut or not."""
    study = MACHINES["12-10-outer-M2-arc"]
    p, start = study.rotor.pole_pairs, phase_axis(study)
    here, there = (
        solve(study, angle=start + turn, saturates=False).linkages() for turn in (0.0, np.pi / p)
    )
    np.testing.assert_allclose(there, -here, rtol=0, atol=2e-3 * np.abs(here).max())  # mesh
    # On the axis of phase A the two others link the same, backwards.
    np.testing.assert_allclose(here[1], here[2], rtol=1e-3)  # mesh
    assert here[0] > 0 > here[1]
