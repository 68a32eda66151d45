"""The search: batches from optuna's sampler, judged together, kept in a folder."""

from __future__ import annotations

import hashlib
import json
import logging
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path

import numpy as np
import optuna
import xarray as xr
from optuna.samplers import NSGAIISampler
from optuna.storages import BaseStorage, InMemoryStorage, JournalStorage
from optuna.storages.journal import JournalFileBackend, JournalFileOpenLock
from optuna.trial import FrozenTrial, Trial, create_trial

from arrayopt.errors import ArrayoptError, NothingFeasibleError
from arrayopt.evaluation import evaluate_batch, torque_figure
from arrayopt.search.assess import GEOMETRY, LIMITS, Assessment, assess
from arrayopt.search.fanout import pool, spread
from arrayopt.search.front import efficient, knee, lightest, strongest
from arrayopt.search.space import Identity, Values, distributions, identity, starting_points
from arrayopt.study import Study
from arrayopt.study.keys import unit_of

BATCH = 80  # designs a generation
_GENERATION = ":generation"  # how optuna's genetic samplers end the name of that attribute
_TITLE = 160  # letters of the title that a pick keeps
_PROPOSALS = 4  # proposals per wanted design after which new ones have become too rare
_STALE = 20  # generations without a new design after which the space counts as searched
JOURNAL = "search.journal"


@dataclass(frozen=True)
class SearchResult:
    """What a search found.

    Attributes
    ----------
    study : Study
        The start design and the space.
    front : xarray.Dataset
        Figures of the best designs from light to heavy, along ``design``.
    values : list of dict
        Each front design's values of the variables.
    picks : dict of str to int
        Index on the front of the ``knee``, of the ``lightest`` that reaches the start
        design's torque, of the ``strongest`` no heavier than the start design.
    start : xarray.Dataset
        Figures of the start design.
    torque : str
        The figure that stands for torque.
    evaluated : ndarray, shape (feasible design, 2)
        Torque and rotor mass [kg] of all feasible designs met.
    trials, distinct, feasible : int
        Designs proposed, different ones among them, and those that can be built.
    growth : float
        By how much the last fifth of the designs enlarged the area under the front.
    seed : int

    """

    study: Study
    front: xr.Dataset
    values: list[Values]
    picks: dict[str, int]
    start: xr.Dataset
    torque: str
    evaluated: np.ndarray
    trials: int
    distinct: int
    feasible: int
    growth: float
    seed: int

    def dataset(self) -> xr.Dataset:
        """Return the front with each design's variables and what repeats the search."""
        columns = {}
        for key in dict.fromkeys(key for row in self.values for key in row):
            # A layout without a family has no sizes for it.
            cells = [row.get(key) for row in self.values]
            missing = "" if any(isinstance(cell, str) for cell in cells) else np.nan
            filled = [missing if cell is None else cell for cell in cells]
            columns[key] = ("design", filled, {"units": unit_of(key), "long_name": key})
        return self.front.assign(columns).assign_attrs(
            study=self.study.text,
            seed=self.seed,
            designs_judged=self.distinct,
            optuna_version=optuna.__version__,
        )

    def design(self, index: int) -> Study:
        """Return a front design as a study of its own."""
        return self.study.with_values(self.values[index])

    def pick(self, name: str) -> Study:
        """Return a pick as a study whose title says what it is."""
        title = f"{self.study.title[:_TITLE]}: {name} of a search"
        return self.design(self.picks[name]).with_values({"title": title})


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
    kept = None if out is None else _kept_record(study, seed, Path(out))
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
    return _result(study, seed, done, known)


def _generation(
    parents: list[FrozenTrial], *, seed: int | None = None
) -> tuple[optuna.Study, list[FrozenTrial]]:
    """Return a record that proposes the next generation, and the parents that survive in it.

    The record holds the last generation and its parents alone, as its generation 0: the
    sampler searches through all designs of its record for every proposal.
    """
    record = _new_record(InMemoryStorage())
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


def _result(
    study: Study, seed: int, trials: int, known: dict[Identity, Assessment]
) -> SearchResult:
    feasible = {key: a for key, a in known.items() if a.feasible}
    if not feasible:
        raise NothingFeasibleError(_nearest_miss(known))
    torque_name = torque_figure(study)
    keys = list(feasible)
    torque = np.array([feasible[key].torque for key in keys])
    mass = np.array([feasible[key].mass for key in keys])
    values = [dict(keys[i]) for i in efficient(torque, mass)]
    studies = [study, *(study.with_values(v) for v in values)]
    figures = evaluate_batch(studies)
    start, front = figures.isel(design=[0]), figures.isel(design=slice(1, None))
    t, m = front[torque_name].values, front["rotor_mass"].values
    found = {
        "knee": knee(t, m),
        "lightest": lightest(t, m, least_torque=float(start[torque_name][0])),
        "strongest": strongest(t, m, most_mass=float(start["rotor_mass"][0])),
    }
    return SearchResult(
        study=study,
        front=front,
        values=values,
        picks={name: index for name, index in found.items() if index is not None},
        start=start,
        torque=torque_name,
        evaluated=np.stack([torque, mass], axis=1),
        trials=trials,
        distinct=len(known),
        feasible=len(feasible),
        growth=_growth(list(known.values())),
        seed=seed,
    )


