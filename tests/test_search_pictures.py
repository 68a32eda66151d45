"""What pictures of a search and of a sweep show: letters told apart, words, units, marks."""

import re
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.text import Annotation, Text
from picture_words import check_words, words_of
from searches import PEAK, searched

from arrayopt import sweep
from arrayopt.comparison import compare
from arrayopt.evaluation import load_study
from arrayopt.export.search_pictures import (
    course_picture,
    front_picture,
    initials,
    pick_letters,
    variables_picture,
)
from arrayopt.export.sweep_pictures import named_place, sweep_picture
from arrayopt.search import optimise

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def result():
    return optimise(searched(), trials=80)


@pytest.fixture(scope="module")
def front(result):
    return drawn_front(result)


def drawn_front(result):
    drawing = front_picture(result, compare(result.study))
    drawing.draw_without_rendering()
    return drawing


@pytest.fixture(scope="module")
def variables(result):
    return variables_picture(result)


@pytest.fixture(scope="module")
def course(result):
    drawing = course_picture(result)
    drawing.draw_without_rendering()
    return drawing


def extent(annotation):
    """Box of an annotation's words, without its line."""
    return Text.get_window_extent(annotation)


def test_pictures_speak_in_words_and_print_units(front, variables, course):
    for drawing in (front, variables, course):
        check_words(drawing)


@pytest.mark.parametrize("study", ["starter", "wrist"])
def test_letters_of_the_front_are_told_apart(study, front, result):
    # The wrist's start lies by its picks, its two rotors with a ring by each other.
    if study == "wrist":
        result = optimise(load_study(ROOT / "studies/wrist/study.toml"), trials=100)
        front = drawn_front(result)
    (ax,) = front.axes
    named = [text for text in ax.texts if isinstance(text, Annotation)]
    letters = [letter for text in named for letter in text.get_text().split(", ")]
    assert sorted(letters) == sorted(["S", *pick_letters(result).values(), "P1", "P2", "P3", "P4"])
    boxes = [extent(text) for text in named]
    points = np.array([ax.transData.transform(text.xy) for text in named])
    inside = ax.get_window_extent()
    for i, box in enumerate(boxes):
        assert inside.x0 <= box.x0
        assert box.x1 <= inside.x1
        assert box.y1 <= inside.y1
        assert not any(box.overlaps(other) for other in boxes[i + 1 :])
        assert not any(box.contains(*point) for point in points)
        # A line goes to the marker that the letter names.
        assert named[i].arrow_patch is not None


def test_marks_of_the_front_differ(front):
    handles = front.axes[0].get_legend().legend_handles
    looks = {(h.get_marker(), to_hex(h.get_markerfacecolor())) for h in handles}
    assert len(looks) == len(handles)
    told = [text.get_text() for text in front.axes[0].get_legend().get_texts()]
    assert {"start design", "picked from the front", "plain layouts"} <= set(told)


def test_key_of_the_front_has_units(front):
    key = next(words for words in words_of(front) if words.startswith("S start design"))
    flat = " ".join(key.replace("\u00a0", " ").split())
    sizes = re.findall(r"(?<!steel )(?:main|transverse|ring) [\d.]+(?: × [\d.]+)?(?: mm)?", flat)
    assert len(sizes) >= 7
    assert all(size.endswith("mm") for size in sizes), sizes


def test_picks_are_black_lines_with_a_look_and_letters_at_both_ends(variables, result):
    ax = variables.axes[0]
    picked = [line for line in ax.lines if line.get_color() == "black"]
    assert len(picked) == len(set(result.picks.values()))
    assert len({(str(line._dash_pattern), line.get_marker()) for line in picked}) == len(picked)
    for letter in pick_letters(result).values():
        places = [text.get_position()[0] for text in ax.texts
                  if letter in text.get_text().split(", ")]  # fmt: skip
        assert min(places) < 0
        assert max(places) > len(result.space.distributions)


def test_marks_of_variables(variables, result):
    ax = variables.axes[0]
    titles = [text for text in ax.texts if text.get_position()[1] < 0]

    def marks(column):
        x = titles[column].get_position()[0]
        return [t.get_text() for t in ax.texts if 0 < x - t.get_position()[0] < 0.1]

    assert titles[0].get_text().replace("\n", " ") == "Pole pairs"
    assert marks(0) == ["10", "11", "13", "14", "16"]  # all choices of the starter study
    assert marks(1) == ["2", "4"]
    for column in range(2, len(titles)):
        for words in marks(column):
            digits = words.replace(".", "").strip("0")
            assert len(digits) <= 3, f"{words} is no round number"
    for f, column in zip(result.objectives, (-2, -1), strict=True):
        ends = [float(words) for words in (marks(column)[0], marks(column)[-1])]
        values = result.front[f.name].values * f.scale
        assert ends[0] <= values.min() <= values.max() <= ends[1]


