"""Flux density in the middle plane: against the kernel's harmonics, and with the iron's rules."""

import numpy as np
import pytest
from makers import make_study, unit_magnets
from matplotlib.collections import QuadMesh
from matplotlib.patches import Polygon

from arrayopt.export.flux_picture import _QUARTER, _computed, _field, _flux, flux_picture
from arrayopt.export.pictures import save
from arrayopt.field import solve_field
from arrayopt.field.plane import field_in_plane
from arrayopt.layout import build_layout

ORDERS = np.arange(1, 16)


def solved(**more):
    layout = unit_magnets(build_layout(make_study(pole_pairs=6, **more)))
    return layout, solve_field(layout, orders=ORDERS)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("shape", ["block", "arc"])
@pytest.mark.parametrize("ring", [0.0, 2.0])
def test_independent_harmonics_of_long_magnets(position, shape, ring):
    """Charged sheets point by point, or the kernel's panels and reflections; 300 mm is long."""
    layout, field = solved(
        position=position, shape=shape, length=300.0, stack=300.0,
        values={"rotor.steel_ring_mm": ring},
    )  # fmt: skip
    angles = 2 * np.pi / 6 * np.arange(96) / 96
    surface = layout.surface_radius * (1 + (1e-5 if position == "outer" else -1e-5))
    B = field_in_plane(layout, field, radii=surface, angles=angles)[:, 0]
    first = 2 * (B[0] * np.cos(6 * angles)).mean()
    # Images are bent chords; between two irons a thousandth of each is left out.
    assert first == pytest.approx(field.surface[0, 0], rel=1e-2 if ring else 4e-3)
    # Iron of infinite permeability has no field along it.
    assert np.abs(B[1]).max() < 0.02 * np.abs(B[0]).max()


@pytest.mark.parametrize("count", [2, 3, 4, 8])
def test_exact_polarisation_inside_the_magnets(count):
    """Across a magnet's face the normal flux density goes on, J makes up for H."""
    layout, field = solved(magnets_per_pole_pair=count, kind="ironless", fill=0.6)
    face = float(layout.shapes[0].lo[0])
    radii = face + np.array([-1e-6, 1e-6])
    B = field_in_plane(layout, field, radii=radii, angles=np.array([0.0]))
    assert B[0, 0, 0] == pytest.approx(B[0, 1, 0], rel=1e-3)
    middle = field_in_plane(layout, field, radii=np.array([face + 1.5e-3]), angles=np.zeros(1))
    assert middle[0, 0, 0] > 0.1  # polarised outwards


@pytest.mark.parametrize("count", [3, 4])
@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_symmetry_of_the_picture(count, position):
    """The half pole that is computed gives the field of both, point by point."""
    layout, field = solved(magnets_per_pole_pair=count, position=position)
    step = np.pi / (2 * 6 * _QUARTER)
    places = _QUARTER * np.array([-58, -40, -31, -20, -5, 0, 5, 13, 20, 30, 40, 50, 58]) // 20
    radii = layout.surface_radius + np.array([0.3e-3, -0.3e-3][position == "inner"])
    found = _field(layout, _computed(layout, field, radii, step), places)
    direct = field_in_plane(layout, field, radii=radii, angles=places * step)
    np.testing.assert_allclose(found, direct, atol=2e-3)  # the ring is seen from one magnet


@pytest.mark.parametrize(
    "more",
    [{}, {"position": "inner"}, {"shape": "arc"}, {"magnets_per_pole_pair": 3},
     {"magnets_per_pole_pair": 8, "kind": "ironless"}],
)  # fmt: skip
def test_independent_flux_by_many_points(more):
    """Lines of flux from the flux density at fifty times as many points along each circle.

    atol: lines are drawn at steps of 0.125 of the most; a plain sum over the same points is 0.026
    to 0.06 off beside blocks, which shows as kinks.
    """
    layout, field = solved(**more)
    step = np.pi / (2 * 6 * _QUARTER)
    lo, hi = float(layout.inner_radius[0]), float(layout.outer_radius[0])
    # Through magnets, and through the flat faces of blocks near their corners.
    radii = lo + (hi - lo) * np.array([0.02, 0.1, 0.5, 0.9, 0.97])
    count = (1 if layout.magnets_per_pole_pair % 2 == 0 else 2) * _QUARTER
    many = np.arange(50 * count + 1) * step / 50
    B = field_in_plane(layout, field, radii=radii, angles=many)[0]
    along = (B[:, 1:] + B[:, :-1]) / 2 * radii[:, None] * step / 50
    expected = np.hstack([np.zeros((len(radii), 1)), along.cumsum(axis=1)])[:, ::50]
    known = _computed(layout, field, radii, step)
    found = _flux(layout, field, known[0], radii=radii, places=np.arange(count + 1), step=step)
    np.testing.assert_allclose(found, expected, atol=0.015 * np.abs(expected).max())


def test_independent_flux_of_long_magnets_is_the_same_along_a_radius():
    """Without ends no flux is lost: what crosses a radius is what the circles differ by."""
    layout, field = solved(length=300.0, stack=300.0)
    step = np.pi / (2 * 6 * _QUARTER)
    radii = np.linspace(float(layout.surface_radius[0]) * (1 + 1e-4), 47e-3, 400)
    for place in (10, _QUARTER // 2 + 3):
        known = _computed(layout, field, radii[[0, -1]], step)
        near, far = _flux(
            layout, field, known[0], radii=radii[[0, -1]], places=np.array([place]), step=step
        )[:, 0]
        across = field_in_plane(layout, field, radii=radii, angles=np.array([place * step]))[
            1, :, 0
        ]
        through = float(np.sum((across[1:] + across[:-1]) / 2 * np.diff(radii)))
        # rtol: images of long flat sides are bent chords
        assert far - near == pytest.approx(-through, rel=2e-2)


@pytest.mark.parametrize("count", [2, 3, 4, 8])
@pytest.mark.parametrize("position", ["outer", "inner"])
def test_exact_picture_of_two_poles(count, position):
    """One pole pair from edge to edge, every one of its magnets whole."""
    study = make_study(pole_pairs=6, magnets_per_pole_pair=count, position=position, kind="slotted")
    ax = flux_picture(study).axes[0]
    (mesh,) = (drawn for drawn in ax.collections if isinstance(drawn, QuadMesh))
    at = mesh.get_coordinates() @ (1, 1j)
    assert np.angle(at[0, -1] / at[0, 0]) == pytest.approx(2 * np.pi / 6)
    assert at[0].sum().real == pytest.approx(0, abs=1e-9)  # upright
    ends = np.sort(np.angle(at[0, [0, -1]]))
    magnets = [patch.get_xy() @ (1, 1j) for patch in ax.patches if isinstance(patch, Polygon)]
    assert len(magnets) == count
    for corners in magnets:
        assert ends[0] < np.angle(corners).min()
        assert np.angle(corners).max() < ends[1]
    assert ax.get_title().startswith("Two poles")


@pytest.mark.parametrize(
    "more",
    [
        {}, {"position": "inner"}, {"magnets_per_pole_pair": 3}, {"shape": "arc"},
        {"kind": "ironless"}, {"values": {"rotor.steel_ring_mm": 2.0}},
        {"pole_pairs": 1, "diameter": 30.0},
    ],
)  # fmt: skip
def test_picture_of_every_kind(tmp_path, more):
    more = {"pole_pairs": 4, "diameter": 40.0, **more}
    drawing = flux_picture(make_study(**more))
    assert len(drawing.axes) == 2
    assert save(tmp_path / "flux.png", drawing).stat().st_size > 5_000
