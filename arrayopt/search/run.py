"""The search: whole generations of designs, judged in parallel and kept in a record."""

from __future__ import annotations

import itertools
import os
import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import optuna

from arrayopt.errors import ArrayoptError
from arrayopt.fanout import Spread, team
from arrayopt.quantities import Array
from arrayopt.search.assess import Assessment, Goal, assess
from arrayopt.search.genetic import proposals
from arrayopt.search.ranking import front, hypervolume, standing
from arrayopt.search.record import Record, open_record, recorded
from arrayopt.search.result import SearchResult, search_result
from arrayopt.search.space import Name, Space, space_of
from arrayopt.search.start import starting_names
from arrayopt.study import Study

GENERATION = 160  # designs proposed together, and parents kept
# Designs of a task; fixed, so that results do not depend on the workers. Many at once are
# quicker each; costly ones are slow enough by themselves.
BATCH, COSTLY_BATCH = 40, 10
_TOGETHER = 4  # batches between two looks at what others have added to a shared record
_LARGEST = 500_000  # combinations of a space that are looked through for whether it is small


@dataclass(frozen=True)
class Progress:
    """How far a search is.

    Attributes
    ----------
    done, new, wanted : int
        Designs judged in all, by this run, and asked for.
    feasible : float
        Share of them that keep all limits; NaN before the first generation is done.
    hypervolume : float
        Of the front, over that of the first generation with a design that keeps them;
        NaN before.
    seconds : float
        Since this run began to judge.

    """

    done: int
    new: int
    wanted: int
    feasible: float
    hypervolume: float
    seconds: float


def optimise(
    study: Study,
    *,
    out: str | Path | None = None,
    storage: str | None = None,
    trials: int | None = None,
    seed: int | None = None,
    workers: int = 1,
    cluster: str | None = None,
    progress: Callable[[Progress], object] | None = None,
) -> SearchResult:
    """Search for the designs that no other beats in all objectives.

    A space with no more designs than asked for is judged whole. Otherwise generations are
    proposed by a genetic algorithm and steps to neighbours of the front. No design is
    judged twice. The same seed gives the same front, however many workers share the work
    and however often it was stopped.

    Parameters
    ----------
    study : Study
        With a ``[search]`` table.
    out : path, optional
        Folder that keeps the search; a search that is there already is continued.
    storage : str, optional
        URL of a database that keeps it instead, which several processes may share:
        they then judge different designs of the same search.
    trials : int, optional
        Different designs to judge, instead of the study's number; rounded up to whole
        batches.
    seed : int, optional
        Instead of the study's.
    workers : int
        Processes.
    cluster : str, optional
        Address of a Dask scheduler whose workers share the work instead.
    progress : callable, optional
        Told a `Progress` after every batch.

    Returns
    -------
    SearchResult

    Raises
    ------
    StudyError
        If the study has nothing to search.
    ArrayoptError
        If the folder holds a search of another study or one that is at work, if it or the
        database cannot be used, the scheduler does not answer, or trials or workers are less
        than 1.
    NothingFeasibleError
        If no design met keeps all limits, with the nearest miss.

    References
    ----------
    Deb, Pratap, Agarwal & Meyarivan 2002, IEEE Trans. Evol. Comput. 6:182 (from memory), with
    steps to neighbours of the front besides.

    Examples
    --------
    >>> from arrayopt import evaluate, load_study, optimise
    >>> study = load_study("studies/ankle/study.toml")
    >>> found = optimise(study, trials=40)  # thousands for a real search
    >>> lighter = evaluate(found.pick("least-rotor-mass"))
    >>> start = evaluate(study)
    >>> bool(lighter.rotor_mass[0] < start.rotor_mass[0])
    True
    >>> bool(lighter.continuous_torque[0] >= start.continuous_torque[0])
    True
    """
    space, goal = space_of(study), Goal(study)
    assert study.search is not None
    wanted = study.search.trials if trials is None else trials
    seed = study.search.seed if seed is None else seed
    if wanted < 1 or workers < 1:
        raise ArrayoptError(f"trials and workers must be at least 1; got {wanted} and {workers}")
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    folder = None if out is None else Path(out)
    with (
        open_record(space, goal, seed=seed, out=folder, storage=storage) as record,
        team(workers=workers, cluster=cluster) as spread,
    ):
        whole = all_names(space, most=wanted)
        if whole is not None:
            wanted = len(whole)
        shared = storage is not None
        search = _Search(
            space, goal, record, spread, wanted=wanted, shared=shared, progress=progress
        )
        known = search.run(seed, whole)
    return search_result(goal, space, known, seed=seed, whole=_is_whole(space, known))


