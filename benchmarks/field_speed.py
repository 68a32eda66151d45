"""Time the field kernel against the obvious whole-array evaluation, in one run.

The kernel works on one magnet a family and on many rotors at once. The obvious way puts
every magnet into one magpylib collection and samples one pole pair, which by symmetry says
all, at 128 angles and 11 planes. Run: python benchmarks/field_speed.py
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from makers import make_study
from whole_array import stack_mean_fundamental

from arrayopt.evaluation import evaluate_batch
from arrayopt.field import free_fundamental
from arrayopt.layout import build_layouts
from arrayopt.materials import magnet_grade

BATCH = 64
ROUNDS = 7


def fastest(work: Callable[[], object]) -> float:
    """Least time of several rounds [s]; the others were disturbed."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    print("| magnets | p | kernel [ms] | whole chain [ms] | obvious [ms] | ratio | apart [%] |")
    print("|---|---|---|---|---|---|---|")
    for shape, pole_pairs, batch in (("block", 10, BATCH), ("block", 20, BATCH), ("arc", 20, 4)):
        study = make_study(
            pole_pairs=pole_pairs, magnets_per_pole_pair=4, shape=shape, kind="slotted"
        )
        studies = [study] * batch
        layout = build_layouts(studies)
        kernel = fastest(lambda layout=layout: free_fundamental(layout)) / batch
        chain = fastest(lambda studies=studies: evaluate_batch(studies)) / batch
        start = time.perf_counter()
        slow = stack_mean_fundamental(study, samples_per_pole_pair=128, planes=11, pole_pairs=1)
        obvious = time.perf_counter() - start
        if shape == "block":
            obvious = fastest(
                lambda study=study: stack_mean_fundamental(
                    study, samples_per_pole_pair=128, planes=11, pole_pairs=1
                )
            )
        fast = float(free_fundamental(layout)[:, 0].sum())
        apart = 100 * (fast * magnet_grade(study.rotor.grade).remanence / slow - 1)
        print(
            f"| {shape}s | {pole_pairs} | {kernel * 1e3:.2f} | {chain * 1e3:.2f} "
            f"| {obvious * 1e3:.1f} | {obvious / kernel:.0f} | {np.round(apart, 3):+.3f} |"
        )


if __name__ == "__main__":
    main()
