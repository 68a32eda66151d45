"""Checks and cautions of what is printed and of where a winding lies."""

from math import hypot, sqrt
from pathlib import Path

import pytest
from makers import make_study

from arrayopt.checks import check_limits, design_cautions
from arrayopt.evaluation import evaluate, load_study
from arrayopt.study import Study

STUDIES = Path(__file__).parents[1] / "studies"


def cautioned(study: Study) -> str:
    return "\n".join(design_cautions(study, evaluate(study)))


@pytest.mark.parametrize(
    ("position", "shape", "skin", "clearance", "left"),
    [
        ("outer", "arc", 0.4, 0.1, 0.3),
        ("inner", "arc", 0.5, 0.15, 0.35),
        ("outer", "block", 0.35, 0.1, 0.25),
        # corners of a pocket reach farther than its face: hypot(x + 0.1, 2 + 0.1) from the shaft,
        # where those of the magnet of 4 mm are hypot(x, 2) = 40 mm from it
        ("inner", "block", 0.4, 0.1, 40.4 - hypot(sqrt(40**2 - 2**2) + 0.1, 2.1)),
    ],
)
def test_exact_skin_that_is_left(
    position: str, shape: str, skin: float, clearance: float, left: float
) -> None:
    """The clearance of the pockets is cut out of the skin."""
    wide = {"rotor.main.width_mm": 4.0, "rotor.transverse.width_mm": 2.0}
    study = make_study(
        position=position, shape=shape, kind="ironless", diameter=82.0, airgap=1.0, pole_pairs=7,
        fill=0.5,
        values={"carrier.skin_mm": skin, "rotor.clearance_mm": clearance}
        | (wide if shape == "block" else {}),
    )  # fmt: skip
    (check,) = (c for c in check_limits(study, evaluate(study)) if c.name == "printed skin")
    assert check.value == pytest.approx(left, abs=1e-9)
    assert check.ok == (left >= 0.3 - 1e-9)
    assert ("printed skin" in cautioned(study)) == (not check.ok)


def test_no_skin_is_not_judged() -> None:
    study = make_study(fill=0.5)
    names = [check.name for check in check_limits(study, evaluate(study))]
    assert "printed wall between pockets" in names
    assert "printed skin" not in names


@pytest.mark.parametrize(
    ("gap", "skin", "thickness", "told"),
    [
        (4.8, 0.0, 4.0, True),  # the winding counted into the gap
        (3.5, 0.4, 2.5, True),
        (3.0, 0.4, 2.7, False),
        (1.4, 0.0, 0.8, False),  # thin winding behind a gap that is printed
        (0.8, 0.0, 4.0, False),
    ],
)
def test_a_winding_behind_the_surface_is_told(
    gap: float, skin: float, thickness: float, told: bool
) -> None:
    values = {"carrier.skin_mm": skin, "stator.winding_thickness_mm": thickness}
    study = make_study(kind="ironless", airgap=gap, fill=0.5, values=values)
    assert ("lies behind stator.surface_diameter_mm" in cautioned(study)) == told


def test_a_winding_in_the_gap_is_not() -> None:
    assert "lies behind" not in cautioned(make_study(airgap=5.0, fill=0.5))


@pytest.mark.parametrize("name", ["ankle", "wrist", "pan"])
def test_shipped_studies_are_not_suspected(name: str) -> None:
    told = cautioned(load_study(STUDIES / name / "study.toml"))
    assert "printed skin" not in told
    assert "lies behind" not in told
