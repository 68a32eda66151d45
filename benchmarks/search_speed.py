"""Time whole searches: 20 000 designs, and how soon each way reaches 99 % of the true front.

All ways judge designs of one coarse space by the real chain on one process; what they
propose and how many designs they judge at once differs. Run: python benchmarks/search_speed.py
"""

from __future__ import annotations

import contextlib
import resource
import tempfile
import time
import warnings
from collections.abc import Callable
from functools import partial
from unittest import mock

import numpy as np
import optuna
from exhaustive import ANKLE, Case, describe, exhaustive_case
from scipy.optimize import differential_evolution

import arrayopt.evaluation
from arrayopt.evaluation import load_study
from arrayopt.search import optimise
from arrayopt.search.assess import Assessment, assess
from arrayopt.search.genetic import random_genes
from arrayopt.search.space import Name

DESIGNS = 20_000
GOAL = 0.99
PATIENCE_S = 60.0
SEEDS = 3
_BATCH = 160
_WEIGHTS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)


class RaceOverError(Exception):
    """The goal is reached, or patience is at its end."""


class Race:
    """Judges designs by the real chain and stops the clock when the front is good enough."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.names: dict[Name, None] = {}
        self.seconds = 0.0
        self.reached = False
        self._since = time.perf_counter()
        self._next = 1

    def judge(self, names: list[Name]) -> list[Assessment]:
        """Judge designs at once; RaceOverError is raised when the race is over."""
        space = self.case.space
        values = [space.values(space.params(name)) for name in names]
        found = assess(self.case.goal, np.empty((0, 2)), values)
        self.names |= dict.fromkeys(names)
        if len(self.names) >= self._next:
            self.seconds += time.perf_counter() - self._since
            self.reached = self.case.share(list(self.names)) >= GOAL
            self._next = int(1.02 * len(self.names)) + 20
            self._since = time.perf_counter()
            if self.reached or self.seconds > PATIENCE_S:
                raise RaceOverError
        return found


def by_chance(race: Race, seed: int) -> None:
    """Judge random designs, a whole generation at once."""
    rng, space = np.random.default_rng(seed), race.case.space
    while True:
        drawn = {space.name(row): None for row in random_genes(space.axes, _BATCH, rng)}
        race.judge([name for name in drawn if name not in race.names] or list(drawn)[:1])


def one_by_one(race: Race, seed: int) -> None:
    """Run optuna's NSGA-II as its tutorials do: ask for a design, judge it, tell."""
    space = race.case.space
    study = optuna.create_study(
        directions=["maximize", "minimize"], sampler=optuna.samplers.NSGAIISampler(seed=seed)
    )
    while True:
        trial = study.ask(space.distributions)
        (found,) = race.judge([space.name(space.genes(trial.params))])
        for limit, missed in found.missed.items():
            trial.set_constraint(limit, missed)
        torque, mass = found.losses or (0.0, 1.0)
        study.tell(trial, [-torque, mass])


def weighted(race: Race, seed: int) -> None:
    """Run scipy's differential evolution on weighted sums, one weight after the other."""
    space = race.case.space
    spans = [(-0.5, axis.count - 0.5) for axis in space.axes]
    best = np.array([a.losses for a in race.case.truth.values() if a.feasible])
    low, high = best.min(axis=0), best.max(axis=0)

    def cost(genes: np.ndarray, weight: float) -> float:
        rounded = np.clip(np.round(genes), 0, [axis.count - 1 for axis in space.axes])
        (found,) = race.judge([space.name(rounded)])
        if not found.feasible:
            return 10 + found.violation
        torque, mass = (np.array(found.losses) - low) / (high - low)
        return float(weight * torque + (1 - weight) * mass)

    while True:
        for weight in _WEIGHTS:
            differential_evolution(cost, spans, args=(weight,), seed=seed, maxiter=15, polish=False)
        seed += 1000


def ours(case: Case, seed: int) -> tuple[float | None, int]:
    """Return seconds and designs until `optimise` has reached the goal, its journal included."""
    marks: dict[int, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        found = optimise(
            case.space.study, out=folder, trials=6000, seed=seed,
            progress=lambda now: marks.update({now.done: time.perf_counter() - begun}),
        )  # fmt: skip
    names = list(found.known)
    for done, seconds in sorted(marks.items()):
        if case.share(names[:done]) >= GOAL:
            return seconds, done
    return None, len(names)


def race_all() -> None:
    """Print how soon each way reaches the goal."""
    case = exhaustive_case()
    print(describe(case), "\n")
    print(f"| way, one process | designs | seconds to {GOAL:.0%} | over ours |")
    print("|---|---:|---:|---:|")
    runs = [ours(case, seed) for seed in range(SEEDS)]
    assert all(seconds is not None for seconds, _ in runs)
    best = float(np.median([seconds for seconds, _ in runs]))
    print(f"| `optimise` | {np.median([n for _, n in runs]):.0f} | {best:.1f} | 1 |", flush=True)
    ways: dict[str, Callable[[Race, int], None]] = {
        "random designs, judged together": by_chance,
        "optuna NSGA-II, a design a trial": one_by_one,
        "scipy differential evolution on weighted sums": weighted,
    }
    for label, way in ways.items():
        race = Race(case)
        with contextlib.suppress(RaceOverError):
            way(race, 0)
        more = "" if race.reached else "not within "
        share = "" if race.reached else f" ({100 * case.share(list(race.names)):.1f} %)"
        print(
            f"| {label} | {len(race.names)} | {more}{race.seconds:.0f}{share} "
            f"| {'' if race.reached else '> '}{race.seconds / best:.0f} |",
            flush=True,
        )


def _timed(work: Callable[..., object], spent: list[float], *what: object, **how: object) -> object:
    begun = time.perf_counter()
    result = work(*what, **how)
    spent.append(time.perf_counter() - begun)
    return result


def whole() -> None:
    """Print what 20 000 designs of the ankle study take."""
    study = load_study(ANKLE)
    print(f"\n| `optimise`, {DESIGNS} designs of the ankle study | |\n|---|---:|")
    for workers in (2, 1):
        spent: list[float] = []
        timed = partial(_timed, arrayopt.evaluation.solve_field, spent)
        with tempfile.TemporaryDirectory() as folder:
            begun = time.perf_counter()
            with mock.patch.object(arrayopt.evaluation, "solve_field", timed):
                optimise(study, out=folder, trials=DESIGNS, workers=workers)
            seconds = time.perf_counter() - begun
        print(f"| {workers} process{'es' if workers > 1 else ''} | {seconds:.1f} s |", flush=True)
        if workers == 1:
            print(f"| share of it in the field kernel | {100 * sum(spent) / seconds:.0f} % |")
        else:
            own, each = (
                resource.getrusage(who).ru_maxrss / 1024
                for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
            )
            print(f"| peak memory: main process, largest worker | {own:.0f}, {each:.0f} MB |")


def main() -> None:
    warnings.simplefilter("ignore")
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    whole()
    print()
    race_all()


if __name__ == "__main__":
    main()
