"""Cogging that slots cause: torque from the waves of the squared field before them."""

from __future__ import annotations

import numpy as np

from arrayopt.field.iron import carter_coefficient
from arrayopt.layout import Layout
from arrayopt.layout.build import MM
from arrayopt.materials import MU0


def slot_pole_torque(layout: Layout, waves: int) -> float:
    """Return cogging torque per wave of the squared flux density [N m/T^2].

    A slot lengthens the gap like a volume of air of the section ``(k_c - 1) tau g``, Carter's
    coefficient over the slot pitch, which holds the energy ``B^2/(2 mu0)`` of the field before
    it, a mean over the opening. All Q slots together turn a wave of B^2 with n waves a turn,
    n a multiple of Q, into the torque ``Q n A L/(2 mu0)`` times its amplitude (derived). Zero
    without slots.

    Parameters
    ----------
    layout : Layout
        Of one design.
    waves : int
        A multiple of the slots.

    """
    study = layout.studies[0]
    if study.stator.kind != "slotted":
        return 0.0
    slots, R = study.stator.slots, float(layout.surface_radius[0])
    opening = (study.stator.slot_opening_mm or 0.0) * MM
    recoil = layout.grades[0][0].recoil_permeability
    gap = float(abs(layout.gap_radius[0] - R) + layout.shapes[0].thickness[0] / recoil)
    pitch = 2 * np.pi * R / slots
    longer = (
        float(
            carter_coefficient(
                slot_pitch=np.array(pitch), slot_opening=np.array(opening), gap=np.array(gap)
            )
        )
        - 1
    )
    # k_c g tau - g tau counts per pitch with the mean field; before the slot it is 1/k_c of it.
    section = longer / (1 + longer) * gap * pitch
    mean = np.sinc(waves * opening / (2 * np.pi * R))
    overlap = float(min(layout.length[0], layout.stack[0]))
    return float(slots * waves * section * overlap / (2 * MU0) * abs(mean))
