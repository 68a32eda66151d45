"""Stray field: closed forms, magpylib's own objects, distances, the position sensor."""

import json
import math

import magpylib
import numpy as np
import pytest
from makers import make_study, unit_magnets

from arrayopt.checks.stray import (
    LEVELS,
    Stray,
    _distances,
    field_at,
    sensor_field,
    stray,
    stray_checks,
)
from arrayopt.errors import ArrayoptError
from arrayopt.export.stray_tables import stray_json, stray_text
from arrayopt.field.stray import (
    column_field,
    disc_field,
    loose_polarisation,
    rotor_fields,
    rotor_sheets,
)
from arrayopt.layout import Blocks, build_layout
from arrayopt.materials import magnet_grade
from arrayopt.study import starter_text

SENSOR = {
    "sensor": {
        "height_mm": 10.0, "magnet_diameter_mm": 6.0, "magnet_thickness_mm": 2.5,
        "distance_mm": 1.5,
    }
}  # fmt: skip


def ring_of_magpylib(layout, rows=1, step=0.0):
    """All magnets of a rotor as objects, one tesla each."""
    M, p = layout.magnets_per_pole_pair, int(layout.pole_pairs[0])
    length = float(layout.length[0]) / rows
    magnets = []
    for row in range(rows):
        middle = row - (rows - 1) / 2
        for k in range(p * M):
            i = next(i for i, family in enumerate(layout.families) if k % M in family.places)
            shape = layout.shapes[i]
            b = (1 if layout.outer else -1) * 2 * np.pi * (k % M) / M
            magnet = magpylib.magnet.Cuboid(
                polarization=(np.cos(b), np.sin(b), 0),
                dimension=(float(shape.thickness[0]), float(shape.width[0]), length),
                position=(float(shape.lo[0] + shape.hi[0]) / 2, 0, middle * length),
            )
            turn = 360 * k / (p * M) + middle * step
            magnets.append(magnet.rotate_from_angax(turn, "z", anchor=0))
    return magpylib.Collection(magnets)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("rows", [1, 3])
def test_independent_field_of_a_whole_rotor(position, rows):
    values = {"rotor.skew_steps": rows, "rotor.skew_step_deg": 1.5} if rows > 1 else {}
    study = make_study(position=position, pole_pairs=7, values=values)
    layout = unit_magnets(build_layout(study))
    points = np.array([[55e-3, 10e-3, 0], [5e-3, -48e-3, 0], [0, 9e-3, 11e-3]])
    theirs = ring_of_magpylib(layout, rows, 1.5).getB(points.T).T
    found = rotor_fields(layout, points).sum(axis=1)
    np.testing.assert_allclose(found, theirs, atol=1e-12)  # the same closed form, other code


def test_exact_far_field_of_one_magnet_is_a_dipole():
    """B = Br V / (2 pi d^3) on the axis, at a hundred times its size."""
    field = column_field(
        side=10e-3, width=4e-3, height=3e-3, polarisation=1.3, distance=np.array([1.0])
    )
    d = 1.0 + 1.5e-3
    assert field[0] == pytest.approx(1.3 * 120e-9 / (2 * math.pi * d**3), rel=1e-4)


def test_exact_field_on_the_axis_of_a_block():
    """Textbook closed form of a block's axis field: two solid angles."""
    a, b, h, J = 10e-3, 4e-3, 3e-3, 1.3

    def angle(z):
        return math.atan(a * b / (2 * z * math.sqrt(4 * z**2 + a**2 + b**2)))

    for d in (1e-3, 5e-3):
        expected = J / math.pi * (angle(d) - angle(d + h))
        found = column_field(side=a, width=b, height=h, polarisation=J, distance=np.array([d]))
        assert found[0] == pytest.approx(expected, rel=1e-9)


def test_independent_field_of_the_disc():
    """magpylib's own object near it, and the dipole limit far away, square to the axis."""
    near = np.array([[0.0, 4e-3, 2e-3], [0.0, 1e-3, -5e-3], [3e-3, 0.0, 1e-3]])
    disc = magpylib.magnet.Cylinder(polarization=(1.2, 0, 0), dimension=(6e-3, 2.5e-3))
    found = disc_field(diameter=6e-3, thickness=2.5e-3, polarisation=1.2, points=near)
    np.testing.assert_allclose(found, disc.getB(near.T).T, atol=1e-12)
    volume = math.pi * 3e-3**2 * 2.5e-3
    at = np.array([[0.0], [0.0], [0.3]])
    found = disc_field(diameter=6e-3, thickness=2.5e-3, polarisation=1.2, points=at)
    assert found[0, 0] == pytest.approx(-1.2 * volume / (4 * math.pi * 0.3**3), rel=1e-3)


