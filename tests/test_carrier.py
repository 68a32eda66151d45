"""The printed carrier: members and their numbers, openings, lips, reliefs, mass, wrong lips."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from makers import make_study
from shapely import affinity

from arrayopt.errors import StudyError
from arrayopt.export.drawings import drawings_text
from arrayopt.layout import build_layout, rotor_masses
from arrayopt.layout.carrier import carrier_sections, pocket_parts
from arrayopt.layout.members import position, rotor_members
from arrayopt.layout.pockets import carrier_ring, family_pockets
from arrayopt.study import parse_study, revised_text, starter_text

PRINTED = {"rotor.clearance_mm": 0.1, "carrier.backing_mm": 1.6, "rotor.wall_mm": 0.4}


def floor_area(section):
    """Area of the plate under the ring, a steel ring on it."""
    inner, outer = section.floor_radii
    return math.pi * (outer**2 - inner**2)


def printed(position="outer", shape="block", **values):
    values = {key.replace("__", "."): value for key, value in values.items()}
    return make_study(position=position, shape=shape, fill=0.6, values=PRINTED | values)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("count", [2, 4, 6, 8])
def test_exact_directions_turn_as_the_array_does(position, count):
    """Magnet k is polarised at (1 + p) a or (1 - p) a in the fixed frame, a its own angle."""
    p = 5
    members = rotor_members(
        make_study(position=position, pole_pairs=p, magnets_per_pole_pair=count)
    )
    assert [m.number for m in members] == list(range(1, p * count + 1))
    turns = 1 + p if position == "outer" else 1 - p
    first = members[0]
    assert first.table == "main"
    assert first.north == ("in" if position == "outer" else "out")  # towards the stator
    for member in members:
        expected = first.polarisation + turns * member.angle
        assert math.cos(member.polarisation - expected) == pytest.approx(1, abs=1e-9)


def test_words_for_north():
    members = rotor_members(make_study(pole_pairs=2, magnets_per_pole_pair=8, diameter=40.0))
    assert [m.north for m in members[:8]] == [
        "in", "135 deg from out, clockwise", "clockwise", "45 deg from out, clockwise", "out",
        "45 deg from out, anticlockwise", "anticlockwise", "135 deg from out, anticlockwise",
    ]  # fmt: skip
    assert rotor_members(make_study(magnets_per_pole_pair=3))[0].north == "out"


def test_exact_positions():
    members = rotor_members(make_study(pole_pairs=2, diameter=40.0, airgap=1.0, thickness=3.0))
    x, y = position(members[0])
    assert (x, y) == pytest.approx((0, 22.5e-3))
    x, y = position(members[2])  # a quarter turn anticlockwise of eight: to the left
    assert (x, y) == pytest.approx((-22.5e-3, 0), abs=1e-12)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize(
    "values",
    [
        {}, {"carrier__skin_mm": 0.5}, {"carrier__skin_mm": 0.9, "carrier__lip_mm": 0.4},
        {"rotor__steel_ring_mm": 1.5}, {"carrier__backing_mm": 0.0},
        {"carrier__corner_relief_mm": 0.0},
        {"rotor__transverse__thickness_mm": 2.0, "rotor__transverse__flush": "back"},
        {"rotor__transverse__thickness_mm": 2.0, "rotor__transverse__flush": "centre"},
        {"carrier__skin_mm": 0.9, "carrier__corner_relief_mm": 0.3},
    ],
)  # fmt: skip
def test_independent_mass_of_the_section(position, shape, values):
    """The mass model's closed forms, or the polygons of the drawing."""
    study = printed(position, shape, **values)
    (section,) = carrier_sections(study)
    volume = section.printed.area * section.height + floor_area(section) * section.floor
    density = study.plastic(study.carrier.material).density
    found = float(rotor_masses(build_layout(study)).carrier[0]) / density * 1e9
    assert found == pytest.approx(volume, rel=4e-4)  # chords of circles and of reliefs


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize(
    "values",
    [{}, {"carrier__skin_mm": 0.5}, {"rotor__steel_ring_mm": 1.5},
     {"carrier__skin_mm": 0.9, "carrier__lip_mm": 0.4, "carrier__corner_relief_mm": 0.4}],
)  # fmt: skip
def test_independent_moment_of_the_pockets(position, shape, values):
    """Closed forms, or the polygons of the drawing cut into triangles."""
    study = printed(position, shape, **values)
    layout = build_layout(study)
    ring = carrier_ring(layout)
    (section,) = carrier_sections(study)
    for i, family in enumerate(layout.families):
        outline = next(p.outline for p in section.pockets if p.member.family == family.name)
        x, y = np.array(outline.exterior.coords).T
        cross = x[:-1] * y[1:] - x[1:] * y[:-1]
        squares = sum(c[:-1] ** 2 + c[:-1] * c[1:] + c[1:] ** 2 for c in (x, y))
        found = float(family_pockets(layout, ring, i).second_moment[0]) * 1e12
        assert found == pytest.approx(abs((cross * squares).sum()) / 12, rel=1e-3)  # chords


