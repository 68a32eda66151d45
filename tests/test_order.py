"""The order: packs from the shop list, what to ask for, what a gaussmeter reads, drawings."""

import csv
import io
import json
import xml.etree.ElementTree as ET
from math import ceil

import magpylib
import numpy as np
import pytest
from makers import make_study

from arrayopt.checks.inspection import face_readings
from arrayopt.evaluation import evaluate, load_study
from arrayopt.export.cut_list import cut_list
from arrayopt.export.order_tables import inspection_csv, order_json, order_text
from arrayopt.export.pictures import save
from arrayopt.export.pieces_picture import pieces_picture
from arrayopt.layout import Arcs, Blocks
from arrayopt.materials import magnet_grade
from arrayopt.study import starter_text

BLOCK = Blocks(np.array([-1.5e-3]), np.array([1.5e-3]), np.array([4e-3]))
ARC = Arcs(np.array([15e-3]), np.array([19e-3]), np.array([np.radians(14)]))
GRADE = magnet_grade("N45H")


@pytest.fixture
def stocked(files):
    """A study whose magnets are on its shop list, in packs of 20 and 25."""

    def read(rows):
        head = "item,shape,length_mm,width_mm,thickness_mm,polarised,grade,price,pieces_per_pack\n"
        study = files(head + rows)
        return load_study(study)

    return read


MAIN = "big 20,block,12,5,3,thickness,N42SH,10.00,20\n"
ACROSS = "small 25,block,12,3,2,thickness,N42SH,4.00,25\n"


def test_packs_and_prices_by_hand(stocked):
    study = stocked(MAIN + ACROSS)
    order = cut_list(study, motors=2, spares_percent=10)
    main, transverse = order.pieces
    wanted = ceil(28 * 2 * 1.1)
    assert (main.item, main.packs, main.price) == ("big 20", ceil(wanted / 20), 40.0)
    assert (transverse.item, transverse.packs, transverse.price) == ("small 25", 3, 12.0)
    assert order.price == 52.0
    text = order_text(order)
    assert "From the shop list" in text
    assert "52.00" in text


def test_cheapest_packs_for_the_number_are_taken(stocked):
    # 62 pieces: four packs of 20 at 10 cost 40, one of 100 costs 45, seven of 10 at 5.50 38.50
    rows = (
        MAIN
        + "hundred,block,12,5,3,thickness,N42SH,45,100\n"
        + ("ten,block,12,5,3,thickness,N42SH,5.50,10\n")
    )
    order = cut_list(stocked(rows + ACROSS), motors=2, spares_percent=10)
    assert (order.pieces[0].item, order.pieces[0].price) == ("ten", 38.5)


def test_order_costs_what_the_figure_says(stocked):
    study = stocked(MAIN + ACROSS)
    order = cut_list(study)
    figure = float(evaluate(study)["price"][0])
    assert order.price / study.order.motors == pytest.approx(figure, rel=1e-12)  # same sums


def test_pieces_without_item_or_price_are_told(stocked):
    study = stocked(MAIN.replace("10.00", "") + ACROSS)
    main, _ = cut_list(study).pieces
    assert (main.item, np.isnan(main.price)) == ("big 20", True)
    other = study.with_values({"rotor.transverse.width_mm": 1.9})
    text = order_text(cut_list(other))
    assert "not on the list" in text
    assert order_json(cut_list(other))["total"]["price"] is None


def test_no_list_no_purchase_table():
    order = cut_list(make_study())
    assert "shop list" not in order_text(order)
    assert order_json(order)["pieces"][0]["packs"] is None


def test_what_the_shop_is_asked_for():
    study = make_study(values={
        "order.coating": "black epoxy", "order.flatness_mm": 0.03, "order.angle_tolerance_deg": 2.5,
    })  # fmt: skip
    text = order_text(cut_list(study))
    for words in ("coating black epoxy", "flat within 0.03 mm", "within 2.5 deg", "1592 kA/m"):
        assert words in text
    assert "implanted medical devices" in text
    assert "Measure one loose piece" in text


