"""The comparison: plain layouts really are equal in what they claim, the verdict is true."""

import re
from functools import cache
from math import cos, pi, tan

import numpy as np
import pytest
from makers import make_study

from arrayopt import comparison as module
from arrayopt.comparison import compare
from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate, evaluate_batch
from arrayopt.export.evaluation_tables import comparison_text
from arrayopt.layout import build_layout, fit_faults
from arrayopt.study import parse_study, revised_text, starter_text

WALLS = {"rotor.wall_mm": 0.6, "rotor.clearance_mm": 0.1}
STARTER = parse_study(starter_text())
STUDIES = {
    "starter": STARTER,
    "steel ring": STARTER.with_values({"rotor.steel_ring_mm": 2.0}),
    "heavy hub": STARTER.with_values({"carrier.other_mass_g": 2000.0}),
    "no heat": parse_study(re.sub(r"\[heat\][^[]*(?=\[)", "", starter_text())),
    "flush back": STARTER.with_values(
        {"rotor.transverse.flush": "back", "rotor.transverse.thickness_mm": 2.0}
    ),
    "plain": make_study(magnets_per_pole_pair=2, fill=0.8, kind="slotted", values=WALLS),
    "inner": make_study(position="inner", fill=0.6, kind="slotted", values=WALLS),
    "arcs": make_study(shape="arc", fill=0.7, kind="slotted", values=WALLS),
    "inner arcs": make_study(shape="arc", position="inner", fill=0.6, values=WALLS),
    "ironless": make_study(kind="ironless", values=WALLS),
    "eight": make_study(magnets_per_pole_pair=8, pole_pairs=5, fill=0.6, values=WALLS),
}
every_study = pytest.mark.parametrize("name", STUDIES)


@cache
def compared(name):
    return compare(STUDIES[name])


@every_study
def test_plain_layouts_share_all_but_the_rotor(name):
    first, *others = compared(name).studies.values()
    assert first is STUDIES[name]
    assert len(others) == 4
    for study in others:
        assert (study.stator, study.winding, study.airgap) == (
            first.stator,
            first.winding,
            first.airgap,
        )
        assert study.rotor.magnets_per_pole_pair == 2
        assert study.rotor.transverse is study.rotor.oblique is None
        for key in ("pole_pairs", "grade", "wall_mm", "clearance_mm", "length_mm", "position"):
            assert getattr(study.rotor, key) == getattr(first.rotor, key)
        assert study.rotor.main.shape == first.rotor.main.shape
        assert fit_faults(study) == []


@every_study
def test_same_magnet_mass_is_the_same(name):
    mass = compared(name).results["magnet_mass"]
    # exact: up to the rounding of sizes
    for label in ("plain, same magnet mass", "plain, same magnet mass, steel ring"):
        assert mass.sel(design=label).item() == pytest.approx(mass[0].item(), rel=1e-6)


@every_study
def test_widest_magnets_leave_the_wall_and_no_more(name):
    found = compared(name)
    for label in ("plain, widest magnets", "plain, widest magnets, steel ring"):
        wall = found.results["wall"].sel(design=label).item() * 1e3
        assert wall == pytest.approx(STUDIES[name].rotor.wall_mm, abs=1e-6)
        study = found.studies[label]
        key = "width_mm" if study.rotor.main.shape == "block" else "span_deg"
        wider = {f"rotor.main.{key}": getattr(study.rotor.main, key) * 1.001}
        assert fit_faults(study.with_values(wider))


def test_widest_blocks_by_hand():
    # exact: inner corners of neighbouring pockets, 41.9 mm from the shaft and 360/28 deg apart
    half = pi / 28
    expected = 2 * (41.9 * tan(half) - 0.3 / cos(half) - 0.1)
    rotor = compared("starter").studies["plain, widest magnets"].rotor
    assert rotor.main.width_mm == pytest.approx(expected, rel=1e-6)
    assert rotor.main.thickness_mm == pytest.approx(3.0, rel=1e-9)


