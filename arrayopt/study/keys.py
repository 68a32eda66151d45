"""Every key of a study file with its type, range, default and meaning, read off the models."""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from annotated_types import Ge, Gt, Le
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from arrayopt.study.sections import StudyFile

# Tables of tables: what stands for the name that the user gives.
_PLACEHOLDERS = {
    "search.limits": "FIGURE",
    "tolerance.limits": "FIGURE",
    "search.variables": "KEY",
    "materials.magnets": "NAME",
    "materials.plastics": "NAME",
    "materials.adhesives": "NAME",
    "materials.steels": "NAME",
    "materials.wires": "NAME",
}
# How the name of a key ends: its unit in data files, and as it is shown.
_UNITS = {
    "mm": ("mm", "mm"), "deg": ("degree", "deg"), "c": ("degC", "C"), "k": ("K", "K"),
    "g": ("g", "g"), "t": ("T", "T"), "v": ("V", "V"), "a": ("A", "A"), "a_rms": ("A", "A rms"),
    "rpm": ("rpm", "rpm"), "percent": ("percent", "%"), "k_per_w": ("K/W", "K/W"),
    "n_per_mm": ("N/mm", "N/mm"), "w_per_kg": ("W/kg", "W/kg"), "kg_m3": ("kg/m^3", "kg/m3"),
    "ka_m": ("kA/m", "kA/m"), "mpa": ("MPa", "MPa"),
    "percent_per_k": ("percent/K", "%/K"),
}  # fmt: skip
# What stands before the last part of a key in words, by its table: the table's name if not here.
_BEFORE = {
    "rotor": "", "stator": "", "winding": "", "heat": "", "joint": "", "strength": "",
    "rotor.main": "main magnet", "rotor.transverse": "transverse magnet",
    "rotor.oblique": "oblique magnet", "heat.run": "heat run,", "limits": "limit of",
    "tolerance": "tolerance,", "order": "order,",
}  # fmt: skip
_TITLES = {
    "rotor.main": "Main magnet", "rotor.transverse": "Transverse magnet",
    "rotor.oblique": "Oblique magnet",
    "rotor.position": "Rotor position", "rotor.grade": "Magnet grade",
    "rotor.length_mm": "Magnet length", "rotor.overhang_mm": "Magnet overhang",
    "rotor.wall_mm": "Printed wall", "rotor.clearance_mm": "Clearance in pockets",
    "rotor.steel_ring_mm": "Steel ring thickness",
    "limits.demagnetised_percent": "Limit of demagnetised share",
    "stator.kind": "Stator kind", "stator.sheet": "Stator sheet", "stator.stack_mm": "Stack length",
    "stator.yoke_mm": "Yoke thickness", "winding.layers": "Winding layers",
    "winding.connection": "Winding connection", "winding.strands": "Wire strands",
    "heat.ambient_c": "Ambient temperature", "heat.speed_rpm": "Speed of the iron loss",
    "drive.voltage_v": "Drive voltage", "drive.peak_current_a": "Drive peak current",
}  # fmt: skip
_KINDS = {int: "whole number", float: "number", str: "text"}


@dataclass(frozen=True)
class Key:
    """One key: its full path, what it takes and what it means."""

    path: str
    kind: str
    allowed: str
    default: str
    meaning: str

    @property
    def remedy(self) -> str:
        """What to write, e.g. ``give a number from 0.3 to 100``."""
        if self.kind == "one of":
            return f"choose {self.allowed}"
        return f"give {self.article_kind}" + (f" {self.allowed}" if self.allowed else "")

    @property
    def article_kind(self) -> str:
        """Type in a sentence, e.g. ``a whole number``."""
        return self.kind if self.kind == "text" else f"a {self.kind}"


def study_keys() -> list[Key]:
    """Return the keys of a study file in the order of the models.

    The two shapes of a magnet share a table name; each key appears once under
    ``rotor.main``, which stands for ``transverse`` and ``oblique`` too.

    Examples
    --------
    >>> [key.allowed for key in study_keys() if key.path == "rotor.pole_pairs"]
    ['from 1 to 120']
    """
    return list(_keys(StudyFile, ""))


def key_named(path: str) -> Key | None:
    """Return the key with this path, or None; list indices and other magnets are folded in."""
    for name in ("transverse", "oblique"):
        path = path.replace(f"rotor.{name}.", "rotor.main.")
    for table, placeholder in _PLACEHOLDERS.items():
        if path.startswith(f"{table}."):
            path = f"{table}.{placeholder}." + path.rsplit(".", 1)[-1]
    return next((key for key in study_keys() if key.path == path), None)