def read_search(out: str | Path, *, storage: str | None = None) -> SearchResult:
    """Return what a search has found so far, from its record alone.

    Parameters
    ----------
    out : path
        Folder of the search; it may be at work.
    storage : str, optional
        URL of the database that keeps it.

    Returns
    -------
    SearchResult

    Raises
    ------
    ArrayoptError
        If there is no search, or its record cannot be read.
    NothingFeasibleError
        If none of the designs so far keeps all limits.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from arrayopt import load_study, optimise, read_search
    >>> study = load_study("studies/ankle/study.toml")
    >>> with TemporaryDirectory() as folder:
    ...     found = optimise(study, out=folder, trials=40)
    ...     again = read_search(folder)
    >>> len(again.known), again.values == found.values
    (40, True)
    """
    optuna.logging.set_verbosity(optuna.logging.ERROR)
    with recorded(Path(out), storage) as (study, seed, kept):
        space, goal = space_of(study), Goal(study)
        designs = Record(kept, space, goal).designs
    known = {}
    for place in itertools.takewhile(designs.__contains__, itertools.count()):
        params, assessment = designs[place]
        known[space.name(space.genes(params))] = assessment
    return search_result(goal, space, known, seed=seed, whole=_is_whole(space, known))


def _is_whole(space: Space, known: dict[Name, Assessment]) -> bool:
    """Tell whether all designs of a space are known."""
    return all_names(space, most=len(known)) is not None


def all_names(space: Space, *, most: int) -> list[Name] | None:
    """Return every design of a space; None of one with more than ``most``."""
    if space.size > _LARGEST:
        return None
    found = list(itertools.islice(space.names(), most + 1))
    return found if len(found) <= most else None


