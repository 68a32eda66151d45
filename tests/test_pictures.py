"""Pictures of a design: what they show is where it is, and is told without colour, in units."""

import itertools
from functools import cache

import numpy as np
import pytest
import shapely
from makers import make_study
from matplotlib.colors import to_rgb
from matplotlib.patches import PathPatch, Polygon
from picture_words import check_words, words_of

from arrayopt.checks.demagnetisation import demagnetisation
from arrayopt.comparison import compare
from arrayopt.evaluation import evaluate
from arrayopt.export.cross_section import area_patch, coil_sides, print_within
from arrayopt.export.cut_list import cut_list
from arrayopt.export.demagnetisation_map import demagnetisation_map
from arrayopt.export.flux_picture import flux_picture
from arrayopt.export.machine_picture import machine_picture
from arrayopt.export.pictures import comparison_picture, rotor_picture
from arrayopt.export.pieces_picture import pieces_picture
from arrayopt.export.polarity_map import polarity_map
from arrayopt.layout.carrier import carrier_sections

PRINTED = {"rotor.clearance_mm": 0.1, "rotor.wall_mm": 0.4, "carrier.skin_mm": 0.4}
WOUND = {"stator.winding_thickness_mm": 2.0, "stator.coil_side_mm": 3.0, "stator.slots": 12}


@cache
def slotless(kind, position, **more):
    return make_study(
        kind=kind, position=position, pole_pairs=5, diameter=60.0, airgap=3.0,
        values={**PRINTED, **WOUND, **more},
    )  # fmt: skip


@pytest.fixture(scope="module")
def driven():
    """A study with all that pictures tell: heat, drive, a steel ring beside."""
    return make_study(
        kind="slotted", values={"drive.voltage_v": 24.0, "drive.peak_current_a": 20.0}
    )


@pytest.fixture(scope="module")
def compared(driven):
    drawing = comparison_picture(compare(driven))
    drawing.draw_without_rendering()
    return drawing


# Cross-sections


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("place", [0, 1.5, 7])
def test_exact_share_of_the_print(position, place):
    study = slotless("smooth", position)
    (section,) = carrier_sections(study)
    whole = section.printed.area
    assert print_within(study, place=place, half=np.pi).area == pytest.approx(whole, rel=1e-9)
    # Two of five pole pairs, whichever place is up, for the print repeats itself by pole pairs.
    part = print_within(study, place=place, half=2 * np.pi / 5)
    assert part.area == pytest.approx(2 / 5 * whole, rel=1e-4)  # chords
    turned = np.angle(shapely.get_coordinates(part) @ (1, 1j) / 1j)
    assert np.abs(turned).max() == pytest.approx(2 * np.pi / 5, rel=1e-6)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_print_leaves_the_magnets_free(position):
    """Place 0 up is a main magnet there: its middle is no print, the skin before it is."""
    study = slotless("smooth", position)
    printed = print_within(study, place=0, half=0.5)
    gap = 30 + 3 if position == "outer" else 30 - 3
    out = 1 if position == "outer" else -1
    assert not printed.contains(shapely.Point(0, gap + out * 1.5))
    assert printed.contains(shapely.Point(0, gap - out * 0.2))


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_print_goes_on_anticlockwise(position):
    """Up is between a broad main magnet to the right and a narrow transverse one to the left."""
    study = make_study(position=position, fill={"main": 0.8, "transverse": 0.4}, values=PRINTED)
    printed = print_within(study, place=0.5, half=0.5)
    (section,) = carrier_sections(study)
    pitch, radius = 2 * np.pi / 40, section.pockets[0].member.centre_radius * 1e3
    for off, told in ((-0.8 * pitch, False), (0.8 * pitch, True)):
        at = radius * 1j * np.exp(1j * off)
        assert printed.contains(shapely.Point(at.real, at.imag)) == told


@pytest.mark.parametrize("kind", ["smooth", "ironless"])
@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize(("layers", "span", "abreast"), [(2, 1, 2), (1, 1, 1), (2, 2, 1)])
def test_exact_coil_sides(kind, position, layers, span, abreast):
    """Straight bars from circle to circle: in the gap on iron, behind the surface without."""
    study = slotless(kind, position, **{"winding.layers": layers, "winding.coil_span_slots": span})
    sides = coil_sides(study, half=np.pi)
    assert len(sides) == 12 * abreast
    in_gap = (kind == "smooth") == (position == "outer")
    r, R = (30.0, 32.0) if in_gap else (28.0, 30.0)
    offset = 1.5 if abreast == 2 else 0.0  # of a bar's middle from the radius along it
    y = np.linspace(offset - 1.5, offset + 1.5, 20001)
    area = np.trapezoid(np.sqrt(R**2 - y**2) - np.sqrt(r**2 - y**2), y)
    for side in sides:
        assert side.area == pytest.approx(area, rel=1e-3)  # chords
    for one, other in itertools.combinations(sides, 2):
        assert one.intersection(other).area < 1e-9
    radii = np.hypot(*np.concatenate([shapely.get_coordinates(side) for side in sides]).T)
    assert (radii.min(), radii.max()) == pytest.approx((r, R), rel=1e-3)