@pytest.mark.parametrize(
    ("variable", "marks"),
    [
        ("choices = [3.0, 3.2, 3.4, 3.6, 3.8, 4.0, 4.2, 4.4, 4.6, 4.8, 5.0]", 11),
        ("low = 3.0, high = 5.0, step = 0.25", 9),  # few values
        ("low = 3.0, high = 5.0, step = 0.1", 5),  # round ones: 3, 3.5, 4, 4.5, 5
        ("low = 3.0, high = 5.0", 5),
    ],
)
def test_choices_and_few_values_are_all_marked(variable, marks):
    # exact: by hand
    width = f'"rotor.main.width_mm" = {{ {variable} }}\n'
    ax = variables_picture(optimise(searched(width), trials=10)).axes[0]
    told = [t.get_text() for t in ax.texts if -0.1 < t.get_position()[0] < 0]
    assert len(told) == marks
    assert {"3", "4", "5"} <= set(told)


def test_bars_of_the_course_have_letters(course, result):
    right = course.axes[1]
    told = [text.get_text() for text in course.legends[0].get_texts()]
    letters = [words.partition(":")[0] for words in told]
    assert len(set(letters)) == len(letters) == len(result.objectives) + 1
    bars = [text.get_text().split()[0] for text in right.texts]
    assert sorted(bars) == sorted(letters * len(result.space.distributions))
    box = course.legends[0].get_window_extent()
    assert not any(box.overlaps(ax.get_window_extent()) for ax in course.axes)
    labels = [label.get_text().replace("\n", " ") for label in right.get_yticklabels()]
    assert labels[:2] == ["Pole pairs", "Magnets per pole pair"]
    assert labels[2] == "Main magnet width [mm]"


def test_initials_differ():
    # exact: by hand
    assert initials(["motor constant at 20 C", "mass of rotor", "distance"]) == ["M", "R", "D"]
    assert initials(["mass", "mass"]) == ["M", "A"]
    found = initials(["torque", "torque at the joint", "torque", "torque"])
    assert len(set(found)) == 4


def test_other_objectives_are_drawn_too():
    result = optimise(searched(keys=PEAK), trials=40)
    for drawing in (variables_picture(result), course_picture(result)):
        check_words(drawing)


# Sweeps


BOTH = {"rotor.main.thickness_mm": [2.0, 2.5, 3.0, 3.5], "airgap.length_mm": [0.8, 1.0, 1.3]}


@pytest.fixture(scope="module")
def contours():
    study = searched()
    return sweep_picture(study, sweep(study, BOTH), BOTH, ["mass.rotor_g", "airgap.fundamental_t"])


def test_contours_and_fills_have_the_same_levels_and_a_bar(contours):
    panels, bars = contours.axes[:2], contours.axes[2:]
    assert len(bars) == 2
    for ax in panels:
        filled, lines = ax.collections[:2]
        np.testing.assert_array_equal(filled.levels, lines.levels)
        assert ax.get_xlabel() == "Airgap length [mm]"
        assert ax.get_ylabel() == "Main magnet thickness [mm]"
    check_words(contours)


def test_names_of_levels_are_whole(contours):
    contours.draw_without_rendering()
    for ax in contours.axes[:2]:
        inside = ax.get_window_extent()
        names = [t for t in ax.texts if re.fullmatch(r"[\d.]+", t.get_text())]
        assert names
        (mark,) = [line for line in ax.lines if line.get_marker() == "D"]
        spot = ax.transData.transform(mark.get_xydata()[0])
        for name in names:
            box = name.get_window_extent()
            assert inside.x0 <= box.x0
            assert box.x1 <= inside.x1
            assert inside.y0 <= box.y0
            assert box.y1 <= inside.y1
            assert not box.contains(*spot)


def test_place_of_a_levels_name():
    line = np.stack([np.linspace(0, 1, 21), np.full(21, 0.5)], axis=1)
    assert named_place(line, None) == 10  # the middle of the line
    off = named_place(line, np.array([0.5, 0.5]))
    assert abs(line[off, 0] - 0.55) > 0.1
    assert named_place(np.array([[0.01, 0.5], [0.01, 0.6]]), None) is None  # at the edge
    assert named_place(np.empty((0, 2)), None) is None


def test_ends_of_lines_are_named_apart():
    study = searched()
    vary = {"rotor.magnet_temperature_c": [20.0, 26.0, 32.0], "airgap.length_mm": [0.8, 1.2]}
    drawing = sweep_picture(
        study, sweep(study, vary), vary, ["airgap.fundamental_t", "mass.rotor_g"]
    )
    drawing.draw_without_rendering()
    field, mass = drawing.axes
    names = [text for text in field.texts if text.get_text() != "study"]
    assert [text.get_text() for text in names] == ["20", "26", "32"]
    boxes = [extent(text) for text in names]
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[i + 1 :])
    (shared,) = [text for text in mass.texts if text.get_text() != "study"]  # alike masses
    assert shared.get_text() == "20, 26, 32"
    check_words(drawing)
