"""Permeance of a slot: what crosses it between two teeth when it carries current."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from arrayopt.layout.shapes import gauss_points
from arrayopt.machine.copper import slot_width_at
from arrayopt.quantities import MM
from arrayopt.study.models import Study

_HEIGHTS = 16  # Gauss points over a slot's depth


@dataclass(frozen=True)
class SlotPermeance:
    """Permeances over mu0 and stack length of one evenly filled slot [1].

    Attributes
    ----------
    crossing : tuple of float
        Flux over ampere-turns that crosses the winding space above the bottom, above
        half of the depth, and above its top (none).
    linking : float
        Flux linkage of the slot's current with what crosses the winding space.
    opening : float
        Of opening and the step in width below it; 0 where the slot is closed.

    """

    crossing: tuple[float, float, float]
    linking: float
    opening: float


def slot_permeance(study: Study) -> SlotPermeance | None:
    """Return the permeances of a study's slots; None where their depth is not given.

    Below height y the share A(y)/A of the current drives flux straight across the width
    w(y): crossing is the integral of (A/A_all)/w, linking that of (A/A_all)^2/w.

    References
    ----------
    Handbook integrals of slots of any shape; fringing of a step in width between parallel
    plates with a = opening/width: ``((a + 1/a) ln((1+a)/(1-a)) - 2 ln(4 a/(1-a^2)))/(2 pi)``
    (from memory). Within 2 % of finite elements in eight machines, see the tests.

    """
    stator = study.stator
    if stator.slot_depth_mm is None:
        return None
    depth = stator.slot_depth_mm * MM
    return _permeance(
        depth=depth,
        bottom=slot_width_at(study, depth),
        top=slot_width_at(study, 0.0),
        opening=(stator.slot_opening_mm or 0) * MM,
        tip=study.tooth_tip_mm * MM,
    )


@lru_cache(maxsize=1024)  # most searches keep their stator
def _permeance(
    *, depth: float, bottom: float, top: float, opening: float, tip: float
) -> SlotPermeance:
    u, weight = gauss_points(_HEIGHTS)

    def width(y: np.ndarray) -> np.ndarray:
        return np.asarray(bottom + (top - bottom) * y / depth)

    def share(y: np.ndarray) -> np.ndarray:
        return np.asarray(y * (bottom + width(y)) / (depth * (bottom + top)))

    def crossed(low: float, power: int) -> float:
        y = (low + depth) / 2 + (depth - low) / 2 * u
        return float((weight * share(y) ** power / width(y)).sum() * (depth - low) / 2)

    mouth = tip / opening + _step(opening / top) if opening else 0.0
    return SlotPermeance((crossed(0, 1), crossed(depth / 2, 1), 0.0), crossed(0, 2), mouth)


def _step(a: float) -> float:
    """Permeance that a step in width from 1 to a adds to the narrow part."""
    if a >= 1:
        return 0.0
    log = np.log((1 + a) / (1 - a))
    return float(((a + 1 / a) * log - 2 * np.log(4 * a / (1 - a**2))) / (2 * np.pi))
