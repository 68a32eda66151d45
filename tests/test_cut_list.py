"""The cut list: counts, directions and masses by hand."""

import csv
import io
import json
from math import ceil, pi

import pytest
from makers import make_study

from arrayopt.export.cut_list import cut_list
from arrayopt.export.files import json_text
from arrayopt.export.order_tables import order_csv, order_json, order_text
from arrayopt.layout import build_layout, rotor_masses
from arrayopt.study import parse_study, starter_text

STARTER = parse_study(starter_text())


def block(width, thickness, **more):
    return {"shape": "block", "width_mm": width, "thickness_mm": thickness, **more}


def arc(span, thickness=3.0, **more):
    return {"shape": "arc", "span_deg": span, "thickness_mm": thickness, **more}


def rotor(count, *, pole_pairs=5, **magnets):
    """A study with these magnets, 10 mm long; whether they fit does not matter here."""
    study = make_study(magnets_per_pole_pair=count, pole_pairs=pole_pairs, length=10.0)
    return study.with_values({f"rotor.{name}": magnet for name, magnet in magnets.items()})


@pytest.mark.parametrize(
    ("motors", "spares", "expected"),
    # exact: 28 a rotor; 58.8 and 33.6 round up, 61.6 rounds up, 56 and 420 stay
    [(1, 5, 30), (1, 20, 34), (2, 10, 62), (2, 0, 56), (10, 50, 420), (1, 0, 28)],
)
def test_counts(motors, spares, expected):
    order = cut_list(STARTER, motors=motors, spares_percent=spares)
    assert (order.motors, order.spares_percent) == (motors, spares)
    assert [(p.used_as, p.per_rotor, p.ordered) for p in order.pieces] == [
        ("main", 28, expected),
        ("transverse", 28, expected),
    ]


def test_order_of_the_study_is_the_default():
    study = STARTER.with_values({"order.motors": 3, "order.spares_percent": 25.0})
    order = cut_list(study)
    assert (order.title, order.motors, order.spares_percent) == (study.title, 3, 25.0)
    assert [p.ordered for p in order.pieces] == [105, 105]  # exact: 3 x 28 x 1.25


def test_blocks_of_four():
    main, transverse = cut_list(STARTER).pieces
    assert (main.shape, main.size, main.angle_deg) == ("block", "12 x 5 x 3", 0)
    assert main.polarisation == "along the last edge (3 mm), square to the other two"
    # polarised along its width of 2 mm
    assert (transverse.size, transverse.angle_deg) == ("12 x 3 x 2", 0)
    assert transverse.polarisation.startswith("along the last edge (2 mm)")
    assert {p.grade for p in (main, transverse)} == {"N42SH"}
    assert {p.tolerance_mm for p in (main, transverse)} == {0.05}


def test_size_begins_with_the_longest_of_the_other_two_edges():
    (piece,) = cut_list(rotor(2, main=block(14.0, 3.0))).pieces
    assert piece.size == "14 x 10 x 3"


def test_oblique_blocks_of_eight():
    # exact: 45 deg from both edges; told from the shorter one
    order = cut_list(
        rotor(8, main=block(4.0, 3.0), transverse=block(2.0, 3.0), oblique=block(2.5, 3.5))
    )
    assert [(p.used_as, p.per_rotor, p.angle_deg) for p in order.pieces] == [
        ("main", 10, 0),
        ("transverse", 10, 0),
        ("oblique", 20, 45),
    ]
    assert order.pieces[2].size == "10 x 3.5 x 2.5"
    assert order.pieces[2].polarisation == (
        "45 deg from the last edge (2.5 mm) towards the second (3.5 mm), square to the first"
    )


