"""Staying together: loads, glue, skin, ring, off-centre pull; what is told and what is not."""

import dataclasses
import json
import re
from math import inf, isnan, pi, sqrt

import numpy as np
import pytest
from click.testing import CliRunner
from makers import make_study

from arrayopt.checks import holding
from arrayopt.checks import strength as module
from arrayopt.checks.holding import GLUE, LIPS, SKIN, Hold, bond_area, print_strength
from arrayopt.checks.strength import (
    OVERSPEED,
    PRINT_RING,
    STEEL_RING,
    STEEL_YIELD,
    OffCentre,
    strength,
    strength_checks,
)
from arrayopt.cli.strength import strength as command
from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate, load_study
from arrayopt.export.strength_tables import strength_json, strength_text
from arrayopt.field import solve_field
from arrayopt.field.pull import magnetic_pull
from arrayopt.layout import build_layout
from arrayopt.layout.pockets import carrier_ring, family_pockets
from arrayopt.materials import adhesive, adhesives, plastic, share_left
from arrayopt.materials.rows import read_rows
from arrayopt.quantities import RPM
from arrayopt.study import starter_text

FAST = {"strength.overspeed_rpm": 6000.0}


def study_of(values=None, **sizes):
    """A small outer rotor; walls as thick as a print can be made."""
    return make_study(
        **{"fill": 0.6, "pole_pairs": 8} | sizes, values={"rotor.wall_mm": 0.4, **(values or {})}
    )


def family(found, name):
    return next(one for one in found.held if one.family == name)


# --- glues ---


def test_every_glue_names_source_and_mark():
    rows = read_rows("adhesives.csv")
    assert [row["name"] for row in rows] == list(adhesives())
    for row in rows:
        assert len(row["source"]) > 10
        assert re.search("seen|from memory|common practice", row["mark"])
        glue = adhesive(row["name"])
        assert 20 < glue.half_strength_temperature <= glue.service_temperature


def test_exact_line_of_a_strength_over_temperature():
    glue = adhesive("toughened-epoxy")
    full, half = glue.shear_strength, glue.half_strength_temperature
    assert glue.strength_at(-40) == glue.strength_at(20) == full
    assert glue.strength_at(half) == pytest.approx(full / 2, rel=1e-12)
    assert glue.strength_at((20 + half) / 2) == pytest.approx(0.75 * full, rel=1e-12)
    assert glue.strength_at(2 * half - 20) == pytest.approx(0, abs=1e-6)
    assert glue.strength_at(2 * half) == 0
    assert share_left(21, half_at=20) == 0
    assert share_left(20, half_at=20) == 1


def test_exact_own_glue_differs_in_what_it_says_alone():
    for key, value, field, scale in (
        ("shear_strength_mpa", 11.0, "shear_strength", 1e6),
        ("half_strength_c", 77.0, "half_strength_temperature", 1),
        ("service_temperature_c", 95.0, "service_temperature", 1),
    ):
        study = study_of({"materials.adhesives": {"mine": {"like": "epoxy", key: value}}})
        changed = {"name": "mine", field: value * scale}
        assert study.adhesive("mine") == dataclasses.replace(adhesive("epoxy"), **changed)
        assert study.adhesive("epoxy") == adhesive("epoxy")
        assert "mine" in study.known("adhesives")
    assert "mine" not in study_of().known("adhesives")


def test_exact_print_loses_half_at_service_temperature():
    study = study_of({"carrier.material": "PC"})
    row = plastic("PC")
    assert print_strength(study, 20) == row.strength_along
    assert print_strength(study, row.service_temperature) == pytest.approx(row.strength_along / 2)


# --- loads ---


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_centrifugal_force_by_hand(position):
    """m w^2 r of a 3 mm block, 12 mm long."""
    study = study_of(FAST, position=position)
    found, layout = strength(study), build_layout(study)
    w = 6000 * 2 * pi / 60
    assert found.speed == pytest.approx(w)
    assert found.speed_source == "strength.overspeed_rpm"
    for i, one in enumerate(found.held):
        magnet = getattr(study.rotor, one.family)
        mass = magnet.width_mm * magnet.thickness_mm * 12e-9 * layout.grades[i][0].density
        radius = (layout.shapes[i].lo[0] + layout.shapes[i].hi[0]) / 2
        assert one.loads.centrifugal == pytest.approx(mass * w**2 * radius, rel=1e-12)
        # At rest and at speed, either way: the worst of the two.
        radial = np.array([one.loads.radial, one.loads.radial + one.loads.centrifugal])
        gap = -1 if position == "outer" else 1
        assert one.loads.to_gap == pytest.approx(max(0, (gap * radial).max()), rel=1e-12)
        assert one.loads.to_back == pytest.approx(max(0, (-gap * radial).max()), rel=1e-12)


