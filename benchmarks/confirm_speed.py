"""How long confirm takes, from nothing. Run: python benchmarks/confirm_speed.py"""

from __future__ import annotations

import time
from pathlib import Path

from tabulate import tabulate

from arrayopt.confirmation.completed import completed
from arrayopt.confirmation.motor import Motor
from arrayopt.confirmation.run import confirm
from arrayopt.evaluation import load_study
from arrayopt.study import Study

ANKLE = Path(__file__).resolve().parent.parent / "studies" / "ankle" / "study.toml"
# Teeth and magnets that fit the counts; the rest as in the ankle study.
MACHINES = {
    "36 slots, 32 poles": {},
    "24 slots, 20 poles": {
        "stator.slots": 24, "rotor.pole_pairs": 10, "stator.tooth_width_mm": 5.0,
        "rotor.main.width_mm": 7.0, "rotor.transverse.width_mm": 4.0,
    },
    "24 slots, 20 poles, steel ring": {
        "stator.slots": 24, "rotor.pole_pairs": 10, "stator.tooth_width_mm": 5.0,
        "rotor.main.width_mm": 7.0, "rotor.transverse.width_mm": 4.0, "rotor.steel_ring_mm": 2.0,
    },
    "27 slots, 26 poles": {
        "stator.slots": 27, "rotor.pole_pairs": 13, "stator.tooth_width_mm": 5.0,
        "rotor.main.width_mm": 5.0, "rotor.transverse.width_mm": 3.0,
    },
}  # fmt: skip


def one_position(study: Study) -> float:
    begun = time.perf_counter()
    Motor(completed(study)[0]).solve(0.01)
    return time.perf_counter() - begun


def whole(study: Study, *, workers: int, size: float) -> float:
    begun = time.perf_counter()
    confirm(study, workers=workers, size=size)
    return time.perf_counter() - begun


def main() -> None:
    start, rows = load_study(ANKLE), []
    for name, values in MACHINES.items():
        study = start.with_values(values)
        motor = Motor(completed(study)[0])
        unknowns = motor.stator.space.ndof + motor.rotor.space.ndof
        cells = [
            f"{min(one_position(study) for _ in range(3)):.1f}",
            # The whole turn of 27 slots and 26 poles takes minutes at the usual mesh.
            "-" if motor.sector.closed else f"{whole(study, workers=2, size=1.0):.0f}",
            f"{whole(study, workers=2, size=2.0):.0f}",
        ]
        rows.append([name, unknowns, *cells])
    header = [
        "Motor, times in s", "unknowns", "one position", "whole, 2 workers", "with --mesh 2",
    ]  # fmt: skip
    print(tabulate(rows, header, tablefmt="github", disable_numparse=True))


if __name__ == "__main__":
    main()
