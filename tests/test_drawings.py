"""Drawings read back: true scale, arrows, layers, areas, the solid's volume, hostile titles."""

import csv
import io
import json
import math
import re
import xml.etree.ElementTree as ET
from importlib import import_module

import ezdxf
import numpy as np
import pypdfium2
import pytest
import shapely
from ezdxf import recover
from makers import make_study

from arrayopt.confirmation.extra import INSTALL
from arrayopt.confirmation.library import NEEDED
from arrayopt.errors import ArrayoptError
from arrayopt.export import solid
from arrayopt.export.drawings import write_drawings
from arrayopt.export.pocket_drawing import pocket_dxf, pocket_svg
from arrayopt.export.polarity_map import (
    map_svg,
    polarity_map,
    positions_csv,
    write_map_pdf,
)
from arrayopt.layout import build_layout, rotor_masses
from arrayopt.layout.carrier import carrier_sections
from arrayopt.layout.pockets import carrier_ring, family_pockets
from arrayopt.study import starter_text

MM_PER_POINT = 25.4 / 72
PRINTED = {"rotor.clearance_mm": 0.1, "rotor.wall_mm": 0.4}
HOSTILE = ["$\\frac{", "<script>alert(1)</script>", "]]>&amp;\"'", "\U0001f9f2 hub", "%s {x}"]


def small(**values):
    values = {key.replace("__", "."): value for key, value in values.items()}
    return make_study(pole_pairs=3, diameter=30.0, fill=0.6, values=PRINTED | values)


