"""Demagnetisation: field inside, worst current, shares of volume, grades, the map.

Checks against the outside are in published/test_demagnetisation.py.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from makers import make_study, unit_magnets

from arrayopt.checks.demagnetisation import (
    PERCENTILES,
    ArmatureField,
    Demagnetisation,
    ReverseField,
    demagnetisation,
    reverse_field,
    weakest_enough,
)
from arrayopt.export.demagnetisation_map import demagnetisation_map
from arrayopt.export.pictures import save
from arrayopt.field import AirgapField, solve_field
from arrayopt.field.inside import FieldInside, field_inside
from arrayopt.layout import Layout, build_layout
from arrayopt.machine import armature
from arrayopt.materials import magnet_grade
from arrayopt.quantities import MU0
from arrayopt.study import Study

ORDERS = np.arange(1, 16)


def solved(study: Study, *, orders: np.ndarray = ORDERS) -> tuple[Layout, AirgapField]:
    layout = unit_magnets(build_layout(study))
    return layout, solve_field(layout, orders=orders)


def driven(**values: object) -> Study:
    """Slotted study with a drive, in star."""
    rest = {"drive.voltage_v": 24.0, "drive.peak_current_a": 40.0, **values}
    return make_study(kind="slotted", values=rest)


# Field inside


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize(("kind", "ring"), [("smooth", 0.0), ("ironless", 2.0), ("smooth", 2.0)])
def test_independent_images_are_the_multipoles_of_a_long_ring(
    position: str, shape: str, kind: str, ring: float
) -> None:
    """Inverted charges against reflected harmonics, both irons; in the middle of 300 mm."""
    study = make_study(
        position=position, shape=shape, length=300.0, stack=300.0, kind=kind, airgap=2.0,
        fill=0.6, values={"rotor.steel_ring_mm": ring, "rotor.clearance_mm": 1.0},
    )  # fmt: skip
    bare = study.with_values({"stator.kind": "ironless", "rotor.steel_ring_mm": 0.0})
    layout, field = solved(study, orders=np.arange(1, 26))
    alone, alone_field = solved(bare)
    n = field.turns[:, 0][:, None, None]
    on_stator = field.surface * layout.surface_radius / field.irons.stator
    for i, family in enumerate(layout.families):
        found = field_inside(layout, field, i)
        added = (found.along - field_inside(alone, alone_field, i).along)[..., 0]
        r, turn = np.hypot(found.x, found.y), np.arctan2(found.y, found.x)
        radial, tangential = field.irons.reflected(
            on_stator[:, 0, None, None], field.ring[:, 0, None, None], n, r
        )
        phase = n * (turn + family.places[0] * 2 * np.pi / (10 * 4))
        own = family.directions[0] - turn
        along = (radial * np.cos(phase)).sum(axis=0) * np.cos(own)
        along += (tangential * np.sin(phase)).sum(axis=0) * np.sin(own)
        assert np.ptp(along) > 0.05
        # Harmonics end at the 25th; the ring's own are extrapolated, within 0.5 %.
        np.testing.assert_allclose(added, along, rtol=0, atol=2.5e-3)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_weights_add_up_to_the_volume(position: str) -> None:
    """Weighted means of radius and height squared are those of the shape."""
    layout, field = solved(make_study(position=position, shape="arc", length=14.0, stack=14.0))
    found = field_inside(layout, field, 0)
    shape = layout.shapes[0]
    np.testing.assert_allclose(found.weight.sum(), 1, rtol=1e-12)
    assert not found.weight[..., [0, -1]].any()
    r2 = (np.hypot(found.x, found.y)[..., None] ** 2 * found.weight).sum()
    exact = float((shape.lo[0] ** 2 + shape.hi[0] ** 2) / 2)
    np.testing.assert_allclose(r2, exact, rtol=1e-3)  # midpoint rule, 24 rows
    z2 = (found.z**2 * found.weight).sum()
    np.testing.assert_allclose(z2, 0.014**2 / 12, rtol=1e-3)  # six Gauss points, stretched


@pytest.mark.parametrize("M", [3, 4, 8])
def test_exact_members_of_a_family_see_the_same(M: int) -> None:
    """The second member, mirrored or turned over, by moving it to the first place."""
    layout, field = solved(make_study(magnets_per_pole_pair=M))
    for i, family in enumerate(layout.families):
        if len(family.places) == 1:
            continue
        turned = dataclasses.replace(
            family, places=family.places[::-1], directions=family.directions[::-1]
        )
        families = tuple(turned if j == i else f for j, f in enumerate(layout.families))
        other = field_inside(dataclasses.replace(layout, families=families), field, i)
        first = field_inside(layout, field, i)
        alike = np.abs(other.along - first.along).max()
        mirrored = np.abs(other.along[:, ::-1] - first.along).max()
        assert min(alike, mirrored) < 2e-4  # the coarse grid of far magnets


@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize("ring", [0.0, 1.0])
def test_grid_is_fine_enough(shape: str, ring: float) -> None:
    """Twice as many points each way. A ring that touches the magnets is the worst case."""
    study = make_study(shape=shape, kind="smooth", values={"rotor.steel_ring_mm": ring})
    layout, field = solved(study)
    for i in range(2):
        coarse, fine = (
            ReverseField(inside, -inside.along / MU0, np.zeros((1, 1, 1)))
            for inside in (
                field_inside(layout, field, i),
                field_inside(layout, field, i, through=48, across=32, along=12),
            )
        )
        np.testing.assert_allclose(coarse.percentiles(), fine.percentiles(), rtol=1e-2)
        # In the bulk many points lie near one level; small shares are what is judged.
        for limit, atol in zip(fine.percentiles(), (0.012, 0.003, 0.002), strict=True):
            difference = coarse.share_beyond(limit) - fine.share_beyond(limit)
            np.testing.assert_allclose(difference, 0, rtol=0, atol=atol)


# Shares and percentiles


def graded(slope: float, offset: float) -> ReverseField:
    """Reverse field that grows evenly through a section of one metre square, one height."""
    n = 20
    u = (np.arange(n) + 0.5) / n
    x, y = np.meshgrid(u, u, indexing="ij")
    weight = np.full((n, n, 1), 1 / n**2)
    inside = FieldInside(x, y, np.array([0.0]), weight, 0.0, np.zeros((n, n, 1)))
    return ReverseField(inside, (offset + slope * x)[..., None], np.zeros((n, n, 1)))


@pytest.mark.parametrize("limit", [100.0, 137.0, 222.0, 299.0])
def test_exact_share_of_an_even_slope(limit: float) -> None:
    field = graded(200.0, 100.0)
    share = min(max((300 - limit) / 200, 0), 1)
    assert field.share_beyond(limit) == pytest.approx(share, abs=1 / 160)  # half a part
    # 20 rows of four parts: a percentile is found to half a part.
    exact = 100 + 2 * np.array(PERCENTILES)
    np.testing.assert_allclose(field.percentiles(), exact, atol=200 / 160)


def test_exact_ratio_scales_only_the_magnets() -> None:
    field = dataclasses.replace(graded(0.0, 100.0), current=np.full((20, 20, 1), 30.0))
    np.testing.assert_allclose(field.total(0.5), 80.0, rtol=1e-12)
    assert field.share_beyond(79, 0.5) == pytest.approx(1)
    assert field.share_beyond(81, 0.5) == 0


# Currents


def travelling_wave(study: Study, amplitude: float) -> ArmatureField:
    """Wave of p pole pairs that turns with the current and decays away from the stator."""
    p, R = study.rotor.pole_pairs, study.stator.surface_diameter_mm * 0.5e-3

    def field_at(
        radius: np.ndarray, angle: np.ndarray, phase: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        size = amplitude * (R / radius) ** (p + 1)
        return size * np.cos(p * angle - phase), size * np.sin(p * angle - phase)

    return field_at


def test_exact_worst_of_a_travelling_wave() -> None:
    """Any direction anywhere meets all of the wave at some position of the rotor."""
    study = driven()
    layout, field = solved(study)
    wave = travelling_wave(study, 2e-3)
    for i in range(2):
        plain = reverse_field(layout, field, i)
        found = reverse_field(layout, field, i, armature_field=wave, current=30.0)
        r = np.hypot(found.inside.x, found.inside.y)
        exact = 30 * 2e-3 * (0.041 / r) ** 11 / MU0
        np.testing.assert_allclose(found.current[..., 0], exact, rtol=1e-5)  # eight radii
        np.testing.assert_allclose(found.magnets, plain.magnets, rtol=1e-12)
        assert not plain.current.any()


@pytest.mark.parametrize(
    ("slots", "pole_pairs", "layers"), [(24, 10, 2), (24, 10, 1), (12, 5, 2), (9, 4, 2)]
)
def test_independent_worst_of_the_winding(slots: int, pole_pairs: int, layers: int) -> None:
    """All round the stator, step by step of current, against one period and two angles."""
    study = make_study(
        kind="slotted", pole_pairs=pole_pairs,
        values={"stator.slots": slots, "winding.layers": layers, "stator.tooth_width_mm": 2.0},
    )  # fmt: skip
    layout, field = solved(study)
    winding = armature(layout, field).field_at
    for i in range(2):
        found = reverse_field(layout, field, i, armature_field=winding, current=1.0)
        for at in ((0, 0), (12, 16)):
            x, y = found.inside.x[at], found.inside.y[at]
            turn = np.arctan2(y, x)
            angle = np.linspace(0, 2 * np.pi, 60 * slots, endpoint=False)
            own = found.inside.direction - turn
            worst = 0.0
            for phase in np.linspace(0, np.pi, 20, endpoint=False):  # then with the other sign
                radial, tangential = winding(np.hypot(x, y), angle, np.array(phase))
                along = radial * np.cos(own) + tangential * np.sin(own)
                worst = max(worst, float(np.abs(along).max()))
            # Steps of 9 degrees in current lose up to 0.3 %, positions up to 1 %.
            np.testing.assert_allclose(found.current[at][0] * MU0, worst, rtol=1.2e-2)


def test_exact_current_of_a_delta() -> None:
    star, delta = (
        demagnetisation(driven(**{"winding.connection": kind}), temperature_c=60)
        for kind in ("star", "delta")
    )
    assert star.current == 40
    assert delta.current == pytest.approx(40 / 3**0.5)


# Judging a study


def test_share_grows_with_temperature_and_current() -> None:
    def share(temperature: float, current: float) -> float:
        study = driven(**{"drive.peak_current_a": current, "rotor.grade": "N42H"})
        return demagnetisation(study, temperature_c=temperature).share

    warmer = [share(t, 40.0) for t in (60.0, 90.0, 105.0, 120.0, 140.0)]
    assert warmer[0] < 0.01
    assert warmer[-1] > 0.2
    assert (np.diff(warmer[1:]) > 0).all()
    assert share(105.0, 5.0) < share(105.0, 40.0) < share(105.0, 80.0)


def test_exact_without_a_drive_no_current() -> None:
    found = demagnetisation(make_study(values={"drive": None}), temperature_c=20)
    assert found.current == 0
    assert [family.name for family in found.families] == ["main", "transverse"]


def test_exact_share_is_weighted_by_volume() -> None:
    found = demagnetisation(driven(**{"rotor.grade": "N42H"}), temperature_c=110)
    main, transverse = found.families
    assert main.share != transverse.share
    for family, table in ((main, "main"), (transverse, "transverse")):
        magnet = getattr(driven().rotor, table)
        one = magnet.width_mm * magnet.thickness_mm * 12e-9
        np.testing.assert_allclose(family.volume, 20 * one, rtol=1e-12)
    total = main.volume + transverse.volume
    expected = (main.share * main.volume + transverse.share * transverse.volume) / total
    assert found.share == pytest.approx(expected)


def test_exact_limit_is_the_grades() -> None:
    """N42SH at 120 C: 0.9 of 1592 kA/m less 54 %."""
    found = demagnetisation(make_study(), temperature_c=120)
    assert found.families[0].limit == pytest.approx(0.9 * 1592e3 * (1 - 100 * 0.0054))
    assert found.families[0].temperature_c == 120


def test_exact_reverse_field_of_the_same_grade_goes_as_the_remanence() -> None:
    study = make_study(values={"drive": None})
    cold, hot = (demagnetisation(study, temperature_c=t) for t in (20.0, 120.0))
    ratio = magnet_grade("N42SH").remanence_at(120) / magnet_grade("N42SH").remanence_at(20)
    for a, b in zip(cold.families, hot.families, strict=True):
        np.testing.assert_allclose(b.percentiles, np.array(a.percentiles) * ratio, rtol=1e-9)


def test_hotter_than_a_study_may_say() -> None:
    assert demagnetisation(make_study(), temperature_c=240).share == 1


def test_exact_ferrite_is_judged_in_the_cold() -> None:
    """Its coercivity falls in the cold by 0.3 %/K while its remanence grows."""
    study = make_study(values={"rotor.grade": "ferrite-Y30", "heat": None})
    hot, both = (demagnetisation(study, temperature_c=80, coldest_c=t) for t in (None, -20.0))
    assert {family.temperature_c for family in hot.families} == {80}
    assert {family.temperature_c for family in both.families} == {-20}
    limit = 0.9 * 180e3 * (1 - 40 * 0.003)
    assert both.families[0].limit == pytest.approx(limit)
    assert both.share > hot.share


def test_exact_neodymium_is_not_judged_in_the_cold() -> None:
    found = demagnetisation(make_study(), temperature_c=80, coldest_c=-20)
    assert {family.temperature_c for family in found.families} == {80}


# The grade that would do


def enough(limit_ka: float, temperature: float = 20.0, grade: str = "N42", **values: object) -> str:
    """Weakest grade of a class for magnets that all see one reverse field [kA/m]."""
    study = make_study(values={"rotor.magnet_temperature_c": temperature, **values})
    return str(weakest_enough(study, study.magnet_grade(grade), graded(0.0, limit_ka * 1e3)))


@pytest.mark.parametrize(
    ("field", "expected"),
    [(850, "N42"), (870, "N42M"), (1200, "N42H"), (1400, "N42SH"), (1700, "N42UH"), (1800, "None")],
)
def test_exact_weakest_grade(field: float, expected: str) -> None:
    """Limits at 20 C are 0.9 of 955, 1114, 1353, 1592 and 1990 kA/m."""
    assert enough(field) == expected
    assert enough(field, grade="N42UH") == expected


def test_exact_weakest_grade_in_the_heat() -> None:
    """At 100 C: 412, 505, 653, 814 and 1075 kA/m; remanence differs by 1 %."""
    assert [enough(h, temperature=100) for h in (408, 495, 640, 800, 1040)] == [
        "N42", "N42M", "N42H", "N42SH", "N42UH",
    ]  # fmt: skip


def test_exact_grade_of_ones_own_joins_its_class() -> None:
    own = {
        "materials.magnets.shop.like": "N42",
        "materials.magnets.shop.coercivity_min_ka_m": 1050.0,
    }
    assert enough(900, **own) == "shop"
    assert enough(850, grade="shop", **own) == "N42"
    assert enough(100, grade="bonded-10") == "bonded-10"


def test_exact_share_allowed_decides() -> None:
    """Of an even slope 10 % lie beyond 860 kA/m, the limit of N42."""
    field = graded(100e3, 769.5e3)
    for percent, expected in ((12.0, "N42"), (8.0, "N42M")):
        study = make_study(values={"limits.demagnetised_percent": percent})
        assert weakest_enough(study, study.magnet_grade("N42M"), field) == expected


def test_weaker_grade_is_reported_of_a_study() -> None:
    found = demagnetisation(driven(**{"rotor.grade": "N42UH"}), temperature_c=40)
    assert found.share == 0
    for family in found.families:
        assert family.enough in {"N42", "N42M"}
        same = demagnetisation(driven(**{"rotor.grade": family.enough}), temperature_c=40)
        again = next(f for f in same.families if f.name == family.name)
        assert again.share <= 0.01
        assert again.enough == family.enough


# The map


@pytest.fixture(scope="module", params=["outer", "inner"])
def judged(request: pytest.FixtureRequest) -> tuple[Study, Demagnetisation]:
    shape = "block" if request.param == "outer" else "arc"
    study = make_study(position=request.param, shape=shape, kind="slotted", values={
        "drive.voltage_v": 24.0, "drive.peak_current_a": 40.0, "rotor.grade": "N42H",
    })  # fmt: skip
    return study, demagnetisation(study, temperature_c=105)


def test_map_says_what_it_shows(judged: tuple[Study, Demagnetisation]) -> None:
    study, found = judged
    drawing = demagnetisation_map(study, found)
    texts = [text.get_text() for ax in drawing.axes for text in ax.texts]
    assert texts.count("back") == texts.count("airgap side") == 4
    told = typeset_apart("\n".join(texts))
    for family in found.families:
        assert f"{family.name}, N42H" in told
        assert f"beyond: {100 * family.share:.1f} %" in told
        assert f"limit {family.limit / 1e3:.0f} kA/m" in told
    assert "105 °C" in told
    titles = [ax.get_title() for ax in drawing.axes if ax.get_title()]
    assert titles == ["middle of the length", "end of the magnet"]
    title = typeset_apart(drawing.get_suptitle())
    assert "40 A" in title


def typeset_apart(text: str) -> str:
    """Text with plain spaces where the picture keeps words together."""
    return text.replace("\u00a0", " ")


def test_limit_is_told_without_colour(judged: tuple[Study, Demagnetisation]) -> None:
    """White dashes over black, with its number beside the line and at the bar of colours."""
    study, found = judged
    drawing = demagnetisation_map(study, found)
    limits = {f.name: f"limit {f.limit / 1e3:.0f}" for f in found.families}
    reached = [
        f.name for f in found.families for plane in (f.middle, f.end)
        if plane.min() < f.limit < plane.max()
    ]  # fmt: skip
    assert reached
    *planes, bar = drawing.axes
    named = [text.get_text() for ax in planes for text in ax.texts if hasattr(text, "xy")]
    for name in set(reached):
        assert named.count(limits[name]) >= reached.count(name) > 0
    assert set(limits.values()) == {text.get_text() for text in bar.texts}
    marks = {line.get_color(): line.get_linestyle() for line in bar.lines}
    assert marks["white"] == "--"
    assert len(marks) == 2
    assert "dashes" in drawing.get_suptitle()


def test_numbers_of_contours_stand_apart(judged: tuple[Study, Demagnetisation]) -> None:
    study, found = judged
    drawing = demagnetisation_map(study, found)
    drawing.draw_without_rendering()
    for ax in drawing.axes[:-1]:
        numbers = [text for text in ax.texts if text.get_fontsize() < 7]
        boxes = [text.get_window_extent() for text in numbers]
        for i, one in enumerate(boxes):
            assert ax.patches[0].get_window_extent().containsx(one.x0 + one.width / 2)
            assert not any(one.overlaps(other) for other in boxes[:i])


def test_map_back_is_away_from_the_stator(judged: tuple[Study, Demagnetisation]) -> None:
    study, found = judged
    drawing = demagnetisation_map(study, found)
    for ax in drawing.axes:
        heights = {text.get_text(): text.xy[1] for text in ax.texts if hasattr(text, "xy")}
        if "back" in heights:
            outer = study.rotor.position == "outer"
            assert (heights["back"] > heights["airgap side"]) == outer


def test_map_is_the_same_twice(judged: tuple[Study, Demagnetisation], tmp_path: Path) -> None:
    study, found = judged
    ending = "png" if study.rotor.position == "outer" else "svg"
    first, second = (
        save(tmp_path / f"{name}.{ending}", demagnetisation_map(study, found)).read_bytes()
        for name in "ab"
    )
    assert len(first) > 10_000
    assert first == second


def test_exact_reverse_field_is_the_field_inside_turned_round() -> None:
    study = driven()
    layout, field = solved(study)
    found = reverse_field(layout, field, 0)
    inside = field_inside(layout, field, 0)
    np.testing.assert_allclose(found.magnets * 4e-7 * np.pi, -inside.along, rtol=1e-12)
    assert (found.current == 0).all()
