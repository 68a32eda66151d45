"""One task of a confirmation: some positions of one motor, solved one after the other.

Tasks are small and the same whatever shares the work, so that results do not depend on it.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from arrayopt.confirmation.motor import Motor
from arrayopt.confirmation.newton import Solution
from arrayopt.confirmation.plan import Position, Task
from arrayopt.confirmation.readings import Reader, along_and_across, field_map, phase_currents
from arrayopt.quantities import Array
from arrayopt.study import Study


def carried_out(task: Task) -> dict[str, Array]:
    """Solve a task's positions; arrays along the position."""
    reader = reader_of(task.study, task.remanence, task.size)
    motor, p = reader.motor, reader.motor.study.rotor.pole_pairs
    found: dict[str, list[Array | float]] = {}
    solution: Solution | None = None
    for position in task.positions:
        solution = motor.solve(
            reader.zero + position.turn,
            currents=phase_currents(
                position.electrical, direct=position.direct, quadrature=position.quadrature
            ),
            saturates=task.saturates,
            start=solution,
        )
        row = _row(task, reader, solution, p * position.turn)
        row["crossed"] = _crossed(reader, solution, position)
        for name, value in row.items():
            found.setdefault(name, []).append(value)
    return {name: np.array(values) for name, values in found.items()}


def _row(
    task: Task, reader: Reader, solution: Solution, electrical: float
) -> dict[str, Array | float]:
    copies = reader.motor.sector.copies
    row: dict[str, Array | float] = {
        "torque": reader.torque(solution),
        "energy": solution.energy * copies,
        "direct": along_and_across(reader.linkages(solution), electrical)[0],
        "peaks": np.array(reader.peaks(solution)),
    }
    if "no load" in task.wants:
        row["stress"] = reader.torque_by_stress(solution)
        row["half_slots"] = reader.half_slots(solution)
        row["iron"] = reader.iron_field(solution).astype(np.float32)
        row["sheet_parts"] = np.array(reader.sheet.parts, dtype=str)
        row["sheet_areas"] = reader.sheet.part_area
    if "inductances" in task.wants:
        row["inductances"] = np.array(reader.inductances(solution, electrical))
    if "reverse" in task.wants:
        points = reader.magnet_points
        row["reverse"] = reader.reverse_field(solution).astype(np.float32)
        row["points"] = np.array([points.x, points.y, points.weight, points.family, points.place])
    if "map" in task.wants:
        # All of a map's arrays, by name, for one position a task.
        mapped = field_map(reader.motor, solution)
        row |= {f"map_{name}": np.array(value) for name, value in vars(mapped).items()}
    return row


def _crossed(reader: Reader, solution: Solution, position: Position) -> float:
    """Linkages across currents, whose mean over a turn is the mean torque [N m/m].

    Over a whole turn the field gives back what it takes, so that the mean torque is that of
    back-EMF times current over speed.
    """
    direct, quadrature = along_and_across(reader.linkages(solution), position.electrical)
    p = reader.motor.study.rotor.pole_pairs
    return 1.5 * p * (direct * position.quadrature - quadrature * position.direct)


@lru_cache(maxsize=4)
def reader_of(study: str, remanence: float, size: float) -> Reader:
    """Return the reader of a motor, whose matrices are made once."""
    return Reader(Motor(Study.model_validate_json(study), remanence=remanence, size=size))
