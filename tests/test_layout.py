"""Families, placement, walls, fit and masses against geometry by hand and by polygons."""

from __future__ import annotations

import re

import numpy as np
import pytest
import shapely
import shapely.affinity
from makers import make_study

from arrayopt.layout import (
    build_layout,
    fit_faults,
    magnet_families,
    missing_room,
    missing_wall,
    printed_walls,
    rotor_masses,
)
from arrayopt.materials import magnet_grade, plastic
from arrayopt.study import Study

ROUNDING = 1e-12


# Exact: position, magnets per pole pair -> places of each family and its piece angle.
@pytest.mark.parametrize(
    ("M", "families"),
    [
        (2, {"main": ((0, 1), 0)}),
        (3, {"main": ((0,), 0), "oblique": ((1, 2), 60)}),
        (4, {"main": ((0, 2), 0), "transverse": ((1, 3), 90)}),
        (6, {"main": ((0, 3), 0), "oblique": ((1, 2, 4, 5), 60)}),
        (
            8,
            {
                "main": ((0, 4), 0),
                "transverse": ((2, 6), 90),
                "oblique": ((1, 3, 5, 7), 45),
            },
        ),
        (
            12,
            {
                "main": ((0, 6), 0),
                "transverse": ((3, 9), 90),
                "oblique 30": ((1, 5, 7, 11), 30),
                "oblique 60": ((2, 4, 8, 10), 60),
            },
        ),
    ],
)
def test_exact_families(M: int, families: dict[str, tuple[tuple[int, ...], float]]) -> None:
    for outer, sense in ((True, 1), (False, -1)):
        found = magnet_families(M, outer=outer)
        assert {f.name: f.places for f in found} == {k: v[0] for k, v in families.items()}
        for family in found:
            np.testing.assert_allclose(
                np.degrees(family.piece_angle), families[family.name][1], rtol=ROUNDING
            )
            # Polarisation turns with the array: 1 + p or 1 - p turns a turn of the ring.
            np.testing.assert_allclose(
                family.directions, sense * 2 * np.pi * np.array(family.places) / M, rtol=ROUNDING
            )
            assert family.table == family.name.split()[0]


@pytest.mark.parametrize(("flush", "share"), [("gap", 0), ("centre", 0.5), ("back", 1)])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_flush(position: str, shape: str, flush: str, share: float) -> None:
    """Main magnets of 4 mm fill the band; transverse ones of 2.5 mm sit where flush says."""
    study = make_study(
        position=position, shape=shape, thickness=4.0, fill={"main": 0.8, "transverse": 0.3},
        values={"rotor.transverse.thickness_mm": 2.5, "rotor.transverse.flush": flush},
    )  # fmt: skip
    main, small = build_layout(study).shapes
    # Front of each family when flush with the gap; corners of blocks lead on an inner rotor.
    fronts = [42.0, 42.0] if position == "outer" else [40.0, 40.0]
    if position == "inner" and shape == "block":
        fronts = [np.sqrt(40.0**2 - float(s.width[0]) ** 2 * 1e6 / 4) for s in (main, small)]
    sign = 1 if position == "outer" else -1
    back = max(sign * fronts[0] + 4, sign * fronts[1] + 2.5)
    slack = back - sign * fronts[1] - 2.5
    faces = sorted([fronts[1] + sign * share * slack, fronts[1] + sign * (share * slack + 2.5)])
    np.testing.assert_allclose([small.lo[0] * 1e3, small.hi[0] * 1e3], faces, rtol=ROUNDING)
    np.testing.assert_allclose(
        sorted([main.lo[0] * 1e3, main.hi[0] * 1e3]),
        sorted([fronts[0], fronts[0] + sign * 4]),
        rtol=ROUNDING,
    )


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("M", [2, 4])
def test_exact_airgap_is_kept(position: str, M: int) -> None:
    """The nearest point of any magnet is one airgap from the stator."""
    layout = build_layout(make_study(position=position, magnets_per_pole_pair=M, airgap=1.3))
    near = layout.inner_radius if position == "outer" else layout.outer_radius
    np.testing.assert_allclose(abs(near - 41e-3), 1.3e-3, rtol=1e-9)