def test_exact_loose_polarisation_of_a_long_and_of_a_flat_piece():
    """No demagnetising field along a needle, all of it across a plate."""
    grade = magnet_grade("N45H")
    plate = Blocks(np.array([0.0]), np.array([1e-4]), np.array([0.3]))
    J = loose_polarisation(plate, length=np.array([0.3]), grade=grade, angle=0.0)
    assert J[0] == pytest.approx(grade.remanence / grade.recoil_permeability, rel=2e-3)
    needle = Blocks(np.array([0.0]), np.array([0.3]), np.array([1e-3]))
    J = loose_polarisation(needle, length=np.array([1e-3]), grade=grade, angle=0.0)
    assert J[0] == pytest.approx(grade.remanence, rel=1e-3)


def test_exact_no_field_on_the_axis_of_alike_magnets():
    layout = build_layout(make_study(pole_pairs=5))
    assert field_at(layout, radius=0.0, height=8e-3).whole < 1e-12
    found = field_at(build_layout(make_study(pole_pairs=1, diameter=20.0)), radius=0.0, height=0.0)
    assert found.whole > 0.05  # one pole pair has its field right there


@pytest.mark.parametrize("radius", [50e-3, 60e-3])
def test_exact_stator_mirrors_a_long_rotor(radius):
    """Outside of the magnets the iron's image of order n is (Rs/r)^2n of the inner field."""
    study = make_study(pole_pairs=4, length=300.0, stack=300.0, shape="arc", diameter=60.0)
    layout = build_layout(study)
    inside = rotor_fields(layout, np.array([[30e-3], [0.0], [0.0]])).sum(axis=1)[0, 0]
    at = np.array([[radius], [0.0], [0.0]])
    # An inner multipole a r^(n-1) leaves the stator as a (Rs/r)^(n+1), of the same sign.
    added = [
        rotor_sheets(layout, on_stator=on).fields(at).sum(axis=1)[0, 0] for on in (False, True)
    ]
    assert added[1] - added[0] == pytest.approx(inside * (30e-3 / radius) ** 5, rel=0.02)


def test_distances_are_where_the_levels_are_met():
    study = make_study()
    layout = build_layout(study)
    found = stray(study)
    outwards = next(r for r in found.reaches if r.what == "rotor, outwards")
    for level, distance in zip(LEVELS, outwards.distances, strict=True):
        at = field_at(layout, radius=float(layout.outer_radius[0]) + distance, height=0.0)
        assert at.whole == pytest.approx(level, rel=5e-3)
    assert outwards.distances[0] > outwards.distances[1]


def test_loose_packs_reach_farthest():
    found = {r.what: r.distances[0] for r in stray(make_study()).reaches}
    pack = next(d for what, d in found.items() if "column" in what)
    assert pack > found["one loose main magnet"] > found["rotor, outwards"]


def test_a_field_under_the_levels_at_once_has_no_distance():
    assert _distances(lambda distance: 2e-3 / (1 + 1e3 * distance)) == (pytest.approx(3e-3), 0.0)


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({}, True),
        ({"rotor.steel_ring_mm": 2.0}, False),
    ],
)
def test_rotor_on_its_stator_where_that_is_known(values, told):
    names = [r.what for r in stray(make_study(values=values)).reaches]
    assert ("rotor on its stator, outwards" in names) == told
    assert "rotor on its stator, outwards" not in [
        r.what for r in stray(make_study(position="inner")).reaches
    ]


def sensor(**more):
    return {"sensor": {**SENSOR["sensor"], **more}}


def test_sensor_on_the_axis_by_hand():
    """Disc and array turn together: what the array adds there is an angle that stays."""
    study = make_study(pole_pairs=1, diameter=30.0, values=sensor(height_mm=16.0))
    layout = build_layout(study)
    found = sensor_field(study, layout)
    disc = magpylib.magnet.Cylinder(polarization=(1.2, 0, 0), dimension=(6e-3, 2.5e-3))
    own = disc.getB((0, 0, 2.75e-3))[:2]
    assert found.own == pytest.approx(np.linalg.norm(own), rel=1e-9)
    array = rotor_fields(layout, np.array([[0.0], [0.0], [16e-3]])).sum(axis=1)[:2, 0]
    assert found.array == pytest.approx(np.linalg.norm(array), rel=1e-9)
    turned = np.degrees(np.arctan2(*(own + array)[::-1]) - np.arctan2(*own[::-1]))
    assert np.degrees(found.offset) == pytest.approx((turned + 180) % 360 - 180, abs=1e-6)
    assert (found.error, found.own_error) == (0.0, 0.0)
    (check,) = stray_checks(study, stray(study))
    assert check.ok


