"""Flux linkage of each phase from any waves of a turn, not those of whole pole pairs only."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from arrayopt.layout import Layout
from arrayopt.machine.linkage import coil_angle, winding_radii
from arrayopt.machine.winding import winding_of
from arrayopt.quantities import MM, Array


def wave_linkages(layout: Layout, waves: NDArray[np.int64]) -> Array:
    """Return the linkage of each phase per wave of R B, complex, shape (phase, wave) [m].

    ``psi(turn) = Re sum_n k_n R B_n exp(-i n turn)`` with B_n as in `MemberField` and the
    rotor turned anticlockwise; slot 0 at the angle zero. A coil of N turns whose sides lie an
    angle s apart about the angle a has ``N L (2/n) sin(n s/2) exp(i n a)`` (derived); sides of
    finite width as in `winding_factors`.

    Parameters
    ----------
    layout : Layout
        Of one design.
    waves : ndarray of int, shape (wave,)

    """
    study = layout.studies[0]
    winding = winding_of(study)
    slot = 2 * np.pi / winding.slots
    side, span = 0.0, slot * winding.coil_span
    if study.stator.kind != "slotted":
        side = (study.stator.coil_side_mm or 0) * MM / (float(np.mean(winding_radii(layout))))
        span = coil_angle(winding, side)
    middle = slot * (np.arange(winding.slots) + winding.coil_span / 2)
    turns = study.winding.turns_per_coil / study.winding.parallel_paths
    coil = 2 / waves * np.sin(waves * span / 2) * np.sinc(waves * side / 2 / np.pi)
    turned = np.exp(1j * np.outer(middle, waves))
    signs = np.array([winding.coil_signs(phase) for phase in "ABC"])
    return np.asarray(turns * layout.stack[0] * coil * (signs @ turned))
