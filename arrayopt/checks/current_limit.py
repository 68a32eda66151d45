"""How much current the magnets bear."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from arrayopt.checks.demagnetisation import ReverseField, reverse_field
from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout
from arrayopt.machine import armature
from arrayopt.study import Study

_LEAST, _MOST = 1e-2, 1e6  # A, where the limit is looked for
_ROUNDING = 1e-6  # of the share


def demagnetising_current(study: Study, *, temperature_c: float) -> float:
    """Return the phase current's amplitude that loses as much magnet as the study allows [A].

    The share of all magnet volume past the grades' reverse-field limit reaches
    ``limits.demagnetised_percent`` there, with the current at its worst angle and rotor
    position. Zero where the magnets lose as much without any current. Iron is taken as
    unsaturated, which reads low: saturated teeth lead less of the current's field to the magnets.

    Parameters
    ----------
    study : Study
    temperature_c : float
        Of the magnets.

    """
    rotor = study.rotor.model_copy(update={"magnet_temperature_c": float(temperature_c)})
    warm = study.model_copy(update={"rotor": rotor})
    layout = build_layout(warm)
    field = solve_field(layout, orders=ORDERS)
    winding = armature(layout, field).field_at
    judged = []
    for i, shape in enumerate(layout.shapes):
        one = reverse_field(layout, field, i, armature_field=winding, current=1.0)
        volume = float(shape.area[0] * layout.length[0] * layout.members[i, 0])
        judged.append((one, layout.grades[i][0].reverse_limit(temperature_c), volume))
    whole = sum(volume for _, _, volume in judged)

    def past(current: float) -> float:
        lost = sum(
            volume
            * ReverseField(one.inside, one.magnets, current * one.current).share_beyond(limit)
            for one, limit, volume in judged
        )
        return lost / whole - study.limits.demagnetised_percent / 100

    if past(0.0) > 0:
        return 0.0
    if past(_MOST) < _ROUNDING:
        return float("inf")
    log = brentq(lambda t: past(np.exp(t)), np.log(_LEAST), np.log(_MOST), xtol=1e-3)
    return float(np.exp(log))
