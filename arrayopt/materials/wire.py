"""Round enamelled wire: metric sizes, AWG, overall diameters."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
from numpy.typing import NDArray

from arrayopt.materials.rows import read_rows

_AWG = re.compile(r"\s*AWG\s*(\d{1,2})\s*", re.IGNORECASE)
_THINNEST_AWG = 50


def awg_diameter(name: str) -> float | None:
    """Bare diameter [mm] of a wire size such as ``AWG 22``; None if it is no such size.

    References
    ----------
    ASTM B258: ``0.127 * 92^((36 - n)/39)`` mm.

    Examples
    --------
    >>> round(awg_diameter("AWG 22"), 3)
    0.644
    """
    match = _AWG.fullmatch(name)
    if match is None or int(match[1]) > _THINNEST_AWG:
        return None
    return float(0.127 * 92 ** ((36 - int(match[1])) / 39))


@cache
def overall_diameter(bare_mm: float, *, enamel_grade: int) -> float:
    """Largest diameter over the enamel [mm] of a round wire, between table sizes by increase.

    References
    ----------
    IEC 60317-0-1; rows of wires.csv with their marks.

    Examples
    --------
    >>> overall_diameter(0.63, enamel_grade=1), overall_diameter(0.63, enamel_grade=2)
    (0.679, 0.704)
    """
    bare, *overall = _table()
    increase = overall[enamel_grade - 1] - bare
    return round(float(bare_mm + np.interp(bare_mm, bare, increase)), 6)


@cache
def _table() -> NDArray[np.float64]:
    """Bare, grade 1 and grade 2 overall diameters [mm], shape (3, size)."""
    columns = ("bare_mm", "grade_1_mm", "grade_2_mm")
    return np.array([[float(row[c]) for row in read_rows("wires.csv")] for c in columns])