@every_study
def test_rings_are_just_thick_enough(name):
    found, ringed = compared(name), 0
    for label, study in found.studies.items():
        if not label.endswith("steel ring"):
            continue
        ringed += 1
        thickness, limit = study.rotor.steel_ring_mm, study.flux_limit("ring")
        assert found.results["ring_flux_density"].sel(design=label).item() <= limit
        assert evaluate_batch([study])["ring_flux_density"].item() <= limit
        if thickness > 0.1001:
            thinner = study.with_values({"rotor.steel_ring_mm": thickness - 0.1})
            assert evaluate_batch([thinner])["ring_flux_density"].item() > limit
    assert ringed == 2


def test_a_higher_limit_makes_thinner_rings():
    # exact: thickness is flux over flux density, rounded up to 0.1 mm
    loose = compare(STARTER.with_values({"limits.ring_flux_density_t": 2.0}))
    for label in ("plain, same magnet mass, steel ring", "plain, widest magnets, steel ring"):
        needed = loose.results["ring_needed"].sel(design=label).item() * 1e3
        assert loose.studies[label].rotor.steel_ring_mm == pytest.approx(
            np.ceil(needed * 10) / 10, abs=1e-6
        )
        kept = compared("starter").studies[label].rotor.steel_ring_mm
        assert loose.studies[label].rotor.steel_ring_mm < kept


@every_study
def test_verdict_is_true(name):
    found = compared(name)
    torque = found.results[found.torque].values
    mass = found.results["rotor_mass"].values
    assert found.torque == ("motor_constant" if STUDIES[name].heat is None else "continuous_torque")
    np.testing.assert_allclose(found.torque_per_mass.values, torque / mass, rtol=1e-12)
    labels = list(found.studies)
    lines = found.verdict()
    # What follows the two winners says why, names saturated iron and layouts left out.
    known = ("Why: ", "differ in mass", "T is past the limit", "left out")
    assert all(any(word in line for word in known) for line in lines[2:])
    assert (found.gains is not None) == any(line.startswith("Why: ") for line in lines)
    for line, values in zip(lines[:2], (torque, torque / mass), strict=True):
        best = labels[values.argmax()]
        assert f": {best}, " in line
        if best == labels[0]:
            runner_up = 1 + values[1:].argmax()
            more = 100 * (values.max() / values[runner_up] - 1)
            assert line.endswith(f"{more:.1f} % more than {labels[runner_up]}.")
        else:
            less = 100 * (values.max() - values[0]) / values.max()
            apart = 1e3 * (mass[values.argmax()] - mass[0])
            word = "heavier" if apart > 0 else "lighter"
            assert f"{labels[0]} loses by {less:.1f} %" in line
            assert f"the winning rotor is {abs(apart):.0f} g {word}" in line


def test_array_wins_and_loses():
    # Beside a heavy hub the array's lightness counts for little, so a steel ring wins twice.
    most, per_mass = compared("starter").verdict()[:2]
    assert "array loses by" in most
    assert "steel ring, " in most
    assert per_mass.startswith("Most continuous torque per rotor mass: array, ")
    for line in compared("heavy hub").verdict()[:2]:
        assert "array loses by" in line


def test_plain_study_is_named_and_matched():
    found = compared("plain")
    assert next(iter(found.studies)) == "this design"
    # exact: its own thickness is among those tried, so the best is no weaker
    torque = found.results["torque_constant"]
    assert torque.sel(design="plain, same magnet mass").item() >= torque[0].item() * (1 - 1e-3)


def test_field_does_not_depend_on_who_is_compared():
    # exact: the same study evaluated alone; rtol: the kernel shares sampling over a batch
    found = compared("starter")
    for i, study in enumerate(found.studies.values()):
        alone = evaluate(study)
        for name in ("fundamental", "torque_constant", "rotor_mass", "inertia"):
            expected = pytest.approx(alone[name].item(), rel=1e-6)
            assert found.results[name][i].item() == expected


