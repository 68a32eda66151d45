"""What is wrong with keys of a study, in words: key, rule, value received, remedy."""

from __future__ import annotations

import difflib
import re
from typing import Any

from pydantic import ValidationError

from arrayopt.errors import echo, shown_key
from arrayopt.study.keys import Key, key_named, study_keys
from arrayopt.study.names import near_name


def validation_faults(faults: ValidationError) -> list[str]:
    """Return a line with key, rule, value received and remedy for each key with a fault."""
    lines: dict[str, str] = {}
    for fault in faults.errors(include_url=False):
        # A value that suits none of several types has a fault for each; one is enough.
        lines.setdefault(key_path(fault["loc"]), _line(dict(fault)))
    return list(lines.values())


def syntax_remedy(text: str, fault: str) -> str:
    """Return what to do about a text that is not TOML, from what its reader says."""
    again = _key_given_again(text, fault) if "Cannot overwrite" in fault else None
    if again:
        return again
    comma = re.search(r"=\s*-?\d+,\d", text)
    return "decimals take a point, not a comma" if comma else "correct that line"


def _key_given_again(text: str, fault: str) -> str | None:
    """Name the key on the line that a fault names, and the line that has it already."""
    lines = text.splitlines()
    named = re.search(r"at line (\d+)", fault)
    table, first = "", dict[tuple[str, str], int]()
    for i, line in enumerate(lines[: int(named[1]) if named else len(lines)], 1):
        header, key = re.match(r"\s*(\[.*\])", line), re.match(r"\s*([^\s=#][^=]*?)\s*=", line)
        if header:
            table = header[1]
        elif key:
            before = first.setdefault((table, key[1]), i)
            if before < i:
                return f"{shown_key(key[1])} stands on line {before} already; keep one"
    return None


def key_path(loc: tuple[int | str, ...]) -> str:
    """Path of a key as a study file has it, without the steps that pick a model or type."""
    parts = [str(part) for part in loc]
    # The shape of a magnet picks the model and shows up as a step of the path.
    parts = [part for i, part in enumerate(parts) if not (part in ("block", "arc") and i == 2)]
    if parts[:2] in (["search", "variables"], ["search", "limits"]) and len(parts) > 2:
        parts[2] = f'"{parts[2]}"'
        parts = parts[:4] + [part for part in parts[4:] if part not in ("float", "int", "str")]
    return ".".join(parts)


def _line(fault: dict[str, Any]) -> str:
    full, kind, value = key_path(fault["loc"]), fault["type"], echo(fault.get("input"))
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
    if full == "search.objectives" and kind in ("too_short", "too_long"):
        limit = "make one a limit in [search.limits]"
        change = f"add another, or {limit}" if kind == "too_short" else limit
        return f"{path} needs 2 or 3 figures; got {len(fault['input'])}; {change}"
    if kind.startswith(("int", "float")) and _is_quoted(fault["input"]):
        remedy += ", without quotes"
    if kind == "literal_error":
        remedy = _nearest_choice(full, fault)
    return f"{path} must be {_rule(fault, key)}; got {value}; {remedy}"


def _rule(fault: dict[str, Any], key: Key | None) -> str:
    """Return what the value of a key must be."""
    kind, context = fault["type"], fault.get("ctx", {})
    if kind in ("greater_than_equal", "less_than_equal", "greater_than"):
        return key.allowed if key and key.allowed else "within -1e6 and 1e6"
    rules = {
        "finite_number": "finite",
        "literal_error": str(context.get("expected")).replace("'", '"'),
        "too_short": "more than empty",
        "string_too_short": "more than empty",
        "too_long": f"no longer than {context.get('max_length')}",
        "string_too_long": f"no longer than {context.get('max_length')}",
        "string_pattern_mismatch": "one line without control characters",
    }
    return rules.get(kind, key.article_kind if key else "of the right type")


def _is_quoted(value: Any) -> bool:
    """Tell whether a value is a number that was written as a text."""
    return isinstance(value, str) and bool(re.fullmatch(r"\s*[+-]?\d+(\.\d*)?\s*", value))


def _nearest_choice(path: str, fault: dict[str, Any]) -> str:
    """Return what to choose of words that a message has named."""
    if path == "stator.kind":
        return 'without slots it is "smooth" (iron behind the winding) or "ironless" (none at all)'
    choices = re.findall("'([^']+)'", str(fault.get("ctx", {}).get("expected")))
    near = difflib.get_close_matches(str(fault["input"]).lower(), choices, n=1)
    return f'did you mean "{near[0]}"?' if near else "choose one of these"


def _needed(table: str) -> str:
    """Name the keys that a missing table must have."""
    needed = [
        key.path.removeprefix(f"{table}.")
        for key in study_keys()
        if key.path.startswith(f"{table}.") and key.default == "needed"
    ]
    return f"add [{table}] with {', '.join(needed)}"


def _nearest(loc: tuple[int | str, ...]) -> str:
    path = key_path(loc)
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
    near = near_name(name, siblings)
    if near:
        return f"did you mean {near}?"
    elsewhere = [key.path for key in study_keys() if key.path.rsplit(".", 1)[-1] == name]
    return f"it belongs at {elsewhere[0]}" if elsewhere else "remove it"
