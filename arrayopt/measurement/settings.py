"""Settings of measured files: the lines ``# name = value``."""

from __future__ import annotations

import re
from typing import Any

from arrayopt.errors import echo, known_ones, shown_key
from arrayopt.measurement.columns import EMF, SIZES, WORDS, Column, Kind
from arrayopt.study.table import NO_MARKS, Fault, Setting, Table, number_fault

# Spreadsheets turn the marks of numbers into a country's own, but not those in such a line.
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}\.\d{3}", re.ASCII)
_Wrong = tuple[str, str, str] | None  # rule, value received, remedy


def settings_of(
    table: Table,
    kind: Kind | None,
    columns: dict[str, Column],
    *,
    mark: str,
    faults: list[Fault],
) -> dict[str, Any]:
    """Return settings by name, sizes in SI units.

    Parameters
    ----------
    table : Table
    kind : Kind or None
        None allows the settings of all kinds and needs none.
    columns : dict of str to Column
        Those that are read, by quantity.
    mark : str
        Decimal mark of the table's numbers.
    faults : list of Fault
        Those of settings that lack or are wrong are added.

    """
    found: dict[str, Any] = {}
    given: set[str] = set()
    for setting in table.settings:
        name = setting.name
        if setting.sign != "=" and name not in SIZES:
            continue  # free text with a colon or a comma
        wrong = _name_fault(setting, kind)
        if not wrong and name in given:
            wrong = f"setting {name} comes twice", echo(setting.value), "keep one of them"
        if not wrong:
            is_word, separator = name in WORDS, table.separator
            wrong = _word_fault(setting) if is_word else _size_fault(setting, mark, separator)
        if wrong:
            faults.append(Fault(setting.line, *wrong))
        elif name in WORDS:
            found[name] = _word(setting.value)
        else:
            found[name] = float(setting.value.replace(",", ".")) * SIZES[name].factor
        given.add(name)
    needed = () if kind is None else kind.needed
    if kind is EMF and "angle" in columns:
        needed = ("speed_rpm",)  # volts mean nothing without it
    for name in needed:
        if name not in given:
            remedy = f"add a line # {name} = ... above the header"
            faults.append(Fault(0, f"{name} is missing", "", remedy))
    return found


def _name_fault(setting: Setting, kind: Kind | None) -> _Wrong:
    name, every = setting.name, [*SIZES, *WORDS]
    own = every if kind is None else list(kind.settings)
    whose = "" if kind is None else kind.name
    if name not in every:
        near = known_ones(name, own) if own else f"{whose} has no settings"
        return "unknown setting", echo(name), f"{near}; free text must not look like name = value"
    if name not in own:
        its = f"it has {', '.join(own)}" if own else "take the line out"
        return f"{name} is no setting of {whose}", echo(setting.value), its
    if setting.sign != "=":
        remedy = f"write # {shown_key(name)} = {shown_key(setting.value)}"
        return f"{name} must be followed by =", echo(setting.sign), remedy
    if not setting.value:
        return f"{name} has no value", "", "give it one, or take the line out"
    return None


def _word_fault(setting: Setting) -> _Wrong:
    words = WORDS[setting.name]
    if _word(setting.value) in words:
        return None
    return f"{setting.name} must be {' or '.join(words)}", echo(setting.value), "correct it"


def _size_fault(setting: Setting, mark: str, separator: str) -> _Wrong:
    name, value, size = setting.name, setting.value, SIZES[setting.name]
    wrong = number_fault(value, mark="," if "," in value else ".", separator=separator)
    if not wrong and mark == "," and _MAYBE_THOUSANDS.fullmatch(value):
        wrong = "must have no thousands mark where decimals have a comma", NO_MARKS
    if wrong:
        return f"{name} {wrong[0]}", echo(value), wrong[1]
    if not size.least <= float(value.replace(",", ".")) <= size.most:
        return f"{name} must be from {size.least:g} to {size.most:g}", echo(value), "correct it"
    return None


def _word(value: str) -> str:
    return " ".join(value.lower().split())
