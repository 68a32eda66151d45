"""Thin rings of many pole pairs against the flat array.

Flat array of period lambda and thickness d, k = 2 pi/lambda, field at distance y per tesla:
``(1 - exp(-k d)) exp(-k y) sinc(pi/M)``. Halbach 1985, J. Appl. Phys. 57:3605; Trumper, Williams
& Nguyen 1993, IEEE IAS Annual Meeting (both from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from makers import make_study
from verification import agree, worst_of

from arrayopt.field import planar_fundamental
from arrayopt.layout import build_layout

PERIOD, GAP, DEPTH = 16.0, 1.0, 4.0  # mm


def ring_over_flat(position: str, shape: str, M: int, p: int) -> float:
    """Fundamental of a ring of p periods over that of a flat array without segments."""
    study = make_study(
        position=position, pole_pairs=p, magnets_per_pole_pair=M, shape=shape, fill=1.0,
        thickness=DEPTH, diameter=p * PERIOD / np.pi, airgap=GAP, length=100.0,
    )  # fmt: skip
    layout = build_layout(study)
    k = 2 * np.pi / PERIOD
    ring = abs(planar_fundamental(layout, radius=layout.surface_radius).sum())
    return float(ring / (1 - np.exp(-k * DEPTH)) / np.exp(-k * GAP))


def limit(position: str, shape: str, M: int) -> float:
    """Flat limit: curvature enters as 1/p, and 30, 60, 120 pole pairs carry to it but for 1/p^3."""
    few, more, most = (ring_over_flat(position, shape, M, p) for p in (30, 60, 120))
    return (8 * most - 6 * more + few) / 3


@pytest.mark.parametrize(
    ("M", "published"),
    [(2, 0.6366), (4, 0.9003), (6, 0.9549), (8, 0.9745), (12, 0.9886)],
)
def test_published_segment_factor(M: int, published: float) -> None:
    kinds = [(p, s) for p in ("outer", "inner") for s in ("arc", "block")]
    agree(
        f"Flat array of {M} magnets a period, share of the ideal field, worst of 4 kinds of ring",
        source="Halbach 1985; Trumper et al. 1993 (from memory)", kind="published",
        rtol=2e-4,  # four digits, and 1/p^3
        **worst_of((published, limit(*kind, M)) for kind in kinds),
    )  # fmt: skip