def test_exact_scaling_with_speed():
    """Twice the speed, four times the load; magnetic loads stay."""
    slow, fast = (strength(study_of({"strength.overspeed_rpm": rpm})) for rpm in (3000.0, 6000.0))
    for one, other in zip(slow.held, fast.held, strict=True):
        assert other.loads.centrifugal == pytest.approx(4 * one.loads.centrifugal, rel=1e-12)
        assert other.loads.radial == one.loads.radial
        assert other.loads.tangential == one.loads.tangential
    assert fast.ring.own == pytest.approx(4 * slow.ring.own, rel=1e-12)


def test_exact_scaling_with_remanence():
    """Forces between magnets and iron follow the square of the remanence; recoil is linear."""
    own = {"mine": {"like": "N42SH", "remanence_min_t": 0.5, "remanence_typical_t": 0.6525}}
    weak = strength(study_of({"rotor.grade": "mine", "materials.magnets": own}))
    full = strength(study_of())
    for one, other in zip(weak.held, full.held, strict=True):
        assert other.loads.radial == pytest.approx(4 * one.loads.radial, rel=1e-6)  # rounding
    assert full.off_centre.pull == pytest.approx(4 * weak.off_centre.pull, rel=1e-9)


def test_overspeed_follows_the_no_load_speed():
    study = study_of({"drive": {"voltage_v": 24.0, "peak_current_a": 20.0}})
    found, results = strength(study), evaluate(study)
    assert found.speed == pytest.approx(OVERSPEED * float(results["no_load_speed"][0]), rel=1e-9)
    assert found.speed_source == "1.2 times the no-load speed"


def test_nothing_known_of_speed_or_torque():
    study = study_of({"drive": None, "heat": None})
    found = strength(study)
    assert isnan(found.speed)
    assert isnan(found.torque)
    assert found.ring is None
    assert found.temperature == study.rotor.magnet_temperature_c
    for one in found.held:
        assert isnan(one.loads.centrifugal)
        assert isnan(one.loads.torque)
        assert one.loads.sideways == one.loads.tangential
        assert one.best.stress > 0 or one.loads.to_gap == 0
    assert [check.name for check in strength_checks(study, found)] == [
        "main magnets, glue", "transverse magnets, glue", "glue temperature",
    ]  # fmt: skip


def test_exact_share_of_torque():
    """Twice the mean share of 32 magnets at their radius; drive before heat."""
    drive = {"drive": {"voltage_v": 24.0, "peak_current_a": 20.0}}
    study = study_of(drive)
    found = strength(study)
    constant = float(evaluate(study)["torque_constant"][0])
    assert found.torque == pytest.approx(20 * constant, rel=1e-9)
    assert found.torque_source == "the drive's peak current"
    # Blocks of 3 mm at a gap radius of 42 mm.
    assert family(found, "main").loads.torque == pytest.approx(2 * found.torque / 32 / 43.5e-3)
    steady = strength(study_of({"drive": None}))
    torque = float(evaluate(study_of({"drive": None}))["continuous_torque"][0])
    assert steady.torque == pytest.approx(torque, rel=1e-9)
    assert steady.torque_source == "continuous torque"


def test_rows_share_the_magnetic_load():
    """Two rows of half the length: half of each load on a magnet, no end on the floor."""
    one = strength(study_of(FAST))
    two = strength(study_of({**FAST, "rotor.skew_steps": 2, "rotor.skew_step_deg": 1.0}))
    for whole, half in zip(one.held, two.held, strict=True):
        assert half.number == 2 * whole.number
        assert half.loads.centrifugal == pytest.approx(whole.loads.centrifugal / 2, rel=1e-12)
        assert half.loads.radial == pytest.approx(whole.loads.radial / 2, rel=1e-9)
    np.testing.assert_allclose(one.ring.hoop, two.ring.hoop, rtol=1e-6)  # forces to nine digits


