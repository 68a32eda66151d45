"""The record of a search: a journal in a folder, or any storage that optuna knows.

Every design is a finished trial with its place in the search. What a place holds follows
from the seed and the places before it, so a record may end anywhere and may hold a place
twice: a search goes on from the last whole batch.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import optuna
from filelock import FileLock, Timeout
from optuna.storages import BaseStorage, InMemoryStorage, JournalStorage, RDBStorage
from optuna.storages.journal import BaseJournalBackend
from optuna.study import StudyDirection
from optuna.trial import FrozenTrial, TrialState, create_trial
from sqlalchemy.exc import IntegrityError, ProgrammingError

from arrayopt.errors import ArrayoptError
from arrayopt.scatter.robust import ROBUST
from arrayopt.search.assess import Assessment, Goal
from arrayopt.search.space import Params, Space
from arrayopt.study import Study, parse_study
from arrayopt.study.stock import StockRow

JOURNAL = "search.journal"
_BEGINS = b'{"op_code":'
_LOCK, _NAME = ".search.lock", "search.name"
_PAUSES = 0.3, 1.0, 2.0  # s
_STATES = (TrialState.COMPLETE, TrialState.PRUNED)
Design = tuple[Params, Assessment]


class Journal(BaseJournalBackend):
    """Optuna's journal in a file that one process writes: a batch of designs at a time.

    Optuna's own file backend locks, writes and reads back every single design, which takes
    longer than computing it. The format is the same.

    Parameters
    ----------
    path : Path
    writable : bool
        Cut off a line that was half written when a run was killed; else pass over it.

    """

    def __init__(self, path: Path, *, writable: bool) -> None:
        self._path = path
        content = path.read_bytes() if path.exists() else b""
        whole = content.rfind(b"\n") + 1
        self._logs = [json.loads(line) for line in content[:whole].splitlines()]
        # A first line may be cut short too, if it began as one.
        begun = whole or _BEGINS.startswith(content[: len(_BEGINS)])
        if not begun or any("op_code" not in log for log in self._logs):
            raise ValueError("not a journal")
        if writable and whole < len(content):
            with path.open("r+b") as file:
                file.truncate(whole)
        self._first = 0  # number of the first log still held
        self._pending: list[bytes] = []

    def read_logs(self, log_number_from: int) -> list[dict[str, Any]]:
        """Return the logs from a number on; what is read once is not asked for again."""
        del self._logs[: log_number_from - self._first]
        self._first = log_number_from
        return list(self._logs)

    def append_logs(self, logs: list[dict[str, Any]]) -> None:
        """Take logs, to be written by `write`."""
        self._logs += logs
        self._pending += [json.dumps(log, separators=(",", ":")).encode() for log in logs]

    def write(self) -> None:
        """Hand what was taken to the system: it survives if this process is killed."""
        if self._pending:
            with self._appending() as file:
                file.write(b"\n".join([*self._pending, b""]))
            self._pending.clear()

    def flush(self) -> None:
        """Have the system put everything on disk: it survives if the power fails."""
        self.write()
        with self._appending() as file:
            os.fsync(file.fileno())

    @contextmanager
    def _appending(self) -> Iterator[BinaryIO]:
        """Open the file to write at its end; a full disk is told, and what stands there counts."""
        try:
            with self._path.open("ab") as file:
                yield file
        except OSError as fault:
            raise ArrayoptError(
                f"{self._path} cannot be written: {fault.strerror or fault}; make room and repeat "
                "the command: the search goes on from what was written"
            ) from None


class Record:
    """Designs of a search by place.

    Parameters
    ----------
    kept : optuna.Study
    space : Space
    goal : Goal
    journal : Journal, optional
        Written to when designs are added; other storages write by themselves.

    """

    def __init__(
        self, kept: optuna.Study, space: Space, goal: Goal, journal: Journal | None = None
    ) -> None:
        self._kept, self._space, self._goal, self._journal = kept, space, goal, journal
        self.designs: dict[int, Design] = {}
        self.refresh()

    def refresh(self) -> None:
        """Read the designs that are there, those added by other processes meanwhile too."""
        for trial in self._kept.get_trials(deepcopy=False, states=_STATES):
            place = trial.user_attrs.get("place")
            if place is not None and place not in self.designs:
                self.designs[place] = (trial.params, self._assessment(trial))

    def add(
        self, places: Iterable[int], params: Iterable[Params], judged: Iterable[Assessment]
    ) -> None:
        """Add designs; places that are taken already stay as they are."""
        for place, asked, assessment in zip(places, params, judged, strict=True):
            if place in self.designs:
                continue
            self.designs[place] = (asked, assessment)
            losses = assessment.losses
            self._kept.add_trial(
                create_trial(
                    # Of what cannot be built no field is computed.
                    state=TrialState.PRUNED if losses is None else TrialState.COMPLETE,
                    values=None
                    if losses is None
                    else (np.array(losses) * self._goal.signs).tolist(),
                    params=asked,
                    distributions={name: self._space.distributions[name] for name in asked},
                    constraints=assessment.missed,
                    user_attrs={"place": place},
                )
            )
        if self._journal is not None:
            self._journal.write()

    def flush(self) -> None:
        """Have the system put on disk what was added."""
        if self._journal is not None:
            self._journal.flush()

    def _assessment(self, trial: FrozenTrial) -> Assessment:
        whole = trial.state == TrialState.COMPLETE
        losses = tuple((np.array(trial.values) * self._goal.signs).tolist()) if whole else None
        return Assessment(losses, dict(trial.constraints))


@contextmanager
def open_record(
    space: Space, goal: Goal, *, seed: int, out: Path | None, storage: str | None
) -> Iterator[Record]:
    """Open the record of a search, which must be of this study and seed.

    Parameters
    ----------
    space : Space
    goal : Goal
    seed : int
    out : Path or None
        Folder that keeps a journal; it is locked meanwhile. Without it and a storage the
        record is gone when the search is done.
    storage : str or None
        URL of a database instead of the journal; several processes may share it.

    Raises
    ------
    ArrayoptError
        If the folder holds another search or one that is at work, or the storage fails.

    """
    study = goal.study
    mark = _mark(goal, seed)
    with ExitStack() as held:
        journal: Journal | None = None
        if storage is not None:
            name = f"arrayopt {mark[:16]}"
            kept = held.enter_context(_database(storage, name, goal))
            if out is not None:
                _folder(out)
                (out / _NAME).write_text(name + "\n", encoding="utf-8")
        elif out is not None:
            _folder(out)
            held.enter_context(_lock(out))
            journal, kept = _kept_journal(out, goal, writable=True)
        else:
            kept = _study(InMemoryStorage(), "search", goal)
        if kept.user_attrs.get("mark", mark) != mark:
            raise ArrayoptError(
                f"{out} holds a search of another study, seed or version; give another --out, "
                f"or remove {out}/{JOURNAL} to start afresh"
            )
        # Title and order may change while a search goes on: what is shown has the last ones.
        if kept.user_attrs.get("study") != study.text:
            kept.set_user_attr("study", study.text)
        if "mark" not in kept.user_attrs:
            kept.set_user_attr("stock", [row.model_dump(exclude_none=True) for row in study.stock])
            kept.set_user_attr("seed", seed)
            kept.set_user_attr("mark", mark)
        record = Record(kept, space, goal, journal)
        record.flush()
        yield record


@contextmanager
def recorded(out: Path, storage: str | None) -> Iterator[tuple[Study, int, optuna.Study]]:
    """Give the study and the seed of a search that a folder holds, and its trials.

    Raises
    ------
    ArrayoptError
        If the folder holds none.

    """
    with ExitStack() as held:
        if storage is None:
            if not (out / JOURNAL).is_file():
                raise ArrayoptError(
                    f"{out} holds no search; give a folder that `arrayopt optimise` wrote to"
                )
            kept = _kept_journal(out, None, writable=False)[1]
        else:
            try:
                name = (out / _NAME).read_text(encoding="utf-8").strip()
            except OSError:
                raise ArrayoptError(
                    f"{out} names no search of a database; give a folder that "
                    "`arrayopt optimise --storage` wrote to"
                ) from None
            kept = held.enter_context(_database(storage, name, None))
        attributes = kept.user_attrs
        if "mark" not in attributes:
            raise ArrayoptError(f"{out} holds a search that has not begun; run `arrayopt optimise`")
        rows = tuple(StockRow.model_validate(row) for row in attributes["stock"])
        study = parse_study(attributes["study"], name="recorded study", stock=rows)
        yield study, int(attributes["seed"]), kept


def _mark(goal: Goal, seed: int) -> str:
    """Return what a record belongs to: all that the judged figures follow from."""
    study = goal.study
    # Of an order, numbers matter to the price of packs and tolerances to scattered rotors.
    counted = {"motors", "spares_percent"} if study.stock else set()
    counted |= {"size_tolerance_mm", "angle_tolerance_deg"} if goal.costly & set(ROBUST) else set()
    order = {key: getattr(study.order, key) for key in sorted(counted)}
    # Of a shop list its rows count, wherever it lies.
    content = study.model_dump_json(
        exclude={"title": True, "order": True, "search": {"trials", "stock"}}
    )
    stock = [row.model_dump_json() for row in study.stock]
    told = f"{version('arrayopt')}{content}{order}{stock}{seed}"
    return hashlib.sha256(told.encode()).hexdigest()


def _study(storage: BaseStorage, name: str, goal: Goal) -> optuna.Study:
    better = {"more": StudyDirection.MAXIMIZE, "less": StudyDirection.MINIMIZE}
    directions = [better[f.better] for f in goal.objectives]
    return optuna.create_study(
        storage=storage, study_name=name, directions=directions, load_if_exists=True
    )


def _kept_journal(out: Path, goal: Goal | None, *, writable: bool) -> tuple[Journal, optuna.Study]:
    path = out / JOURNAL
    try:
        journal = Journal(path, writable=writable)
        storage = JournalStorage(journal)
        if goal is None or storage.get_all_studies():
            return journal, optuna.load_study(study_name="search", storage=storage)
        return journal, _study(storage, "search", goal)
    except OSError as fault:
        raise ArrayoptError(
            f"{out} cannot keep a search: {fault.strerror or fault}; choose another --out"
        ) from None
    except (ValueError, KeyError, TypeError, AssertionError, IndexError):
        raise ArrayoptError(
            f"{path} is not a record of a search; remove it or choose another --out"
        ) from None


def _opened(url: str) -> RDBStorage:
    """Open a database; processes that make its tables at the same moment try again."""
    for pause in _PAUSES:
        try:
            return RDBStorage(url)
        except (IntegrityError, ProgrammingError):  # another has just made the same table
            time.sleep(pause)
    return RDBStorage(url)


@contextmanager
def _database(url: str, name: str, goal: Goal | None) -> Iterator[optuna.Study]:
    """Open a search in a database: one that is there, or with a goal a new one too."""
    try:
        storage = _opened(url)
    except Exception as fault:
        # Drivers raise errors of their own kinds; the URL may hold a password and is not told.
        reason = " ".join(str(fault).split())[:200]
        raise ArrayoptError(
            f"--storage cannot be opened: {type(fault).__name__}: {reason}; check the URL, that "
            "the server is up and that its driver is installed"
        ) from None
    try:
        yield _study(storage, name, goal) if goal is not None else _named(storage, name)
    finally:
        storage.remove_session()
        storage.engine.dispose()


def _named(storage: BaseStorage, name: str) -> optuna.Study:
    try:
        return optuna.load_study(study_name=name, storage=storage)
    except KeyError:
        raise ArrayoptError(f"--storage holds no search named {name}; check the URL") from None


def _folder(out: Path) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise ArrayoptError(
            f"{out} cannot keep a search: {fault.strerror or fault}; choose another --out"
        ) from None


@contextmanager
def _lock(out: Path) -> Iterator[None]:
    """Keep other processes out of a folder; the system frees the lock of a killed process."""
    lock = FileLock(out / _LOCK, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise ArrayoptError(
            f"{out} is in use by another search; wait for it, stop it or choose another --out"
        ) from None
    except OSError as fault:
        raise ArrayoptError(
            f"{out} cannot keep a search: {fault.strerror or fault}; choose another --out"
        ) from None
    try:
        yield
    finally:
        lock.release()
