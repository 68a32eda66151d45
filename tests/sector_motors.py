"""Motors for the checks of `arrayopt.confirmation`, endless along the shaft, each solved once.

Meshes here are coarse: what they leave is told beside each tolerance and by
`benchmarks/confirm_convergence.py`.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from makers import make_study

from arrayopt.confirmation.motor import Motor
from arrayopt.confirmation.newton import Solution
from arrayopt.confirmation.readings import Reader, phase_currents
from arrayopt.study import Study

COARSE = 1.5


def slotted(
    slots: int, *, tooth: float, opening: float, depth: float, yoke: float, **make: Any
) -> Study:
    """Return a slotted study without ends; lengths in mm."""
    values = {
        "stator.slots": slots,
        "stator.tooth_width_mm": tooth,
        "stator.slot_opening_mm": opening,
        "stator.slot_depth_mm": depth,
        "stator.tooth_tip_mm": make.pop("tip", 1.5),
        "stator.yoke_mm": yoke,
        "rotor.steel_ring_mm": make.pop("ring", 0.0),
        "rotor.clearance_mm": 0.1,
        **make.pop("values", {}),
    }
    return make_study(kind="slotted", length=300.0, stack=0.5, values=values, **make)


# Names: slots, poles, rotor, magnets a pole pair. Iron is narrow, so that it saturates.
MOTORS: dict[str, Study] = {
    "12-10-inner-M4": slotted(
        12, tooth=6.0, opening=3.0, depth=10.0, yoke=4.0, position="inner", pole_pairs=5,
        fill=0.8, diameter=50.0, thickness=4.0,
    ),
    "12-10-outer-M2-ring": slotted(
        12, tooth=4.4, opening=3.0, depth=7.0, yoke=3.0, ring=2.0, pole_pairs=5,
        magnets_per_pole_pair=2, fill=0.8, diameter=50.0, thickness=2.5,
    ),
    "12-8-outer-M3": slotted(
        12, tooth=4.5, opening=2.5, depth=7.0, yoke=3.2, pole_pairs=4, magnets_per_pole_pair=3,
        shape="arc", fill=0.9, diameter=50.0, thickness=4.0,
    ),
    "36-6-outer-M4-coils-over-six-slots": slotted(
        36, tooth=3.2, opening=1.6, depth=10.0, yoke=8.0, pole_pairs=3, fill=0.8, diameter=86.0,
        thickness=8.0,
    ),
}  # fmt: skip


@cache
def reader(name: str, *, size: float = COARSE, remanence: float = 1.0) -> Reader:
    """Return the reader of a motor."""
    return Reader(Motor(MOTORS[name], size=size, remanence=remanence))


_last: dict[tuple[str, float, float, bool], Solution] = {}


@cache
def state(
    name: str,
    turn: float,
    *,
    quadrature: float = 0.0,
    size: float = COARSE,
    remanence: float = 1.0,
    saturates: bool = True,
    electrical: float | None = None,
) -> Solution:
    """Solve a motor turned from where phase A links most [rad mechanical].

    Currents follow the rotor, or stay at an electrical angle.
    """
    read = reader(name, size=size, remanence=remanence)
    follows = MOTORS[name].rotor.pole_pairs * turn if electrical is None else electrical
    key = name, size, remanence, saturates
    found = read.motor.solve(
        read.zero + turn,
        currents=phase_currents(follows, quadrature=quadrature),
        saturates=saturates,
        start=_last.get(key),  # only the way to the answer
    )
    _last[key] = found
    return found


def torques(name: str, turns: Any, **options: Any) -> np.ndarray:
    """Torque at some positions [N m/m]."""
    read = reader(name, **{k: v for k, v in options.items() if k in {"size", "remanence"}})
    return np.array([read.torque(state(name, float(turn), **options)) for turn in turns])
