"""Reading a study file: everything that is wrong with it is told at once."""

from __future__ import annotations

import difflib
import sys
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from arrayopt.errors import StudyError
from arrayopt.study.contradictions import contradictions
from arrayopt.study.keys import key_named, study_keys
from arrayopt.study.models import Study

_LARGEST = 1_000_000  # bytes; a study is a page of text, so more is some other file


def load_study(path: str | Path) -> Study:
    """Read a study file.

    Parameters
    ----------
    path : str or Path
        TOML file; ``-`` reads standard input.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        With one line for every fault found: unreadable file, TOML syntax, unknown
        or missing keys, wrong types and ranges, contradictions between keys.

    """
    return parse_study(_read(path), name="standard input" if str(path) == "-" else str(path))


def parse_study(text: str, *, name: str = "study") -> Study:
    """Build a study from the text of a study file; raises as `load_study` does."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise StudyError([f"{name} is not valid TOML: {fault}; correct that line"]) from None
    except RecursionError:
        raise StudyError([f"{name} is nested too deeply; flatten it"]) from None
    if not content:
        raise StudyError([f"{name} is empty; `arrayopt new FILE` writes a study to start from"])
    try:
        study = Study.model_validate(content)
    except ValidationError as faults:
        raise StudyError(validation_faults(faults)) from None
    found = contradictions(study)
    if found:
        raise StudyError(found)
    study._text = text
    return study


def validation_faults(faults: ValidationError) -> list[str]:
    """Return a line with key, rule, value received and remedy for each fault."""
    return list(dict.fromkeys(_line(dict(fault)) for fault in faults.errors(include_url=False)))


def _read(path: str | Path) -> str:
    try:
        if str(path) == "-":
            raw = sys.stdin.buffer.read(_LARGEST + 1)
        elif Path(path).is_dir():
            raise StudyError([f"{path} is a folder; give the study file inside it"])
        else:
            with Path(path).open("rb") as file:
                raw = file.read(_LARGEST + 1)
    except FileNotFoundError:
        raise StudyError(
            [f"{path} does not exist; `arrayopt new {path}` writes a study to start from"]
        ) from None
    except (OSError, ValueError) as fault:
        if isinstance(fault, StudyError):
            raise
        raise StudyError([f"{path} cannot be read: {fault}"]) from None
    if len(raw) > _LARGEST:
        raise StudyError([f"{path} is larger than 1 MB; a study file is a page of TOML text"])
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        raise StudyError([f"{path} is not UTF-8 text; save it as UTF-8"]) from None


def _line(fault: dict[str, Any]) -> str:
    parts = [str(part) for part in fault["loc"]]
    # The shape of a magnet picks the model and shows up as a step of the path.
    parts = [part for i, part in enumerate(parts) if not (part in ("block", "arc") and i == 2)]
    parts = [part for part in parts if part not in ("float", "int", "str")]
    path, kind, value = ".".join(parts), fault["type"], _short(fault.get("input"))
    if parts[:2] == ["search", "variables"] and len(parts) > 3:
        path = f"search.variables.{'.'.join(parts[2:])}"
    key = key_named(path)
    remedy = key.remedy if key else "see the table of study keys"
    meaning = f" ({key.meaning})" if key else ""
    if kind == "missing":
        text = f"{path} is missing{meaning}; {remedy}"
    elif kind == "extra_forbidden":
        text = f"{path} is not a key of a study; got {value}; {_nearest(path)}"
    elif kind == "finite_number":
        text = f"{path} must be finite; got {value}; {remedy}"
    elif kind in ("greater_than_equal", "less_than_equal", "greater_than", "literal_error"):
        text = f"{path} must be {key.allowed if key else 'in range'}; got {value}; {remedy}"
        if kind == "literal_error":
            text = f"{path} must be one of {fault['ctx']['expected']}; got {value}; choose one"
    elif kind.startswith("union_tag"):
        text = f'{path}.shape must be "block" or "arc"; got {value}; give the magnet a shape'
    elif kind in ("model_type", "model_attributes_type", "dict_type"):
        text = f"{path} must be a table of keys; got {value}; write it as [{path}]"
    elif kind in ("too_short", "string_too_short"):
        text = f"{path} is empty; {remedy}"
    elif kind in ("too_long", "string_too_long"):
        text = f"{path} is too long; keep it under {fault['ctx']['max_length']}"
    else:
        wanted = f"a {key.kind}" if key and key.kind != "one of" else "of the right type"
        text = f"{path} must be {wanted}; got {value}; {remedy}"
    return text


def _nearest(path: str) -> str:
    table, _, name = path.rpartition(".")
    siblings = {
        rest
        for key in study_keys()
        for rest in [key.path.removeprefix(f"{table}.").split(".")[0] if table else key.path]
        if not table or key.path.startswith(f"{table}.")
    }
    if not table:
        siblings = {key.path.split(".")[0] for key in study_keys()}
    near = difflib.get_close_matches(name, siblings, n=1)
    if near:
        return f"did you mean {near[0]}?"
    elsewhere = [key.path for key in study_keys() if key.path.rsplit(".", 1)[-1] == name]
    return f"it belongs at {elsewhere[0]}" if elsewhere else "remove it"


def _short(value: Any) -> str:
    text = repr(value) if isinstance(value, (str, float, int, bool, type(None))) else ""
    if not text:
        text = "a table" if isinstance(value, dict) else f"a {type(value).__name__}"
    return text if len(text) <= 60 else text[:57] + "..."
