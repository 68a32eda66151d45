"""Time `arrayopt tolerance`: rotors of some sizes, whole and by part. Prints Markdown.

Run: python benchmarks/tolerance_speed.py
"""

from __future__ import annotations

import sys
import time
from functools import partial
from pathlib import Path

import numpy as np
from tabulate import tabulate

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from makers import make_study

from arrayopt.evaluation import evaluate, load_study
from arrayopt.field import ORDERS, solve_field
from arrayopt.layout import build_layout
from arrayopt.scatter.robust import robust_figures
from arrayopt.scatter.run import ring_tolerance
from arrayopt.scatter.sources import study_ring

STUDIES = Path(__file__).resolve().parent.parent / "studies"
ROTORS = 10_000


def best(call, times=3):
    spent = []
    for _ in range(times):
        begun = time.perf_counter()
        call()
        spent.append(time.perf_counter() - begun)
    return min(spent)


def motors():
    for name in ("ankle", "pan", "wrist"):
        yield name, load_study(STUDIES / name / "study.toml")
    slots = {"stator.slots": 24, "stator.slot_opening_mm": 2.2, "stator.tooth_width_mm": 5.0}
    yield "28 pole pairs of 4", make_study(
        pole_pairs=28, kind="slotted", fill=0.6, thickness=2.0,
        values={**slots, "rotor.clearance_mm": 0.1},
    )  # fmt: skip


def main():
    rows = []
    for name, study in motors():
        many = study.with_values({"tolerance.rotors": ROTORS})
        field = solve_field(build_layout(many), orders=ORDERS)
        ring, results = study_ring(many, field), evaluate(study)
        rows.append([
            name, len(ring.magnets.members), len(ring.magnets.waves),
            f"{1e3 * best(partial(study_ring, many, field)):.0f}",
            f"{best(partial(ring_tolerance, ring), 2):.2f}",
            f"{1e3 * best(partial(robust_figures, study, results)):.0f}",
        ])  # fmt: skip
    header = [
        "Study", "Magnets", "Waves", "All magnets' responses [ms]",
        f"{ROTORS} rotors, all sources and shares [s]", "A design of a robust search [ms]",
    ]  # fmt: skip
    print(tabulate(rows, header, tablefmt="github", disable_numparse=True))


if __name__ == "__main__":
    np.seterr(all="raise", under="ignore")
    main()
