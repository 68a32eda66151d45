"""Finished tasks of a confirmation, so that it goes on where it was stopped."""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np

from arrayopt.confirmation.plan import Task
from arrayopt.errors import ArrayoptError
from arrayopt.quantities import Array

FILE = "confirm.sqlite"
_PATIENCE_S = 5


class Kept:
    """Results by task, each on disk before the next is asked for."""

    def __init__(self, database: sqlite3.Connection, name: str, version: str) -> None:
        self._database, self._name, self._version = database, name, version
        with database:
            database.execute(
                "CREATE TABLE IF NOT EXISTS done (key TEXT PRIMARY KEY, result BLOB NOT NULL)"
            )

    def get(self, task: Task) -> dict[str, Array] | None:
        """Return a task's result, None if it is still to be carried out."""
        with _told(self._name):
            found = self._database.execute(
                "SELECT result FROM done WHERE key = ?", (self._key(task),)
            ).fetchone()
        if found is None:
            return None
        with np.load(io.BytesIO(found[0])) as arrays:
            return {name: arrays[name] for name in arrays.files}

    def put(self, task: Task, result: dict[str, Array]) -> None:
        """Keep a task's result."""
        packed = io.BytesIO()
        np.savez_compressed(packed, allow_pickle=False, **result)
        with _told(self._name), self._database:
            self._database.execute(
                "INSERT OR REPLACE INTO done VALUES (?, ?)", (self._key(task), packed.getvalue())
            )

    def _key(self, task: Task) -> str:
        return f"{self._version} {task.key}"


@contextmanager
def kept(out: Path | None, version: str) -> Iterator[Kept]:
    """Open what a folder keeps; without a folder, memory.

    Raises
    ------
    ArrayoptError
        If the folder cannot be written to, or its file is not one of these.

    """
    name = ":memory:" if out is None else str(out / FILE)
    with _told(name):
        if out is not None:
            out.mkdir(parents=True, exist_ok=True)
        database = sqlite3.connect(name, timeout=_PATIENCE_S)
    with closing(database):
        with _told(name):
            memory = Kept(database, name, version)
        yield memory


@contextmanager
def _told(name: str) -> Iterator[None]:
    try:
        yield
    except OSError as fault:
        raise ArrayoptError(
            f"{name} cannot be written: {fault.strerror or fault}; choose another --out"
        ) from None
    except sqlite3.Error as fault:
        raise ArrayoptError(
            f"{name} cannot be used: {fault}; choose another --out, or remove that file"
        ) from None