def test_ring_without_a_shaft_is_left_out():
    # At a hundredth of the usual flux density the ring would be thicker than the rotor.
    study = make_study(
        position="inner",
        pole_pairs=5,
        thickness=9.0,
        fill=0.6,
        values={"limits.ring_flux_density_t": 0.1},
    )
    found = compare(study)
    assert list(found.studies) == ["array", "plain, same magnet mass", "plain, widest magnets"]
    assert found.left_out == tuple(found.verdict()[2:])
    assert found.left_out == (
        "plain, same magnet mass, steel ring: leaves no shaft, so it is left out.",
        "plain, widest magnets, steel ring: leaves no shaft, so it is left out.",
    )


def test_plain_layouts_without_a_wall_are_left_out(monkeypatch):
    monkeypatch.setattr(module, "LEAST_SIZE", 50.0)  # wider than any pole
    found = compare(STARTER)
    assert list(found.studies)[1:] == [
        "plain, same magnet mass",
        "plain, same magnet mass, steel ring",
    ]
    assert found.verdict()[2:] == [
        "plain, widest magnets: leaves no wall of 0.6 mm with 14 pole pairs, so it is left out."
    ]
    monkeypatch.setattr(module, "_same_mass", lambda _: [])
    alone = compare(STARTER)
    assert list(alone.studies) == ["array"]
    assert [line.split(":")[0] for line in alone.verdict()] == [
        "plain, same magnet mass",
        "plain, widest magnets",
    ]


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        ({"rotor.main.width_mm": 9.0}, "pockets overlap"),
        ({"stator.slots": 7}, "no balanced three-phase winding"),
    ],
)
def test_study_that_cannot_be_built_is_refused(values, fault):
    with pytest.raises(StudyError, match=fault):
        compare(STARTER.with_values(values))


def test_text_is_kept():
    results = compared("starter").results
    assert results.attrs["study"] == starter_text()
    assert results.attrs["title"] == STARTER.title
    assert parse_study(revised_text(results.attrs["study"], {})) == STARTER


@pytest.mark.parametrize(("name", "teeth"), [("starter", True), ("ironless", False)])
def test_teeth_are_compared_where_there_are_any(name, teeth):
    header = comparison_text(compared(name)).splitlines()[0]
    assert ("Teeth" in header) == teeth
    assert "Rotor" in header


@pytest.mark.parametrize("name", ["starter", "arcs"])
def test_each_design_has_a_study_file_of_its_own(name):
    # exact: what is written for a plain layout is that layout, not the array beside it
    for design in compared(name).studies.values():
        written = parse_study(design.text)
        assert written.rotor == design.rotor
        assert written.search == design.search


def test_gains_of_ring_and_array_against_the_planar_closed_form():
    """A ring's gain fades with the magnets' depth, an array's is the same at any depth.

    Alternating magnets of depth d on a wave of length 2 pi/k far from all iron have a
    field of 1 - exp(-k d); with iron at their back the images make it 1 - exp(-2 k d), so a
    ring gains exp(-k d) (Furlani 2001, ch. 4, method of images; from memory). atol: a circle
    of 16 pole pairs is no plane (k d is taken at the magnets' middle), recoil 1.05.
    """
    gains = []
    for depth in (1.5, 3.0, 6.0):
        study = make_study(pole_pairs=16, kind="ironless", fill=0.6, thickness=depth, values=WALLS)
        found = compare(study)
        plain = found.studies["plain, widest magnets"]
        layout = build_layout(plain)
        middle = (layout.shapes[0].lo[0] + layout.shapes[0].hi[0]) / 2
        ring, array = found.gains
        assert ring == pytest.approx(np.exp(-16 / middle * depth * 1e-3), abs=0.06)
        gains.append((ring, array))
    rings, arrays = np.array(gains).T
    assert (np.diff(rings) < 0).all()
    assert np.ptp(arrays) < 0.05 < np.ptp(rings)
