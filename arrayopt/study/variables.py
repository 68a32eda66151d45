"""What a search may vary: the rules of [search.variables]."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterator, Sequence
from typing import Any

from pydantic import BaseModel, ValidationError

from arrayopt.errors import echo, known_ones, shown_key
from arrayopt.study.models import Study
from arrayopt.study.sections import FOREIGN, Arc, Stator, Variable

_MOST_MAGNETS = 24  # per pole pair, as in the model
_MOST_STEPS = 1e6
_NOWHERE = object()
# Keys that name a material, and the list that they name it from.
MATERIAL_KEYS = {
    "grade": "magnets", "material": "plastics", "sheet": "steels", "ring_steel": "steels",
}  # fmt: skip
_FIXED_TABLES = (
    "title", "search", "order", "limits", "heat", "joint", "drive", "strength", "sensor",
    "tolerance", "materials",
)  # fmt: skip
_FIXED_KEYS = ("position", "shape", "kind", "connection", "remanence", "wire")


def variable_faults(study: Study) -> Iterator[str]:
    """Yield a line for every variable that is not a range or list of allowed values."""
    for path, variable in study.search.variables.items() if study.search else ():
        fault = _malformed(variable)
        first, last = path.split(".", maxsplit=1)[0], path.rsplit(".", maxsplit=1)[-1]
        if fault is None and (first in _FIXED_TABLES or last in _FIXED_KEYS):
            fault = " is not something a search may change; remove it"
        if fault is None:
            fault = value_fault(study, path, variable_values(variable))
        if fault is not None:
            yield f'search.variables."{shown_key(path)}"{fault}'


def value_fault(study: Study, path: str, values: Sequence[Any]) -> str | None:
    """Return why a key of a study cannot take some values, the first reason; None if it can.

    Parameters
    ----------
    study : Study
    path : str
        Full path of the key.
    values : sequence

    """
    table, fault = _table_of(study, path)
    if fault is not None or table is None:
        return fault
    return _refused(study, table, path.rsplit(".", maxsplit=1)[-1], values)


def variable_values(variable: Variable) -> list[Any]:
    """Return the choices, or both ends of a range and its first step: enough to judge the rest."""
    if variable.choices is not None:
        return list(variable.choices)
    low, high, step = variable.low, variable.high, variable.step
    return [low, high] if step is None or low is None else [low, high, low + step]


def magnet_counts(variable: Variable) -> list[int]:
    """Return all magnet counts that a search may try."""
    if variable.choices is not None:
        return [v for v in variable.choices if isinstance(v, int) and v >= 2]
    low, high, step = variable.low, variable.high, variable.step or 1
    if not isinstance(low, int) or not isinstance(high, int) or not isinstance(step, int):
        return []
    return list(range(max(low, 2), min(high, _MOST_MAGNETS) + 1, step))


def _malformed(variable: Variable) -> str | None:
    ranged = variable.low is not None and variable.high is not None
    partly = any(v is not None for v in (variable.low, variable.high, variable.step))
    if (variable.choices is not None) == ranged or (partly and not ranged):
        return " needs either low and high (and step, if stepped) or choices; give one"
    if not ranged:
        return None
    low, high = float(variable.low or 0), float(variable.high or 0)
    if low >= high:
        got = f"low {variable.low} and high {variable.high}"
        return f".high must be above low; got {got}; swap or widen them"
    if variable.step is not None and high - low > _MOST_STEPS * variable.step:
        return f".step is too small; got {variable.step:g}; leave it out for a smooth range"
    if variable.step is not None and variable.step > high - low:
        got = f"{variable.step:g} from {low:g} to {high:g}"
        return f".step must be within the range; got {got}; make it smaller"
    return None


def _table_of(study: Study, path: str) -> tuple[BaseModel | None, str | None]:
    """Return the table that a path leads to, or why it leads nowhere; neither if it is faulty."""
    *tables, key = path.split(".")
    node: Any = study
    for name in tables:
        if name in _keys(node) and name not in node.__dict__:
            return None, None  # that table has a fault of its own
        node = getattr(node, name) if name in _keys(node) else _NOWHERE
    if node is None:
        there = ".".join(tables)
        return None, f": the study has no table {there}; add it, so that it can be changed"
    fault = None
    if isinstance(node, Arc) and key == "width_mm":
        fault = ": an arc has span_deg, not width_mm; name that"
    elif key not in _keys(node):
        near = difflib.get_close_matches(key, _keys(node), n=1)
        remedy = f"did you mean {near[0]}?" if near else "check its spelling"
        fault = f" is not a key of this study; {remedy}"
    elif key == "wire_diameter_mm" and getattr(node, key) is None:
        fault = ": the study names a winding.wire; give wire_diameter_mm there instead of it"
    elif isinstance(node, Stator) and key in FOREIGN[node.kind]:
        fault = f" has no meaning for a {node.kind} stator; remove it"
    return node, fault


def _refused(study: Study, table: BaseModel, key: str, values: Sequence[Any]) -> str | None:
    """Return why a table does not take one of the values, the first reason."""
    kind = MATERIAL_KEYS.get(key)
    known = study.known(kind, sheets_only=key == "sheet") if kind else None
    for value in values:
        if known is not None and value not in known:
            return f": unknown {key}; got {echo(value)}; {known_ones(str(value), known)}"
        try:
            type(table).model_validate({key: value})
        except ValidationError as faults:
            # The rest of the table is missing here on purpose.
            own = [e["msg"] for e in faults.errors(include_url=False) if e["loc"][:1] == (key,)]
            if own:
                return f": {echo(value)} is not allowed there ({own[0].lower()}); change it"
    return None


def _keys(node: Any) -> Collection[str]:
    return type(node).model_fields if isinstance(node, BaseModel) else ()
