"""Rings in free space, without iron and recoil."""

from __future__ import annotations

import numpy as np

from arrayopt.field.free import free_harmonics
from arrayopt.layout import Layout


def free_fundamental(layout: Layout) -> np.ndarray:
    """Stack-mean fundamental per tesla at the stator's surface, shape (family, design)."""
    one = np.array([1])
    return free_harmonics(layout, radius=layout.surface_radius, length=layout.stack, orders=one)[
        :, 0
    ]
