"""Where a winding's turns lie, half slot by half slot."""

from __future__ import annotations

import numpy as np

from arrayopt.machine import winding_of
from arrayopt.quantities import Array
from arrayopt.study import Study


def coils_beside(study: Study) -> bool:
    """Tell whether each half of a slot or sector holds a coil side of its own."""
    return winding_of(study).beside or (
        study.winding.layers == 2 and study.stator.kind == "slotted"
    )


def coil_sides(study: Study) -> Array:
    """Count turns of each phase in every half slot, shape (half slot, phase), divided by paths.

    Half slots follow each other from the middle of slot 0; the first two lie on either side of
    tooth 0. Positive turns come out where a coil ends: their linkage is outward flux.
    """
    winding = winding_of(study)
    Q, span = winding.slots, winding.coil_span
    starts = np.array([winding.coil_signs(phase) for phase in "ABC"]).T
    sides = np.zeros((2 * Q, 3))
    if coils_beside(study):
        sides[0::2] = -starts
        sides[1::2] = np.roll(starts, span - 1, axis=0)
    else:
        # A side fills its slot: the half before its middle and the half after.
        whole = (np.roll(starts, span, axis=0) - starts) / 2
        sides[0::2], sides[1::2] = whole, np.roll(whole, -1, axis=0)
    return sides * (study.winding.turns_per_coil / study.winding.parallel_paths)
