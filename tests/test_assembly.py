"""Orders of assembly: forces that add up, what holds magnets, what is written."""

import csv
import io
import json

import numpy as np
import pytest
from makers import make_study

from arrayopt.checks import assembly as module
from arrayopt.checks.assembly import COMPUTED, SLIDES, STICKS, assembly
from arrayopt.errors import ArrayoptError
from arrayopt.export.assembly_tables import assembly_json, assembly_text, number, steps_csv
from arrayopt.field.forces import pair_forces
from arrayopt.layout import build_layout
from arrayopt.layout.members import first_place, rotor_members
from arrayopt.study import starter_text


def small(*, values=None, **sizes):
    """A rotor of few magnets on a stator whose winding balances."""
    sizes = {"pole_pairs": 3, "diameter": 30.0} | sizes
    return make_study(**sizes, values={"stator.slots": 9, **(values or {})})


def names(found):
    return {order.name for order in found.orders}


@pytest.mark.parametrize(
    ("count", "expected"),
    [
        (2, {"neighbour by neighbour", "from one side"}),
        (4, {"main magnets first", "transverse magnets first", "neighbour by neighbour",
             "from one side"}),
        (6, {"main magnets first", "oblique magnets first", "neighbour by neighbour",
             "from one side"}),
    ],
)  # fmt: skip
def test_orders_have_every_magnet_once(count, expected):
    found = assembly(small(magnets_per_pole_pair=count))
    assert names(found) == {*expected, COMPUTED}
    for order in found.orders:
        assert sorted(order.sequence) == list(range(3 * count))


def test_families_go_in_one_after_another():
    found = assembly(small(magnets_per_pole_pair=8))
    families = [found.family(k) for k in found.order("transverse magnets first").sequence]
    tables = [found.layout.families[i].table for i in families]
    assert tables == ["transverse"] * 6 + ["oblique"] * 12 + ["main"] * 6
    sides = found.order("from one side").sequence
    assert [number(found, 0, int(k)) for k in sides[:5]] == [1, 2, 24, 3, 23]


def test_exact_forces_are_those_of_the_magnets_in_place():
    """Step by step by hand from the table of pairs."""
    study = small(values={"rotor.steel_ring_mm": 1.5})
    found = assembly(study)
    layout = build_layout(study)
    pairs = pair_forces(layout, lifts=found.lifts)
    order = found.order("from one side")
    for step in (0, 1, 5, 11):
        k = int(order.sequence[step])
        expected = pairs.ring[k % 4].copy()
        for j in order.sequence[:step]:
            expected += pairs.pairs[k % 4, 0, (int(j) - k) % 12]
        np.testing.assert_allclose(order.force[0, step], expected, atol=1e-12)
        push = (expected[:, 2] + STICKS * np.hypot(expected[:, 0], expected[:, 1])).max()
        assert order.push[0, step] == pytest.approx(push, rel=1e-12)


def test_first_magnet_of_a_bare_carrier_feels_nothing():
    found = assembly(small())
    for order in found.orders:
        np.testing.assert_allclose(order.force[0, 0], 0, atol=1e-12)


def test_all_orders_end_in_the_same_full_ring():
    found = assembly(small())
    whole = {}
    pairs = pair_forces(found.layout, lifts=found.lifts).pairs[:, 0].sum(axis=1)
    for order in found.orders:
        last = int(order.sequence[-1])
        np.testing.assert_allclose(order.force[0, -1], pairs[last % 4], atol=1e-12)
        whole[order.name] = last
    assert number(found, 0, whole["neighbour by neighbour"]) == 12


def test_orders_begin_at_the_start_mark():
    for count in (2, 3, 4, 8):
        found = assembly(small(magnets_per_pole_pair=count))
        for order in found.orders:
            first = number(found, 0, int(order.sequence[0]))
            assert first <= count, order.name
            text = assembly_text(found, order)
            assert text.count(f"{order.name}:") == 1


@pytest.mark.parametrize("seed", range(3))
def test_computed_order_is_no_harder_than_shuffled_ones(seed):
    """A check that can fail: thirty random orders of a plain ring of twelve."""
    study = small(magnets_per_pole_pair=4, fill=0.85)
    found = assembly(study)
    ring = module._Ring(found.layout, pair_forces(found.layout, lifts=found.lifts))
    rng = np.random.default_rng(seed)
    least = min(order.push.max() for order in found.orders)
    for _ in range(30):
        order = ring.order("shuffled", rng.permutation(12))
        assert least <= order.push.max() * (1 + 1e-9)