@pytest.mark.parametrize("clearance", [0.0, 0.15])
@pytest.mark.parametrize("wide", [4.0, 5.0])
def test_exact_wall_of_two_boxes(wide: float, clearance: float) -> None:
    """Outer rotor: from inner corner to inner corner, each one short of the other's side."""
    study = make_study(
        pole_pairs=10,
        values={
            "rotor.main.width_mm": wide,
            "rotor.transverse.width_mm": 2.0,
            "rotor.clearance_mm": clearance,
        },
    )
    walls = printed_walls(build_layout(study))
    pitch = 2 * np.pi / 40
    main = complex(42.0 - clearance, wide / 2 + clearance)
    transverse = complex(42.0 - clearance, -1.0 - clearance) * np.exp(1j * pitch)
    expected = abs(main - transverse)
    assert walls.pairs == ((0, 1, 1),)
    np.testing.assert_allclose(walls.thickness * 1e3, expected, rtol=1e-9)


def test_exact_wall_of_two_arcs() -> None:
    """Radial sides part by the chord at the inner radius."""
    study = make_study(shape="arc", fill=0.75)
    wall = printed_walls(build_layout(study)).thickness
    between = 2 * np.pi / 40 * 0.25
    np.testing.assert_allclose(wall * 1e3, 84.0 * np.sin(between / 2), rtol=1e-9)


def test_exact_overlap_is_negative() -> None:
    """Overlapping area over depth: arcs of 1.2 pitches share 0.2 pitches."""
    study = make_study(shape="arc", fill=1.2)
    wall = printed_walls(build_layout(study)).thickness
    shared = 0.2 * 2 * np.pi / 40 * (45.0**2 - 42.0**2) / 2
    np.testing.assert_allclose(wall * 1e3, -shared / 3.0, rtol=1e-3)  # chords of the polygon


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize(("M", "fill"), [(2, 0.99), (4, 0.97), (4, 1.3), (3, 1.02), (12, 1.0)])
def test_fault_offers_what_really_fits(position: str, shape: str, M: int, fill: float) -> None:
    study = make_study(
        position=position, shape=shape, magnets_per_pole_pair=M, pole_pairs=6, fill=fill,
        values={"rotor.wall_mm": 0.8},
    )  # fmt: skip
    faults = fit_faults(study)
    assert faults
    for fault in faults:
        assert re.search(r"narrow them by \d+\.\d\d mm each to leave rotor.wall_mm = 0.8", fault)
        assert ("their pockets overlap" in fault) == ("the wall is" not in fault)
        offers = fault.split(": ")[-1].removesuffix(" would fit").split(" or ")
        assert len(set(offers)) == len(offers)
        names = re.match(r"rotor: (.*?) magnets stand", fault).group(1)
        for key, value in re.findall(r"(rotor\.\w+\.\w+) = ([\d.]+)(?= )", fault.split(": ")[-1]):
            changed = study.with_values({key: float(value)})
            left = [f for f in fit_faults(changed) if f.startswith(f"rotor: {names} magnets")]
            assert left == []
            # Not stingy either: 2 % more does not fit.
            more = study.with_values({key: float(value) * 1.02})
            assert any(f.startswith(f"rotor: {names} magnets") for f in fit_faults(more))