def svg_lines(data):
    """Straight strokes of an SVG of matplotlib, in mm."""
    root = ET.fromstring(data)
    scale = float(root.get("width").removesuffix("pt")) / float(root.get("viewBox").split()[2])
    for path in root.iter("{http://www.w3.org/2000/svg}path"):
        if path.get("d") is None:
            continue
        numbers = [float(n) for n in re.findall(r"-?\d+\.?\d*(?:e-?\d+)?", path.get("d"))]
        yield np.reshape(numbers[: len(numbers) // 2 * 2], (-1, 2)) * scale * MM_PER_POINT


def test_exact_scale_of_the_svg():
    """The rulers are 100 mm, and the stator's and print's circles have their size."""
    data = map_svg(small())
    lengths = [np.ptp(line, axis=0) for line in svg_lines(data)]
    assert any(abs(x - 100) < 1e-3 and y < 1e-3 for x, y in lengths)
    assert any(abs(y - 100) < 1e-3 and x < 1e-3 for x, y in lengths)
    (section,) = carrier_sections(small())
    for radius in (section.inner_radius, section.outer_radius):
        assert any(np.allclose(size, 2 * radius, atol=0.02) for size in lengths)


def pdf_pages(path):
    document = pypdfium2.PdfDocument(path)
    try:
        return [(page.get_size(), page.get_textpage().get_text_bounded()) for page in document]
    finally:
        document.close()


def test_pdf_is_one_page_of_a4_for_a_small_ring(tmp_path):
    ((size, text),) = pdf_pages(write_map_pdf(tmp_path / "map.pdf", small()))
    assert np.allclose(np.array(size) * MM_PER_POINT, (210, 297), atol=0.01)
    for words in ("1 M", "12 T", "true scale 1:1", "implanted", "100.0 mm across and up"):
        assert words in text
    # Six magnets face the gap, three with each pole; six transverse ones have both at its sides.
    # All stand once at true scale and once on the enlarged copy; the legend names each once.
    words = text.split()
    assert [words.count(pole) for pole in "NS"] == [2 * 9 + 1, 2 * 9 + 1]
    assert "not to scale: to read only" in text


def test_enlarged_copy_has_a_page_of_its_own_where_one_is_too_small(tmp_path):
    study = make_study(pole_pairs=10, diameter=82.0, values=PRINTED)
    (_, whole), (_, copy) = pdf_pages(write_map_pdf(tmp_path / "map.pdf", study))
    assert "True scale 1:1" in whole
    assert "Enlarged" not in whole
    assert "True scale" not in copy
    assert "Measure this" not in copy
    assert re.search(r"Enlarged 1\.[3-9] times, not to scale: to read only", copy)


def test_copy_for_any_size_claims_no_scale():
    title = "Hip motor of the walking robot, third winding, made in May: most torque of a search"
    drawing = polarity_map(small(title=title), to_scale=False)
    text = " ".join(text.get_text() for ax in drawing.axes for text in ax.texts)
    assert title in " ".join(text.split())
    assert "Not to scale" in text
    for claim in ("1:1", "Measure", "rue scale"):
        assert claim not in text
    lengths = [np.ptp(line, axis=0) for line in svg_lines(map_svg(small(), to_scale=False))]
    assert not any(abs(x - 100) < 1e-3 and y < 1e-3 for x, y in lengths)


def test_large_ring_is_cut_into_tiles(tmp_path):
    study = make_study(pole_pairs=10, diameter=380.0, fill=0.3, values=PRINTED)
    pages = pdf_pages(write_map_pdf(tmp_path / "map.pdf", study))
    assert len(pages) == 7
    assert "overview" in pages[0][1]
    assert "Not to scale" in pages[0][1]
    names = [re.search(r"- ([A-C][12])", text)[1] for _, text in pages[1:]]
    assert names == ["A1", "B1", "C1", "A2", "B2", "C2"]
    numbers = {int(n) for _, text in pages[1:] for n in re.findall(r"\b(\d+) [MT]\b", text)}
    assert numbers == set(range(1, 41))


def test_rows_have_pages_of_their_own(tmp_path):
    study = small(rotor__skew_steps=2, rotor__skew_step_deg=3.0)
    pages = pdf_pages(write_map_pdf(tmp_path / "map.pdf", study))
    assert "turned 3° anticlockwise against row 1" in pages[1][1]
    assert ["row 1 of 2" in text for _, text in pages] == [True, False]
    assert "24 T" in pages[1][1]


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("count", [2, 4, 8])
def test_exact_arrows_turn_as_the_array_does(position, count):
    """Arrows as drawn: (1 + p) a or (1 - p) a from that of magnet 1, a where each one sits."""
    p = 4
    study = make_study(position=position, pole_pairs=p, magnets_per_pole_pair=count, diameter=60.0)
    drawn = [
        text for ax in polarity_map(study).axes for text in ax.texts
        if getattr(text, "arrow_patch", None) is not None
    ]  # fmt: skip
    ends = [np.array([text.xyann, text.xy]) @ (1, 1j) for text in drawn]
    middles = [(tail + head) / 2 for tail, head in ends]
    first = int(np.argmax([middle.imag for middle in middles]))
    assert abs(middles[first].real) < 1e-9  # at the top
    start = ends[first][1] - ends[first][0]
    towards_stator = -1 if position == "outer" else 1
    assert np.angle(start) == pytest.approx(towards_stator * np.pi / 2)
    turns = 1 + p if position == "outer" else 1 - p
    assert len(ends) == p * count
    for middle, (tail, head) in zip(middles, ends, strict=True):
        a = np.angle(middle / 1j)
        turned = (head - tail) / start / np.exp(1j * turns * a)
        assert turned.imag / turned.real == pytest.approx(0, abs=1e-9)
        assert turned.real > 0


def test_arrows_stay_within_their_tile():
    study = make_study(pole_pairs=10, diameter=380.0, fill=0.3, values=PRINTED)
    for ax in polarity_map(study).axes:
        for text in ax.texts:
            patch = getattr(text, "arrow_patch", None)
            assert patch is None or patch.get_clip_box() is ax.bbox


def test_long_title_leaves_room_for_the_map(tmp_path):
    """Its beginning and its end are kept, for the end tells designs of a search apart."""
    title = f"{'Wrist ' * 28}: most torque of a search"
    ((_, text),) = pdf_pages(write_map_pdf(tmp_path / "map.pdf", small(title=title)))
    assert text.split("Polarity map")[0].split() == title.split()
    narrow = polarity_map(small(title=title)).axes[0].texts[0].get_text().splitlines()
    assert len(narrow) == 4
    assert narrow[0].startswith("Wrist Wrist")
    assert narrow[2].startswith("... Wrist")
    assert narrow[2].endswith(": most torque of a search")
    assert narrow[3] == "Polarity map"


@pytest.mark.parametrize("title", HOSTILE)
def test_hostile_titles(tmp_path, title):
    study = small(title=title)
    ET.fromstring(map_svg(study))
    assert len(pdf_pages(write_map_pdf(tmp_path / "map.pdf", study))) == 1


def test_same_study_same_bytes(tmp_path):
    first, second = (write_map_pdf(tmp_path / f"{i}.pdf", small()).read_bytes() for i in (1, 2))
    assert first == second
    assert map_svg(small()) == map_svg(small())
    assert pocket_dxf(small()) == pocket_dxf(small())
    solids = [solid.write_step(tmp_path / f"{i}.step", small()).read_bytes() for i in (1, 2)]
    assert solids[0] == solids[1]
    assert b"T00:00:00" in solids[0]


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_positions_by_hand(position):
    study = make_study(position=position, pole_pairs=4, magnets_per_pole_pair=8, diameter=60.0)
    rows = list(csv.DictReader(io.StringIO(positions_csv(study))))
    assert len(rows) == 32
    turns = 1 + 4 if position == "outer" else 1 - 4
    start = float(rows[0]["polarisation_deg"])
    for k, row in enumerate(rows):
        angle = 360 * k / 32
        assert float(row["angle_deg"]) == pytest.approx(angle)
        expected = math.radians(start + turns * angle)
        assert math.cos(math.radians(float(row["polarisation_deg"])) - expected) == pytest.approx(1)
        radius = float(row["centre_radius_mm"])
        assert float(row["x_mm"]) == pytest.approx(
            -radius * math.sin(math.radians(angle)), abs=1e-6
        )
        assert float(row["y_mm"]) == pytest.approx(radius * math.cos(math.radians(angle)), abs=1e-6)


def read_dxf(text):
    document, audit = recover.read(io.BytesIO(text.encode()))
    assert not audit.errors
    assert not document.audit().errors
    return document


@pytest.mark.parametrize(
    "values",
    [{}, {"carrier__skin_mm": 0.6, "carrier__lip_mm": 0.4}, {"rotor__steel_ring_mm": 1.5},
     {"carrier__corner_relief_mm": 0.4, "carrier__skin_mm": 0.9, "carrier__backing_mm": 3.0}],
)  # fmt: skip
@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("make", ["block", "arc"])
def test_dxf_passes_the_audit_and_has_the_layouts_areas(values, make, position):
    """True arcs: areas are those of closed forms, of the pieces and of the mass model."""
    values = PRINTED | {key.replace("__", "."): value for key, value in values.items()}
    study = make_study(
        position=position, pole_pairs=3, diameter=30.0, fill=0.6, shape=make, values=values
    )
    document = read_dxf(pocket_dxf(study))
    assert document.units == ezdxf.units.MM
    (section,) = carrier_sections(study)

    def areas(layer):
        lines = document.modelspace().query(f'LWPOLYLINE[layer=="{layer}"]')
        return [enclosed_area(line.get_points("xyb")) for line in lines]

    layout = build_layout(study)
    sizes = {
        f.name: float(s.area[0]) * 1e6 for f, s in zip(layout.families, layout.shapes, strict=True)
    }
    magnets = [sizes[pocket.member.family] for pocket in section.pockets]
    assert areas("MAGNETS") == pytest.approx(magnets, rel=1e-9)  # rounding
    ring = carrier_ring(layout)
    cut = {
        f.name: float(family_pockets(layout, ring, i).area[0]) * 1e6
        for i, f in enumerate(layout.families)
    }
    expected = [cut[pocket.member.family] for pocket in section.pockets]
    # Lines that cut a chord are led on to its arc, not quite along themselves.
    assert areas("POCKETS") == pytest.approx(expected, rel=5e-5)
    circles = {c.dxf.layer: c.dxf.radius for c in document.modelspace().query("CIRCLE")}
    assert "FLOOR" in circles
    assert ("STEEL_RING" in circles) == ("rotor.steel_ring_mm" in values)
    assert [t.dxf.text for t in document.modelspace().query('TEXT[layer=="NUMBERS"]')] == [
        str(n) for n in range(1, 13)
    ]


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("count", [2, 4, 8])
def test_exact_arrows_of_the_pockets(position, count):
    """Each from its line to its tip within its magnet: (1 + p) a or (1 - p) a from the first."""
    p = 4
    study = make_study(position=position, pole_pairs=p, magnets_per_pole_pair=count, diameter=60.0)
    space = read_dxf(pocket_dxf(study)).modelspace()
    (section,) = carrier_sections(study)
    lines = space.query('LINE[layer=="POLARITY"]')
    heads = space.query('LWPOLYLINE[layer=="POLARITY"]')
    assert len(lines) == len(heads) == p * count
    start = -1j if position == "outer" else 1j  # towards the stator, at the top
    turns = 1 + p if position == "outer" else 1 - p
    numbers = space.query('TEXT[layer=="NUMBERS"]')
    for k, (line, head, text) in enumerate(zip(lines, heads, numbers, strict=True)):
        tip, left, right = head.get_points("xy")
        tail = complex(line.dxf.start.x, line.dxf.start.y)
        turned = (complex(*tip) - tail) / start / np.exp(2j * np.pi * turns * k / (p * count))
        assert turned.imag / turned.real == pytest.approx(0, abs=1e-9)
        assert turned.real > 0
        magnet = section.pockets[k].magnet
        arrow = shapely.MultiPoint([(tail.real, tail.imag), tip, left, right])
        assert magnet.contains(arrow)
        number = shapely.Point(text.dxf.align_point.x, text.dxf.align_point.y)
        assert magnet.contains(number)
        assert number.distance(arrow.convex_hull) > text.dxf.height / 2


def path_points(data):
    """Points of an SVG path, its arcs by the implementation notes of SVG 2, B.2.4, as chords."""
    points = []
    for word in re.findall(r"[MLA][^MLAZ]*", data):
        numbers = [float(n) for n in re.findall(r"-?[\d.]+", word)]
        end = complex(*numbers[-2:])
        if word[0] == "A":
            radius, large, sweep = numbers[0], numbers[3], numbers[4]
            half = (end - points[-1]) / 2
            aside = math.sqrt(max(radius**2 - abs(half) ** 2, 0)) * half / abs(half) * 1j
            centre = points[-1] + half + (aside if sweep != large else -aside)
            turn = np.angle((end - centre) / (points[-1] - centre)) % (2 * math.pi)
            turn -= 0 if sweep else 2 * math.pi
            start = points[-1] - centre
            points += [centre + start * np.exp(1j * turn * k / 60) for k in range(1, 60)]
        points.append(end)
    return [(point.real, point.imag) for point in points]


def test_svg_of_the_pockets_is_in_millimetres():
    study = small(carrier__skin_mm=0.6, carrier__corner_relief_mm=0.4, carrier__backing_mm=3.0)
    root = ET.fromstring(pocket_svg(study))
    (section,) = carrier_sections(study)
    size = 2 * (section.outermost + 4)
    assert float(root.get("width").removesuffix("mm")) == pytest.approx(size, abs=1e-3)
    assert [float(v) for v in root.get("viewBox").split()][2] == pytest.approx(size, abs=1e-3)
    space = "{http://www.w3.org/2000/svg}"
    groups = {g.get("id"): g for g in root.iter(f"{space}g")}
    drawn = [shapely.Polygon(path_points(path.get("d"))).area for path in groups["POCKETS"]]
    assert drawn == pytest.approx([p.outline.area for p in section.pockets], rel=1e-3)  # digits
    first = path_points(groups["MAGNETS"][0].get("d"))
    assert np.mean(first, axis=0)[1] < 0  # magnet 1 is at the top, where y is negative


@pytest.mark.parametrize(
    ("position", "make", "values"),
    [
        ("outer", "block", {}),
        ("outer", "block", {"carrier.skin_mm": 0.6, "carrier.lip_mm": 0.4}),
        ("outer", "block", {"rotor.steel_ring_mm": 1.5, "carrier.floor_mm": 1.0}),
        ("outer", "block", {"rotor.skew_steps": 2, "rotor.skew_step_deg": 3.0}),
        ("inner", "arc", {"carrier.skin_mm": 0.6}),
        ("inner", "arc", {"carrier.floor_mm": 0.0}),
        ("outer", "arc", {"carrier.skin_mm": 0.6, "carrier.lip_mm": 0.4}),
    ],
)
def test_independent_volume_of_the_solid(tmp_path, position, make, values):
    """The STEP file read back by OpenCASCADE, or the mass model."""
    study = make_study(
        position=position, pole_pairs=3, diameter=40.0, fill=0.6, shape=make,
        values=PRINTED | values,
    )  # fmt: skip
    rows, volume, heights = study.rotor.skew_steps, 0.0, 0.0
    for row in range(1, rows + 1):
        path = solid.write_step(tmp_path / f"{row}.step", study, row=row)
        shape = import_module("netgen.occ").OCCGeometry(str(path)).shape
        low, high = shape.bounding_box
        volume, heights = volume + shape.mass, heights + high[2] - low[2]
    density = study.plastic(study.carrier.material).density
    expected = float(rotor_masses(build_layout(study)).carrier[0]) / density * 1e9
    # Half a disc of half a millimetre is notched out of the floor's edge as the start mark.
    notch = np.pi / 2 * 0.5**2 * study.carrier.floor_mm
    assert volume + notch == pytest.approx(expected, rel=3e-4)  # the notch's edge is bent
    assert heights == pytest.approx(12.0 + study.carrier.floor_mm, abs=1e-3)


def test_one_way_of_installing_the_extra_is_told():
    assert 'pip install ".[fe]"' in INSTALL
    assert INSTALL in solid.NO_SOLID
    assert INSTALL in NEEDED  # of confirm


def test_solid_without_its_library(monkeypatch, tmp_path):
    def missing(name):
        raise ImportError(name)

    monkeypatch.setattr(solid, "import_module", missing)
    assert not solid.solids_available()
    with pytest.raises(ArrayoptError, match=r'needs ngsolve.*; pip install "\.\[fe\]" in'):
        solid.write_step(tmp_path / "carrier.step", small())
    names = {path.name for path in write_drawings(tmp_path, small(stator__slots=9))}
    assert "carrier.step" not in names
    assert "pockets.dxf" in names


def test_command(run, tmp_path):
    path = tmp_path / "starter.toml"
    path.write_text(starter_text(), encoding="utf-8")
    out = tmp_path / "a <b> & 'c'"
    code, told, err = run("drawings", path, "--out", out, "--json")
    assert code == 0
    names = {"polarity-map.svg", "polarity-map.pdf", "positions.csv", "pockets.dxf", "pockets.svg",
             "carrier.step"}  # fmt: skip
    assert {p.name for p in out.iterdir()} == names == set(json.loads(told)["files"])
    assert len(json.loads(told)["magnets"]) == 56
    assert "written to" in err


def test_command_needs_a_folder_and_a_sound_study(run, tmp_path):
    path = tmp_path / "starter.toml"
    path.write_text(starter_text(), encoding="utf-8")
    assert run("drawings", path)[0] == 2
    assert "--out" in run("drawings", path)[2]
    path.write_text(starter_text().replace("wall_mm", "wall_inch"), encoding="utf-8")
    code, _, err = run("drawings", path, "--out", tmp_path / "o")
    assert code == 2
    assert "wall_inch" in err
    assert not (tmp_path / "o").exists()


def enclosed_area(vertices: list) -> float:
    """Area within an outline, its arcs exact [mm2]."""
    total = 0.0
    for (x0, y0, bulge), (x1, y1, _) in zip(vertices, [*vertices[1:], vertices[0]], strict=True):
        total += (x0 * y1 - x1 * y0) / 2
        if bulge:
            angle = 4 * np.arctan(bulge)
            radius = np.hypot(x1 - x0, y1 - y0) * (1 + bulge**2) / (4 * abs(bulge))
            total += radius**2 * (angle - np.sin(angle)) / 2
    return abs(float(total))