def unit_of(path: str) -> str:
    """Return the unit of a key as a data file has it; 1 where it has none.

    Examples
    --------
    >>> unit_of("rotor.main.width_mm"), unit_of("heat.ambient_c"), unit_of("rotor.pole_pairs")
    ('mm', 'degC', '1')
    """
    return _units(path)[0]


def shown_unit(path: str) -> str:
    """Return the unit of a key as tables show it; nothing where it has none.

    Examples
    --------
    >>> shown_unit("heat.ambient_c"), shown_unit("strength.stiffness_n_per_mm")
    ('C', 'N/mm')
    """
    return _units(path)[1]


def key_title(path: str) -> str:
    """Return a key in words with its unit.

    Examples
    --------
    >>> key_title("rotor.main.width_mm"), key_title("airgap.length_mm")
    ('Main magnet width [mm]', 'Airgap length [mm]')
    """
    unit = shown_unit(path)
    return f"{_words(path)} [{unit}]" if unit else _words(path)


def _units(path: str) -> tuple[str, str]:
    return _UNITS.get(_ending(path), ("1", ""))


def _ending(path: str) -> str:
    """Return the unit that a key ends in as its name spells it; the longest counts."""
    last = path.rsplit(".", maxsplit=1)[-1]
    return max((end for end in _UNITS if last.endswith(f"_{end}")), key=len, default="")


def _words(path: str) -> str:
    if path in _TITLES:
        return _TITLES[path]
    table, _, last = path.rpartition(".")
    before = _BEFORE.get(table, table.rpartition(".")[-1])
    words = f"{before} {last.removesuffix(f'_{_ending(path)}').replace('_', ' ')}".strip()
    return words[0].upper() + words[1:]


def key_table() -> str:
    """Return all keys as a Markdown table, as it stands in the README."""
    lines = ["| key | takes | default | meaning |", "|---|---|---|---|"]
    for key in study_keys():
        takes = key.allowed if key.kind == "one of" else f"{key.kind} {key.allowed}".strip()
        lines.append(f"| `{key.path}` | {takes} | {key.default} | {key.meaning} |")
    return "\n".join(lines)


def _keys(model: type[BaseModel], prefix: str) -> Iterator[Key]:
    for name, field in model.model_fields.items():
        path = f"{prefix}{name}"
        if name in ("transverse", "oblique"):
            continue  # same keys as main
        named = _named_section(field.annotation)
        if named is not None:
            yield from _keys(named, f"{path}.{_PLACEHOLDERS[path]}.")
            continue
        sections = [kind for kind in alternatives(field.annotation) if is_section(kind)]
        if not sections:
            yield _key(path, field)
        seen: set[str] = set()
        for section in sections:
            for key in _keys(section, f"{path}."):
                if key.path not in seen:
                    seen.add(key.path)
                    yield key


def _key(path: str, field: FieldInfo) -> Key:
    if path.endswith(".shape"):
        return Key(path, "one of", '"block", "arc"', "needed", "of the magnet")
    kinds = [kind for kind in alternatives(field.annotation) if kind is not types.NoneType]
    bounds = {type(m): m for m in field.metadata}
    allowed, kind = "", _KINDS.get(kinds[0], "value") if len(kinds) == 1 else "value"
    if set(kinds) == {int, float}:
        kind = "number"
    if typing.get_origin(kinds[0]) is Literal:
        kind, allowed = "one of", ", ".join(f'"{v}"' for v in typing.get_args(kinds[0]))
    elif typing.get_origin(kinds[0]) is list:
        kind = "list"
    elif Ge in bounds and Le in bounds:
        allowed = f"from {_plain(bounds[Ge].ge)} to {_plain(bounds[Le].le)}"
    elif Gt in bounds:
        allowed = f"above {_plain(bounds[Gt].gt)}"
    if field.default is PydanticUndefined:
        default = "needed"
    elif field.default is None:
        default = "-"
    else:
        default = f"`{_plain(field.default)}`"
    return Key(path, kind, allowed, default, field.description or "")


def alternatives(annotation: Any) -> list[Any]:
    """Flatten unions and annotations to the plain types inside."""
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return alternatives(typing.get_args(annotation)[0])
    if origin in (typing.Union, types.UnionType):
        return [kind for part in typing.get_args(annotation) for kind in alternatives(part)]
    return [annotation]


def _named_section(annotation: Any) -> type[BaseModel] | None:
    """Return the section that a table of named tables holds; None for any other annotation."""
    if typing.get_origin(annotation) is not dict:
        return None
    kind = typing.get_args(annotation)[1]
    return kind if is_section(kind) else None


def is_section(kind: Any) -> bool:
    """Tell a table of keys from a plain value."""
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _plain(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    return f"{value:g}" if abs(value) < 1e5 else f"{value:.0f}"