def test_oblique_blocks_of_twelve():
    # exact: 30 deg from the radius, so from the thickness; 60 deg is 30 deg from the width
    order = cut_list(
        rotor(12, main=block(4.0, 3.0), transverse=block(2.0, 3.0), oblique=block(2.5, 3.5))
    )
    rows = {p.used_as: (p.per_rotor, p.angle_deg, p.size) for p in order.pieces}
    assert rows == {
        "main": (10, 0, "10 x 4 x 3"),
        "transverse": (10, 0, "10 x 3 x 2"),
        "oblique 30": (20, 30, "10 x 2.5 x 3.5"),
        "oblique 60": (20, 30, "10 x 3.5 x 2.5"),
    }
    words = {p.used_as: p.polarisation for p in order.pieces}
    assert words["oblique 30"].startswith("30 deg from the last edge (3.5 mm) towards the second")
    assert words["oblique 60"].startswith("30 deg from the last edge (2.5 mm) towards the second")


def test_oblique_squares_of_twelve_are_one_piece():
    # exact: in a square, 60 deg from one edge is 30 deg from the other
    order = cut_list(
        rotor(12, main=block(4.0, 3.0), transverse=block(2.0, 3.0), oblique=block(3.0, 3.0))
    )
    assert [(p.used_as, p.per_rotor) for p in order.pieces] == [
        ("main", 10),
        ("transverse", 10),
        ("oblique 30 and oblique 60", 40),
    ]


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_oblique_blocks_of_three_and_six(position):
    # exact: 120 and 240 deg are 60 deg from the radius, taken as a line
    for count, per_rotor in ((3, 10), (6, 20)):
        study = make_study(
            position=position, magnets_per_pole_pair=count, pole_pairs=5, thickness=4.0
        )
        oblique = cut_list(study).pieces[1]
        assert (oblique.used_as, oblique.per_rotor, oblique.angle_deg) == ("oblique", per_rotor, 30)


@pytest.mark.parametrize(
    ("main", "transverse", "alike"),
    [
        ((2.0, 3.0), (3.0, 2.0), True),  # both 10 x 2 x 3, along the 3
        ((3.0, 3.0), (3.0, 3.0), True),
        ((2.0, 3.0), (2.0, 3.0), False),  # same block, along the 3 and along the 2
        ((2.0, 3.0), (3.0, 2.1), False),
        ((10.0, 3.0), (3.0, 10.0), True),
    ],
)
def test_identical_pieces_are_one_row(main, transverse, alike):
    order = cut_list(rotor(4, main=block(*main), transverse=block(*transverse)), spares_percent=0)
    if alike:
        (piece,) = order.pieces
        assert (piece.used_as, piece.per_rotor, piece.ordered) == ("main and transverse", 20, 20)
    else:
        assert [p.per_rotor for p in order.pieces] == [10, 10]


def test_spares_of_merged_rows_are_rounded_once():
    # exact: 20 x 1.03 = 20.6, one spare; apart they would be 2
    order = cut_list(rotor(4, main=block(2.0, 3.0), transverse=block(3.0, 2.0)), spares_percent=3)
    assert [p.ordered for p in order.pieces] == [21]


def test_grades_stay_apart():
    study = rotor(4, main=block(2.0, 3.0), transverse=block(3.0, 2.0, grade="N52"))
    assert [(p.grade, p.used_as) for p in cut_list(study).pieces] == [
        ("N42SH", "main"),
        ("N52", "transverse"),
    ]


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_arcs_of_four(position):
    # gap radius 42 or 40 mm, arcs 3 mm deep
    study = make_study(position=position, pole_pairs=5, shape="arc", length=10.0).with_values(
        {"rotor.main": arc(12.0), "rotor.transverse": arc(4.5)}
    )
    outward, inward, transverse = cut_list(study, spares_percent=0).pieces
    radii = "inner radius 42, outer radius 45"
    if position == "inner":
        radii = "inner radius 37, outer radius 40"
    assert outward.size == inward.size == f"{radii}, 12 deg, length 10"
    assert transverse.size == f"{radii}, 4.5 deg, length 10"
    assert [p.per_rotor for p in (outward, inward, transverse)] == [5, 5, 10]
    assert [p.angle_deg for p in (outward, inward, transverse)] == [0, 180, 90]
    assert "north on the outer face" in outward.polarisation
    assert "north on the inner face" in inward.polarisation
    assert "from one flat side to the other, not along the length" in transverse.polarisation
    assert all(p.polarisation.endswith("parallel, not radial") for p in (outward, inward))