@pytest.mark.parametrize("M", [2, 4, 12])
def test_exact_missing_wall(M: int) -> None:
    """Arcs of 0.9 pitches: wanted wall less the chord, told as width at mid-thickness."""
    study = make_study(
        shape="arc", fill=0.9, pole_pairs=30 // M, magnets_per_pole_pair=M,
        values={"rotor.wall_mm": 2.0},
    )  # fmt: skip
    pitch = 2 * np.pi / (30 // M * M)
    wall = 84.0 * np.sin(0.1 * pitch / 2)
    np.testing.assert_allclose(missing_wall(build_layout(study)) * 1e3, 2 - wall, rtol=1e-9)
    span = pitch - 2 * np.arcsin(2.0 / 84.0)  # at which the chord is 2 mm
    short = (0.9 * pitch - span) * 43.5
    for fault in fit_faults(study):
        told = float(re.search(r"narrow them by ([\d.]+) mm", fault).group(1))
        np.testing.assert_allclose(told, short, atol=0.006)  # two decimals


def test_main_magnets_that_meet_past_a_small_transverse_one_are_told() -> None:
    """Main blocks reach each other at the gap; the transverse one stands free behind."""
    study = make_study(
        values={
            "rotor.main.width_mm": 13.6,
            "rotor.main.thickness_mm": 6.0,
            "rotor.transverse.width_mm": 0.4,
            "rotor.transverse.thickness_mm": 0.4,
            "rotor.transverse.flush": "back",
        }
    )
    # Exact: the sides of the main blocks meet halfway between them at this distance.
    assert 13.6 / 2 / np.tan(np.pi / 20) > 42.0
    assert fit_faults(study)


def test_too_many_magnets_are_told() -> None:
    study = make_study(
        pole_pairs=120, magnets_per_pole_pair=12, diameter=20.0, thickness=1.0, fill=10.0,
        values={"rotor.wall_mm": 1.0},
    )  # fmt: skip
    remedy = "use fewer pole pairs or fewer magnets per pole pair"
    assert all(fault.endswith(remedy) for fault in fit_faults(study))


def test_no_room_at_the_shaft_is_told() -> None:
    study = make_study(position="inner", diameter=20.0, thickness=5.0, pole_pairs=4, shape="arc")
    assert missing_room(build_layout(study))[0] < 0
    thick = study.with_values({"rotor.steel_ring_mm": 4.5})
    np.testing.assert_allclose(missing_room(build_layout(thick)), 0.5e-3, rtol=1e-9)
    (fault,) = fit_faults(thick)
    assert "0.50 mm beyond the shaft centre" in fault


def built(position: str, shape: str, M: int = 4, **values: float) -> Study:
    """Study with walls, clearance, skin, backing and floor of sizes of their own."""
    sizes = {"rotor.clearance_mm": 0.1, "carrier.backing_mm": 1.7, "carrier.skin_mm": 0.3,
             "carrier.floor_mm": 2.2, "carrier.other_mass_g": 31.0,
             "carrier.corner_relief_mm": 0}  # fmt: skip
    return make_study(
        position=position, shape=shape, magnets_per_pole_pair=M, fill=0.6,
        values=sizes | {f"rotor.{k}": v for k, v in values.items()},
    )  # fmt: skip


def moments(polygon: shapely.Geometry) -> tuple[float, float]:
    """Area and polar second moment about the origin by the shoelace rule."""
    area = second = 0.0
    for part in shapely.get_parts(polygon):
        for ring, sign in [(part.exterior, 1), *((hole, -1) for hole in part.interiors)]:
            x, y = np.array(ring.coords).T
            cross = x[:-1] * y[1:] - x[1:] * y[:-1]
            squares = sum(c[:-1] ** 2 + c[:-1] * c[1:] + c[1:] ** 2 for c in (x, y))
            turn = sign * np.sign(cross.sum())
            area += turn * cross.sum() / 2
            second += turn * (cross * squares).sum() / 12
    return area, second


def disc(radius: float) -> shapely.Geometry:
    return shapely.Point(0, 0).buffer(radius, quad_segs=2000)


def pockets(study: Study, grown: float) -> shapely.Geometry:
    """All pockets of a rotor as one figure [mm], from study values alone."""
    rotor, M, p = study.rotor, study.rotor.magnets_per_pole_pair, study.rotor.pole_pairs
    figures = []
    for k in range(p * M):
        magnet = rotor.main if 2 * k % M == 0 else rotor.transverse
        t = magnet.thickness_mm
        if magnet.shape == "arc":
            lo = 42.0 if rotor.position == "outer" else 40.0 - t
            turn = np.radians(magnet.span_deg) * np.linspace(-0.5, 0.5, 65)
            spin = np.exp(1j * np.concatenate([turn, turn[::-1]]))
            z = np.repeat([lo + t, lo], 65) * spin
            figure = shapely.Polygon(np.stack([z.real, z.imag], axis=1))
            figure = figure.buffer(grown, join_style="mitre")
        else:
            w = magnet.width_mm
            lo = 42.0 if rotor.position == "outer" else np.sqrt(1600 - w**2 / 4) - t
            ends = [lo - grown, lo + t + grown]
            if grown and rotor.steel_ring_mm:  # the sliver before the steel is not printed
                ends[rotor.position == "outer"] += 2.0 if rotor.position == "outer" else -2.0
            figure = shapely.box(ends[0], -w / 2 - grown, ends[1], w / 2 + grown)
        figures.append(shapely.affinity.rotate(figure, 360 * k / (p * M), origin=(0, 0)))
    return shapely.union_all(figures)


@pytest.mark.parametrize("steel", [0.0, 1.5])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize("position", ["outer", "inner"])
def test_independent_masses_and_inertia(position: str, shape: str, steel: float) -> None:
    """Whole cross-sections cut out by polygons; lengths in mm, masses in g."""
    study = built(position, shape, steel_ring_mm=steel)
    got = rotor_masses(build_layout(study))
    outer, sign = position == "outer", 1 if position == "outer" else -1
    magnets, holes = pockets(study, 0.0), pockets(study, 0.1)
    shaft = shapely.Point(0, 0)
    edge = shapely.hausdorff_distance(magnets, shaft) if outer else magnets.distance(shaft)
    edge += sign * 0.1
    gap_side, back = 42.0 - 0.3 if outer else 40.0 + 0.3, edge + sign * (0 if steel else 1.7)
    far, near = max(gap_side, back), min(gap_side, back)
    ring = disc(far) - disc(near)
    under = disc(max(far, back + sign * steel)) - disc(min(near, back + sign * steel))
    solid, floor = moments(ring - holes), moments(under)
    density = {"magnet": magnet_grade("N42SH").density, "print": plastic("PETG").density}
    magnet_area, magnet_second = moments(magnets)
    np.testing.assert_allclose(
        got.magnets, density["magnet"] * magnet_area * 12 * 1e-9, rtol=2e-4
    )  # chords
    carrier = density["print"] * (solid[0] * 12 + floor[0] * 2.2) * 1e-9
    np.testing.assert_allclose(got.carrier, carrier, rtol=5e-4)  # slivers and chords
    limits = sorted([edge, edge + sign * steel])
    steel_mass = 7850 * np.pi * (limits[1] ** 2 - limits[0] ** 2) * 12e-9
    np.testing.assert_allclose(got.ring, steel_mass, rtol=1e-4, atol=1e-12)  # chords
    inertia = density["magnet"] * magnet_second * 12e-15
    inertia += density["print"] * (solid[1] * 12 + floor[1] * 2.2) * 1e-15
    inertia += steel_mass * (limits[0] ** 2 + limits[1] ** 2) / 2 * 1e-6
    # Cut pockets are taken to keep their radius of gyration.
    np.testing.assert_allclose(got.inertia, inertia, rtol=5e-4)
    np.testing.assert_allclose(got.other, 31e-3, rtol=ROUNDING)
    np.testing.assert_allclose(
        got.rotor, got.magnets + got.carrier + got.ring + got.other, rtol=ROUNDING
    )
    bound = max(far, edge + steel) if outer else 40.3
    np.testing.assert_allclose(got.outermost_radius * 1e3, bound, rtol=1e-6)  # chords


def test_exact_magnet_mass_by_hand() -> None:
    """40 pieces of 5 x 3 x 12 mm and 40 of 2 x 3 x 12 mm of 7500 kg/m3."""
    study = make_study(
        pole_pairs=20, values={"rotor.main.width_mm": 5.0, "rotor.transverse.width_mm": 2.0}
    )
    grams = 40 * (5 + 2) * 3 * 12 * 7.5e-3
    np.testing.assert_allclose(rotor_masses(build_layout(study)).magnets * 1e3, grams, rtol=1e-9)


def test_exact_bounding_radius_counts_corners() -> None:
    study = make_study(fill=0.9, values={"carrier.backing_mm": 1.5, "rotor.clearance_mm": 0.2})
    corner = np.hypot(45.0, study.rotor.main.width_mm / 2)
    got = rotor_masses(build_layout(study)).outermost_radius
    np.testing.assert_allclose(got * 1e3, corner + 0.2 + 1.5, rtol=1e-9)