# --- what holds ---


def test_exact_bond_area_by_hand():
    study = study_of({"strength.bonded_share": 0.4, "carrier.floor_mm": 2.0})
    width, t, L = study.rotor.main.width_mm, 3.0, 12.0
    full = 0.4 * (2 * t * L + width * L + width * t) * 1e-6
    assert bond_area(build_layout(study), 0) == pytest.approx(full, rel=1e-12)
    open_end = study.with_values({"carrier.floor_mm": 0.0})
    expected = 0.4 * (2 * t * L + width * L) * 1e-6
    assert bond_area(build_layout(open_end), 0) == pytest.approx(expected, rel=1e-12)
    no_back = open_end.with_values({"carrier.backing_mm": 0.0})
    assert bond_area(build_layout(no_back), 0) == pytest.approx(0.4 * 2 * t * L * 1e-6, rel=1e-12)
    ring = no_back.with_values({"rotor.steel_ring_mm": 2.0})
    assert bond_area(build_layout(ring), 0) == pytest.approx(expected, rel=1e-12)
    rows = study.with_values({"rotor.skew_steps": 2, "rotor.skew_step_deg": 1.0})
    half = 0.4 * (2 * t + width) * L / 2 * 1e-6
    assert bond_area(build_layout(rows), 0) == pytest.approx(half, rel=1e-12)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_glue_stress(position):
    study = study_of(FAST, position=position)
    found = strength(study)
    for one in found.held:
        loads, glue = one.loads, one.holds[0]
        force = sqrt(loads.to_gap**2 + loads.sideways**2 + loads.axial**2)
        assert glue.what == GLUE
        assert glue.stress == pytest.approx(force / one.bond_area, rel=1e-12)
        assert glue.strength == adhesive("epoxy").strength_at(found.temperature)


def test_magnets_without_a_back_hang_on_their_glue():
    """At speed the glue bears the outward load too, and a skin is no help."""
    values = {**FAST, "carrier.backing_mm": 0.0, "carrier.skin_mm": 0.5}
    found = strength(study_of(values, airgap=1.2))
    assert found.ring is None
    for one in found.held:
        assert one.loads.to_back > one.loads.to_gap
        assert [hold.what for hold in one.holds] == [GLUE]
        force = sqrt(one.loads.to_back**2 + one.loads.sideways**2)
        assert one.best.stress == pytest.approx(force / one.bond_area, rel=1e-9)


def test_exact_skin_of_an_outer_rotor():
    """F w/(2 L t^2), the skin thinner by the pocket's clearance."""
    values = {"carrier.skin_mm": 0.5, "rotor.clearance_mm": 0.1, "strength.overspeed_rpm": 100.0}
    study = study_of(values, airgap=1.2)
    one = family(strength(study), "main")
    width, t = study.rotor.main.width_mm + 0.2, 0.4
    expected = one.loads.to_gap * width / (2 * 12.0 * t**2) * 1e6
    assert [hold.what for hold in one.holds] == [GLUE, SKIN]
    assert one.holds[1].stress == pytest.approx(expected, rel=1e-9)
    temperature = strength(study).temperature
    assert one.holds[1].strength == print_strength(study, temperature)


def test_exact_lips():
    """1.5 F reach/(L t^2)."""
    values = {"carrier.skin_mm": 0.5, "carrier.lip_mm": 0.6, "strength.overspeed_rpm": 100.0}
    one = family(strength(study_of(values, airgap=1.2)), "main")
    assert [hold.what for hold in one.holds] == [GLUE, LIPS]
    expected = 1.5 * one.loads.to_gap * 0.6 / (12.0 * 0.5**2) * 1e6
    assert one.holds[1].stress == pytest.approx(expected, rel=1e-9)
    wide = family(strength(study_of(values | {"carrier.lip_mm": 2.4}, airgap=1.2)), "main")
    assert wide.holds[1].stress == pytest.approx(expected * 2.4 / 0.6, rel=1e-9)