def test_oblique_arcs_of_eight():
    # exact: 45, 135, 225, 315 deg; an arc turned end for end mirrors the angle
    study = make_study(magnets_per_pole_pair=8, pole_pairs=5, shape="arc")
    rows = [(p.used_as, p.per_rotor, p.angle_deg) for p in cut_list(study).pieces]
    assert rows == [
        ("main", 5, 0),
        ("main", 5, 180),
        ("transverse", 10, 90),
        ("oblique", 10, 45),
        ("oblique", 10, 135),
    ]


def test_oblique_arcs_of_three():
    # exact: 0, 120, 240 deg: no arc points inward alone, both oblique ones are 120 deg
    study = make_study(magnets_per_pole_pair=3, pole_pairs=5, shape="arc")
    rows = [(p.used_as, p.per_rotor, p.angle_deg) for p in cut_list(study).pieces]
    assert rows == [("main", 5, 0), ("oblique", 10, 120)]


def test_mass_of_blocks_by_hand():
    # exact: 12 x 5 x 3 and 12 x 2 x 3 mm at 7.5 mg/mm3
    main, transverse = cut_list(STARTER, motors=1, spares_percent=0).pieces
    assert main.mass_g == pytest.approx(12 * 5 * 3 * 7.5e-3, rel=1e-9)
    assert transverse.mass_g == pytest.approx(12 * 2 * 3 * 7.5e-3, rel=1e-9)
    assert main.ordered_mass_g == pytest.approx(28 * 1.35, rel=1e-9)


def test_mass_of_arcs_by_hand():
    # exact: sector of a ring, radii 42 and 45 mm, 10 mm long
    study = make_study(pole_pairs=5, shape="arc", length=10.0).with_values(
        {"rotor.main": arc(12.0), "rotor.transverse": arc(4.5)}
    )
    for piece, span in zip(cut_list(study).pieces, (12, 12, 4.5), strict=True):
        volume = pi * (45**2 - 42**2) * span / 360 * 10
        assert piece.mass_g == pytest.approx(volume * 7.5e-3, rel=1e-6)


@pytest.mark.parametrize("count", [2, 3, 4, 6, 8, 12])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize("position", ["outer", "inner"])
def test_total_is_the_magnet_mass_of_the_rotors(count, shape, position):
    study = make_study(magnets_per_pole_pair=count, shape=shape, position=position, fill=0.5)
    order = cut_list(study, motors=3, spares_percent=0)
    assert sum(p.per_rotor for p in order.pieces) == count * study.rotor.pole_pairs
    total = order_json(order)["total"]
    magnets = rotor_masses(build_layout(study)).magnets.item()
    assert total["ordered_mass_g"] == pytest.approx(3 * magnets * 1e3, rel=1e-6)


def test_json_and_csv_say_the_same():
    order = cut_list(STARTER, motors=7, spares_percent=12.5)
    told = json.loads(json_text(order_json(order)))
    assert told["motors"] == 7
    assert told["spares_percent"] == 12.5
    assert told["total"]["ordered"] == 2 * ceil(28 * 7 * 1.125)
    rows = list(csv.DictReader(io.StringIO(order_csv(order))))
    assert len(rows) == len(told["pieces"]) == 2
    for row, piece in zip(rows, told["pieces"], strict=True):
        readings = piece.pop("readings")
        assert len(readings) == 3
        assert row == {k: "" if value is None else str(value) for k, value in piece.items()}
    assert [row["size"] for row in rows] == [p.size for p in order.pieces]
    assert set(rows[0]) == {
        "piece", "shape", "size", "polarisation", "angle_deg", "grade", "tolerance_mm", "mass_g",
        "angle_tolerance_deg", "used_as", "per_rotor", "ordered", "ordered_mass_g", "item",
        "packs", "price",
    }  # fmt: skip


