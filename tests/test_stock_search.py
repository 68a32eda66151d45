"""Searching a shop list, and its prices. Every list here is invented."""

from __future__ import annotations

import json
from math import ceil

import numpy as np
import pytest
from shop import ARC_HEADER, ARCS, HEAD, LIST, PAIRS, arc_study, offered, rows_of, shopping

from arrayopt.errors import StudyError
from arrayopt.evaluation import evaluate, evaluate_batch, load_study
from arrayopt.layout import fit_faults
from arrayopt.machine import winding_faults
from arrayopt.search import optimise
from arrayopt.search.space import space_of
from arrayopt.study import parse_study, revised_text, starter_text

# Price


def price(study):
    return float(evaluate(study)["price"][0])


SIZES = {
    "rotor.main.width_mm": 5.0, "rotor.main.thickness_mm": 3.0,
    "rotor.transverse.width_mm": 2.0, "rotor.transverse.thickness_mm": 3.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("motors", "spares", "expected"),
    [
        # 28 pieces of 'five' (10 at 4.00) and 28 of 'flat' (20 at 2.50) a motor
        (1, 0, 3 * 4.0 + 2 * 2.5),
        (1, 10, 4 * 4.0 + 2 * 2.5),  # 30.8: 31 pieces
        (5, 0, (14 * 4.0 + 7 * 2.5) / 5),
        (5, 5, (15 * 4.0 + 8 * 2.5) / 5),  # 147 pieces
        (10, 25, (35 * 4.0 + 18 * 2.5) / 10),  # 350 pieces
    ],
)
def test_price_by_hand(motors, spares, expected):
    # exact: whole packs for all motors, over the motors
    study = shopping(values=SIZES | {"order.motors": motors, "order.spares_percent": spares})
    assert price(study) == pytest.approx(expected, rel=1e-12)  # rtol: rounding


def test_price_of_two_families_of_one_row():
    # exact: 56 cubes a motor, not twice 28: 124 with spares are 13 packs, twice 62 were 14
    sizes = {key: 3.0 for key in SIZES}
    study = shopping(values=sizes | {"order.motors": 2, "order.spares_percent": 10})
    assert ceil(2 * 56 * 1.1 / 10) == 13
    assert price(study) == pytest.approx(13 * 4.0 / 2, rel=1e-12)  # rtol: rounding


def test_price_of_a_skewed_rotor():
    # exact: two rows of 28 main pieces of 6 mm; 4 x 3 polarised along 3 lies on edge too
    values = {"rotor.skew_steps": 2, "rotor.skew_step_deg": 1.0, "rotor.main.width_mm": 4.0,
              "rotor.transverse.width_mm": 3.0, "rotor.transverse.thickness_mm": 4.0,
              "order.spares_percent": 0}  # fmt: skip
    study = shopping(values=values)
    # rtol: rounding
    assert price(study) == pytest.approx(ceil(2 * 56 / 20) * 1.60, rel=1e-12)


def test_the_cheaper_of_two_rows_is_taken():
    # exact: the price of a piece decides
    values = SIZES | {"order.spares_percent": 0}
    for extra, packs in (
        ("also five,block,12,5,3,thickness,N42SH,3.00,10\n", 3 * 3.0),
        ("also five,block,12,5,3,thickness,N42SH,5.00,10\n", 3 * 4.0),
        ("also five,block,12,5,3,thickness,N42SH,,10\n", 3 * 4.0),
    ):
        study = shopping(LIST + extra, values=values)
        assert price(study) == pytest.approx(packs + 2 * 2.5, rel=1e-12)  # rtol: rounding


def test_no_price():
    # exact: none without a list, of a piece that is not in it, or that has no price
    assert np.isnan(price(parse_study(starter_text())))
    assert np.isnan(price(shopping(values=SIZES | {"rotor.main.width_mm": 5.5})))
    assert np.isnan(price(shopping(values=SIZES | {"rotor.grade": "N42"})))
    without = LIST.replace(
        "five,block,12,5,3,thickness,N42SH,4.00", "five,block,12,5,3,thickness,N42SH,"
    )
    assert np.isnan(price(shopping(without, values=SIZES)))


def test_price_of_arcs_counts_each_direction():
    # exact: 14 outward, 14 inward and 28 across
    rows = (
        "o,arc,12,6.5,3,42,outward,N42SH,1\ni,arc,12,6.5,3,42,inward,N42SH,10\n"
        "a,arc,12,3.6,3,42,across,N42SH,100\n"
    )
    study = arc_study(rows, {"order.spares_percent": 0})
    expected = 14 * 1 + 14 * 10 + 28 * 100
    assert price(study) == pytest.approx(expected, rel=1e-12)  # rtol: rounding


# Searching


@pytest.mark.parametrize(
    "key", ["rotor.main.width_mm", "rotor.transverse.thickness_mm", "rotor.grade",
            "rotor.main.grade", "rotor.overhang_mm"],
)  # fmt: skip
def test_sizes_are_no_variables_beside_a_list(key):
    values = '["N52"]' if "grade" in key else "[2.0, 3.0]"
    with pytest.raises(StudyError) as fault:
        shopping(variables=f'"{key}" = {{ choices = {values} }}\n')
    assert any(
        line.startswith(f'search.variables."{key}": ')
        and ("search.stock" in line or "shop list has lengths" in line)
        for line in fault.value.faults
    )