@pytest.mark.parametrize("angle", [0.0, 30.0, 90.0])
def test_independent_readings_of_a_block(angle):
    """magpylib's own block objects, recoil left out by a permeability of one."""
    grade = magnet_grade("N45H").at_level("typical")
    grade = type(grade)(**{**vars(grade), "recoil_permeability": 1.0})
    turn = np.radians(angle)
    J = grade.remanence * np.array([np.cos(turn), np.sin(turn), 0])
    block = magpylib.magnet.Cuboid(polarization=J, dimension=(3e-3, 4e-3, 10e-3))
    found = face_readings(BLOCK, length=10e-3, angle=turn, angle_tolerance=0.0, grade=grade)
    for reading, axis, size in zip(found, range(3), (3e-3, 4e-3, 10e-3), strict=True):
        at = np.zeros(3)
        at[axis] = size / 2 + 1e-3
        assert reading.expected == pytest.approx(block.getB(at)[axis], abs=1e-9)  # rounding
        assert reading.opposite == -1
        assert reading.low == pytest.approx(reading.expected * 1.32 / 1.35, abs=1e-9)  # N45H row
        assert reading.high == pytest.approx(reading.expected * 1.38 / 1.35, abs=1e-9)


def test_independent_readings_of_an_arc():
    """magpylib's ring segment and its poles by direction; chords for arcs here: 0.5 %."""
    grade = type(GRADE)(**{**vars(GRADE), "recoil_permeability": 1.0})
    arc = magpylib.magnet.CylinderSegment(
        polarization=(1.35, 0, 0), dimension=(15e-3, 19e-3, 20e-3, -7, 7)
    )
    found = face_readings(ARC, length=20e-3, angle=0.0, angle_tolerance=0.0, grade=grade)
    half = np.radians(7)
    flat = 17e-3 * np.array([np.cos(half), np.sin(half)]) + 1e-3 * np.array(
        [-np.sin(half), np.cos(half)]
    )
    expected = [
        arc.getB((20e-3, 0, 0))[0],
        -arc.getB((14e-3, 0, 0))[0],
        arc.getB((*flat, 0)) @ (-np.sin(half), np.cos(half), 0),
        arc.getB((17e-3, 0, 11e-3))[2],
    ]
    assert arc.getB((flat[0], -flat[1], 0)) @ (-np.sin(half), -np.cos(half), 0) == pytest.approx(
        expected[2]
    )
    got = [reading.expected for reading in found]
    np.testing.assert_allclose(got, expected, rtol=5e-3, atol=1e-4)
    assert found[-1].expected == pytest.approx(-arc.getB((17e-3, 0, -11e-3))[2], rel=1e-2)
    assert [reading.opposite for reading in found] == [0, 0, 1, 1]


def test_independent_sides_of_an_arc_turned_end_for_end():
    """Across the arc one side is north and the other south, whichever end is up; magpylib's arc."""
    grade = type(GRADE)(**{**vars(GRADE), "recoil_permeability": 1.0})
    arc = magpylib.magnet.CylinderSegment(
        polarization=(0, 1.35, 0), dimension=(15e-3, 19e-3, 20e-3, -7, 7)
    )
    half = np.radians(7)
    flat = 17e-3 * np.array([np.cos(half), np.sin(half)]) + 1e-3 * np.array(
        [-np.sin(half), np.cos(half)]
    )
    north = arc.getB((*flat, 0)) @ (-np.sin(half), np.cos(half), 0)
    south = arc.getB((flat[0], -flat[1], 0)) @ (-np.sin(half), -np.cos(half), 0)
    assert south == pytest.approx(-north)
    across, askew = (
        face_readings(ARC, length=20e-3, angle=a, angle_tolerance=0.05, grade=grade)
        for a in (np.pi / 2, np.pi / 4)
    )
    (side,) = (r for r in across if "flat" in r.face)
    assert (side.face, side.opposite) == ("either flat side", -1)
    assert side.expected == pytest.approx(north, rel=5e-3)  # chords for arcs
    # Askew the two differ, and a loose piece does not tell which end is up.
    sides = [r for r in askew if "flat" in r.face]
    assert [r.face for r in sides] == ["one flat side", "other flat side"]
    assert [r.opposite for r in sides] == [0, 0]
    assert abs(sides[0].expected + sides[1].expected) > 0.05 * north


def test_recoil_takes_some_of_the_reading():
    still = type(GRADE)(**{**vars(GRADE), "recoil_permeability": 1.0})
    plain, real = (
        face_readings(BLOCK, length=10e-3, angle=0.0, angle_tolerance=0.0, grade=grade)[0].expected
        for grade in (still, GRADE)
    )
    # A block 3 x 4 x 10 along its 3 mm: demagnetising factor 0.50 (Aharoni 1998, J. Appl. Phys.
    # 83:3432, from memory), so 0.05 x 0.5 of it goes.
    assert real / plain == pytest.approx(1 / (1 + 0.05 * demagnetising_factor(4, 10, 3)), rel=1e-3)


