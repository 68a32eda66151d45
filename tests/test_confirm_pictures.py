"""Pictures of a confirmation: what is drawn of which motor, phases, outlines, colours."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from makers import make_study
from matplotlib.figure import Figure
from matplotlib.text import Annotation
from picture_words import check_words

from arrayopt.export.confirm_picture import confirm_picture
from arrayopt.export.sector_picture import largest_shown, outline, phase_names, sector_picture
from arrayopt.machine import winding_of

MINUS = "\N{MINUS SIGN}"


@pytest.fixture(scope="module")
def sector(confirmed):
    return sector_picture(confirmed[0])


def test_a_stator_without_slots_has_no_cogging_panel(confirmed):
    found, _ = confirmed
    titles = [ax.get_ylabel() for ax in confirm_picture(found).axes]
    assert titles[1] == "Cogging torque [mN m]"
    assert len(titles) == 4
    slotless = replace(found, study=make_study(pole_pairs=14))
    titles = [ax.get_ylabel() for ax in confirm_picture(slotless).axes]
    assert not any("Cogging" in title for title in titles)
    assert len(titles) == 3
    unloaded = replace(slotless, curves=found.curves.drop_vars("torque"))
    assert len(confirm_picture(unloaded).axes) == 1


def test_pictures_print_units(confirmed, sector):
    for drawing in (sector, confirm_picture(confirmed[0])):
        check_words(drawing)


def test_no_quarter_of_the_sector_is_empty(confirmed, sector):
    found, _ = confirmed
    without = replace(found, maps={"no load": found.maps["no load"]})
    for drawing, panels in ((sector, 4), (sector_picture(without), 3)):
        assert isinstance(drawing, Figure)
        shown = [ax for ax in drawing.axes if ax.get_title()]
        assert len(shown) == panels
        assert all(ax.collections for ax in shown)


@pytest.mark.parametrize("scale", [0.05, 0.5, 1.0, 10.0])
def test_colours_follow_the_field(confirmed, scale):
    # exact: within the bounds the end of the colours is the scaled one, on a tenth upwards
    found, _ = confirmed
    maps = {name: one | {"density": one["density"] * scale} for name, one in found.maps.items()}
    most = largest_shown(replace(found, maps=maps))
    own = largest_shown(found)
    assert 0.5 <= most <= 2.4
    assert round(10 * most) == pytest.approx(10 * most)
    if scale == 0.5:
        assert own / 2 - 0.1 <= most <= own / 2 + 0.1
    if scale == 0.05:
        assert most == 0.5
    if scale == 10.0:
        assert most == 2.4


def test_outline_leaves_shared_edges_out():
    # exact: a square of two triangles that have no points in common, by hand
    points = np.array([[0, 0], [1, 0], [0, 1], [1, 0], [1, 1], [0, 1]], dtype=float)
    edges = outline(points, np.array([[0, 1, 2], [3, 4, 5]]))
    found = {frozenset(map(tuple, edge.tolist())) for edge in edges}
    corners = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)]
    assert found == {frozenset({corners[i], corners[(i + 1) % 4]}) for i in range(4)}


def test_phases_of_tooth_coils():
    # exact: a coil round one tooth has its sides left and right of it, one in and one out
    study = make_study(kind="slotted", pole_pairs=14)
    names = phase_names(SimpleNamespace(whole=study))
    pattern = winding_of(study).pattern
    assert len(names) == 2 * study.stator.slots
    for tooth, phase in enumerate(pattern):
        left, right = names[2 * tooth], names[2 * tooth + 1]
        assert left[0] == right[0] == phase.upper()
        assert {left[1], right[1]} == {"+", MINUS}
    turned = {p.upper(): {names[2 * i] for i, q in enumerate(pattern) if q == p} for p in pattern}
    assert all(len(sides) == 1 for sides in turned.values())  # alike for coils wound alike


def test_every_slot_names_its_phases_and_every_magnet_its_arrow(confirmed, sector):
    found, _ = confirmed
    ax = next(ax for ax in sector.axes if ax.get_title().startswith("Sector"))
    regions = [str(name) for name in found.maps["no load"]["regions"]]
    letters = [t.get_text() for t in ax.texts if t.get_text()[1:] in ("+", MINUS)]
    assert {word[0] for word in letters} <= set("ABC")
    assert 1 <= len(letters) <= sum(name.startswith("slot") for name in regions)
    arrows = [t for t in ax.texts if isinstance(t, Annotation) and not t.get_text()]
    assert len(arrows) == sum(name.startswith("magnet") for name in regions)
