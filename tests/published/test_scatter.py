"""Rotors with magnets that are off, against plane finite elements of the whole motor."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from disturbed_array import disturbed_array, stack_mean_waves
from disturbed_motors import Answers, Off, Whole, answers, magnet_waves, whole_motor
from makers import make_study
from verification import agree, worst_of

from arrayopt.field import ORDERS, solve_field
from arrayopt.field.members import DEVIATIONS
from arrayopt.layout import build_layout
from arrayopt.machine import cogging_torque
from arrayopt.scatter.outcomes import pull
from arrayopt.scatter.sources import Ring, study_ring
from arrayopt.study import Study

P, SLOTS, MAGNETS = 7, 12, 28
WAVES = 80  # torques then change by 1 % when there are more
TURNS = np.arange(120) * 2 * np.pi / 120
SOURCE = "plane finite elements of all slots, waves of single magnets (ngsolve)"
WHOLE = "plane finite elements of the whole motor, every magnet in the mesh (ngsolve)"
CASES = {
    "weak main magnet": {0: Off(0.9)},
    "flipped main magnet": {0: Off(-1.0)},
    "flipped transverse magnet": {1: Off(-1.0)},
}


def motor(*, kind: str = "slotted", opening: float = 2.0, recoil: float = 1.0) -> Study:
    """Return a stator of 56 mm with 7 pole pairs outside; the magnets' ends are far away."""
    slots = {
        "stator.slot_opening_mm": opening, "stator.tooth_width_mm": 6.0,
        "stator.slot_depth_mm": 10.0, "stator.tooth_tip_mm": 1.0, "winding.coil_span_slots": 1,
    }  # fmt: skip
    return make_study(
        pole_pairs=P, diameter=56.0, thickness=4.0, fill={"main": 0.85, "transverse": 0.6},
        kind=kind, length=300.0, stack=60.0,
        values={
            "stator.slots": SLOTS,
            "rotor.grade": "mine",
            "materials.magnets": {"mine": {"like": "N42SH", "recoil_permeability": recoil}},
            **(slots if kind == "slotted" else {}),
        },
    )  # fmt: skip


def stator_of(study: Study) -> Answers:
    return answers(study, waves=WAVES, size=1.6)


@cache
def whole_of(kind: str, recoil: float) -> Whole:
    return whole_motor(motor(kind=kind, recoil=recoil))


def ring_of(study: Study) -> Ring:
    return study_ring(study, solve_field(build_layout(study), orders=ORDERS))


def waves_of(ring: Ring, off: dict[int, Off], part: str = "surface") -> np.ndarray:
    """Waves of a rotor with magnets off, main magnet of place 0 at the angle zero."""
    response = getattr(ring.magnets, part)
    b = response[:, 0].sum(axis=0)
    places = [member.place for member in ring.magnets.members]
    for k, one in off.items():
        i = places.index(k)
        b = b + (one.share - 1) * response[i, 0]
        b = b + one.outwards * 1e-3 * response[i, DEVIATIONS.index("radial")]
    return b * np.exp(-2j * np.pi * ring.magnets.waves * places[0] / MAGNETS)


def metres(study: Study) -> float:
    return study.stator.stack_mm * 1e-3


@pytest.mark.parametrize("name", [*CASES, "moved main magnet"])
def test_waves_before_smooth_iron(name):
    """Waves 3 to 3 p that one magnet adds; smooth iron doubles those of magnets like air.

    Waves of one and two a turn still see the ends of magnets ten times as long as their
    radius: 2 % and 0.06 %.
    """
    study = motor(kind="smooth")
    ring, R = ring_of(study), 28.0
    n = np.arange(1, 3 * P + 1)
    # A pair moved both ways leaves only what is linear.
    plus, minus = ({4: Off(outwards=d)} for d in (0.02, -0.02))
    plus, minus = (plus, minus) if name.startswith("moved") else (CASES[name], {})
    theirs = 2 * n / R * np.abs(
        magnet_waves(study, plus, waves=3 * P) - magnet_waves(study, minus, waves=3 * P)
    )  # fmt: skip
    ours = np.abs((waves_of(ring, plus) - waves_of(ring, minus))[: 3 * P])
    kept = np.flatnonzero((n > 2) & (theirs > 0.05 * theirs.max()))
    agree(
        f"waves that one {name} adds before smooth iron, worst of 3 to {3 * P} a turn",
        source="multipoles of rectangles between their corners, closed form (derived)",
        kind="exact",
        **worst_of((theirs[i], ours[i]) for i in kept),
        rtol=1e-3,  # differences over steps of 0.02 mm; ends
        unit="T",
    )


