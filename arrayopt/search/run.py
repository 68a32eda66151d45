"""The search: generations from optuna's sampler, judged together, kept in a folder."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import optuna
from optuna.samplers import NSGAIISampler
from optuna.storages import InMemoryStorage
from optuna.trial import FrozenTrial, Trial, create_trial

from arrayopt.errors import ArrayoptError
from arrayopt.search.assess import Assessment, assess
from arrayopt.search.fanout import pool, spread
from arrayopt.search.record import kept_record, new_record
from arrayopt.search.result import SearchResult, search_result
from arrayopt.search.space import distributions, identity, starting_points
from arrayopt.study import Study

BATCH = 80  # designs a generation
_GENERATION = ":generation"  # how optuna's genetic samplers end the name of that attribute
_PROPOSALS = 4  # proposals per wanted design after which new ones have become too rare
_STALE = 20  # generations without a new design after which the space counts as searched


def optimise(
    study: Study,
    *,
    out: str | Path | None = None,
    trials: int | None = None,
    seed: int | None = None,
    workers: int = 1,
    progress: Callable[[int], object] | None = None,
) -> SearchResult:
    """Search for the most torque with the least rotor mass.

    Torque is continuous torque, or motor constant where the study has no heat data.
    Walls, room, winding balance, flux densities and slot fill are constraints. The
    same seed gives the same front, however many workers share the work.

    Parameters
    ----------
    study : Study
        With a ``[search]`` table.
    out : path, optional
        Folder that keeps the search; a search that is there already is continued.
    trials : int, optional
        Different designs to judge, instead of the study's number.
    seed : int, optional
        Instead of the study's.
    workers : int
        Processes.
    progress : callable, optional
        Told how many designs were added.

    Raises
    ------
    StudyError
        If the study has no variables.
    ArrayoptError
        If the folder holds a search of another study.
    NothingFeasibleError
        If no design met keeps all limits, with the limit that was missed by least.

    """
    space = distributions(study)
    assert study.search is not None
    wanted = study.search.trials if trials is None else trials
    seed = study.search.seed if seed is None else seed
    if wanted < 1 or workers < 1:
        raise ArrayoptError(f"trials and workers must be at least 1; got {wanted} and {workers}")
    optuna.logging.set_verbosity(logging.ERROR)
    kept = None if out is None else kept_record(study, seed, Path(out))
    stored = [] if kept is None else kept.get_trials(deepcopy=False)
    survivors: list[FrozenTrial] = []
    latest: list[FrozenTrial] = []
    # A generation that was cut off while it was stored is proposed again, the same.
    done = len(stored) // BATCH * BATCH
    for start in range(0, done, BATCH):
        survivors = _generation([*survivors, *latest])[1]
        latest = stored[start : start + BATCH]
    known = {identity(study, trial.params): _assessment(trial) for trial in stored[:done]}
    if progress and known:
        progress(min(len(known), wanted))
    stale = 0
    with pool(workers) as executor:
        while len(known) < wanted and stale < _STALE and done < _PROPOSALS * wanted:
            before = len(known)
            # A sampler's state is not stored: deriving its seed from what is done makes a
            # continued search the same as one that was never stopped.
            mixed = int(np.random.SeedSequence([seed, done]).generate_state(1)[0])
            record, survivors = _generation([*survivors, *latest], seed=mixed)
            for point in () if done else starting_points(study)[:BATCH]:
                record.enqueue_trial(point)
            asked = [record.ask(space) for _ in range(BATCH)]
            fresh = {
                key: trial.params
                for trial in asked
                if (key := identity(study, trial.params)) not in known
            }
            judged = spread(executor, partial(assess, study), list(fresh.values()), parts=workers)
            known.update(zip(fresh, judged, strict=True))
            latest = [_told(record, trial, known[identity(study, trial.params)]) for trial in asked]
            if kept is not None:
                kept.add_trials(latest[max(len(stored) - done, 0) :])
            done += BATCH
            new = len(known) - before
            stale = 0 if new else stale + 1
            if progress:
                progress(min(new, wanted - before))
    return search_result(study, seed=seed, trials=done, known=known)


def _generation(
    parents: list[FrozenTrial], *, seed: int | None = None
) -> tuple[optuna.Study, list[FrozenTrial]]:
    """Return a record that proposes the next generation, and the parents that survive in it.

    The record holds the last generation and its parents alone, as its generation 0: the
    sampler searches through all designs of its record for every proposal.
    """
    record = new_record(InMemoryStorage())
    sampler = NSGAIISampler(population_size=BATCH, seed=seed)
    record.sampler = sampler
    for parent in parents:
        attributes = {
            key: 0 if key.endswith(_GENERATION) else value
            for key, value in parent.system_attrs.items()
        }
        record.add_trial(
            create_trial(
                values=parent.values,
                params=parent.params,
                distributions=parent.distributions,
                system_attrs=attributes,
            )
        )
    return record, sampler.get_parent_population(record, 1) if parents else []


def _told(record: optuna.Study, trial: Trial, assessment: Assessment) -> FrozenTrial:
    """Tell the sampler how a design does, and return it as it is kept."""
    for name, value in assessment.missed.items():
        trial.set_constraint(name, value)
    return record.tell(trial, [assessment.torque, assessment.mass])


def _assessment(trial: FrozenTrial) -> Assessment:
    torque, mass = trial.values
    return Assessment(torque, mass, dict(trial.constraints))
