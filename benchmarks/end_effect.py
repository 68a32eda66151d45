"""Print what the ends of stack and magnets do to the fundamental, by finite elements in space.

The kernel's stator has no ends: no flux fringes into the stack there, and none enters its end
faces. Stator and steel ring of the finite elements end, the ring with the magnets. Iron of the
end faces is taken as solid; sheets let less flux in. Run: python benchmarks/end_effect.py (two
minutes)
"""

from __future__ import annotations

import sys
from math import pi
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from finite_elements_3d import Ends, solve_ends
from makers import make_study

from arrayopt.evaluation import evaluate_batch
from arrayopt.study import Study

POLE_PAIRS, DIAMETER = 10, 82.0
LENGTHS = (0.3, 0.5, 0.8, 1.2, 2.0)  # stack over pole-pair wavelength at its surface
RING = {"rotor.steel_ring_mm": 2.0, "rotor.clearance_mm": 0.1}
ARRAY: dict[str, Any] = {"magnets_per_pole_pair": 4}
PLAIN: dict[str, Any] = {"magnets_per_pole_pair": 2}
CASES: tuple[tuple[str, float, dict[str, Any]], ...] = (
    ("array, smooth stator", 1.0, ARRAY),
    ("array, smooth stator", 1.15, ARRAY),
    ("array, smooth stator, inner rotor", 1.0, {**ARRAY, "position": "inner"}),
    ("plain, smooth stator", 1.0, PLAIN),
    ("array, no iron", 1.0, {**ARRAY, "kind": "ironless"}),
    ("array, smooth stator, steel ring", 1.0, {**ARRAY, "values": RING}),
    ("plain, smooth stator, steel ring", 1.0, {**PLAIN, "values": RING}),
)


def study_of(length: float, longer: float, make: dict[str, Any]) -> Study:
    """Study of a stack length in wavelengths, with magnets longer by a factor."""
    stack = length * pi * DIAMETER / POLE_PAIRS
    return make_study(
        pole_pairs=POLE_PAIRS, diameter=DIAMETER, stack=stack, length=longer * stack, **make
    )


def row(study: Study, found: Ends) -> tuple[float, float, float, float]:
    """Fundamental by finite elements and by the kernel [T], error and end faces [%]."""
    ours = float(evaluate_batch([study]).fundamental[0])
    error, faces = ours / found.surface - 1, found.faces / found.surface
    return found.surface, ours, 100 * error, 100 * faces


def main() -> None:
    print("| rotor | magnets over stack | stack over wavelength | finite elements [T] |", end="")
    print(" arrayopt [T] | error [%] | end faces would add [%] |")
    print("|---|---|---|---|---|---|---|")
    apart = 0.0
    for name, longer, make in CASES:
        for length in LENGTHS:
            study = study_of(length, longer, make)
            found, finer = solve_ends(study), solve_ends(study, size=0.7, reach=5.0)
            apart = max(apart, abs(found.surface / finer.surface - 1))
            theirs, ours, error, faces = row(study, finer)
            print(
                f"| {name} | {longer:g} | {length:g} | {theirs:.4f} | {ours:.4f} | {error:+.2f} |"
                f" {faces:.2f} |",
                flush=True,
            )
    print(f"\nA coarser mesh in less air differs by at most {100 * apart:.2f} %.")


if __name__ == "__main__":
    main()