@pytest.mark.parametrize("rpm", [None, 6000.0])
def test_exact_skin_of_an_inner_rotor(rpm):
    """p r/t + rho v^2 with the pressure of the worst magnet; at rest no speed."""
    values = {"carrier.skin_mm": 0.5, "carrier.material": "PC", "drive": None}
    values["stator.winding_thickness_mm"] = 0.3
    if rpm:
        values["strength.overspeed_rpm"] = rpm
    study = study_of(values, position="inner", shape="arc")
    one = family(strength(study), "main")
    width = np.radians(study.rotor.main.span_deg) * (40.0 - 1.5)
    pressure = one.loads.to_gap / (width * 12.0) * 1e6
    r, speed = 40.25e-3, (rpm or 0) * RPM
    expected = pressure * r / 0.5e-3 + plastic("PC").density * (speed * r) ** 2
    assert one.holds[1].stress == pytest.approx(expected, rel=1e-9)


def test_magnets_set_back_lie_behind_print():
    """Transverse magnets of half the depth at the back: their print is the rest of the band."""
    back = {"shape": "block", "width_mm": 3.0, "thickness_mm": 1.5, "flush": "back"}
    study = study_of({"rotor.transverse": back, "strength.overspeed_rpm": 10.0})
    layout = build_layout(study)
    assert front(layout, 0) == ("", 0.0)
    what, thick = front(layout, 1)
    assert what == SKIN
    assert thick == pytest.approx(1.5e-3, rel=1e-9)
    # Slivers are not printed.
    thin = study.with_values({"rotor.transverse.thickness_mm": 2.7})
    assert front(build_layout(thin), 1) == ("", 0.0)


def front(layout, place):
    return holding._front(family_pockets(layout, carrier_ring(layout), place))


def test_skin_is_no_help_where_nothing_pulls_to_the_gap():
    study = study_of({"carrier.skin_mm": 0.5, "drive": None}, kind="ironless")
    for one in strength(study).held:
        assert (len(one.holds) == 2) == (one.loads.to_gap > 0)
    assert any(one.loads.to_gap == 0 for one in strength(study).held)


def test_best_is_the_strongest_and_glue_first():
    glue, skin = Hold(GLUE, 1.0, 4.0), Hold(SKIN, 2.0, 10.0)
    assert Hold(GLUE, 0.0, 4.0).safety == inf
    made = dataclasses.replace(strength(study_of()).held[0], holds=(glue, skin))
    assert made.best is skin
    assert dataclasses.replace(made, holds=(glue, Hold(SKIN, 1.0, 4.0))).best is glue


# --- ring behind the magnets ---


@pytest.mark.parametrize("steel", [0.0, 1.5])
def test_exact_ring_by_hand(steel, monkeypatch):
    """Own mass and magnets by hand; pockets side by side leave no walls to count."""
    values = {
        **FAST, "rotor.steel_ring_mm": steel, "carrier.backing_mm": 2.0, "rotor.wall_mm": 0.0,
    }  # fmt: skip
    study = study_of(values, shape="arc", fill=1.0)
    forces = np.array([[-7.0, 0, 0], [3.0, 2, 0], [-7, 0, 0], [3, -2, 0]])
    monkeypatch.setattr(module, "seated_forces", lambda *_: forces)
    found = strength(study)
    ri, w = 45e-3, 6000 * RPM
    ro = ri + (steel or 2.0) * 1e-3
    nu, rho = (0.3, study.steel("mild-steel").density) if steel else (0.35, 1270)
    own = (3 + nu) / 4 * rho * w**2 * (ro**2 + (1 - nu) / (3 + nu) * ri**2)
    assert found.ring.own == pytest.approx(own, rel=1e-9)
    total = -8 * 8.0 + sum(one.number * one.loads.centrifugal for one in found.held)
    pressure = total / (2 * pi * ri * 12e-3)
    carried = pressure * (ro**2 + ri**2) / (ro**2 - ri**2)
    assert found.ring.carried == pytest.approx(carried, rel=1e-9)
    assert found.ring.part == (STEEL_RING if steel else PRINT_RING)
    assert found.ring.strength == (
        STEEL_YIELD if steel else print_strength(study, found.temperature)
    )


