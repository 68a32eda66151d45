"""Compare ways to propose designs: share of the exhaustive front's hypervolume they reach.

Every method proposes designs of one coarse space; they are looked up in the table of all
its designs, so that the time shown is the method's own. Run: python benchmarks/search_methods.py
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
import optuna
from exhaustive import Case, describe, exhaustive_case
from optuna.samplers import (
    NSGAIIISampler,
    NSGAIISampler,
    QMCSampler,
    RandomSampler,
    TPESampler,
)
from optuna.samplers.nsgaii import PolynomialMutation, SBXCrossover

from arrayopt.search import genetic
from arrayopt.search.genetic import proposals
from arrayopt.search.ranking import front, standing
from arrayopt.search.run import GENERATION
from arrayopt.search.space import Name
from arrayopt.search.start import starting_names

MARKS = 300, 600, 1200, 2400
SEEDS = 3
_PATIENCE_S = 60.0
Proposed = Iterator[Name]


def own(case: Case, seed: int, *, begun: bool, neighbours: float) -> Proposed:
    """Propose as `optimise` does; begun with seeded starts or not."""
    space, known, keep = case.space, {}, []
    genetic._NEIGHBOURS = neighbours
    while True:
        parents = np.array([space.genes_of(name) for name in keep])
        good = [i for i, name in enumerate(keep) if known[name].feasible]
        best = front(np.array([known[keep[i]].losses for i in good])) if good else []
        latest = proposals(
            parents[[good[i] for i in best]] if good else parents,
            parents,
            space.axes,
            GENERATION,
            np.random.default_rng([seed, len(known)]),
            name=space.name,
            known=known,
            begun=starting_names(space) if begun and not known else (),
        )
        yield from latest
        known |= {name: case.truth[name] for name in latest}
        pool = [*keep, *latest]
        losses = np.array([known[name].losses or (np.inf, np.inf) for name in pool])
        violation = np.array([known[name].violation for name in pool])
        keep = [pool[i] for i in standing(losses, violation)[:GENERATION]]


def by_optuna(
    case: Case, seed: int, *, sampler: Callable[..., optuna.samplers.BaseSampler]
) -> Proposed:
    """Propose by one of optuna's samplers, a trial a design."""
    study = optuna.create_study(directions=["maximize", "minimize"], sampler=sampler(seed=seed))
    while True:
        trial = study.ask(case.space.distributions)
        name = case.space.name(case.space.genes(trial.params))
        judged = case.truth[name]
        for limit, missed in judged.missed.items():
            trial.set_constraint(limit, missed)
        torque, mass = judged.losses or (0.0, 1.0)
        study.tell(trial, [-torque, mass])
        yield name


METHODS: dict[str, Callable[[Case, int], Proposed]] = {
    "random": partial(by_optuna, sampler=RandomSampler),
    "quasi-random (Sobol)": partial(by_optuna, sampler=QMCSampler),
    "NSGA-II, 80 parents": partial(by_optuna, sampler=partial(NSGAIISampler, population_size=80)),
    "NSGA-II, 40 parents": partial(by_optuna, sampler=partial(NSGAIISampler, population_size=40)),
    "NSGA-II, SBX and polynomial mutation": partial(
        by_optuna,
        sampler=lambda seed: NSGAIISampler(
            population_size=80, seed=seed, crossover=SBXCrossover(), mutation=PolynomialMutation()
        ),
    ),
    "NSGA-III, 80 parents": partial(by_optuna, sampler=partial(NSGAIIISampler, population_size=80)),
    "TPE": partial(by_optuna, sampler=TPESampler),
    "own, no seeded start, no neighbours": partial(own, begun=False, neighbours=0.0),
    "own, no seeded start": partial(own, begun=False, neighbours=0.7),
    "own, no neighbours": partial(own, begun=True, neighbours=0.0),
    "own": partial(own, begun=True, neighbours=0.7),
}


def main() -> None:
    warnings.simplefilter("ignore")
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    case = exhaustive_case()
    print(describe(case), "\n")
    header = " | ".join(f"{mark}" for mark in MARKS)
    print(f"| proposals by | {header} | proposals a new design | own time a new design [ms] |")
    print("|---|" + "---:|" * (len(MARKS) + 2))
    for label, method in METHODS.items():
        shares, proposed, new, spent = [], 0, 0, 0.0
        for seed in range(SEEDS):
            begun = time.perf_counter()
            found: dict[Name, None] = {}
            count = 0
            for name in method(case, seed):
                count += 1
                found[name] = None
                late = time.perf_counter() - begun > _PATIENCE_S
                if len(found) >= MARKS[-1] or late:
                    break
            spent += time.perf_counter() - begun
            proposed, new = proposed + count, new + len(found)
            names = list(found)
            shares.append(
                [case.share(names[:mark]) if mark <= len(names) else np.nan for mark in MARKS]
            )
        cells = " | ".join(
            "-" if np.isnan(share) else f"{100 * share:.2f}" for share in np.mean(shares, axis=0)
        )
        print(f"| {label} | {cells} | {proposed / new:.2f} | {1e3 * spent / new:.2f} |", flush=True)


if __name__ == "__main__":
    main()
