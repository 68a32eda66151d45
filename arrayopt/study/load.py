"""Reading a study file: everything that is wrong with it is told at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from arrayopt.errors import StudyError
from arrayopt.study.faults import key_path, syntax_remedy, validation_faults
from arrayopt.study.keys import alternatives, is_section
from arrayopt.study.models import Study
from arrayopt.study.rules import contradictions
from arrayopt.study.sections import Arc
from arrayopt.study.stock import StockRow, read_stock
from arrayopt.study.text import file_text

Check = tuple[tuple[str, ...], Callable[[Study], list[str]]]


def load_study(path: str | Path, *, checks: Sequence[Check] = ()) -> Study:
    """Read a study file.

    Parameters
    ----------
    path : str or Path
        TOML file; ``-`` reads standard input.
    checks : sequence of (tuple of str, callable)
        Later stages' rules: keys or tables of the study that one needs and a function
        that returns faults. They are asked too, so that all faults are told at once,
        unless one of those keys has a fault already.

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
    folder = Path() if str(path) == "-" else Path(path).parent
    text = file_text(
        None if str(path) == "-" else Path(path),
        missing=f"`arrayopt new {path}` writes a study to start from",
        kind="a study file is a page of TOML text",
    )
    return parse_study(text, name=name, folder=folder, checks=checks)


def parse_study(
    text: str,
    *,
    name: str = "study",
    folder: Path = Path(),
    stock: tuple[StockRow, ...] | None = None,
    checks: Sequence[Check] = (),
) -> Study:
    """Build a study from the text of a study file; raises as `load_study` does.

    Parameters
    ----------
    text : str
    name : str
        What messages call it.
    folder : Path
        Where the files that it names lie.
    stock : tuple of StockRow, optional
        Rows of its shop list, instead of reading them.
    checks : sequence of (tuple of str, callable)
        As in `load_study`.

    """
    try:
        content = tomllib.loads(text)
    except ValueError as fault:
        remedy = syntax_remedy(text, str(fault))
        if name.lower().endswith((".csv", ".txt")):
            remedy = "is it a file of readings? the study (TOML) comes first"
        raise StudyError([f"{name} is not valid TOML: {fault}; {remedy}"]) from None
    except RecursionError:
        raise StudyError([f"{name} is nested too deeply; flatten it"]) from None
    if not content:
        raise StudyError([f"{name} is empty; `arrayopt new FILE` writes a study to start from"])
    try:
        study = Study.model_validate(content)
        found = contradictions(study)
    except ValidationError as faults:
        study = _partial_study(content, faults)
        found = validation_faults(faults) + contradictions(study, partial=True)
    try:
        study = _with_stock(study, folder) if stock is None else study.with_stock(stock)
    except StudyError as faults:
        found += [
            "search.stock: " + fault.removeprefix("search.stock: ") for fault in faults.faults
        ]
    faulty = [re.split(r"[: ]", fault, maxsplit=1)[0] for fault in found]
    for needed, check in checks:
        if not any(_within(a, b) or _within(b, a) for a in faulty for b in needed):
            found += check(study)
    if found:
        raise StudyError(found)
    study._text = text
    return study


def _with_stock(study: Study, folder: Path) -> Study:
    """Read the shop list that a study names; its materials may be what has a fault."""
    search = getattr(study, "search", None)
    name = getattr(search, "stock", None)
    if name is None or getattr(study, "materials", None) is None:
        return study
    return study.with_stock(read_stock(folder / name, grades=study.known("magnets")))


def _within(path: str, table: str) -> bool:
    return path == table or path.startswith(f"{table}.")


def _partial_study(content: dict[str, Any], faults: ValidationError) -> Study:
    """Return what is sound of a faulty study: keys with faults are missing from it."""
    bad = {key_path(fault["loc"]) for fault in faults.errors(include_url=False)}

    def build(model: type[BaseModel], table: dict[str, Any], prefix: str) -> BaseModel:
        part = model.model_construct()
        for name, field in model.model_fields.items():
            path, value = f"{prefix}{name}", table.get(name)
            kinds = [k for k in alternatives(field.annotation) if is_section(k)]
            if path not in bad and kinds and isinstance(value, dict):
                kind = Arc if Arc in kinds and value.get("shape") == "arc" else kinds[0]
                part.__dict__[name] = build(kind, value, f"{path}.")
            elif any(_within(b, path) for b in bad):
                part.__dict__.pop(name, None)
            elif value is not None:
                part.__dict__[name] = _sound(field, value)
        return part

    return cast(Study, build(Study, content, ""))


def _sound(field: FieldInfo, value: Any) -> Any:
    """Convert a value that its field accepts."""
    return TypeAdapter(cast(Any, field.annotation)).validate_python(value)
