"""Time the vectorised chain against the obvious whole-array evaluation, in one run, on one core.

The kernel works on one magnet a family and on many rotors at once, with points where one
magnet's field is rough. The obvious way puts every magnet into one magpylib collection and
samples one pole pair, which by symmetry says all, at even angles and Gauss planes: at the
fewest of both that put it within 0.1 % of a dense reference, found here by doubling, so that it
does no more than it must. Designs of a batch differ. Prints Markdown.

Run: python benchmarks/field_speed.py
"""

from __future__ import annotations

import os

os.environ["OMP_NUM_THREADS"] = "1"

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from free_rings import free_fundamental
from makers import make_study
from whole_array import stack_mean_fundamental

from arrayopt.evaluation import evaluate_batch
from arrayopt.layout import build_layout
from arrayopt.materials import magnet_grade
from arrayopt.study import Study

BATCH = 64
DENSE = 64, 24  # angles a pole pair and planes of the reference; aliases of exp(-15) and less
WITHIN = 1e-3  # of the dense reference, for the obvious way
POLE_PAIRS = (4, 8, 12, 20, 30, 40, 60)
BATCHES = (1, 5, 20, 50, 100, 200)
SECONDS = 1.0  # spent on a figure; the fastest round counts, the others were disturbed


def fastest(work: Callable[[], object]) -> float:
    """Least time of several rounds [s]."""
    times: list[float] = []
    while not times or sum(times) < SECONDS:
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def designs(count: int, *, pole_pairs: int, shape: str) -> list[Study]:
    """Slotted outer rotors, M = 4, of random sizes about a usual one."""
    random = np.random.default_rng(1)
    # A pole of many is short: thin magnets and a small gap keep their share of it.
    thickness, airgap = min(3.0, 60 / pole_pairs), min(1.0, 20 / pole_pairs)
    return [
        make_study(
            pole_pairs=pole_pairs,
            shape=shape,
            kind="slotted",
            values={"stator.slots": 36},
            thickness=float(thickness * random.uniform(0.8, 1.2)),
            airgap=float(airgap * random.uniform(0.8, 1.2)),
            fill={name: float(random.uniform(0.5, 0.8)) for name in ("main", "transverse")},
        )
        for _ in range(count)
    ]


def chain(studies: list[Study]) -> float:
    """Time of all figures, a design [s]."""
    evaluate_batch(studies[:2])  # caches are part of a search
    return fastest(lambda: evaluate_batch(studies)) / len(studies)


def fewest_points(study: Study) -> tuple[int, int, float]:
    """Angles a pole pair and planes that bring the obvious way within 0.1 %, and its error.

    Planes are doubled first, with dense angles, then angles; the last pair is checked itself.
    """
    dense = _obvious(study, *DENSE)

    def apart(samples: int, planes: int) -> float:
        return abs(_obvious(study, samples, planes) / dense - 1)

    planes = next(n for n in (1, 2, 4, 8, 16) if apart(DENSE[0], n) < WITHIN / 2)
    samples = next(n for n in (4, 8, 16, 32, 64) if apart(n, planes) < WITHIN)
    return samples, planes, apart(samples, planes)


def _obvious(study: Study, samples: int, planes: int) -> float:
    return stack_mean_fundamental(study, samples_per_pole_pair=samples, planes=planes, pole_pairs=1)


def against_the_obvious() -> None:
    print(f"Evaluations a second, one core, M = 4, batches of {BATCH} designs that differ.")
    print("*All figures*: the whole chain. *Obvious*: the free fundamental alone.\n")
    print(
        "| magnets | p | all figures [1/s] | obvious [1/s] | ratio "
        "| angles a pole pair x planes | obvious off by [%] | kernel off by [%] |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for shape, pole_pairs in (("block", 10), ("block", 20), ("arc", 20)):
        studies = designs(BATCH, pole_pairs=pole_pairs, shape=shape)
        mine, study = chain(studies), studies[0]
        dense = _obvious(study, *DENSE)
        samples, planes, error = fewest_points(study)
        slow = fastest(lambda study=study, n=(samples, planes): _obvious(study, *n))
        free = float(free_fundamental(build_layout(study)).sum())
        off = abs(free * magnet_grade(study.rotor.grade).remanence / dense) - 1
        print(
            f"| {shape}s | {pole_pairs} | {1 / mine:.0f} | {1 / slow:.1f} | {slow / mine:.0f} "
            f"| {samples} x {planes} | {100 * error:.3f} | {100 * abs(off):.3f} |",
            flush=True,
        )


def over_pole_pairs() -> None:
    print(f"\nTime a design against pole pairs [ms], all figures, batches of {BATCH}:\n")
    print("| pole pairs | " + " | ".join(map(str, POLE_PAIRS)) + " |")
    print("|---|" + "---|" * len(POLE_PAIRS))
    for shape in ("block", "arc"):
        times = [chain(designs(BATCH, pole_pairs=p, shape=shape)) * 1e3 for p in POLE_PAIRS]
        print(f"| {shape}s | " + " | ".join(f"{t:.2f}" for t in times) + " |", flush=True)


def over_batches() -> None:
    print("\nTime a design against batch size [ms], all figures, p = 20:\n")
    print("| designs | " + " | ".join(map(str, BATCHES)) + " |")
    print("|---|" + "---|" * len(BATCHES))
    for shape in ("block", "arc"):
        studies = designs(max(BATCHES), pole_pairs=20, shape=shape)
        times = [chain(studies[:n]) * 1e3 for n in BATCHES]
        print(f"| {shape}s | " + " | ".join(f"{t:.2f}" for t in times) + " |", flush=True)


if __name__ == "__main__":
    against_the_obvious()
    over_pole_pairs()
    over_batches()