@pytest.mark.parametrize(
    ("name", "low", "high", "rtol"),
    [
        # Carter's coefficient holds for waves that are long beside a slot pitch ...
        ("weak main magnet", 3, P + 2, 0.01),
        ("flipped transverse magnet", 3, P + 2, 0.01),
        # ... and reads high for shorter ones, which link a tenth as much.
        ("weak main magnet", 15, 3 * P, 0.08),
    ],
)
def test_linkage_waves(name, low, high, rtol):
    """What one magnet adds to the waves in time of phase A's linkage."""
    study = motor()
    ring, off = ring_of(study), CASES[name]
    added = magnet_waves(study, off, waves=WAVES) - magnet_waves(study, {}, waves=WAVES)
    theirs = np.abs(stator_of(study).linkages()[0] * added) * 1e-3
    ours = waves_of(ring, off, "seen") - waves_of(ring, {}, "seen")
    ours = np.abs(ring.linkages[0] * ours) / metres(study)
    kept = [n - 1 for n in range(low, high + 1) if theirs[n - 1] > 0.04 * theirs.max()]
    assert len(kept) >= 3
    agree(
        f"waves of phase A's linkage that one {name} adds, worst of {low} to {high} a turn",
        source=SOURCE,
        kind="independent",
        **worst_of((theirs[i], ours[i]) for i in kept),
        rtol=rtol,
        unit="Wb/m",
    )


@pytest.mark.parametrize(("kind", "first"), [("main", 0), ("transverse", 1)])
def test_linkage_of_every_magnet(kind, first):
    """One position: each magnet's part of each phase's linkage, recoil and slots included.

    The package leaves out that the others' polarisation follows one that deviates.
    """
    study = motor(recoil=1.05)
    ring = ring_of(study)
    theirs = whole_of("slotted", 1.05).linkages()[:, first::2] * 1e-3
    order = np.argsort([member.place for member in ring.magnets.members])
    turned = np.exp(-2j * np.pi * ring.magnets.waves * ring.magnets.members[0].place / MAGNETS)
    each = np.einsum("pw,mw->pm", ring.linkages, ring.magnets.seen[:, 0] * turned).real
    ours = each[:, order][:, first::2] / metres(study)
    # Short waves that slots bend otherwise than Carter's coefficient says.
    assert np.abs(ours - theirs).max() < 0.03 * np.abs(theirs).max()
    agree(
        f"linkage of the phases by every {kind} magnet alone, recoil 1.05, share of theirs in ours",
        source=WHOLE,
        kind="independent",
        theirs=np.linalg.norm(theirs),
        ours=(ours * theirs).sum() / np.linalg.norm(theirs),
        rtol=0.01,  # recoil of the others, slots
        unit="Wb/m",
    )


@pytest.mark.parametrize("name", CASES)
def test_pull_of_a_disturbed_rotor(name):
    """Mean over a turn, in the frame of the rotor; slots make it swing by 3 to 5 %."""
    study = motor()
    c = magnet_waves(study, CASES[name], waves=WAVES)
    found = stator_of(study).pull(c, TURNS) * np.exp(-1j * TURNS)
    theirs = found.mean()
    assert np.abs(np.abs(found) / abs(theirs) - 1).max() < 0.06
    ring = ring_of(study)
    ours = pull(ring, waves_of(ring, CASES[name])[None, None])[0] / metres(study)
    assert abs(np.angle(ours / theirs)) < 1e-3
    agree(
        f"pull of a centred rotor with one {name}, mean over a turn",
        source=SOURCE + ", Maxwell's stress",
        kind="independent",
        theirs=abs(theirs),
        ours=abs(ours),
        rtol=0.005,  # Carter's coefficient for neighbouring waves
        unit="N/m",
    )


@pytest.mark.parametrize("name", CASES)
def test_pull_with_recoil(name):
    """Smooth iron, magnets of 1.05."""
    study = motor(kind="smooth", recoil=1.05)
    whole = whole_of("smooth", 1.05)
    shares = np.ones(MAGNETS)
    for k, one in CASES[name].items():
        shares[k] = one.share
    ring = ring_of(study)
    agree(
        f"pull of a centred rotor with one {name}, smooth stator, recoil 1.05",
        source=WHOLE + ", Maxwell's stress",
        kind="independent",
        theirs=abs(whole.pull(shares)),
        ours=abs(pull(ring, waves_of(ring, CASES[name])[None, None])[0]) / metres(study),
        rtol=0.03,  # the other magnets' recoil, which is left out
        unit="N/m",
    )


