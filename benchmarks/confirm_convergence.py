"""Tell what the mesh of `arrayopt confirm` leaves: figures of some motors at several scales of it.

No-load linkage, torque under current and cogging torque, a quarter of its period from where a
magnet lies on a slot's middle, each at one position and against the finest mesh. All of them
saturate. Times are of both positions and the matrices. Prints Markdown.

Run: python benchmarks/confirm_convergence.py
"""

from __future__ import annotations

import os

os.environ["OMP_NUM_THREADS"] = "1"

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from sector_motors import MOTORS, reader, state

from arrayopt.confirmation.plan import periods

SIZES = (2.0, 1.4, 1.0, 0.7, 0.5)
CURRENTS = {
    "12-10-inner-M4": 60.0,
    "12-10-outer-M2-ring": 40.0,
    "12-8-outer-M3": 40.0,
    "36-6-outer-M4-coils-over-six-slots": 15.0,
}  # A
TURN = 0.05  # rad from where phase A links most, under current


def figures(name: str, size: float) -> np.ndarray:
    """Return linkage [Wb/m], torque [N m/m], cogging [N m/m], unknowns, seconds."""
    begun = time.process_time()
    read = reader(name, size=size)
    idle = state(name, -read.zero + periods(MOTORS[name]).cogging / 4, size=size)
    loaded = state(name, TURN, quadrature=CURRENTS[name], size=size)
    linkage = 2 / 3 * abs(read.linkages(idle) @ np.exp(2j * np.pi / 3 * np.arange(3)))
    unknowns = len(idle.stator) + len(idle.rotor)
    seconds = time.process_time() - begun
    return np.array([linkage, read.torque(loaded), read.torque(idle), unknowns, seconds])


def main() -> None:
    print(
        "| motor | size | unknowns | time [s] | linkage [Wb/m] | off [%] | torque [N m/m] "
        "| off [%] | cogging [N m/m] | off [%] |"
    )
    print("|---|" + "---:|" * 9)
    for name in CURRENTS:
        rows = [figures(name, size) for size in SIZES]
        for size, row in zip(SIZES, rows, strict=True):
            off = 100 * (row / rows[-1] - 1)
            print(
                f"| {name} | {size:g} | {row[3]:.0f} | {row[4]:.1f} "
                f"| {row[0]:.5f} | {off[0]:.3f} | {row[1]:.3f} | {off[1]:.3f} "
                f"| {row[2]:.4f} | {off[2]:.2f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