def test_exact_walls_add_their_mass():
    """What the pockets leave of the ring from gap to back hangs on the backing too."""
    study = study_of({**FAST, "rotor.wall_mm": 0.0}, shape="arc", fill=0.5)
    heavy = {"mine": {"like": "PETG", "density_kg_m3": 2270.0}}
    more = study.with_values({"carrier.material": "mine", "materials.plastics": heavy})
    w, mean = 6000 * RPM, 43.5e-3
    extra = 0.5 * pi * (45e-3**2 - 42e-3**2) * 12e-3 * 1000 * w**2 * mean
    ro, ri = 46.6e-3, 45e-3
    lame = extra / (2 * pi * ri * 12e-3) * (ro**2 + ri**2) / (ro**2 - ri**2)
    found = strength(more).ring.carried - strength(study).ring.carried
    assert found == pytest.approx(lame, rel=1e-6)


def test_ring_that_is_pressed_together_has_no_tension():
    ring = dataclasses.replace(strength(study_of(FAST)).ring, own=1e5, carried=-2e5)
    assert ring.hoop == 0
    assert dataclasses.replace(ring, own=3e5).hoop == pytest.approx(1e5)


def test_inner_rotors_have_no_such_ring():
    assert strength(study_of(FAST, position="inner")).ring is None


# --- off centre ---


def off_centre(**changes):
    given = {"eccentricity": 1e-4, "clearance": 1e-3, "centred": 2.0, "magnetic_stiffness": 5e4}
    return OffCentre(**{**given, "support": 2e5, **changes})


def test_exact_equilibrium_of_a_bent_support():
    """The support's force at the found place is the pull there."""
    one = off_centre()
    bent = one.total - one.eccentricity
    pull = one.centred + one.magnetic_stiffness * one.total
    assert one.support * bent == pytest.approx(pull, rel=1e-12)
    assert one.gap_left == pytest.approx(1e-3 - one.total, rel=1e-12)


def test_exact_support_needed():
    needed = off_centre(support=float("nan")).support_needed
    one = off_centre(support=needed)
    assert one.total - one.eccentricity == pytest.approx(0.1 * one.clearance, rel=1e-12)


def test_weak_support_is_told_and_fails():
    """At magnetic stiffness and below nothing holds the rotor off the stator."""
    for support in (5e4, 1e4):
        one = off_centre(support=support)
        assert not one.stable
        assert isnan(one.total)
        assert isnan(one.gap_left)
    study = study_of({"strength.stiffness_n_per_mm": 1.0})
    found = strength(study)
    failed = [check for check in strength_checks(study, found) if not check.ok]
    assert [check.name for check in failed] == ["support against magnetic pull"]
    assert "the rotor is pulled against the stator" in strength_text(study, found)
    assert strength_json(study, found)["off_centre"]["stable"] is False


def test_little_support_closes_the_gap():
    base = study_of({"strength.eccentricity_mm": 0.4})
    stiff = strength(base).off_centre.magnetic_stiffness / 1e3
    study = base.with_values({"strength.stiffness_n_per_mm": 1.2 * stiff})
    checks = {check.name: check for check in strength_checks(study, strength(study))}
    assert checks["support against magnetic pull"].ok
    # 0.4 k/(k - km) = 2.4 mm of the 0.5 that run free beside the winding
    left = checks["clearance left off centre"]
    assert left.value == pytest.approx(0.5 - 2.4, rel=1e-6)
    assert not left.ok


@pytest.mark.parametrize(("kind", "left"), [("slotted", 1.0), ("smooth", 0.5), ("ironless", 1.0)])
def test_exact_clearance(kind, left):
    """Skin and the winding of a smooth stator are part of the airgap."""
    one = strength(study_of({"carrier.skin_mm": 0.2}, kind=kind)).off_centre
    assert one.clearance == pytest.approx((left - 0.2) * 1e-3, rel=1e-9)


def test_no_iron_no_pull():
    study = study_of({"strength.stiffness_n_per_mm": 50.0}, kind="ironless")
    found = strength(study)
    assert found.off_centre.magnetic_stiffness == found.off_centre.pull == 0
    assert found.off_centre.total == found.off_centre.eccentricity
    bare = study_of(kind="ironless")
    assert "support that" not in strength_text(bare, strength(bare))
    assert not any(
        "stiffness" in line for line in strength_json(bare, strength(bare))["not_judged"]
    )


