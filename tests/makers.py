"""Studies for tests, made from the starter study."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from typing import Any

import numpy as np

from arrayopt.layout import Layout
from arrayopt.study import Study, starter_text
from arrayopt.study.models import relevant_magnets


def make_study(
    *,
    position: str = "outer",
    pole_pairs: int = 10,
    magnets_per_pole_pair: int = 4,
    shape: str = "block",
    fill: float | Mapping[str, float] = 0.7,
    thickness: float = 3.0,
    diameter: float = 82.0,
    airgap: float = 1.0,
    length: float = 12.0,
    stack: float = 12.0,
    kind: str = "smooth",
    values: Mapping[str, Any] | None = None,
) -> Study:
    """Return a study without clearances, walls and steel ring; lengths in mm.

    Parameters
    ----------
    fill : float or mapping of table name to float
        Share of the pitch between magnets, at their narrowest radius, that each one takes.
    values : mapping
        Full key paths and values set last, e.g. ``{"rotor.main.flush": "back"}``.

    """
    content = tomllib.loads(starter_text())
    del content["search"]
    count = pole_pairs * magnets_per_pole_pair
    narrow = diameter + 2 * airgap if position == "outer" else diameter - 2 * (airgap + thickness)

    def magnet(table: str) -> dict[str, Any]:
        share = float(fill[table] if isinstance(fill, Mapping) else fill)
        if shape == "arc":
            return {"shape": shape, "span_deg": 360 / count * share, "thickness_mm": thickness}
        width = np.pi * narrow / count * share
        return {"shape": shape, "width_mm": float(width), "thickness_mm": thickness}

    content["rotor"] = {
        "position": position,
        "pole_pairs": pole_pairs,
        "magnets_per_pole_pair": magnets_per_pole_pair,
        "grade": "N42SH",
        "length_mm": length,
        "wall_mm": 0.0,
        "clearance_mm": 0.0,
        **{table: magnet(table) for table in relevant_magnets(magnets_per_pole_pair)},
    }
    content["airgap"]["length_mm"] = airgap
    stator = content["stator"]
    stator |= {"kind": kind, "surface_diameter_mm": diameter, "stack_mm": stack}
    if kind != "slotted":
        for key in (
            "slot_opening_mm",
            "tooth_width_mm",
            "slot_depth_mm",
            "tooth_tip_mm",
            "yoke_mm",
        ):
            del stator[key]
        stator |= {"winding_thickness_mm": 0.5 * airgap, "coil_side_mm": 3.0}
    return Study.model_validate(content).with_values(dict(values or {}))


def unit_magnets(layout: Layout, *, recoil_permeability: float = 1.0) -> Layout:
    """Return the layout with magnets of 1 T remanence and the given recoil permeability."""
    grades = tuple(
        tuple(
            dataclasses.replace(
                grade,
                remanence=1.0,
                remanence_coefficient=0.0,
                recoil_permeability=recoil_permeability,
            )
            for grade in row
        )
        for row in layout.grades
    )
    return dataclasses.replace(layout, grades=grades)
