"""Records of designs: in memory for one generation, in a folder for the whole search."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import version
from pathlib import Path

import optuna
from optuna.storages import BaseStorage, JournalStorage
from optuna.storages.journal import JournalFileBackend, JournalFileOpenLock

from arrayopt.errors import ArrayoptError
from arrayopt.study import Study

JOURNAL = "search.journal"


def new_record(storage: BaseStorage) -> optuna.Study:
    """Open the record of a search for most torque and least mass."""
    return optuna.create_study(
        storage=storage,
        study_name="search",
        directions=["maximize", "minimize"],
        load_if_exists=True,
    )


def kept_record(study: Study, seed: int, folder: Path) -> optuna.Study:
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
        record = new_record(JournalStorage(backend))
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
