"""Coil sides without slots: room at the inner face, holes and depths, told as they are."""

from math import floor, pi, sin

import numpy as np
import pytest
import shapely
from makers import make_study

from arrayopt.evaluation import evaluate
from arrayopt.export.evaluation_tables import evaluation_text, winding_text
from arrayopt.field import solve_field
from arrayopt.layout import build_layout
from arrayopt.machine import flux_linkages, mean_turn
from arrayopt.machine.copper import slot_fill
from arrayopt.study import Study, size_contradictions


def wound(position: str = "inner", kind: str = "smooth", **values: object) -> Study:
    """Twelve sectors round 60 mm, seven pole pairs, 2.5 mm of winding."""
    sizes = {"stator.slots": 12, "stator.winding_thickness_mm": 2.5, "stator.coil_side_mm": 5.0}
    return make_study(
        position=position, kind=kind, pole_pairs=7, diameter=60.0, airgap=3.5, shape="arc",
        fill=0.8, thickness=4.0, stack=15.0, length=15.0,
        values=sizes | {key.replace("__", "."): value for key, value in values.items()},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("position", "kind", "inner"),
    [
        ("inner", "smooth", 27.5),
        ("outer", "smooth", 30.0),
        ("outer", "ironless", 27.5),
        ("inner", "ironless", 30.0),
    ],
)
@pytest.mark.parametrize(
    ("layers", "span", "abreast"),
    # two sides share a sector, one takes it, two lie on each other
    [(2, 1, 2), (1, 1, 1), (2, 3, 1)],
)  # fmt: skip
def test_exact_most_of_a_coil_side(
    position: str, kind: str, inner: float, layers: int, span: int, abreast: int
) -> None:
    """Straight sides meet at the winding's inner face, where a sector is 2 pi r/12 wide."""
    most = 2 * pi * inner / 12 / abreast
    given = {"winding__layers": layers, "winding__coil_span_slots": span}
    told = f"at most {floor(100 * most) / 100:.2f} is possible"
    for side, fits in ((most - 1e-6, True), (floor(100 * most) / 100, True), (most + 1e-3, False)):
        study = wound(position, kind, stator__coil_side_mm=side, **given)
        faults = size_contradictions(study)
        assert len(faults) == (not fits)
        assert all("two sides share" in f if abreast == 2 else "one side" in f for f in faults)
        assert all(told in fault and f"{inner:g} mm from the shaft" in fault for fault in faults)


@pytest.mark.parametrize(("position", "middle"), [("inner", 28.75), ("outer", 31.25)])
@pytest.mark.parametrize("layers", [1, 2])
def test_exact_mean_turn_of_a_coil_without_slots(position: str, middle: float, layers: int) -> None:
    """Middle of the coil about its hole: a sector less the sides in it, half-way through."""
    study = wound(position, winding__layers=layers)
    hole = 2 * pi * middle / 12 - 5.0 * layers
    line = shapely.box(0, 0, hole, 15.0).buffer(2.5, quad_segs=400)
    np.testing.assert_allclose(mean_turn(study) * 1e3, line.length, rtol=1e-5)  # chords


def test_exact_mean_turn_of_coils_that_overlap() -> None:
    """Straight sides, and half circles over three sectors half-way through the winding."""
    study = wound(winding__coil_span_slots=3)
    ends = 2 * pi / 2 * (3 * 2 * pi * 28.75 / 12)
    np.testing.assert_allclose(mean_turn(study) * 1e3, 2 * 15 + ends, rtol=1e-12)


@pytest.mark.parametrize(
    ("layers", "span", "deep"), [(2, 1, 2.5), (1, 1, 2.5), (1, 3, 2.5), (2, 3, 1.25)]
)
def test_exact_fill_of_coil_sides(layers: int, span: int, deep: float) -> None:
    """22 turns in a bar 5 mm wide; two that lie on each other have half of the depth each."""
    study = wound(winding__layers=layers, winding__coil_span_slots=span)
    copper = 22 * pi / 4 * study.wire_mm[0] ** 2
    np.testing.assert_allclose(slot_fill(study), copper / (5 * deep), rtol=1e-12)


@pytest.mark.parametrize(("position", "inner"), [("inner", 27.5), ("outer", 30.0)])
def test_independent_linkage_of_straight_sides(position: str, inner: float) -> None:
    """Bars as wide at every radius, flush with their sector's border, as tight as they go."""
    side = floor(100 * pi * inner / 12) / 100
    study = wound(position, stator__coil_side_mm=side)
    layout = build_layout(study)
    field = solve_field(layout, orders=np.array([1]))
    u, weights = np.polynomial.legendre.leggauss(20)
    linked = 0.0
    for r, w in zip(inner + 1.25 + 1.25 * u, weights / 2, strict=True):
        half = 7 * side / r / 2
        seen = r * 1e-3 * float(field.harmonics_at(np.array([r * 1e-3]))[0, 0])
        # From the border to the side's middle half a width, both sides.
        linked += w * seen * sin(half) / half * sin(7 * pi / 12 - half)
    # Four coils a phase in two pairs beside each other, turned back; 12 slots, 14 poles.
    spread = sin(pi / 6) / (2 * sin(pi / 12))
    expected = 2 * 4 * 22 * spread * linked * 15e-3 / 7
    # Sectors of the angle at the middle stand for the bars.
    np.testing.assert_allclose(flux_linkages(layout, field)[0, 0], abs(expected), rtol=3e-3)


def test_exact_sizes_to_wind() -> None:
    """By hand: sectors of 15.053 mm half-way through the winding, 14.399 mm at its inner face."""
    text = winding_text(wound())
    assert "28.75 mm from the shaft" in text
    assert "22 turns round a hole of 5.053 x 15 mm, over all 15.05 x 25 mm" in text
    assert "at the inner face, 27.5 mm from the shaft, the hole is 4.399 mm wide" in text
    assert "sides 5 mm wide and 2.5 mm deep\n" in text
    # 2 (15 + 5.053) + 5 pi
    assert "mean turn 55.81 mm" in text
    assert "mean turn 61 mm" in winding_text(wound(winding__mean_turn_mm=61.0))
    lapped = winding_text(wound(winding__coil_span_slots=3))
    # three sectors less a side
    assert "a hole of 40.16 x 15 mm, over all 50.16 mm" in lapped
    assert "1.25 mm deep, in two layers on each other" in lapped
    assert "Every coil" not in winding_text(make_study(kind="slotted"))


def test_figures_of_slots_are_left_out_where_there_are_none() -> None:
    slotted = make_study(kind="slotted", fill=0.5)
    for study, there in ((wound(), False), (slotted, True)):
        text = evaluation_text(study, evaluate(study))
        for label in ("Slot leakage part", "Carter coefficient", "Tooth flux density"):
            assert (label in text) == there, label