def test_two_ways_of_finite_elements():
    """Both at one position, for magnets like air; nothing of the package."""
    study = motor()
    shares = np.where(np.arange(MAGNETS) == 0, -1.0, 1.0)
    whole = whole_of("slotted", 1.0)
    c = magnet_waves(study, CASES["flipped main magnet"], waves=WAVES)
    waves = stator_of(study)
    assert abs(waves.pull(c, np.zeros(1))[0] / whole.pull(shares) - 1) < 0.004  # waves left out
    linked = (waves.linkages() @ c).real
    np.testing.assert_allclose(linked, whole.linkages() @ shares, atol=2e-3 * np.abs(linked).max())


@pytest.mark.parametrize("opening", [2.0, 3.0])
@pytest.mark.parametrize("times", [1, 2])
@pytest.mark.parametrize("name", ["weak main magnet", "flipped main magnet"])
def test_cogging_of_a_disturbed_rotor(name, opening, times):
    """One and two waves a slot; slots as slits in a thin screen."""
    study = motor(opening=opening)
    c = magnet_waves(study, CASES[name], waves=WAVES)
    torque = stator_of(study).torque(c, TURNS)
    wave = np.abs(np.fft.rfft(torque)) / len(TURNS) * 2
    ring = ring_of(study)
    found = abs(
        cogging_torque(ring.field, waves_of(ring, CASES[name])[None, None], waves=times * SLOTS)[0]
    )
    often = "one wave" if times == 1 else "two waves"
    agree(
        f"cogging of a rotor with one {name}, {often} a slot, openings of {opening:g} mm",
        source=SOURCE + ", Maxwell's stress",
        kind="independent",
        theirs=wave[times * SLOTS],
        ours=found / metres(study),
        rtol=0.06,  # slots have depth, and tips of some
        unit="N m/m",
    )


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_direct_evaluation_of_disturbed_rotors(position):
    """Independent: magnets moved, turned, grown and weakened one by one in magpylib.

    Twice the usual tolerances. What is left is second order: 0.2 % of the fundamental.
    """
    study = make_study(
        position=position, pole_pairs=7, diameter=60.0, fill={"main": 0.8, "transverse": 0.6},
        values={"stator.slots": 12},
    )  # fmt: skip
    ring = ring_of(study)
    count = len(ring.magnets.members)
    J = dict(
        zip([f.name for f in ring.layout.families], ring.field.polarisation[:, 0], strict=True)
    )
    rng = np.random.default_rng(7)
    sizes = (0.02, 0.05, 1e-4, 1e-4, 0.01, 5e-5, 5e-5, 5e-5)
    off = {d: rng.normal(0, s, count) for d, s in zip(DEVIATIONS, sizes, strict=True)}
    ours = ring.magnets.perfect + sum(
        off[d] @ ring.magnets.surface[:, i] for i, d in enumerate(DEVIATIONS)
    )
    places = np.array([m.place for m in ring.magnets.members])
    by_place = {d: np.empty(count) for d in off}
    for d, values in off.items():
        by_place[d][places] = values
    R, surface = ring.field.irons.stator[0], ring.layout.surface_radius[0]
    theirs = stack_mean_waves(
        disturbed_array(study, J, by_place), radius=R, stack=study.stator.stack_mm * 1e-3,
        waves=len(ours), samples=1024, planes=8,
    )  # fmt: skip
    first = np.exp(2j * np.pi * ring.magnets.waves * places[0] / count)
    theirs = 2 * theirs * first * R / surface  # smooth iron doubles the free field
    p = study.rotor.pole_pairs
    fundamental = abs(theirs[p - 1])
    agree(
        f"fundamental of a disturbed {position} rotor, twice the usual tolerances",
        source="magpylib, every magnet moved, turned, grown and weakened by itself",
        kind="independent",
        theirs=fundamental,
        ours=abs(ours[p - 1]),
        rtol=2e-3,
        unit="T",
    )
    assert np.abs(ours - theirs)[: 3 * p].max() < 3e-3 * fundamental
    # The low waves are no rounding: they are what the test is about.
    assert np.abs(theirs[: p - 1]).max() > 0.005 * fundamental