def test_recommended_is_near_the_least_push_and_needs_least_holding():
    found = assembly(small(magnets_per_pole_pair=8))
    least = min(order.push.max() for order in found.orders)
    near = [order for order in found.orders if order.push.max() <= 1.05 * least]
    first = found.recommended
    assert first in near
    assert found.to_hold(first) == min(found.to_hold(order) for order in near)


def test_what_holds_follows_the_forces():
    found = assembly(small())
    for order in found.orders:
        for step in range(12):
            holding = found.holding(order, 0, step)
            force = order.held[0, step]
            lift = (force[:, 2] - SLIDES * np.hypot(force[:, 0], force[:, 1])).max()
            assert (holding.up > 0) == (lift > 0.02 + weight(found, order, step))
            assert holding.out == pytest.approx(
                order.to_gap[0, step] if order.to_gap[0, step] > 0.02 else 0.0
            )


def weight(found, order, step):
    family = found.family(int(order.sequence[step]))
    area, grade = found.layout.shapes[family].area[0], found.layout.grades[family][0]
    return area * found.layout.length[0] * grade.density * 9.81


def test_skin_and_set_back_magnets_need_no_plug():
    bare = assembly(small())
    skin = assembly(small(values={"carrier.skin_mm": 0.4}))
    order = "transverse magnets first"
    assert any(bare.holding(bare.order(order), 0, i).out for i in range(12))
    assert not any(skin.holding(skin.order(order), 0, i).out for i in range(12))


def test_inner_rotor_takes_a_sleeve():
    study = small(position="inner", pole_pairs=3, diameter=40.0)
    found = assembly(study)
    kinds = {
        found.holding(order, 0, step).kind for order in found.orders for step in range(12)
    }  # fmt: skip
    assert any("sleeve" in kind for kind in kinds)
    assert not any("bore" in kind for kind in kinds)


def test_rows_of_a_skewed_rotor_go_in_from_the_floor():
    study = small(values={"rotor.skew_steps": 2, "rotor.skew_step_deg": 3.0})
    found = assembly(study)
    order = found.recommended
    assert order.push.shape == (2, 12)
    assert np.linalg.norm(order.force[0, 0]) == 0
    assert np.linalg.norm(order.force[1, 0]) > 0  # the full row below acts
    rows = list(csv.DictReader(io.StringIO(steps_csv(found, order))))
    assert sorted(int(row["number"]) for row in rows) == list(range(1, 25))


def test_numbers_are_those_of_the_map():
    study = small(magnets_per_pole_pair=8)
    found = assembly(study)
    for member in rotor_members(study):
        assert number(found, member.row - 1, member.place) == member.number
    assert number(found, 0, first_place(found.layout)) == 1


def test_unknown_order_is_told():
    with pytest.raises(ArrayoptError, match=r"no order 'alphabetical'; choose .*from one side"):
        assembly(small()).order("alphabetical")


def test_sheet_says_what_matters():
    found = assembly(small(magnets_per_pole_pair=8))
    text = assembly_text(found, found.recommended)
    for order in found.orders:
        assert order.name in text
    for words in ("Hardest push: magnet", "(recommended)", "Until the glue", "implanted medical"):
        assert words in text
    asked = found.orders[-1]
    assert f"Insertion order of the table below: {asked.name} (as asked for)" in assembly_text(
        found, asked
    )
    told = assembly_json(found, found.recommended)
    assert [o["recommended"] for o in told["orders"]].count(True) == 1
    assert max(s["push_n"] for s in told["steps"]) == told["orders"][0]["hardest_push_n"]


@pytest.fixture
def starter(tmp_path):
    path = tmp_path / "starter.toml"
    path.write_text(starter_text(), encoding="utf-8")
    return path


def test_command(run, starter, tmp_path):
    code, out, _ = run("assembly", starter, "--out", tmp_path / "o")
    assert code == 0
    assert "(recommended)" in out
    assert {p.name for p in (tmp_path / "o").iterdir()} == {
        "assembly.json", "assembly.txt", "assembly.csv", "assembly.png",
    }  # fmt: skip
    code, out, _ = run("assembly", starter, "--order", "from one side", "--json")
    assert json.loads(out)["order"] == "from one side"


def test_command_refuses_an_unknown_order(run, starter):
    code, out, err = run("assembly", starter, "--order", "quick")
    assert (code, out) == (2, "")
    assert "no order 'quick'" in err