class _Search:
    """One run of a search: its record, what shares the work, and how far it is."""

    def __init__(
        self,
        space: Space,
        goal: Goal,
        record: Record,
        spread: Spread,
        *,
        wanted: int,
        shared: bool,
        progress: Callable[[Progress], object] | None,
    ) -> None:
        self._space, self._goal, self._record, self._spread = space, goal, record, spread
        self._wanted, self._shared, self._progress = wanted, shared, progress
        self._batch = COSTLY_BATCH if goal.costly else BATCH
        self._known: dict[Name, Assessment] = {}
        self._front = np.empty((0, len(goal.objectives)))  # losses of the best so far
        self._reference: tuple[Array, float] | None = None  # point and first hypervolume
        self._feasible = self._new = 0
        self._begun = time.monotonic()

    def run(self, seed: int, whole: list[Name] | None) -> dict[Name, Assessment]:
        """Judge designs until enough are known, or no new ones are found."""
        keep: list[Name] = []
        while len(self._known) < self._wanted:
            start = len(self._known)
            # Whole batches only: a batch that is half judged would be judged otherwise.
            enough = min(-(-(self._wanted - start) // self._batch) * self._batch, GENERATION)
            if whole is not None:
                # A search that was none of the whole space may have begun the record.
                enough = self._ready(start, enough) or enough
            if not self._recorded(range(start, start + enough)):
                rng = np.random.default_rng([seed, start])
                names = self._proposed(keep, rng) if whole is None else self._left(whole)
                enough = min(enough, len(names))
                self._judge(start, names[:enough])
            latest = self._taken(range(start, start + enough))
            if not latest:
                break
            keep = self._survivors([*keep, *latest])
            self._tell(len(self._known))
        return self._known

    def _left(self, whole: list[Name]) -> list[Name]:
        """Return the designs of a whole space that are not known yet."""
        return [name for name in whole if name not in self._known]

    def _ready(self, start: int, most: int) -> int:
        """Return how many places from a first one on the record holds without a gap."""
        places = itertools.islice(itertools.count(start), most)
        return len(list(itertools.takewhile(self._record.designs.__contains__, places)))

    def _recorded(self, places: range) -> bool:
        return all(place in self._record.designs for place in places)

    def _proposed(self, keep: list[Name], rng: np.random.Generator) -> list[Name]:
        """Return the names of the next generation."""
        space = self._space
        parents = np.array([space.genes_of(name) for name in keep])
        good = [i for i, name in enumerate(keep) if self._known[name].feasible]
        best = list(front(np.array([self._known[keep[i]].losses for i in good]))) if good else []
        return proposals(
            parents[[good[i] for i in best]] if good else parents,
            parents,
            space.axes,
            GENERATION,
            rng,
            name=space.name,
            known=self._known,
            begun=() if self._known else starting_names(space),
        )

    def _judge(self, start: int, names: list[Name]) -> None:
        """Judge those of a generation that the record lacks, batch by batch."""
        size = self._batch
        batches = [range(i, min(i + size, len(names))) for i in range(0, len(names), size)]
        work = partial(assess, self._goal, self._front)
        for group in self._groups(start, batches):
            params = [[self._space.params(names[i]) for i in batch] for batch in group]
            tasks = [[self._space.values(one) for one in batch] for batch in params]
            judged = self._spread(work, tasks)
            for batch, asked, found in zip(group, params, judged, strict=True):
                places = range(start + batch.start, start + batch.stop)
                self._record.add(places, asked, found)
                self._new += len(batch)
                self._tell(start + batch.stop)

    def _groups(self, start: int, batches: list[range]) -> Iterator[list[range]]:
        """Give the batches that the record lacks, in groups that are judged at once.

        Those that share a database go through them in an order of their own and look each
        time at what the others have added.
        """

        def lacking(batch: range) -> bool:
            return not self._recorded(range(start + batch.start, start + batch.stop))

        order, size = list(batches), len(batches)
        if self._shared:
            random.Random(os.getpid()).shuffle(order)
            size = _TOGETHER
        for i in range(0, len(order), size):
            if self._shared:
                self._record.refresh()
            group = [batch for batch in order[i : i + size] if lacking(batch)]
            if group:
                yield group

    def _taken(self, places: range) -> list[Name]:
        """Take designs over from the record."""
        names = []
        for place in places:
            params, assessment = self._record.designs[place]
            name = self._space.name(self._space.genes(params))
            self._known[name] = assessment
            names.append(name)
        self._record.flush()
        losses = [self._known[name].losses for name in names if self._known[name].feasible]
        self._feasible += len(losses)
        if losses:
            both = np.vstack([self._front, np.array(losses)])
            if self._reference is None:
                point = both.max(axis=0) + 1e-6 * np.abs(both.max(axis=0))
                self._reference = point, hypervolume(both, point)
            self._front = both[front(both)]
        return names

    def _survivors(self, names: list[Name]) -> list[Name]:
        judged = [self._known[name] for name in names]
        none = (np.inf,) * len(self._goal.objectives)
        losses = np.array([a.losses or none for a in judged])
        violation = np.array([a.violation for a in judged])
        return [names[i] for i in standing(losses, violation)[:GENERATION]]

    def _tell(self, done: int) -> None:
        if self._progress is None:
            return
        share = np.nan
        if self._reference is not None:
            point, first = self._reference
            share = hypervolume(self._front, point) / first if first else np.nan
        feasible = self._feasible / len(self._known) if self._known else np.nan
        seconds = time.monotonic() - self._begun
        self._progress(Progress(done, self._new, self._wanted, feasible, share, seconds))