def test_independent_error_off_the_axis_by_turning_the_rotor():
    """All magnets and the disc as objects of magpylib, turned about the shaft step by step."""
    values = sensor(radius_mm=2.0, height_mm=9.0) | {
        "materials": {"magnets": {"alike": {
            "like": "N42SH", "remanence_min_t": 1.0, "remanence_typical_t": 1.0,
            "remanence_max_t": 1.0,
        }}},
        "rotor.grade": "alike",
    }  # fmt: skip
    study = make_study(pole_pairs=2, diameter=20.0, values=values)
    found = sensor_field(study, build_layout(study))
    ring = ring_of_magpylib(build_layout(study))
    disc = magpylib.magnet.Cylinder(polarization=(1.2, 0, 0), dimension=(6e-3, 2.5e-3))
    disc.position = (0, 0, 9e-3 - 2.75e-3)
    read = {"both": [], "disc": []}
    for _ in range(144):
        read["disc"].append(disc.getB((2e-3, 0, 9e-3))[:2])
        read["both"].append(read["disc"][-1] + ring.getB((2e-3, 0, 9e-3))[:2])
        for thing in (ring, disc):
            thing.rotate_from_angax(2.5, "z", anchor=0)
    angle = {name: np.unwrap([math.atan2(y, x) for x, y in B]) for name, B in read.items()}
    array = angle["both"] - angle["disc"]
    assert found.error == pytest.approx(np.abs(array - array.mean()).max(), rel=1e-3)
    assert found.error > math.radians(0.1)
    own = angle["disc"] - np.radians(2.5) * np.arange(144)
    assert found.own_error == pytest.approx(np.abs(own - own.mean()).max(), rel=1e-3)


def test_sensor_drowned_by_the_array_fails():
    values = sensor(radius_mm=14.0, height_mm=8.0, distance_mm=20.0)
    values["stator.slots"] = 18
    study = make_study(pole_pairs=3, diameter=30.0, values=values)
    found = stray(study)
    assert found.sensor.error > 1
    (check,) = stray_checks(study, found)
    assert not check.ok


def test_independent_spread_by_drawing_magnets():
    """Twice the standard deviation of the axis field of 2000 rotors of unlike magnets."""
    study = make_study(pole_pairs=3, diameter=30.0, values=SENSOR)
    layout = build_layout(study)
    each = rotor_fields(layout, np.array([[0.0], [0.0], [10e-3]]))[:2, :, 0]
    grade = magnet_grade("N42SH")
    half = (grade.remanence_max - grade.remanence_min) / 2 / grade.remanence
    draws = np.random.default_rng(1).uniform(-half, half, (2000, each.shape[1]))
    root = 2 * np.sqrt(((draws @ each.T) ** 2).sum(axis=1).mean())
    assert sensor_field(study, layout).spread == pytest.approx(root, rel=0.05)  # 2000 draws


def test_points_among_the_magnets_are_no_stray_field():
    with pytest.raises(ArrayoptError, match=r"43,0 lies among the magnets, radius 42 to 45"):
        stray(make_study(), points=[(43e-3, 0.0)])
    assert stray(make_study(), points=[(43e-3, 7e-3)]).points[0].whole > 0


def test_tables_and_json_say_the_same():
    study = make_study(pole_pairs=5, values=SENSOR)
    found = stray(study, points=[(60e-3, 0.0)])
    text, told = stray_text(study, found), stray_json(study, found)
    assert "position sensor error" in text
    assert "implanted medical devices" in text
    assert told["points"][0]["radius_mm"] == 60
    assert told["distances"][0]["under_0_5_mt_mm"] > told["distances"][0]["under_3_mt_mm"]
    assert told["sensor"]["own_mt"] == pytest.approx(found.sensor.own * 1e3, rel=1e-8)
    assert stray_json(study, Stray(found.reaches, (), None))["sensor"] is None


@pytest.fixture
def starter(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(starter_text(), encoding="utf-8")
    return path


def test_command(run, starter, tmp_path):
    code, out, _ = run("stray", starter, "--at", "60,0", "--at", "0,-12.5", "--out", tmp_path / "o")
    assert code == 0
    assert "-12.5" in out
    assert {p.name for p in (tmp_path / "o").iterdir()} == {"stray.json", "stray.txt"}
    code, out, _ = run("stray", starter, "--json")
    assert json.loads(out)["points"] == []


def test_command_ends_with_three_if_the_sensor_is_disturbed(run, starter):
    text = starter.read_text("utf-8").replace(
        "distance_mm = 1.5", "distance_mm = 6\nradius_mm = 40"
    )
    starter.write_text(text, encoding="utf-8")
    assert run("stray", starter)[0] == 3


@pytest.mark.parametrize("point", ["5", "a,b", "-1,0", "1,2,3", "nan,0", "1e9,0"])
def test_wrong_points_are_told(run, starter, point):
    code, _, err = run("stray", starter, "--at", point)
    assert code == 2
    assert "Invalid value for '--at'" in err