def test_wide_magnets_on_a_ring_round_the_shaft_keep_the_print_that_is_thick():
    """By hand: print behind is left out to where it is wall_mm thick, |y| < sqrt((r+w)2 - r2)."""
    study = make_study(
        position="inner", diameter=30.0, pole_pairs=2, magnets_per_pole_pair=2, thickness=5.0,
        fill=0.75, values=PRINTED | {"rotor.steel_ring_mm": 1.0},
    )  # fmt: skip
    (section,) = carrier_sections(study)
    r = section.inner_radius
    outline = affinity.rotate(section.pockets[0].outline, 0.0)
    low = outline.intersection(shapely.box(-20, 0, 20, r - 1e-3))
    assert low.bounds[2] == pytest.approx(math.sqrt((r + 0.4) ** 2 - r**2), rel=1e-4)


def test_exact_area_of_a_closed_pocket():
    """A block 1.2 mm larger each way, less nothing, and two half discs at the back."""
    study = printed(carrier__skin_mm=0.5, carrier__corner_relief_mm=0.25)
    (section,) = carrier_sections(study)
    pocket = section.pockets[0]
    wide, deep = study.rotor.main.width_mm + 0.2, study.rotor.main.thickness_mm + 0.2
    expected = wide * deep + math.pi * 0.25**2
    assert pocket.outline.area == pytest.approx(expected, rel=2e-4)  # chords of the discs
    assert pocket.outline.contains(pocket.magnet)


def test_reliefs_weaken_no_wall():
    """The least distance between pockets is the same with and without them."""
    apart = []
    for relief in (0.0, 0.3):
        (section,) = carrier_sections(printed(carrier__corner_relief_mm=relief))
        outlines = [pocket.outline for pocket in section.pockets]
        apart.append(min(a.distance(b) for a, b in pairwise(outlines)))
    assert apart[1] == pytest.approx(apart[0], abs=1e-4)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("relief", [0.3, 1.0, 2.0])
def test_reliefs_of_any_size_stay_between_the_sides(position, relief):
    study = printed(position, carrier__corner_relief_mm=relief, carrier__backing_mm=4.0)
    (section,) = carrier_sections(study)
    for pocket in section.pockets:
        upright = affinity.rotate(
            pocket.outline, -pocket.member.angle, origin=(0, 0), use_radians=True
        )
        left, _, right, _ = upright.bounds
        wide = getattr(study.rotor, pocket.member.table).width_mm + 0.2
        assert right - left == pytest.approx(wide, abs=1e-6)
    assert shapely.get_num_geometries(section.printed) == 1


@pytest.mark.parametrize(("backing", "parts"), [(0.0, 40), (0.3, 1)])
def test_backing_that_the_study_asks_for_stays(backing, parts):
    """Thinner than rotor.wall_mm as it is; only without any do the pockets go right through."""
    (section,) = carrier_sections(printed(carrier__backing_mm=backing))
    assert shapely.get_num_geometries(section.printed) == parts


def test_lips_open_pockets_without_clearance():
    """The skin in front is then as thick as the study has it, but for rounding."""
    study = printed(rotor__clearance_mm=0.0, carrier__skin_mm=0.5, carrier__lip_mm=0.6)
    layout = build_layout(study)
    assert family_pockets(layout, carrier_ring(layout), 0).lipped[0]


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_pockets_open_to_the_gap_or_lie_behind_the_skin(position):
    gap_radius = {"outer": 42.0, "inner": 40.0}[position]
    for skin, touching in ((0.0, True), (0.5, False)):
        (section,) = carrier_sections(printed(position, carrier__skin_mm=skin))
        edge = section.inner_radius if position == "outer" else section.outer_radius
        assert edge == pytest.approx(gap_radius + (-skin if position == "outer" else skin))
        circle = shapely.Point(0, 0).buffer(edge, quad_segs=720).exterior
        near = [pocket.outline.distance(circle) < 1e-3 for pocket in section.pockets]
        assert set(near) == {touching}


