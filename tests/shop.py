"""An invented shop list, and studies that choose from it."""

from __future__ import annotations

import itertools
from math import acos, cos, degrees, radians, sin

from arrayopt.study import parse_study, revised_text, starter_text
from arrayopt.study.stock import StockRow

HEADER = "item,shape,length_mm,width_mm,thickness_mm,polarised,grade,price,pieces_per_pack\n"
# Invented: items, sizes, prices and packs are no real shop's.
LIST = HEADER + (
    "five,block,12,5,3,thickness,N42SH,4.00,10\n"
    "four,block,12,4,2.5,thickness,N45H,3.50,10\n"
    "cube,block,12,3,3,thickness,N42SH,4.00,10\n"
    "flat,block,12,3,2,thickness,N42SH,2.50,20\n"
    "along,block,12,2,3,width,N52,3.00,20\n"
    "lying,block,3,12,2.5,thickness,N42SH,3.00,20\n"
    "axial,block,2,3,12,length,N42SH,2.80,20\n"
    "six,block,6,4,3,thickness,N42SH,1.60,20\n"
    "ten,block,10,4,3,thickness,N42SH,2.60,20\n"
    "ten thin,block,10,2,3,width,N42SH,,\n"
)
ARC_HEADER = "item,shape,length_mm,span_deg,thickness_mm,inner_radius_mm,polarised,grade,price\n"
ARCS = {"rotor.main": {"shape": "arc", "span_deg": 6.5, "thickness_mm": 3.0},
        "rotor.transverse": {"shape": "arc", "span_deg": 3.6, "thickness_mm": 3.0}}  # fmt: skip
GRADES = ("N42SH", "N45H", "N52", "N42")
HEAD = starter_text().split("[search]\n")[0]
PAIRS = '"rotor.pole_pairs" = { choices = [10, 14] }\n'
RADIUS, GAP = 41.0, 1.0  # of the starter's stator and airgap


def rows_of(text):
    """Rows of a list, without a file."""
    lines = [line.split(",") for line in text.splitlines()]
    return tuple(
        StockRow.model_validate({k: v for k, v in zip(lines[0], line, strict=False) if v})
        for line in lines[1:]
    )


def shopping(rows=LIST, variables=PAIRS, *, keys="", values=None, bounds=""):
    """The starter study with a shop list; clearances are 0.1 mm."""
    text = (
        f'{HEAD}[search]\nstock = "stock.csv"\n{keys}\n[search.limits]\n{bounds}\n'
        f"[search.variables]\n{variables}"
    )
    text = revised_text(text, values or {})
    return parse_study(text, stock=rows_of(rows) if isinstance(rows, str) else rows)


def ways(row):
    """Every way of lying: edges along circumference, radius and shaft, and the polarisation's
    angle from the radius where it has no share along the shaft.
    """
    sizes = {"length": row.length_mm, "width": row.width_mm, "thickness": row.thickness_mm}
    if row.polarised in sizes:
        vector = {row.polarised: 1.0}
    else:
        a = radians(float(row.polarised))
        vector = {"thickness": cos(a), "width": sin(a)}
    for names in itertools.permutations(sizes):
        _, radial, axial = names
        if abs(vector.get(axial, 0)) < 1e-12:
            angle = degrees(acos(min(1.0, vector.get(radial, 0.0))))
            yield tuple(sizes[name] for name in names), angle


def offered(rows, angle, length):
    """Sizes across and along the radius, and grades, that a list has for a direction."""
    return {
        (*size[:2], row.grade)
        for row in rows
        for size, lies in ways(row)
        if abs(lies - angle) < 1e-6 and abs(size[2] - length) < 1e-9
    }


def arc_study(rows, values=None):
    content = parse_study(HEAD).with_values({**ARCS, **(values or {})})
    return content.with_stock(rows_of(ARC_HEADER + rows))
