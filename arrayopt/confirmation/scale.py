"""What ends take from the magnets' field: the plane's magnets are made weaker by it."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

from arrayopt.details import ORDERS
from arrayopt.field import solve_field
from arrayopt.layout import build_layout
from arrayopt.study import Study

_ENDLESS = 40.0  # wavelengths of stack and magnets


@dataclass(frozen=True)
class Scale:
    """How a slice of endless motor stands for a real one.

    Attributes
    ----------
    share : float
        Stack mean of the airgap's fundamental over that of endless magnets.
    remanence : float
        Scale of the magnets' remanence that gives the slice that field over the length
        that magnets and stack share.
    length, stack : float
        That length, and the stack's [m].

    """

    share: float
    remanence: float
    length: float
    stack: float


def end_scale(study: Study) -> Scale:
    """Return the end factor of a study, by magpylib's field in three dimensions.

    Both fields are those of the fast chain at the stator's surface, with iron and recoil.
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
    real = solve_field(layout, orders=ORDERS)
    ideal = solve_field(build_layout(endless), orders=ORDERS)
    share = float(real.surface[0, 0] / ideal.surface[0, 0])
    overlap = float(real.overlap[0])
    stack = float(layout.stack[0])
    return Scale(share, share / overlap, stack * overlap, stack)