def test_flush_is_a_variable_beside_a_list():
    study = shopping(variables='"rotor.transverse.flush" = { choices = ["gap", "back"] }\n')
    assert "rotor.transverse.flush" in space_of(study).distributions


def test_a_list_alone_is_a_space():
    found = optimise(shopping(variables=""), trials=200)
    assert found.whole
    assert set(found.space.distributions) == {"rotor.main", "rotor.transverse"}


@pytest.mark.parametrize(
    ("variables", "values"),
    [
        ('"rotor.skew_steps" = { choices = [2, 3] }\n',
         {"rotor.skew_steps": 2, "rotor.skew_step_deg": 1.0}),
        ('"stator.stack_mm" = { choices = [10.0, 12.0] }\n', {}),
    ],
    ids=["skew", "stack"],
)  # fmt: skip
def test_pieces_are_rows_whatever_else_varies(variables, values):
    # exact: a choice is as long as one row of magnets of the design that it is chosen for
    text = f'{HEAD}[search]\nstock = "stock.csv"\n[search.variables]\n{variables}'
    if not values:
        text = text.replace("length_mm = 12.0              #", "#", 1)
    text = revised_text(text, values)
    extra = "four long,block,4,4,3,thickness,N42SH,1.60,20\n"
    try:
        study = parse_study(text, stock=rows_of(LIST + extra))
    except StudyError as fault:
        assert variables.split('"')[1] in str(fault)
        return
    space = space_of(study)
    for name in space.names():
        params = space.params(name)
        design = study.varied(space.values(params))
        length = design.rotor_length_mm / design.rotor.skew_steps
        assert params["rotor.main"].endswith(f", {length:g} along the shaft")


def test_arcs_lie_along_the_gap_whatever_else_varies():
    # exact: arcs of 42 mm fit a gap of 1 mm, not one of 1.5 mm
    rows = (
        "o,arc,12,6.5,3,42,outward,N42SH,1\ni,arc,12,6.5,3,42,inward,N42SH,1\n"
        "a,arc,12,3.6,3,42,across,N42SH,1\n"
    )
    text = revised_text(HEAD, ARCS) + '[search]\nstock = "stock.csv"\n[search.variables]\n'
    text += '"airgap.length_mm" = { choices = [1.0, 1.5] }\n'
    try:
        study = parse_study(text, stock=rows_of(ARC_HEADER + rows))
    except StudyError as fault:
        assert "airgap.length_mm" in str(fault)
        return
    found = optimise(study, trials=20)
    kept = [found.space.params(name) for name, a in found.known.items() if a.feasible]
    assert {params["airgap.length_mm"] for params in kept} == {1.0}


PRICED = 'objectives = ["machine.continuous_torque_nm", "mass.rotor_g", "order.magnets_price"]\n'


def test_three_objectives_over_a_list_by_all_pairs():
    # independent: every combination of choices and pole pairs, judged one by one; the same
    # combinations come out undominated
    study = shopping(keys=PRICED, values={"order.motors": 3})
    space = space_of(study)
    found = optimise(study, trials=1000)
    assert found.whole
    assert len(found.known) == space.size
    designs = [study.with_values(space.values(space.params(name))) for name in space.names()]
    fitting = [one for one in designs if not fit_faults(one) + winding_faults(one)]
    results = evaluate_batch(fitting)
    held = [
        flux <= one.flux_limit("tooth") and not np.isnan(price)
        for one, flux, price in zip(
            fitting, results["tooth_flux_density"].values, results["price"].values, strict=True
        )
    ]
    figures = np.stack(
        [-results["continuous_torque"], results["rotor_mass"], results["price"]], axis=1
    )[held]
    assert 20 < len(figures) < len(designs)
    assert found.feasible == len(figures)
    # atol: figures of one design and of a batch may differ in their last digits
    near = figures[None] <= figures[:, None] + 1e-9
    less = figures[None] < figures[:, None] - 1e-9
    beaten = (near.all(axis=2) & less.any(axis=2)).any(axis=1)
    best = {tuple(np.round(row, 8)) for row, lost in zip(figures, beaten, strict=True) if not lost}
    front = found.goal.losses(found.front)
    assert {tuple(np.round(row, 8)) for row in front} == best


def test_picks_of_a_search_are_ordered_from_the_list(files, run, tmp_path):
    text = f'{HEAD}[search]\ntrials = 40\nstock = "stock.csv"\n{PRICED}[search.variables]\n{PAIRS}'
    out = tmp_path / "out"
    assert run("optimise", files(LIST, text), "--out", out)[0] == 0
    (tmp_path / "stock.csv").unlink()  # the folder has a list of its own
    picks = sorted(out.glob("*.toml"))
    assert out / "knee.toml" in picks
    code, printed, _ = run("evaluate", out / "knee.toml", "--json")
    assert code == 0
    told = json.loads(printed)["order"]["magnets_price"]
    assert told == pytest.approx(price(load_study(out / "knee.toml")), rel=1e-8)  # nine digits
    for pick in picks:
        study = load_study(pick)
        assert study.stock == rows_of(LIST)
        for table, angle in (("main", 0), ("transverse", 90)):
            magnet = getattr(study.rotor, table)
            size = (magnet.width_mm, magnet.thickness_mm, magnet.grade)
            assert size in offered(study.stock, angle, study.rotor_length_mm)
