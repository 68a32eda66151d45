"""Reading a study file: everything that is wrong with it is told at once."""

from __future__ import annotations

import difflib
import sys
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from arrayopt.errors import StudyError
from arrayopt.study.contradictions import contradictions
from arrayopt.study.keys import alternatives, is_section, key_named, study_keys
from arrayopt.study.models import Arc, Study

_LARGEST = 1_000_000  # bytes; a study is a page of text, so more is some other file


Check = tuple[str, Callable[[Study], list[str]]]


def load_study(path: str | Path, *, checks: Sequence[Check] = ()) -> Study:
    """Read a study file.

    Parameters
    ----------
    path : str or Path
        TOML file; ``-`` reads standard input.
    checks : sequence of (str, callable)
        Later stages' rules: a table of the study and a function that returns faults.
        They are asked too, so that all faults are told at once, unless that table has
        faults already.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        With one line for every fault found: unreadable file, TOML syntax, unknown
        or missing keys, wrong types and ranges, contradictions between keys.

    """
    name = "standard input" if str(path) == "-" else str(path)
    return parse_study(_read(path), name=name, checks=checks)


def parse_study(text: str, *, name: str = "study", checks: Sequence[Check] = ()) -> Study:
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
        rest = contradictions(_partial_study(content, faults), partial=True)
        raise StudyError([*validation_faults(faults), *rest]) from None
    found = contradictions(study)
    for table, check in checks:
        if not any(fault.startswith((f"{table}.", f"{table}:")) for fault in found):
            found += check(study)
    if found:
        raise StudyError(found)
    study._text = text
    return study


def validation_faults(faults: ValidationError) -> list[str]:
    """Return a line with key, rule, value received and remedy for each fault."""
    return list(dict.fromkeys(_line(dict(fault)) for fault in faults.errors(include_url=False)))


def _partial_study(content: dict[str, Any], faults: ValidationError) -> Study:
    """Return what is sound of a faulty study: keys with faults are missing from it."""
    bad = {_key_path(fault["loc"]) for fault in faults.errors(include_url=False)}

    def build(model: type[BaseModel], table: dict[str, Any], prefix: str) -> BaseModel:
        part = model.model_construct()
        for name, field in model.model_fields.items():
            path, value = f"{prefix}{name}", table.get(name)
            if path in bad:
                part.__dict__.pop(name, None)
            elif isinstance(value, dict) and name != "variables":
                kinds = [k for k in alternatives(field.annotation) if is_section(k)]
                kind = Arc if Arc in kinds and value.get("shape") == "arc" else kinds[0]
                part.__dict__[name] = build(kind, value, f"{path}.")
            elif value is not None and not any(b.startswith(f"{path}.") for b in bad):
                part.__dict__[name] = _sound(field, value)
        return part

    return cast(Study, build(Study, content, ""))


def _sound(field: FieldInfo, value: Any) -> Any:
    """Convert a value that its field accepts."""
    return TypeAdapter(cast(Any, field.annotation)).validate_python(value)


def _key_path(loc: tuple[int | str, ...]) -> str:
    """Path of a key as a study file has it, without the steps that pick a model or type."""
    parts = [str(part) for part in loc]
    # The shape of a magnet picks the model and shows up as a step of the path.
    parts = [part for i, part in enumerate(parts) if not (part in ("block", "arc") and i == 2)]
    return ".".join(part for part in parts if part not in ("float", "int", "str"))


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
    path, kind, value = _key_path(fault["loc"]), fault["type"], _short(fault.get("input"))
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