def test_text_has_every_piece_and_the_total():
    text = order_text(cut_list(STARTER, motors=2, spares_percent=0))
    assert "For 2 motors with 0 % spares" in text
    assert "12 x 5 x 3" in text
    assert "- B: along the last edge (2 mm)" in text
    (total,) = [line for line in text.splitlines() if " total " in line]
    # exact: 56 + 56 pieces of 1.35 and 0.54 g
    assert total.split() == ["total", "56", "112", "105.8"]
    assert "For 1 motor with" in order_text(cut_list(STARTER))


# A skewed rotor has its magnets in rows along the shaft


def skewed(steps, **more):
    return STARTER.with_values({"rotor.skew_steps": steps, "rotor.skew_step_deg": 1.5, **more})


def test_skewed_rotor_orders_rows_of_shorter_magnets():
    # exact: 12 mm in three rows of 4 mm, three times as many pieces; 84 x 1.05 = 88.2
    main, transverse = cut_list(skewed(3), motors=1, spares_percent=5).pieces
    assert [(p.per_rotor, p.ordered) for p in (main, transverse)] == [(84, 89), (84, 89)]
    # 5 and 4 mm are now the longer edges of the main magnet, 4 and 3 of the transverse one
    assert (main.size, transverse.size) == ("5 x 4 x 3", "4 x 3 x 2")
    assert main.polarisation == "along the last edge (3 mm), square to the other two"
    assert main.mass_g == pytest.approx(5 * 4 * 3 * 7.5e-3, rel=1e-9)


@pytest.mark.parametrize("steps", [2, 5, 7])
@pytest.mark.parametrize("shape", ["block", "arc"])
def test_skewed_total_is_the_magnet_mass_of_the_rotor(steps, shape):
    study = make_study(magnets_per_pole_pair=8, shape=shape, fill=0.5).with_values(
        {"rotor.skew_steps": steps, "rotor.skew_step_deg": 1.0}
    )
    plain = rotor_masses(build_layout(make_study(magnets_per_pole_pair=8, shape=shape, fill=0.5)))
    order = cut_list(study, motors=1, spares_percent=0)
    total = sum(p.ordered_mass_g for p in order.pieces)
    # exact: rows share the length; the rotor weighs what it did without skew
    assert total == pytest.approx(plain.magnets.item() * 1e3, rel=1e-6)
    assert rotor_masses(build_layout(study)).magnets.item() * 1e3 == pytest.approx(total, rel=1e-6)


def test_skewed_arcs_are_short():
    study = make_study(pole_pairs=5, shape="arc", length=10.0).with_values(
        {"rotor.main": arc(12.0), "rotor.transverse": arc(4.5),
         "rotor.skew_steps": 4, "rotor.skew_step_deg": 1.0}
    )  # fmt: skip
    pieces = cut_list(study, spares_percent=0).pieces
    assert all(p.size.endswith("length 2.5") for p in pieces)
    assert [p.per_rotor for p in pieces] == [20, 20, 40]


def test_rows_that_make_pieces_alike_are_one_row():
    # exact: 12 mm in four rows of 3 mm; 5 x 3 x 3 along one 3, and 3 x 5 x 3 along the width
    study = skewed(4, **{"rotor.transverse": block(3.0, 5.0), "rotor.main": block(3.0, 5.0)})
    main, transverse = cut_list(study, motors=1, spares_percent=0).pieces
    assert (main.size, transverse.size) == ("3 x 3 x 5", "5 x 3 x 3")


def test_own_grade_is_named_and_weighed():
    # exact: the user's own density, 7.4 mg/mm3
    own = {"drawer": {"like": "N45", "density_kg_m3": 7400.0}}
    study = STARTER.with_values({"materials.magnets": own, "rotor.grade": "drawer"})
    main, _ = cut_list(study).pieces
    assert main.grade == "drawer"
    assert main.mass_g == pytest.approx(12 * 5 * 3 * 7.4e-3, rel=1e-9)
