"""Reading a study file: everything that is wrong with it is told at once."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from arrayopt.errors import StudyError, echo, shown_key
from arrayopt.study.keys import Key, alternatives, is_section, key_named, study_keys
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
        comma = re.search(r"=\s*-?\d+,\d", text)
        remedy = "decimals take a point, not a comma" if comma else "correct that line"
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


def validation_faults(faults: ValidationError) -> list[str]:
    """Return a line with key, rule, value received and remedy for each key with a fault."""
    lines: dict[str, str] = {}
    for fault in faults.errors(include_url=False):
        # A value that suits none of several types has a fault for each; one is enough.
        lines.setdefault(_key_path(fault["loc"]), _line(dict(fault)))
    return list(lines.values())


def _partial_study(content: dict[str, Any], faults: ValidationError) -> Study:
    """Return what is sound of a faulty study: keys with faults are missing from it."""
    bad = {_key_path(fault["loc"]) for fault in faults.errors(include_url=False)}

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


def _key_path(loc: tuple[int | str, ...]) -> str:
    """Path of a key as a study file has it, without the steps that pick a model or type."""
    parts = [str(part) for part in loc]
    # The shape of a magnet picks the model and shows up as a step of the path.
    parts = [part for i, part in enumerate(parts) if not (part in ("block", "arc") and i == 2)]
    if parts[:2] in (["search", "variables"], ["search", "limits"]) and len(parts) > 2:
        parts[2] = f'"{parts[2]}"'
        parts = parts[:4] + [part for part in parts[4:] if part not in ("float", "int", "str")]
    return ".".join(parts)


def _line(fault: dict[str, Any]) -> str:
    full, kind, value = _key_path(fault["loc"]), fault["type"], echo(fault.get("input"))
    path, key = shown_key(full), key_named(full)
    remedy = key.remedy if key else "see the table of study keys"
    if kind == "missing":
        meaning = f" ({key.meaning})" if key else ""
        return f"{path} is missing{meaning}; {remedy if key else _needed(full)}"
    if kind == "extra_forbidden":
        if full.startswith("search.variables.") and isinstance(fault["input"], dict):
            remedy = 'put the whole key in quotes, as in "rotor.main.width_mm" = { ... }'
        elif full.startswith("search.limits.") and isinstance(fault["input"], dict):
            remedy = 'put the whole key in quotes, as in "mass.rotor_g" = { at_most = 90 }'
        else:
            remedy = _nearest(fault["loc"])
        return f"{path} is not a key of a study; got {value}; {remedy}"
    if kind.startswith("union_tag"):
        shape = fault["input"].get("shape") if isinstance(fault["input"], dict) else None
        got = f'must be "block" or "arc"; got {echo(shape)}' if shape is not None else "is missing"
        return f'{path}.shape {got}; choose "block" or "arc"'
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        shape = f"[{full}]" if "variables" not in full else "{ low = ..., high = ... }"
        shape = shape if "search.limits." not in full else "{ at_most = ... }"
        return f"{path} must be a table of keys; got {value}; write it as {shape}"
    return f"{path} must be {_rule(fault, key)}; got {value}; {remedy}"


def _rule(fault: dict[str, Any], key: Key | None) -> str:
    """Return what the value of a key must be."""
    kind, context = fault["type"], fault.get("ctx", {})
    if kind in ("greater_than_equal", "less_than_equal", "greater_than"):
        return key.allowed if key and key.allowed else "within -1e6 and 1e6"
    rules = {
        "finite_number": "finite",
        "literal_error": f"one of {context.get('expected')}",
        "too_short": "more than empty",
        "string_too_short": "more than empty",
        "too_long": f"no longer than {context.get('max_length')}",
        "string_too_long": f"no longer than {context.get('max_length')}",
        "string_pattern_mismatch": "one line without control characters",
    }
    return rules.get(kind, key.article_kind if key else "of the right type")


def _needed(table: str) -> str:
    """Name the keys that a missing table must have."""
    needed = [
        key.path.removeprefix(f"{table}.")
        for key in study_keys()
        if key.path.startswith(f"{table}.") and key.default == "needed"
    ]
    return f"add [{table}] with {', '.join(needed)}"


def _nearest(loc: tuple[int | str, ...]) -> str:
    path = _key_path(loc)
    table, _, name = path.rpartition(".")
    if loc[2:3] == ("arc",) and name == "width_mm":
        return "an arc has span_deg instead"
    if loc[2:3] == ("block",) and name == "span_deg":
        return "a block has width_mm instead"
    start = f"{table}." if table else ""
    for other in ("transverse", "oblique"):
        start = start.replace(f"rotor.{other}.", "rotor.main.")
    siblings = {
        key.path.removeprefix(start).split(".")[0]
        for key in study_keys()
        if key.path.startswith(start)
    }
    near = difflib.get_close_matches(name, siblings, n=1)
    if near:
        return f"did you mean {near[0]}?"
    elsewhere = [key.path for key in study_keys() if key.path.rsplit(".", 1)[-1] == name]
    return f"it belongs at {elsewhere[0]}" if elsewhere else "remove it"
