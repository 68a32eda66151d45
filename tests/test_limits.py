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


@pytest.mark.parametrize(
    ("slots", "pairs", "periods", "better"),
    # exact: least common multiples 48, 24, 18 by hand; 84 = lcm(12, 14), 60 = lcm(12, 10)
    [(12, 8, "48", "14 poles would have 84"), (12, 4, "24", "10 poles would have 60"),
     (9, 3, "18", "8 poles would have 72")],
)  # fmt: skip
def test_few_periods_of_cogging_are_told(slots, pairs, periods, better):
    study = make_study(
        kind="slotted", pole_pairs=pairs, values={"stator.slots": slots, "rotor.wall_mm": 0.0}
    )
    (line,) = [one for one in design_cautions(study, evaluate(study)) if "cog " in one]
    assert f"cog {periods} times a turn" in line
    assert better in line


def test_many_periods_of_cogging_and_smooth_iron_are_not():
    for study in (
        make_study(kind="slotted", pole_pairs=7, values={"stator.slots": 12}),
        make_study(kind="smooth", pole_pairs=8, values={"stator.slots": 12}),
    ):
        assert not [one for one in design_cautions(study, evaluate(study)) if "cog " in one]


def test_strong_ripple_is_told():
    study = make_study(kind="slotted", pole_pairs=8, values={"stator.slots": 12})
    results = evaluate(study)
    for share, told in ((0.09, 0), (0.11, 1)):
        results["torque_ripple"].values[0] = share
        lines = [one for one in design_cautions(study, results) if "torque ripple is 11 %" in one]
        assert len(lines) == told


def test_thin_tips_are_blamed_and_not_the_teeth():
    study = make_study(
        kind="slotted", pole_pairs=7,
        values={"stator.slots": 12, "stator.slot_depth_mm": 12.0, "stator.tooth_tip_mm": 0.5,
                "stator.tooth_width_mm": 9.0},
    )  # fmt: skip
    results = evaluate(study)
    # independent: the tip carries past the sheet's knee what the tooth bears with ease
    assert results["tip_flux_density"].item() > study.flux_limit("tooth")
    assert results["tooth_flux_density"].item() < study.flux_limit("tooth")
    (line,) = [one for one in design_cautions(study, results) if "at no load" in one]
    assert line.startswith("tooth tips saturate")
    assert "more than 0.5" in line
