"""What ends take from the magnets' field: the plane's magnets are made weaker by it."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout
from arrayopt.machine import flux_linkages
from arrayopt.study import Study

_ENDLESS = 40.0  # wavelengths of stack and magnets
_LONGER, _RESHAPED = 0.15, 0.05


@dataclass(frozen=True)
class Scale:
    """How a slice of endless motor stands for a real one.

    Attributes
    ----------
    share : float
        Linkage of the fundamental per length of stack over that of endless magnets.
    remanence : float
        Scale of the magnets' remanence that gives the slice that field over the length
        that magnets and stack share.
    length, stack : float
        That length, and the stack's [m].
    reshaped : float
        Greatest change of a higher harmonic of the airgap by ends, over the fundamental.

    """

    share: float
    remanence: float
    length: float
    stack: float
    reshaped: float

    @property
    def uneven(self) -> bool:
        """Whether ends change the field's shape so much that one scale cannot stand for them."""
        return self.share > 1 + _LONGER or self.reshaped > _RESHAPED


def end_scale(study: Study) -> Scale:
    """Return the end factor of a study, by the stack's mean of magpylib's field in space.

    Both linkages are those of the fast model, with iron and recoil.
    """
    layout = build_layout(study)
    wave = 2 * float(layout.gap_radius[0]) * pi / study.rotor.pole_pairs * 1e3
    endless = study.varied(
        {
            "rotor.length_mm": _ENDLESS * wave,
            "rotor.overhang_mm": None,
            "stator.stack_mm": _ENDLESS * wave,
        }
    )
    real, stack = solve_field(layout, orders=ORDERS), float(layout.stack[0])
    long = build_layout(endless)
    ideal = solve_field(long, orders=ORDERS)
    # By linkage, for a winding in the gap sees the field at its own radii.
    linkage = float(flux_linkages(layout, real)[0, 0]) / stack
    share = linkage / float(flux_linkages(long, ideal)[0, 0]) * float(long.stack[0])
    overlap = float(real.overlap[0])
    shapes = (field.surface[1:, 0] / field.surface[0, 0] for field in (real, ideal))
    reshaped = float(np.abs(np.subtract(*shapes)).max())
    return Scale(share, share / overlap, stack * overlap, stack, reshaped)
