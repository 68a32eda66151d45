"""Signs of print, places of labels, marks of axes."""

import numpy as np
import pytest
from picture_words import ASCII_UNITS

from arrayopt.export.axis_marks import scale_of_choices, scale_of_figures, scale_of_range
from arrayopt.export.labels import label_offsets, spread
from arrayopt.export.typeset import NO_BREAK, typeset, unit_sign
from arrayopt.figures import FIGURES, OUTCOMES


@pytest.mark.parametrize(
    ("plain", "printed"),
    [
        ("20 C", "20~°C"),
        ("Motor constant at 20 C [N m/sqrt W]", "Motor constant at 20~°C [N m/√W]"),
        ("0.418 N m/sqrt W/kg", "0.418~N~m/√W/kg"),
        ("12.5 deg x 2.5 mm", "12.5°~×~2.5~mm"),
        ("10 x 3.5 x 1.75", "10~×~3.5~×~1.75"),
        ("Angle\n[deg]", "Angle\n[°]"),
        ("[kg mm2]", "[kg mm²]"),
        ("397.2 mohm", "397.2~mΩ"),
        ("1.2 +- 0.3 mT", "1.2 ± 0.3~mT"),
        ("+/- [mm]", "± [mm]"),
        ("74 % of the variance", "74~% of the variance"),
    ],
)
def test_words_as_they_are_printed(plain, printed):
    # exact: by hand; ~ stands for a space that does not break
    assert typeset(plain) == printed.replace("~", NO_BREAK)
    assert typeset(typeset(plain)) == typeset(plain)


@pytest.mark.parametrize(
    "words",
    ["C: along the last edge", "[search]", "ABbBCc", "4 Coils", "5 x", "N45H", "2 Cm", "a deg",
     "3 magnets", "[tolerance.limits]"],
)  # fmt: skip
def test_words_that_stay(words):
    assert typeset(words) == words


def test_no_figure_keeps_a_unit_of_the_terminal():
    for f in (*FIGURES, *OUTCOMES):
        assert not ASCII_UNITS.search(typeset(f.title)), f.title
        assert not ASCII_UNITS.search(unit_sign(f.shown_unit or f.unit))


# Places of labels


def boxes_touch(one, other, sizes):
    return bool((np.abs(one - other) < sizes).all())


@pytest.mark.parametrize("seed", range(8))
def test_labels_are_told_apart(seed):
    # exact: no two boxes touch, none covers a point or leaves the picture, each is nearest its own
    random = np.random.default_rng(seed)
    points = np.array([200.0, 150.0]) + random.uniform(-25, 25, (5, 2))
    points = np.vstack([points, [[4.0, 4.0], [396.0, 296.0], [398.0, 20.0]]])
    sizes = np.tile([16.0, 10.0], (len(points), 1))
    box = np.array([[0.0, 0.0], [400.0, 300.0]])
    found = points + label_offsets(points, sizes, box=box, others=points)
    for i, middle in enumerate(found):
        assert (middle - sizes[i] / 2 >= box[0]).all()
        assert (middle + sizes[i] / 2 <= box[1]).all()
        assert not any(boxes_touch(middle, other, sizes[i]) for other in np.delete(found, i, 0))
        assert not any(boxes_touch(middle, point, sizes[i] / 2) for point in points)


def test_labels_keep_off_what_is_drawn_where_they_can():
    line = np.stack([np.linspace(0, 100, 101), np.full(101, 58.0)], axis=1)
    box = np.array([[0.0, 0.0], [100.0, 100.0]])
    (offset,) = label_offsets(
        np.array([[50.0, 50.0]]), np.array([[8.0, 8.0]]), box=box, others=line
    )
    assert abs(50 + offset[1] - 58) > 4


def test_spread_moves_no_more_than_it_must():
    # exact: by hand
    assert spread(np.array([0.0, 1.0, 2.0]), apart=0.5).tolist() == [0.0, 1.0, 2.0]
    assert spread(np.array([1.0, 1.0, 1.0]), apart=0.5).tolist() == [0.5, 1.0, 1.5]
    places = np.random.default_rng(1).uniform(0, 1, 9)
    moved = spread(places, apart=0.05)
    assert np.diff(np.sort(moved)).min() > 0.05 - 1e-12
    assert (np.argsort(moved) == np.argsort(places)).all()


# Marks of axes


def test_choices_have_a_mark_each():
    pairs = scale_of_choices(tuple(range(4, 12)))
    assert [words for _, words in pairs.marks] == ["4", "5", "6", "7", "8", "9", "10", "11"]
    assert pairs.heights([4, 11, None]).tolist()[:2] == [0.0, 1.0]
    names = scale_of_choices(("N42", "N45H", "demo 10x5x2 across: width"))
    assert [words for _, words in names.marks] == ["N42", "N45H", "demo 10x5x2 ac"]
    assert names.heights(["N45H"]).tolist() == [0.5]
    uneven = scale_of_choices((14, 14.1, 20))
    assert [words for _, words in uneven.marks] == ["14", "", "20"]  # no room beside the first
    assert len(uneven.marks) == 3


def test_marks_are_round():
    # exact: by hand
    width = scale_of_range(2.0, 8.0)
    assert (width.low, width.high) == (2.0, 8.0)
    assert [words for _, words in width.marks] == ["2", "4", "6", "8"]
    torque = scale_of_figures(np.array([0.164, 1.458]))
    assert [words for _, words in torque.marks] == ["0", "0.5", "1", "1.5"]
    assert (torque.low, torque.high) == (0.0, 1.5)
    whole = scale_of_range(3, 40)
    assert all(float(words).is_integer() for _, words in whole.marks)


def test_one_value_makes_an_axis():
    assert scale_of_choices((4,)).heights([4]).tolist() == [0.0]
    assert np.isfinite(scale_of_figures(np.array([2.0, 2.0])).heights([2.0])).all()
