"""Words of a polarity map: large enough, upright, apart, and dark for north on every sheet."""

import itertools

import numpy as np
import pytest
import shapely
from makers import make_study
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.patches import Circle
from shapely import affinity

from arrayopt.export.map_ring import places, signs
from arrayopt.export.polarity_map import _pages, _sheet, polarity_map
from arrayopt.layout.carrier import carrier_sections
from arrayopt.layout.members import rotor_members

PRINTED = {"rotor.clearance_mm": 0.1, "rotor.wall_mm": 0.4}
INK_HEIGHT = 0.76  # of the size, of DejaVu's capitals and figures (its metrics)
STUDIES = {
    "small": {"pole_pairs": 3, "diameter": 30.0},
    "as the ankle motor": {"pole_pairs": 16, "diameter": 86.0},
    "inner": {"position": "inner", "pole_pairs": 7, "diameter": 46.0, "airgap": 3.4},
    "inner arcs, little gap": {"position": "inner", "shape": "arc", "diameter": 50.0},
    "eight": {"pole_pairs": 8, "magnets_per_pole_pair": 8, "diameter": 72.0},
    "three": {"pole_pairs": 9, "magnets_per_pole_pair": 3, "diameter": 50.0},
    "plain": {"pole_pairs": 21, "magnets_per_pole_pair": 2, "diameter": 60.0},
    "dense": {"pole_pairs": 40, "diameter": 60.0},
    "large": {"pole_pairs": 20, "diameter": 240.0},
}


def study_of(name):
    return make_study(fill=0.6, values=PRINTED, **STUDIES[name])


def sheets(study):
    """Every sheet of a map: the one of the SVG, its copy without scale, and those of the PDF."""
    yield polarity_map(study)
    yield polarity_map(study, to_scale=False)
    for section in carrier_sections(study):
        for page in _pages(section, surface=study.stator.surface_diameter_mm / 2):
            yield _sheet(study, section, page)


def ink(text, renderer):
    """Box of a line's letters as it is turned, in mm on the paper."""
    turn = text.get_rotation()
    text.set_rotation(0)
    box = text.get_window_extent(renderer)
    text.set_rotation(turn)
    scale = 25.4 / text.figure.dpi
    middle, half = (box.y0 + box.y1) / 2, INK_HEIGHT * text.get_fontsize() / 72 / 2 * renderer.dpi
    drawn = shapely.box(box.x0, middle - half, box.x1, middle + half)
    at = text.get_transform().transform(text.get_position())
    drawn = affinity.rotate(drawn, turn, origin=tuple(at))
    return affinity.scale(drawn, scale, scale, origin=(0, 0))


@pytest.mark.parametrize("name", STUDIES)
def test_words_are_large_enough_and_apart(name):
    """None under 6 points; numbers, signs and captions nowhere touch each other."""
    for drawing in sheets(study_of(name)):
        renderer = FigureCanvasAgg(drawing).get_renderer()
        taken = []
        for ax in drawing.axes:
            for text in ax.texts:
                if text.get_text():
                    assert text.get_fontsize() >= 6 - 1e-9, text.get_text()
            # Of a tile only what is within it is seen.
            frame = shapely.box(*(ax.bbox.extents * 25.4 / drawing.dpi))
            words = [text for text in ax.texts if 0 < len(text.get_text()) < 60]
            boxes = [
                (text.get_text(), ink(text, renderer)) for text in words
                if text.get_text() not in ("N", "S")
            ]  # fmt: skip
            scale = 25.4 / drawing.dpi
            for disc in (p for p in ax.patches if isinstance(p, Circle) and p.get_fill()):
                x, y = ax.transData.transform(disc.center) * scale
                boxes.append(("sign", shapely.Point(x, y).buffer(disc.radius)))
            taken += [(word, box) for word, box in boxes if frame.intersects(box)]
        tree = shapely.STRtree([box for _, box in taken])
        for i, j in zip(*tree.query([box for _, box in taken], "intersects"), strict=True):
            assert i == j, (taken[i][0], taken[j][0])


