"""Judging designs: objectives, and by how much each constraint is missed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from arrayopt.evaluation import evaluate_batch, torque_figure
from arrayopt.layout import build_layouts, missing_room, missing_wall, same_make
from arrayopt.machine import winding_faults
from arrayopt.search.space import Values
from arrayopt.study import Study, size_contradictions

GEOMETRY = ("rules", "winding", "room", "wall")  # without these there is no field
LIMITS = ("tooth_flux", "yoke_flux", "ring_flux", "slot_fill", "wire_fill", "magnet_temperature")
CONSTRAINTS = GEOMETRY + LIMITS
_DIGITS = 9  # batches of other sizes may round the last bits otherwise; fronts must not differ


@dataclass(frozen=True)
class Assessment:
    """Objectives of one design and its constraints, each met at 0 or less.

    Attributes
    ----------
    torque, mass : float
        Torque figure [N m or N m/sqrt W] and rotor mass [kg]; 0 where the design
        cannot be built and so has no field.
    missed : dict of str to float
        ``rules`` broken between keys; ``winding`` 1 if unbalanced; ``room`` and ``wall``
        missing [mm]; flux densities, slot fill and magnet temperature as the share
        above their limit.

    """

    torque: float
    mass: float
    missed: dict[str, float]

    @property
    def feasible(self) -> bool:
        """All constraints met."""
        return all(value <= 0 for value in self.missed.values())


def assess(study: Study, designs: Sequence[Values]) -> list[Assessment]:
    """Judge a batch of designs, each given by its values of the study's variables."""
    studies = [study.with_values(values) for values in designs]
    missed = np.zeros((len(studies), len(CONSTRAINTS)))
    column = {name: i for i, name in enumerate(CONSTRAINTS)}
    missed[:, column["rules"]] = [len(size_contradictions(s)) for s in studies]
    missed[:, column["winding"]] = [float(bool(winding_faults(s))) for s in studies]
    makes: dict[object, list[int]] = {}
    for i, made in enumerate(studies):
        makes.setdefault(same_make(made), []).append(i)
    for members in makes.values():
        layout = build_layouts([studies[i] for i in members])
        missed[members, column["room"]] = missing_room(layout) * 1e3
        missed[members, column["wall"]] = missing_wall(layout) * 1e3
    missed[:, column["magnet_temperature"]] = [
        s.rotor.magnet_temperature_c / s.class_temperature - 1 for s in studies
    ]
    missed = np.where(missed > 1e-9, missed, np.minimum(missed, 0))

    torque, mass = np.zeros(len(studies)), np.zeros(len(studies))
    built = [i for i in range(len(studies)) if (missed[i, : len(GEOMETRY)] <= 0).all()]
    if built:
        figures = evaluate_batch([studies[i] for i in built])
        torque[built] = figures[torque_figure(study)].values
        mass[built] = figures["rotor_mass"].values
        for name, figure, bound in (
            ("tooth_flux", "tooth_flux_density", [studies[i].flux_limit("tooth") for i in built]),
            ("yoke_flux", "yoke_flux_density", [studies[i].flux_limit("yoke") for i in built]),
            ("ring_flux", "ring_flux_density", [studies[i].flux_limit("ring") for i in built]),
            ("slot_fill", "slot_fill", [studies[i].limits.slot_fill for i in built]),
            ("wire_fill", "wire_fill", [studies[i].limits.wire_fill for i in built]),
        ):
            excess = figures[figure].values / np.array(bound) - 1
            missed[built, column[name]] = np.nan_to_num(excess, nan=0.0)
    return [
        Assessment(
            _rounded(torque[i]),
            _rounded(mass[i]),
            {name: _rounded(missed[i, c]) for name, c in column.items()},
        )
        for i in range(len(studies))
    ]


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")
