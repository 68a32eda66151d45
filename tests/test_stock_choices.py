"""What a shop list offers: directions, lengths, arcs. Every list here is invented."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from makers import make_study
from shop import (
    ARC_HEADER,
    ARCS,
    HEAD,
    HEADER,
    LIST,
    PAIRS,
    arc_study,
    offered,
    rows_of,
    shopping,
    ways,
)

from arrayopt.errors import StudyError
from arrayopt.layout import choices, stock_faults, stock_tables
from arrayopt.layout.stock import bought_rows, idle_rows
from arrayopt.search.space import space_of
from arrayopt.study import parse_study, revised_text
from arrayopt.study.stock import StockRow

# Directions


def chosen(study, table):
    return {
        (c.values["width_mm"], c.values["thickness_mm"], c.values["grade"])
        for c in choices(study, table)
    }


@pytest.mark.parametrize(("table", "angle"), [("main", 0), ("transverse", 90)])
def test_choices_are_all_ways_of_lying_with_the_right_direction(table, angle):
    # independent: all six ways of laying each block, kept where the direction is right
    study = shopping()
    expected = offered(study.stock, angle, 12.0)
    assert len(expected) == 6
    assert chosen(study, table) == expected


def test_directions_by_hand():
    # exact: 3 x 2 mm polarised along the 2 mm lies flat as a main magnet and on edge as a
    # transverse one; polarised along the width of 2 mm it is transverse as it is
    study = shopping()
    assert (3.0, 2.0, "N42SH") in chosen(study, "main")
    assert (2.0, 3.0, "N42SH") in chosen(study, "transverse")
    assert (2.0, 3.0, "N42SH") not in chosen(study, "main")
    assert (2.0, 3.0, "N52") in chosen(study, "transverse")
    assert (3.0, 2.0, "N52") in chosen(study, "main")
    assert (2.0, 3.0, "N52") not in chosen(study, "main")


@pytest.mark.parametrize("polarised", ["length", "width", "thickness"])
def test_what_the_edges_are_called_does_not_matter(polarised):
    # exact: one piece of 12 x 5 x 2 mm polarised along 2 mm, called in all its ways
    found = []
    for names in itertools.permutations(("length_mm", "width_mm", "thickness_mm")):
        if names[2] == f"{polarised}_mm":
            row = dict(zip(names, (12, 5, 2), strict=True))
            stock = (StockRow(item="x", polarised=polarised, grade="N52", **row),)
            study = shopping(stock)
            found.append((chosen(study, "main"), chosen(study, "transverse")))
    assert found == [({(5.0, 2.0, "N52")}, {(2.0, 5.0, "N52")})] * 2


def test_a_block_polarised_along_the_shaft_serves_nobody():
    # exact: 12 mm is the polarised edge and the only one as long as the rotor
    stock = rows_of(HEADER + "x,block,12,5,2,length,N52,1,1\n")
    assert choices(shopping(stock), "main") == []


def test_choices_name_their_rows():
    # exact: the sizes of a choice are those of the row that its label names, turned
    study = shopping()
    rows = {row.item: row for row in study.stock}
    for table, angle in (("main", 0.0), ("transverse", 90.0)):
        for choice in choices(study, table):
            size = (choice.values["width_mm"], choice.values["thickness_mm"], choice.length_mm)
            items, _, words = choice.label.partition(": ")
            assert words == f"{size[0]:g} x {size[1]:g}, {size[2]:g} along the shaft"
            for item in items.split(" and "):
                lying = [way for way in ways(rows[item]) if way[0] == size]
                assert any(abs(lies - angle) < 1e-6 for _, lies in lying)
                assert rows[item].grade == choice.values["grade"]


def test_choices_rise_with_thickness():
    thick = [c.values["thickness_mm"] for c in choices(shopping(), "main")]
    assert thick == sorted(thick)
    labels = [c.label for c in choices(shopping(), "main")]
    assert len(set(labels)) == len(labels)


def test_oblique_blocks():
    # independent: six magnets per pole pair turn their oblique ones by 60 degrees
    stock = HEADER + (
        "main,block,12,4,3,thickness,N42SH,1,1\n"
        "sixty,block,12,3,2,60,N42SH,1,1\n"
        "thirty,block,12,2.5,3,30,N52,1,1\n"
        "forty five,block,12,3,3,45,N42SH,1,1\n"
        "along,block,12,3,3,90,N42SH,1,1\n"
    )
    study = make_study(pole_pairs=10, magnets_per_pole_pair=6, kind="slotted").with_stock(
        rows_of(stock)
    )
    expected = offered(study.stock, 60, 12.0)
    # by hand: the second one lies on its side
    assert expected == {(3.0, 2.0, "N42SH"), (3.0, 2.5, "N52")}
    assert chosen(study, "oblique") == expected
    assert chosen(study, "main") == offered(study.stock, 0, 12.0)
    assert stock_tables(study) == ["main", "oblique"]


def test_oblique_magnets_of_two_directions_need_a_row_for_each():
    # exact: twelve per pole pair have oblique magnets at 30 and 60 degrees; a piece of 30 lies
    # on its side for 60, so a square one serves both
    def oblique(rows):
        study = make_study(pole_pairs=5, magnets_per_pole_pair=12, kind="slotted")
        return chosen(study.with_stock(rows_of(HEADER + rows)), "oblique")

    flat = "thirty,block,12,3,2,30,N42SH,1,1\n"
    assert oblique(flat) == set()
    assert oblique(flat + "sixty,block,12,3,2,60,N42SH,1,1\n") == {
        (3.0, 2.0, "N42SH"),
        (2.0, 3.0, "N42SH"),
    }
    assert oblique("square,block,12,3,3,30,N42SH,1,1\n") == {(3.0, 3.0, "N42SH")}


# Lengths


def lengths(study, table):
    return {choice.length_mm for choice in choices(study, table)}


def test_fixed_length():
    # exact
    assert lengths(shopping(), "main") == {12.0}
    assert lengths(shopping(values={"rotor.length_mm": 10.0}), "main") == {10.0}


def test_length_in_rows_of_a_skewed_rotor():
    # exact: two rows of 6 mm
    study = shopping(values={"rotor.skew_steps": 2, "rotor.skew_step_deg": 1.0})
    assert lengths(study, "main") == {6.0}
    assert chosen(study, "main") == offered(study.stock, 0, 6.0)


@pytest.mark.parametrize(
    ("variable", "expected"),
    [
        ("{ low = 9.0, high = 12.0 }", [10.0, 12.0]),
        ("{ low = 9.0, high = 11.0, step = 0.25 }", [10.0]),
        ("{ choices = [6.0, 11.0, 12.0] }", [6.0, 12.0]),
    ],
)
def test_varied_length_is_one_that_all_magnets_have(variable, expected):
    # exact
    study = shopping(variables=f'"rotor.length_mm" = {variable}\n')
    space = space_of(study)
    assert list(space.choices("rotor.length_mm")) == expected
    # Whatever the genes, all magnets of a design are as long as its rotor.
    rng = np.random.default_rng(2)
    for _ in range(200):
        genes = np.array([rng.integers(axis.count) for axis in space.axes], dtype=float)
        params = space.params(space.name(genes))
        for table in ("rotor.main", "rotor.transverse"):
            assert params[table].endswith(f", {params['rotor.length_mm']:g} along the shaft")
        design = study.with_values(space.values(params))
        for table, angle in (("main", 0), ("transverse", 90)):
            magnet = getattr(design.rotor, table)
            size = (magnet.width_mm, magnet.thickness_mm, magnet.grade)
            assert size in offered(study.stock, angle, design.rotor_length_mm)


def test_no_common_length():
    # exact: main arcs of 12 mm, transverse ones of 10 mm
    rows = (
        "o,arc,12,6.5,3,42,outward,N52,1\ni,arc,12,6.5,3,42,inward,N52,1\n"
        "a,arc,10,3.6,3,42,across,N52,1\n"
    )
    text = revised_text(HEAD, ARCS) + '[search]\nstock = "stock.csv"\n[search.variables]\n'
    text += '"rotor.length_mm" = { choices = [10.0, 12.0] }\n'
    study = parse_study(text, stock=rows_of(ARC_HEADER + rows))
    assert stock_faults(study) == []
    with pytest.raises(StudyError, match="no length in common along the shaft; add rows"):
        space_of(study)


def test_nothing_suits():
    # exact: only 15 mm pieces
    stock = HEADER + "m,block,15,9,3,thickness,N52,1,1\n"
    lines = stock_faults(shopping(stock))
    assert [line.split(";")[0] for line in lines] == [
        "search.stock: no block suits rotor.main",
        "search.stock: no block suits rotor.transverse",
    ]
    assert "polarisation 0 deg from the radius, 12 mm along the shaft" in lines[0]
    assert "polarisation 90 deg" in lines[1]
    assert stock_faults(shopping()) == []


def test_nothing_suits_ends_with_2(files, run):
    code, out, messages = run("check", files(HEADER + "m,block,15,9,3,thickness,N52,1,1\n"))
    assert (code, out) == (2, "")
    assert len(messages.splitlines()) == 2


# Arcs


def spans(study, table):
    return [choice.values["span_deg"] for choice in choices(study, table)]


def test_main_arcs_need_both_directions():
    # exact: an arc turned round stays polarised outward
    out, inward = "o,arc,12,7,3,42,outward,N52,1\n", "i,arc,12,7,3,42,inward,N52,1\n"
    assert spans(arc_study(out), "main") == []
    assert spans(arc_study(inward), "main") == []
    assert spans(arc_study(out + inward), "main") == [7.0]
    assert spans(arc_study(out + inward.replace("N52", "N42")), "main") == []
    assert spans(arc_study(out + inward.replace("7,3", "6,3")), "main") == []
    (choice,) = choices(arc_study(out + inward), "main")
    assert choice.label.startswith("o and i: ")
    assert choice.values == {"span_deg": 7.0, "thickness_mm": 3.0, "grade": "N52"}


def test_transverse_arcs():
    # exact: across, or 90 degrees; one piece serves both senses when turned end for end
    assert spans(arc_study("a,arc,12,4,3,42,across,N52,1\n"), "transverse") == [4.0]
    assert spans(arc_study("a,arc,12,4,3,42,90,N52,1\n"), "transverse") == [4.0]
    assert spans(arc_study("a,arc,12,4,3,42,outward,N52,1\n"), "transverse") == []


@pytest.mark.parametrize(
    ("radius", "fits"), [(41.8, False), (41.9, True), (42.0, True), (42.1, True), (42.2, False)]
)
def test_arcs_must_lie_along_the_gap_of_an_outer_rotor(radius, fits):
    # exact: 41 mm of stator, 1 mm of gap, 0.1 mm of clearance
    study = arc_study(f"a,arc,12,4,3,{radius},across,N52,1\n")
    assert bool(choices(study, "transverse")) is fits


@pytest.mark.parametrize(
    ("thickness", "radius", "fits"), [(3, 37.0, True), (3, 37.2, False), (2, 38.0, True)]
)
def test_arcs_must_lie_along_the_gap_of_an_inner_rotor(thickness, radius, fits):
    # exact: 41 mm of bore less 1 mm of gap less the thickness
    study = arc_study(
        f"a,arc,12,4,{thickness},{radius},across,N52,1\n",
        {"rotor.position": "inner", "stator.tooth_width_mm": 4.0},
    )
    assert bool(choices(study, "transverse")) is fits


def test_blocks_do_not_serve_arcs():
    rows = rows_of(LIST)
    study = parse_study(HEAD).with_values(ARCS).with_stock(rows)
    assert choices(study, "main") == []
    assert "no arc suits rotor.main; it needs polarisation 0 and 180 deg" in stock_faults(study)[0]


def test_oblique_arcs():
    # exact: six magnets per pole pair need 60 and 120 degrees
    def oblique(rows):
        study = make_study(pole_pairs=10, magnets_per_pole_pair=6, shape="arc", kind="slotted")
        return spans(study.with_stock(rows_of(ARC_HEADER + rows)), "oblique")

    sixty, other = "a,arc,12,4,3,42,60,N52,1\n", "b,arc,12,4,3,42,120,N52,1\n"
    assert oblique(sixty) == []
    assert oblique(sixty + other) == [4.0]


# What a list lacks and what of it is idle


SHORT = HEADER + (
    "a,block,12,5,3,thickness,N42SH,1,1\n"
    "b,block,15,6,3,thickness,N42SH,1,1\n"
    "c,block,15,12,3,length,N42SH,1,1\n"
    "d,block,12,5,2,length,N42SH,1,1\n"
)


def test_idle_rows_are_told_with_the_reason():
    # exact: b has no edge of 12 mm; d has one, but it is polarised along it
    assert idle_rows(shopping(SHORT)) == {
        "no edge of 12 mm": ["b"], "suits no place by polarisation or size": ["d"],
    }  # fmt: skip
    assert idle_rows(shopping()) == {
        "no edge of 12 mm": ["six", "ten", "ten thin"],
    }  # fmt: skip


def test_idle_rows_of_lengths_that_may_vary():
    # exact: 6 and 10 mm are allowed, 9 mm is not; 15 mm has no transverse magnet beside it
    free = '"rotor.length_mm" = { choices = [12.0, 15.0] }\n'
    extra = "e,block,9,4,3,thickness,N42SH,1,1\n"
    alone = "f,block,15,9,3,45,N42SH,1,1\n"
    idle = idle_rows(shopping(SHORT + extra + alone, free))
    assert idle["no edge as long as rotor.length_mm may be"] == ["e"]
    assert "f" in idle["suits no place by polarisation or size"]
    assert not any("b" in items for items in idle.values())


def test_idle_rows_of_another_shape():
    rows = rows_of(ARC_HEADER + "a,arc,12,7,3,42,outward,N52,1\n") + rows_of(SHORT)[:1]
    study = parse_study(HEAD).with_stock(rows)
    assert idle_rows(study) == {"arcs, which the study has none of": ["a"]}


def lacking(rows, variables=PAIRS, values=None):
    """Lines on what a list lacks, of a study that is otherwise sound."""
    return stock_faults(shopping(LIST, variables, values=values).with_stock(rows_of(rows)))


def test_lengths_that_the_list_has_are_named():
    # exact: blocks of 12 x 5 x 3 and 15 x 6 x 3 polarised along 3 mm lie with the others along
    # the shaft, 15 x 12 x 3 polarised along 15 mm too, 12 x 5 x 2 along 12 mm
    (main, *_) = lacking(SHORT, values={"rotor.length_mm": 10.0})
    assert main == (
        "search.stock: no block suits rotor.main; it needs polarisation 0 deg from the radius, "
        "10 mm along the shaft; of that polarisation the list has 2, 3, 5, 6, 12, 15 mm along the "
        "shaft; add rows or vary rotor.length_mm"
    )


def test_a_polarisation_that_the_list_lacks_is_told():
    lines = lacking(HEADER + "x,block,12,5,3,45,N42SH,1,1\n")
    assert "; the list has none of that polarisation; add rows" in lines[0]
    assert "vary" not in lines[0]


def test_a_layout_without_magnets_may_be_taken_out():
    # exact: of 2, 4 and 6 magnets a pole pair only the last has oblique ones, at 60 degrees
    oblique = {"rotor.oblique": {"shape": "block", "width_mm": 3.0, "thickness_mm": 3.0}}

    def of_counts(counts):
        variables = f'"rotor.magnets_per_pole_pair" = {{ choices = {counts} }}\n'
        (line,) = lacking(LIST, variables, oblique)
        return line

    line = of_counts([2, 4, 6])
    assert "no block suits rotor.oblique; it needs polarisation 60 deg" in line
    assert line.endswith("; add rows or take 6 out of rotor.magnets_per_pole_pair")
    line = of_counts([4, 6, 8])
    assert line.endswith("; add rows or take 6 and 8 out of rotor.magnets_per_pole_pair")
    assert of_counts([6]).endswith("; add rows")


def test_a_block_of_one_length_in_one_direction_alone_is_told():
    # exact: twelve magnets a pole pair need 30 and 60 degrees of one size
    study = make_study(pole_pairs=5, magnets_per_pole_pair=12, kind="slotted")
    rows = rows_of(LIST + "thirty,block,12,3,2,30,N42SH,1,1\n")
    lines = [line for line in stock_faults(study.with_stock(rows)) if "oblique" in line]
    assert len(lines) == 1
    assert "the list has none of that length in every direction; add rows" in lines[0]


def test_rows_that_are_bought():
    # independent: the cheapest of the rows that lie as the design's magnets do
    values = {"rotor.main.width_mm": 5.0, "rotor.main.thickness_mm": 3.0,
              "rotor.transverse.width_mm": 2.0, "rotor.transverse.thickness_mm": 3.0}  # fmt: skip
    cheap = "also five,block,12,5,3,thickness,N42SH,3.00,10\n"
    for rows, main in ((LIST, "five"), (LIST + cheap, "also five")):
        bought = bought_rows(shopping(rows, values=values))
        assert {table: [row.item for row in own] for table, own in bought.items()} == {
            "main": [main], "transverse": ["flat"],
        }  # fmt: skip
    assert bought_rows(shopping(values={"rotor.grade": "N42"})) == {}