@pytest.mark.parametrize("name", ["small", "inner", "eight", "dense"])
def test_signs_are_upright_and_told_without_colour(name):
    """N is light on dark and S dark on light, unturned, each on a disc larger than it."""
    for drawing in sheets(study_of(name)):
        for ax in drawing.axes:
            discs = [p for p in ax.patches if isinstance(p, Circle) and p.get_fill()]
            letters = [text for text in ax.texts if text.get_text() in ("N", "S")]
            assert len(discs) == len(letters)
            for disc, letter in zip(discs, letters, strict=True):
                assert letter.get_rotation() == 0
                ground = np.mean(to_rgb(disc.get_facecolor()))
                shade = np.mean(to_rgb(letter.get_color()))
                assert (ground < 0.2) == (letter.get_text() == "N")
                assert abs(ground - shade) > 0.7
                assert letter.get_position() == pytest.approx(disc.center)
                assert letter.get_fontsize() / 72 * 25.4 < 2 * disc.radius


@pytest.mark.parametrize("name", STUDIES)
def test_signs_stand_clear_of_the_stators_circle_and_the_mark(name):
    study = study_of(name)
    (section,) = carrier_sections(study)
    surface = study.stator.surface_diameter_mm / 2
    for zoom in (1.0, 1.7):
        at = places(section, surface=surface, zoom=zoom)
        top = max(y for _, y in section.start_mark.exterior.coords) * zoom
        for radii, size in ((at.sides, at.side_size), (at.mains, at.main_size)):
            for radius in radii:
                if section.outer:
                    assert radius + size / 2 < surface * zoom
                else:
                    assert radius - size / 2 > max(surface * zoom, top)
        assert at.mains
        assert min(at.numbers) > max(top, section.outermost * zoom)
        assert at.reach > max(at.numbers)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_signs_of_the_first_magnets(position):
    """Magnet 1 faces the stator with N, 3 with S; N of magnet 2 is on the side of magnet 1."""
    study = make_study(position=position, pole_pairs=5, diameter=60.0)
    (section,) = carrier_sections(study)
    pitch = 2 * np.pi / 20
    named = {round(sign.turn / pitch, 3): (sign.letter, sign.main) for sign in signs(section)}
    assert named[0] == ("N", True)
    assert named[2] == ("S", True)
    # A strong side gathers flux: transverse magnets push theirs into the north next to them.
    assert named[0.667] == ("N", False)
    assert named[1.333] == ("S", False)
    # Independent of letters: the arrow of magnet 2 points to its north.
    second = rotor_members(study)[1]
    assert second.north == "clockwise"


def test_letters_are_left_out_only_where_the_arrow_tells():
    """So dense a ring names its main magnets in turns, and leaves the sides to arrows."""
    (section,) = carrier_sections(study_of("dense"))
    at = places(section, surface=30.0)
    assert at.sides == ()
    assert len(at.mains) > 1
    legend = " ".join(text.get_text() for text in polarity_map(study_of("dense")).axes[0].texts)
    assert "small ones" not in legend
    assert "Arrows point to north" in legend


def test_first_number_is_bold():
    ax = polarity_map(study_of("small")).axes[1]
    numbers = {text.get_text(): text for text in ax.texts if text.get_text()[-2:] in (" M", " T")}
    assert [name for name, text in numbers.items() if text.get_weight() == "bold"] == ["1 M"]


@pytest.mark.parametrize("name", ["small", "inner", "dense"])
def test_labels_are_as_large_and_apart(name):
    study = study_of(name)
    drawing = polarity_map(study, labels={m.number: f"M{m.number}" for m in rotor_members(study)})
    renderer = FigureCanvasAgg(drawing).get_renderer()
    boxes = [
        (text.get_text(), ink(text, renderer)) for text in drawing.axes[1].texts
        if len(text.get_text()) > 1
    ]  # fmt: skip
    assert min(text.get_fontsize() for text in drawing.axes[1].texts if text.get_text()) >= 6 - 1e-9
    for (a, one), (b, other) in itertools.combinations(boxes, 2):
        assert not one.intersects(other), (a, b)