def demagnetising_factor(a, b, c):
    """Factor of a block along its edge c, Aharoni 1998 (the volume integral done by sums)."""
    # Mean field of two charged faces at distance c, both halves of the double integral by Gauss.
    x, w = np.polynomial.legendre.leggauss(40)
    u, v = a / 2 * x, b / 2 * x
    weights = np.outer(w, w) / 4
    z = c / 2 * x
    total = 0.0
    for height, weight in zip(z, w / 2, strict=True):
        for sign in (1, -1):
            d = c / 2 - sign * height
            field = 0.0
            for su in (1, -1):
                for sv in (1, -1):
                    p, q = a / 2 + su * u[:, None], b / 2 + sv * v[None, :]
                    r = np.sqrt(p**2 + q**2 + d**2)
                    field = field + np.arctan2(p * q, d * r)
            total += weight * (field * weights).sum() / (4 * np.pi)
    return total


def test_a_tilted_direction_is_within_the_band_and_seen_beside():
    tilt = np.radians(3)
    straight = face_readings(BLOCK, length=10e-3, angle=0.0, angle_tolerance=tilt, grade=GRADE)
    tilted = face_readings(BLOCK, length=10e-3, angle=tilt, angle_tolerance=0.0, grade=GRADE)
    assert straight[1].expected == 0
    assert straight[1].low < 0 < straight[1].high
    # The steepest tilt with the strongest grade is the edge of the band.
    assert tilted[1].high == pytest.approx(straight[1].high, rel=1e-9)
    swapped = face_readings(BLOCK, length=10e-3, angle=np.pi / 2, angle_tolerance=0.0, grade=GRADE)
    assert abs(swapped[1].expected) > 5 * straight[1].high  # the usual mistake stands out


def test_inspection_table_reads_back():
    order = cut_list(make_study(shape="arc"))
    rows = list(csv.DictReader(io.StringIO(inspection_csv(order))))
    assert [row["piece"] for row in rows] == [x for x in "ABC" for _ in range(4)]
    told = order_json(order)["pieces"]
    flat = [reading for piece in told for reading in piece["readings"]]
    assert [float(row["expected_mt"]) for row in rows] == [r["expected_mt"] for r in flat]


@pytest.mark.parametrize("title", ["$\\frac", "<script>alert(1)</script>", "]]>&\"'", "plain"])
@pytest.mark.parametrize("shape", ["block", "arc"])
def test_pieces_are_drawn(tmp_path, shape, title):
    study = make_study(shape=shape, magnets_per_pole_pair=8, values={"title": title})
    path = save(tmp_path / "pieces.svg", pieces_picture(cut_list(study)))
    assert ET.parse(path).getroot().tag.endswith("svg")


def test_command_writes_the_order(run, tmp_path, files):
    study = files(MAIN_LIST)
    code, out, _ = run("cut-list", study, "--out", tmp_path / "o", "--json")
    assert code == 0
    assert json.loads(out)["pieces"][0]["readings"][0]["face"] == "square to the last edge"
    names = {"cut-list.csv", "cut-list.json", "cut-list.txt", "inspection.csv", "pieces.svg"}
    assert {p.name for p in (tmp_path / "o").iterdir()} == names


MAIN_LIST = (
    "item,shape,length_mm,width_mm,thickness_mm,polarised,grade,price,pieces_per_pack\n"
    + MAIN + ACROSS
)  # fmt: skip


def test_missed_limits_stand_beside_the_order(run, tmp_path):
    path = tmp_path / "full.toml"
    path.write_text(starter_text().replace("turns_per_coil = 22", "turns_per_coil = 70"), "utf-8")
    code, out, _ = run("cut-list", path, "--out", tmp_path / "o")
    assert code == 0
    assert "DOES NOT KEEP ITS LIMITS (slot fill" in " ".join(out.split())
    assert "DOES NOT KEEP" in (tmp_path / "o" / "cut-list.txt").read_text("utf-8")
    told = json.loads((tmp_path / "o" / "cut-list.json").read_text("utf-8"))
    assert "slot fill" in told["checks_missed"]
    assert order_json(cut_list(make_study()))["checks_missed"] == []