def test_exact_pull_needs_more_than_the_first_order():
    """Every harmonic pulls by itself where p is over two: the sum of them is the whole."""
    layout = build_layout(study_of(magnets_per_pole_pair=2))
    whole = magnetic_pull(solve_field(layout, orders=np.array([1, 3])))[0]
    field = solve_field(layout, orders=np.array([1, 3]))
    single = [
        magnetic_pull(
            dataclasses.replace(field, surface=field.surface * np.array([[k == 0], [k == 1]]))
        )[0]
        for k in (0, 1)
    ]
    assert min(single) > 0
    assert whole == pytest.approx(sum(single), rel=1e-12)


def test_centred_pull_of_one_pole_pair_of_three():
    """Orders next to each other pull a centred rotor; none are in other layouts."""
    study = study_of(
        {"stator.coil_side_mm": 2.0},
        pole_pairs=1, magnets_per_pole_pair=3, shape="arc", diameter=20.0,
    )  # fmt: skip
    found = strength(study)
    assert found.off_centre.centred > 0.01 * found.off_centre.pull
    assert "a centred rotor has too" in strength_text(study, found)
    assert strength(study_of(pole_pairs=2)).off_centre.centred == pytest.approx(0, abs=1e-9)


# --- what is printed ---


def command_line(*arguments):
    return CliRunner().invoke(command, [str(a) for a in arguments])


@pytest.fixture
def starter(tmp_path):
    file = tmp_path / "study.toml"
    file.write_text(starter_text(), encoding="utf-8")
    return file


def refuse(constant):
    raise AssertionError(f"{constant} is no JSON")


def test_command_prints_tables_and_writes_files(starter, tmp_path):
    done = command_line(starter, "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    study = load_study(starter)
    found = strength(study)
    assert done.stdout == strength_text(study, found) + "\n"
    assert (tmp_path / "out" / "strength.txt").read_text(encoding="utf-8") == done.stdout
    written = json.loads(
        (tmp_path / "out" / "strength.json").read_text(encoding="utf-8"), parse_constant=refuse
    )
    assert written == strength_json(study, found)
    assert all(len(line) <= 110 for line in done.stdout.split("Not judged")[0].splitlines())


def test_command_prints_json(starter):
    done = command_line(starter, "--json")
    told = json.loads(done.stdout, parse_constant=refuse)
    assert told["magnets"][0]["family"] == "main"
    assert told["magnets"][0]["holds"][0]["what"] == "glue"
    assert told["cautions"]
    assert all(check["ok"] for check in told["checks"])


def test_command_fails_with_code_3(starter):
    text = starter_text().replace("[strength] ", "[strength]\noverspeed_rpm = 150000 ")
    starter.write_text(text, encoding="utf-8")
    done = command_line(starter)
    assert done.exit_code == 3
    assert re.search(r"hoop stress, print behind the magnets .* NO", done.stdout)


def test_command_tells_a_bad_study(starter):
    starter.write_text(starter_text().replace('"epoxy"', '"gum"'), encoding="utf-8")
    done = command_line(starter)
    assert isinstance(done.exception, StudyError)
    assert done.exception.exit_code == 2
    assert "strength.adhesive" in str(done.exception)


def test_command_has_help():
    done = command_line("--help")
    assert done.exit_code == 0
    assert "--json" in done.stdout
    assert "exit code 3" in done.stdout.lower()


def test_what_is_not_judged_is_told():
    study = study_of({"drive": None, "heat": None})
    lines = strength_json(study, strength(study))["not_judged"]
    for words in ("strength.overspeed_rpm", "torque's share", "warmth", "stiffness_n_per_mm"):
        assert sum(words in line for line in lines) == 1
    fast = study.with_values(FAST | {"carrier.backing_mm": 0.0})
    lines = strength_json(fast, strength(fast))["not_judged"]
    assert any("neither carrier.backing_mm nor a steel ring" in line for line in lines)
    whole = study_of(FAST | {"strength.stiffness_n_per_mm": 1e4})
    assert strength_json(whole, strength(whole))["not_judged"] == []
    assert "Not judged" not in strength_text(whole, strength(whole))


def test_glue_too_warm_fails():
    study = study_of({"rotor.magnet_temperature_c": 90.0, "heat": None})
    checks = {check.name: check for check in strength_checks(study, strength(study))}
    assert not checks["glue temperature"].ok
    assert checks["glue temperature"].value == 90