def test_lips_hold_the_magnet():
    study = printed(carrier__skin_mm=0.6, carrier__lip_mm=0.5)
    (section,) = carrier_sections(study)
    pocket = section.pockets[0]
    opening = pocket.outline.intersection(shapely.box(-5, 41.45, 5, 41.6))
    width = opening.bounds[2] - opening.bounds[0]
    assert width == pytest.approx(study.rotor.main.width_mm + 0.2 - 2 * 0.5, abs=1e-6)


def test_thin_print_before_a_set_back_magnet_is_left_out_and_thick_print_stays():
    for back, touching in ((2.9, True), (2.0, False)):
        study = printed(**{
            "rotor__transverse__thickness_mm": back, "rotor__transverse__flush": "back",
        })  # fmt: skip
        (section,) = carrier_sections(study)
        small = section.pockets[1].outline
        assert (small.distance(shapely.Point(0, 0)) < section.inner_radius + 1e-3) == touching


def test_steel_ring_has_a_recess_of_its_own():
    study = printed(rotor__steel_ring_mm=1.5)
    (section,) = carrier_sections(study)
    near, far = section.steel_ring
    assert section.floor_radii == pytest.approx((section.inner_radius, far))  # it stands on it
    assert far - near == pytest.approx(1.5)
    assert section.outer_radius == pytest.approx(near)
    assert section.outermost == pytest.approx(far)


def test_rows_of_a_skewed_rotor():
    study = printed(rotor__skew_steps=3, rotor__skew_step_deg=2.0)
    sections = carrier_sections(study)
    assert [s.row for s in sections] == [1, 2, 3]
    assert [s.height for s in sections] == [4.0] * 3
    numbers = [p.member.number for s in sections for p in s.pockets]
    assert numbers == list(range(1, 121))
    first = [np.degrees(s.pockets[0].member.angle) for s in sections]
    assert first == pytest.approx([0, 2, 4])


def test_parts_make_the_pocket():
    study = printed(carrier__skin_mm=0.6, carrier__lip_mm=0.4)
    (section,) = carrier_sections(study)
    for i, parts in enumerate(pocket_parts(study)):
        whole = shapely.union_all([part.outline for part in parts])
        ring = shapely.affinity.rotate(section.ring, 0)
        turned = shapely.affinity.rotate(whole, 90, origin=(0, 0))
        if i == 0:
            assert turned.intersection(ring).area == pytest.approx(
                section.pockets[0].outline.area, rel=1e-9
            )


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"carrier.lip_mm": 0.4}, r"carrier.lip_mm: lips are as thick as the skin.*got 0.4"),
        ({"carrier.lip_mm": 1.0, "carrier.skin_mm": 0.5},
         r"carrier.lip_mm: two lips must leave an opening before rotor.transverse of 2.00 mm"),
        ({"carrier.skin_mm": 0.05}, r"carrier.skin_mm must be thicker than rotor.clearance_mm"),
        ({"carrier.lip_mm": 0.01, "carrier.skin_mm": 0.5}, r"carrier.lip_mm must be from 0.1"),
    ],
)  # fmt: skip
def test_wrong_skins_and_lips_are_told(values, message):
    with pytest.raises(StudyError, match=message):
        parse_study(revised_text(starter_text(), values))


def test_loose_walls_are_told():
    study = printed(rotor__steel_ring_mm=1.5)
    (section,) = carrier_sections(study)
    assert section.loose_parts == 40
    assert "40 walls stand on the floor alone" in drawings_text(study)
    bare = study.with_values({"carrier.floor_mm": 0.0})
    assert "THE PRINT FALLS INTO 40 PIECES" in drawings_text(bare)
    assert carrier_sections(printed())[0].loose_parts == 1
    skewed = printed(rotor__skew_steps=2, rotor__skew_step_deg=2.0)
    assert "fill the lowest one" in drawings_text(skewed)
