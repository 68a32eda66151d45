"""The batched kernel against every magnet summed at every point (independent)."""

from __future__ import annotations

import numpy as np
import pytest
from free_rings import free_fundamental
from makers import make_study, unit_magnets
from whole_array import stack_mean_fundamental, whole_array

from arrayopt.field import solve_field
from arrayopt.layout import build_layout, build_layouts
from arrayopt.materials import magnet_grade
from arrayopt.study import Study

# Both routes sample: the kernel's circle lets aliases of exp(-7) = 0.0009 through by design.
RTOL = 1e-3


def fast(study: Study) -> float:
    unit = free_fundamental(build_layout(study)).sum()
    return abs(float(unit)) * magnet_grade(study.rotor.grade).remanence


def slow(study: Study, *, planes: int = 10, all_round: bool = False) -> float:
    p = study.rotor.pole_pairs
    # A gap of 1 mm at 41 mm needs some 800 samples round the circle, however few pole pairs.
    samples = max(64, 800 // p)
    turns = p if all_round else 1
    wave = stack_mean_fundamental(
        study, samples_per_pole_pair=samples, planes=planes, pole_pairs=turns
    )
    return abs(wave)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize("M", [2, 3, 4, 6, 8])
@pytest.mark.parametrize("p", [4, 10, 20, 30])
def test_independent_blocks(position: str, M: int, p: int) -> None:
    thickness = 3.0 if p < 30 else 2.0
    study = make_study(
        position=position, pole_pairs=p, magnets_per_pole_pair=M, thickness=thickness, fill=0.8
    )
    np.testing.assert_allclose(fast(study), slow(study), rtol=RTOL)


# magpylib's ring segments take long: either position of every layout, both of the usual one.
@pytest.mark.parametrize(
    ("position", "M", "p"),
    [("outer", 2, 4), ("inner", 3, 10), ("outer", 4, 20), ("inner", 4, 20), ("inner", 4, 4),
     ("outer", 6, 10), ("inner", 8, 4), ("outer", 2, 30)],
)  # fmt: skip
def test_independent_arcs(position: str, M: int, p: int) -> None:
    study = make_study(position=position, pole_pairs=p, magnets_per_pole_pair=M, shape="arc")
    np.testing.assert_allclose(fast(study), slow(study, planes=6), rtol=RTOL)


@pytest.mark.parametrize("position", ["outer", "inner"])
@pytest.mark.parametrize(("length", "stack"), [(8.0, 12.0), (16.0, 12.0), (12.0, 40.0), (40.0, 5)])
@pytest.mark.parametrize("M", [2, 4])
def test_independent_overhang(position: str, length: float, stack: float, M: int) -> None:
    study = make_study(
        position=position, magnets_per_pole_pair=M, length=length, stack=stack, pole_pairs=14
    )
    # Planes of the slow route do not know where the magnets end: take plenty.
    np.testing.assert_allclose(fast(study), slow(study, planes=24), rtol=RTOL)


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_independent_sizes_of_their_own(position: str) -> None:
    """Main and transverse blocks of unlike widths and thicknesses, wider gap."""
    study = make_study(
        position=position, pole_pairs=7, airgap=2.5, fill={"main": 0.9, "transverse": 0.5},
        thickness=5.0, diameter=60.0,
        values={"rotor.transverse.thickness_mm": 2.5},
    )  # fmt: skip
    np.testing.assert_allclose(fast(study), slow(study), rtol=RTOL)


def test_independent_all_round() -> None:
    """The slow route over the whole circle, without the help of symmetry."""
    study = make_study(pole_pairs=7, magnets_per_pole_pair=3)
    np.testing.assert_allclose(fast(study), slow(study, all_round=True), rtol=RTOL)


def test_exact_batch_is_what_its_members_are() -> None:
    """Designs of one make do not touch each other, whatever their sampling."""
    studies = [
        make_study(pole_pairs=p, airgap=gap, diameter=d, length=length)
        for p, gap, d, length in [(4, 1.0, 82.0, 12.0), (20, 0.6, 60.0, 20.0), (9, 3.0, 40.0, 5.0)]
    ]
    together = free_fundamental(build_layouts(studies))
    alone = np.hstack([free_fundamental(build_layout(study)) for study in studies])
    np.testing.assert_allclose(together, alone, rtol=1e-12)  # rounding only


@pytest.mark.parametrize("shape", ["block", "arc"])
def test_exact_scaling(shape: str) -> None:
    """Flux density keeps when every length grows alike."""
    small, large = (
        make_study(
            shape=shape, diameter=30 * s, airgap=0.6 * s, thickness=2 * s, length=8 * s, stack=9 * s
        )
        for s in (1.0, 2.5)
    )
    waves = [solve_field(build_layout(s), orders=np.arange(1, 6)) for s in
             (small, large)]  # fmt: skip
    np.testing.assert_allclose(waves[1].surface, waves[0].surface, rtol=1e-9, atol=1e-9)  # rounding


@pytest.mark.parametrize("position", ["outer", "inner"])
def test_independent_harmonics(position: str) -> None:
    """Orders of a fine evaluation against a Fourier transform of the summed magnets."""
    study = make_study(position=position, pole_pairs=10, length=30.0, stack=0.5, kind="ironless")
    orders = np.arange(1, 14)
    layout = unit_magnets(build_layout(study))
    got = solve_field(layout, orders=orders).free[:, 0]
    r, n = 41e-3, 256
    t = np.arange(n) / n * 2 * np.pi / 10
    points = np.stack([r * np.cos(t), r * np.sin(t), 0 * t], axis=1)
    B = whole_array(study).getB(points)
    radial = B[:, 0] * np.cos(t) + B[:, 1] * np.sin(t)
    waves = 2 * np.fft.rfft(radial).real[orders] / n / magnet_grade("N42SH").remanence
    # exp(-7) of each harmonic; even ones are zero.
    np.testing.assert_allclose(got, waves, rtol=2e-3, atol=1e-5)