def test_slots_have_no_such_coil_sides():
    assert coil_sides(make_study(kind="slotted"), half=np.pi) == []


def test_patch_keeps_holes():
    area = shapely.box(0, 0, 4, 4).difference(shapely.box(1, 1, 2, 2))
    path = area_patch(area).get_path()
    rings = path.to_polygons()
    assert len(rings) == 2
    # Filled by winding numbers, rings that run the other way take their area off.
    signed = [shapely.LinearRing(ring) for ring in rings]
    total = sum((1 if ring.is_ccw else -1) * shapely.Polygon(ring).area for ring in signed)
    assert abs(total) == pytest.approx(area.area)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("kind", ["slotted", "smooth", "ironless"])
def test_winding_and_print_are_drawn(kind, position):
    study = slotless(kind, position) if kind != "slotted" else make_study(kind=kind)
    ax = rotor_picture(study, evaluate(study)).axes[0]
    hatched = [patch for patch in ax.patches if isinstance(patch, PathPatch) and patch.get_hatch()]
    assert bool(hatched) == (kind != "slotted")
    assert ("coil sides: hatched" in ax.get_title()) == bool(hatched)
    assert ("surface of the winding" in ax.get_title()) == (kind == "ironless")
    letters = [text for text in ax.texts if text.get_text() in ("N", "S")]
    assert letters
    for text in letters:
        assert not any(patch.get_path().contains_point(text.get_position()) for patch in hatched)
    title = flux_picture(study).axes[0].get_title()
    assert ("coil sides" in title) == (kind != "slotted")


# Comparison


def luminance(colour):
    """Relative luminance by WCAG 2.2's definition."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot((0.2126, 0.7152, 0.0722), linear))


def lightness(colour):
    """CIE L*."""
    return 116 * np.cbrt(luminance(colour)) - 16


def test_parts_of_the_mass_are_told_in_grey(compared):
    _, middle, _ = compared.axes
    parts = [bars.patches[0] for bars in middle.containers]
    assert len(parts) == 4
    for one, other in itertools.combinations(parts, 2):
        apart = abs(lightness(one.get_facecolor()) - lightness(other.get_facecolor()))
        assert one.get_hatch() != other.get_hatch() or apart > 10
    assert {text.get_text() for text in middle.get_legend().get_texts()} == {
        "magnets", "steel ring", "print", "others",
    }  # fmt: skip


def test_bars_beside_do_not_speak_in_the_colours_of_parts(compared):
    left, middle, right = compared.axes
    colours = {bars.patches[0].get_facecolor() for bars in middle.containers}
    assert compared.legends == []
    for ax in (left, right):
        assert ax.get_legend() is None
        bars = ax.containers[0].patches
        assert len({bar.get_facecolor() for bar in bars}) == 1
        assert bars[0].get_facecolor() not in colours
        outlined = [bar.get_edgecolor()[3] > 0 for bar in bars]
        assert outlined == [True] + [False] * (len(bars) - 1)
    assert left.get_yticklabels()[0].get_text() == "array"


# Pieces


@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize("position", ["outer", "inner"])
def test_labels_of_pieces_cross_no_edge(shape, position):
    study = make_study(
        shape=shape, position=position, pole_pairs=7, diameter=46.0, thickness=4.0, length=20.0,
        fill={"main": 0.9, "transverse": 0.5},
    )  # fmt: skip
    drawing = pieces_picture(cut_list(study))
    drawing.draw_without_rendering()
    for ax in drawing.axes:
        edges = [line.get_xydata() for line in ax.lines]
        edges += [
            patch.get_xy() for patch in ax.patches
            if isinstance(patch, Polygon) and patch.get_edgecolor()[3] > 0
        ]  # fmt: skip
        lines = [shapely.LineString(ax.transData.transform(edge)) for edge in edges]
        for text in ax.texts:
            if text.get_text():
                box = shapely.box(*text.get_window_extent().shrunk(1, 0.7).extents)
                assert not any(box.intersects(line) for line in lines), text.get_text()


def test_millimetres_are_said_once():
    drawing = pieces_picture(cut_list(make_study(shape="arc")))
    words = words_of(drawing)
    assert sum(word.count("mm") for word in words) == 1


# Units


@pytest.mark.parametrize(
    "draw",
    [
        lambda study: rotor_picture(study, evaluate(study)),
        flux_picture,
        lambda study: machine_picture(study, evaluate(study)),
        lambda study: demagnetisation_map(study, demagnetisation(study, temperature_c=105)),
        lambda study: pieces_picture(cut_list(study)),
        polarity_map,
    ],
    ids=["rotor", "flux", "machine", "magnets", "pieces", "map"],
)
def test_pictures_say_units_as_print_does(draw, driven):
    check_words(draw(driven))


def test_comparison_says_units_as_print_does(compared):
    check_words(compared)