def _growth(met: list[Assessment]) -> float:
    """Relative growth of the area under the front over the last fifth of the designs met."""
    feasible = [a for a in met if a.feasible]
    heaviest = max(a.mass for a in feasible)

    def area(designs: list[Assessment]) -> float:
        torque, mass = np.array([(a.torque, a.mass) for a in designs]).T
        front = efficient(torque, mass)
        return float(torque[front] @ np.diff(np.append(mass[front], heaviest)))

    early = [a for a in met[: len(met) * 4 // 5] if a.feasible]
    before = area(early) if early else 0.0
    return area(feasible) / before - 1 if before > 0 else float("inf")


def _new_record(storage: BaseStorage) -> optuna.Study:
    return optuna.create_study(
        storage=storage,
        study_name="search",
        directions=["maximize", "minimize"],
        load_if_exists=True,
    )


def _kept_record(study: Study, seed: int, folder: Path) -> optuna.Study:
    """Open the record in a folder, which must be of this study and seed.

    The search itself runs in memory and adds whole generations to the record: one
    write a design instead of one for every parameter and constraint.
    """
    journal = str(folder / JOURNAL)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _mend(folder / JOURNAL)
        # The default lock needs symbolic links, which Windows keeps from ordinary users.
        backend = JournalFileBackend(journal, lock_obj=JournalFileOpenLock(journal))
        record = _new_record(JournalStorage(backend))
    except OSError as fault:
        raise ArrayoptError(
            f"{folder} cannot keep a search: {fault.strerror or fault}; choose another --out"
        ) from None
    except (ValueError, KeyError, TypeError, AssertionError):
        raise ArrayoptError(
            f"{journal} is not a record of a search; remove it or choose another --out"
        ) from None
    content = study.model_dump_json(exclude={"title": True, "order": True, "search": {"trials"}})
    mark = hashlib.sha256(f"{version('arrayopt')}{content}{seed}".encode()).hexdigest()
    if record.user_attrs.get("study", mark) != mark:
        raise ArrayoptError(
            f"{folder} holds a search of another study, seed or version; give another --out, "
            f"or remove {journal} to start afresh"
        )
    record.set_user_attr("study", mark)
    return record


def _mend(journal: Path) -> None:
    """Cut off a line that was half written when a run was killed; refuse what is no journal."""
    if not journal.exists() or journal.stat().st_size == 0:
        return
    with journal.open("r+b") as file:
        if "op_code" not in json.loads(file.readline()):
            raise ValueError("not a journal")
        content = journal.read_bytes()
        file.truncate(content.rfind(b"\n") + 1)


def _told(record: optuna.Study, trial: Trial, assessment: Assessment) -> FrozenTrial:
    """Tell the sampler how a design does, and return it as it is kept."""
    for name, value in assessment.missed.items():
        trial.set_constraint(name, value)
    return record.tell(trial, [assessment.torque, assessment.mass])


def _assessment(trial: FrozenTrial) -> Assessment:
    torque, mass = trial.values
    return Assessment(torque, mass, dict(trial.constraints))


def _nearest_miss(known: dict[Identity, Assessment]) -> str:
    """Say which design came nearest and which limit it misses most."""
    # Flux and slot fill are only known of designs that can be laid out.
    laid_out = {k: a for k, a in known.items() if all(a.missed[name] <= 0 for name in GEOMETRY)}
    names = LIMITS if laid_out else GEOMETRY
    key, best = min(
        (laid_out or known).items(),
        key=lambda item: sum(max(item[1].missed[name], 0) for name in names),
    )
    binding = max(names, key=lambda name: best.missed[name])
    amount = best.missed[binding]
    what = {
        "rules": "breaks rules between keys (slot, gap and winding sizes)",
        "winding": "has no balanced winding",
        "room": f"misses room at the shaft by {amount:.3g} mm",
        "wall": f"misses wall by {amount:.3g} mm",
    }.get(binding, f"misses {binding} by {100 * amount:.3g} % of the limit")
    values = ", ".join(f"{name} = {value}" for name, value in key)
    return (
        f"none of {len(known)} designs keeps all limits; nearest was {values}, which {what}; "
        "widen the ranges in [search.variables] or loosen that limit"
    )
