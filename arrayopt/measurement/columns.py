"""Columns and settings of measured files: their names, units, senses and kinds."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import pi
from typing import NamedTuple

from arrayopt.errors import echo, known_ones, shown_key
from arrayopt.quantities import RPM
from arrayopt.study.table import Fault, Table


class Unit(NamedTuple):
    """A unit as messages show it, and what one of it is inside."""

    shown: str
    factor: float


_TIMES = {
    "s": Unit("s", 1), "ms": Unit("ms", 1e-3), "us": Unit("us", 1e-6),
    "min": Unit("min", 60), "h": Unit("h", 3600),
}  # fmt: skip
_TESLAS = {"t": Unit("T", 1), "mt": Unit("mT", 1e-3), "g": Unit("G", 1e-4)}
_VOLTS = {"v": Unit("V", 1), "mv": Unit("mV", 1e-3)}
LEADS = {
    "phase_a": "a", "phase_b": "b", "phase_c": "c",
    "line_ab": "ab", "line_bc": "bc", "line_ca": "ca",
}  # fmt: skip
# Quantities by the start of a column's name, units by its end; the first unit is used inside.
UNITS: dict[str, dict[str, Unit]] = {
    "angle": {"deg": Unit("deg", pi / 180), "rad": Unit("rad", 1)},
    "time": _TIMES,
    "flux_density": _TESLAS,
    **dict.fromkeys(LEADS, _VOLTS),
    "torque": {"nm": Unit("N m", 1), "mnm": Unit("mN m", 1e-3)},
    "winding": {"c": Unit("degC", 1)},
    "line_resistance": {"ohm": Unit("ohm", 1), "mohm": Unit("mohm", 1e-3)},
    "reading": _TESLAS,
    "remanence": {"t": Unit("T", 1), "mt": Unit("mT", 1e-3)},
}
_FIELD = (-3.0, 3.0, "from -3 to 3 T")
_VOLTAGE = (-5000.0, 5000.0, "from -5000 to 5000 V")
# What a quantity can be at all; generous, so that what falls outside is a slip.
SENSE: dict[str, tuple[float, float, str]] = {
    "angle": (-2e4 * pi, 2e4 * pi, "within 10000 turns"),
    "time": (-1e8, 1e8, "from -1e8 to 1e8 s"),
    "flux_density": _FIELD,
    **dict.fromkeys(LEADS, _VOLTAGE),
    "torque": (-1000.0, 1000.0, "from -1000 to 1000 N m"),
    "winding": (-60.0, 400.0, "from -60 to 400 degC"),
    "line_resistance": (1e-9, 1e6, "above 0 and at most 1e6 ohm"),
    "reading": _FIELD,
    "remanence": _FIELD,
}


class Size(NamedTuple):
    """A setting that is a number: least, most, and what one is inside."""

    least: float
    most: float
    factor: float


SIZES = {
    "radius_mm": Size(0.1, 1000, 1e-3),
    "height_mm": Size(-1000, 1000, 1e-3),
    "speed_rpm": Size(1e-3, 1e6, RPM),
    "current_a_rms": Size(1e-6, 1e4, 1),
    "ambient_c": Size(-60, 400, 1),
    "distance_mm": Size(0, 100, 1e-3),
}
WORDS = {"start": ("magnet 1", "unknown"), "direction": ("anticlockwise", "clockwise"),
         "stator": ("absent", "in place")}  # fmt: skip


@dataclass(frozen=True)
class Kind:
    """What a measured file may be.

    Attributes
    ----------
    name : str
        With its article, for messages.
    told : str
        Its columns, for messages.
    places : tuple of str
        Quantities or texts of which a row has one: where or when it was read.
    values : tuple of str
        Quantities that were read; at least one of them is a column.
    texts : tuple of str
        Further columns.
    ignored : tuple of str
        Columns that are not looked at, besides notes and expected values.
    settings : tuple of str
    needed : tuple of str
        Settings that must be there.
    least : int
        Readings of each column of values.
    single : bool
        Whether only one of the values can be a column.

    """

    name: str
    told: str
    places: tuple[str, ...]
    values: tuple[str, ...]
    texts: tuple[str, ...] = ()
    ignored: tuple[str, ...] = ()
    settings: tuple[str, ...] = ()
    needed: tuple[str, ...] = ()
    least: int = 8
    single: bool = False


SCAN = Kind(
    "a scan",
    "angle_deg and flux_density_mt",
    ("angle",),
    ("flux_density",),
    settings=("radius_mm", "height_mm", "start", "direction", "stator"),
)
EMF = Kind(
    "back-EMF",
    "angle_deg or time_s and line_ab_v, phase_a_v or others of these",
    ("angle", "time"),
    tuple(LEADS),
    settings=("speed_rpm",),
)
COGGING = Kind("cogging", "angle_deg and torque_nm", ("angle",), ("torque",))
HEAT = Kind(
    "a heat run",
    "time_s and winding_c or line_resistance_ohm",
    ("time",),
    ("winding", "line_resistance"),
    settings=("current_a_rms", "ambient_c"),
    needed=("current_a_rms",),
    least=3,
)
LOOSE = Kind(
    "a list of loose magnets",
    "magnet and reading_mt or remanence_t",
    ("magnet",),
    ("reading", "remanence"),
    texts=("family",),
    settings=("distance_mm",),
    least=2,
    single=True,
)
SHEET = Kind(
    "a bench sheet",
    "key and found",
    ("key",),
    ("found",),
    texts=("unit",),
    ignored=("reading", "low", "high", "how"),
    least=1,
)
KINDS = (SCAN, EMF, COGGING, HEAT, LOOSE, SHEET)
_VOLTS_SOMEHOW = re.compile(r"volt|u_|v_|v$|(back[_ -]?)?emf|bemf|ch\d|channel")
_ALL = "a file is read as " + ", or as ".join(f"{kind.name}: {kind.told}" for kind in KINDS)


@dataclass(frozen=True)
class Column:
    """One column that is read: where it stands, its name, its unit (None for texts)."""

    index: int
    name: str
    unit: Unit | None


def names_of(quantity: str) -> list[str]:
    """Return the columns' names of a quantity, or the text column's name."""
    return [f"{quantity}_{unit}" for unit in UNITS[quantity]] if quantity in UNITS else [quantity]


def columns_of(table: Table, faults: list[Fault]) -> tuple[Kind | None, dict[str, Column]]:
    """Return what kind of file a header belongs to and its columns by quantity.

    What is wrong with the header is added to the faults. A kind of None comes with a
    fault; so does a kind of which a column is missing.
    """
    kind = _kind(table, faults)
    if kind is None:
        return None, {}
    found: dict[str, Column] = {}
    seen: set[str] = set()
    for i, name in enumerate(table.header):
        quantity = _quantity(name, kind)
        if quantity in kind.ignored or _is_remark(name):
            continue
        wrong = _wrong(name, quantity, kind)
        if not wrong and quantity in found:
            got = echo(f"{found[quantity].name}, {name}")
            wrong = f"two columns of {quantity}", got, "keep one of them"
        if wrong:
            faults.append(Fault(table.head, *wrong))
        else:
            found[quantity] = Column(i, name, UNITS.get(quantity, {}).get(_ending(name, quantity)))
        seen.add(quantity)
    return kind, found if _is_whole(table, kind, seen, faults) else {}


def _is_whole(table: Table, kind: Kind, seen: set[str], faults: list[Fault]) -> bool:
    """Whether a header has what its kind needs, as far as names with wrong units tell."""
    sound = True
    for group, single in ((kind.places, True), (kind.values, kind.single)):
        given = [quantity for quantity in group if quantity in seen]
        choice = ", ".join(name for quantity in given or group for name in names_of(quantity))
        if not given:
            rule, remedy = f"{kind.name} needs another column", f"add one of {choice}"
            remedy = remedy if "," in choice else f"add {choice}"
            faults.append(Fault(table.head, rule, echo(", ".join(table.header)), remedy))
        elif single and len(given) > 1:
            rule = f"{kind.name} has one column of {' or '.join(given)}"
            got = echo(", ".join(table.header))
            faults.append(Fault(table.head, rule, got, "keep one of them"))
        sound = sound and bool(given) and not (single and len(given) > 1)
    return sound


def _kind(table: Table, faults: list[Fault]) -> Kind | None:
    """Kind that the names of the columns tell, wrong units and all."""
    header, got = table.header, echo(", ".join(table.header))
    if "key" in header or "found" in header:
        return SHEET
    quantities = [_quantity(name, None) for name in header]
    kinds = [
        kind
        for kind in KINDS
        if any(q in kind.values or (kind is LOOSE and q == "magnet") for q in quantities)
    ]
    if len(kinds) == 1:
        return kinds[0]
    if kinds:
        names = " and ".join(kind.name for kind in kinds)
        rule, remedy = f"columns of {names} in one file", "write one file for each"
    elif any(_quantity(part, None) in UNITS for part in header[0].split()[:-1]):
        rule, remedy = "columns must be parted", "put commas, semicolons or tabs between them"
    elif header[0][:1] in "+-.0123456789":
        rule, remedy = "the first row must name the columns", f"add it; {_ALL}"
    else:
        rule, remedy = "columns of no known kind", _ALL
        _tell_slips(table, quantities, faults)
    faults.append(Fault(table.head, rule, got, remedy))
    return None


def _tell_slips(table: Table, quantities: list[str], faults: list[Fault]) -> None:
    """Add wrong units and, beside known columns, unknown ones of a header of no kind."""
    known = [quantity in UNITS or quantity in _TEXTS for quantity in quantities]
    for name, quantity, is_known in zip(table.header, quantities, known, strict=True):
        if quantity in UNITS and _ending(name, quantity) not in UNITS[quantity]:
            faults.append(Fault(table.head, *_unit_fault(name, quantity)))
        elif is_known or not name or _is_remark(name):
            continue
        elif any(known) or _VOLTS_SOMEHOW.match(name):
            near = _near(name, [n for kind in KINDS for n in _known(kind)])
            faults.append(Fault(table.head, "unknown column", echo(name), near))


def _wrong(name: str, quantity: str, kind: Kind) -> tuple[str, str, str] | None:
    """Rule that a column's name breaks, name and remedy, or None where it is sound."""
    known = _known(kind)
    if not name:
        return "column without a name", "", "name it, or take it out"
    if quantity not in (*kind.places, *kind.values, *kind.texts):
        if quantity in UNITS or quantity in _TEXTS:
            return f"{shown_key(name)} is no column of {kind.name}", "", "take it out"
        near = f"{_near(name, known)}; a column called note is not looked at"
        return "unknown column", echo(name), near
    units = UNITS.get(quantity) if kind is not SHEET else None
    return _unit_fault(name, quantity) if units and _ending(name, quantity) not in units else None


def _unit_fault(name: str, quantity: str) -> tuple[str, str, str]:
    choice = " or ".join(names_of(quantity))
    return f"the name of a column of {quantity} ends in its unit", echo(name), f"use {choice}"


def _known(kind: Kind) -> list[str]:
    named = [name for quantity in (*kind.places, *kind.values) for name in names_of(quantity)]
    return [*named, *kind.texts, "note"]


def _near(name: str, known: list[str]) -> str:
    """Return the known names most like one that is unknown, or those of its quantity."""
    volts = [one for one in known if one.endswith("_v")]
    if volts and _VOLTS_SOMEHOW.match(name):
        return f"say between which leads: {', '.join(volts)}"
    return known_ones(name, known)


def _is_remark(name: str) -> bool:
    return name == "note" or name.startswith("expected")


def _quantity(name: str, kind: Kind | None) -> str:
    """Quantity that a column's name begins with, or the whole name."""
    if kind is SHEET:
        return name
    for quantity in UNITS:
        # What follows is a unit, right or wrong, unless it is long.
        if name.startswith(quantity) and re.fullmatch(r"([^a-z0-9].{0,9})?", name[len(quantity) :]):
            return quantity
    return name


def _ending(name: str, quantity: str) -> str:
    rest = name[len(quantity) :]
    return rest[1:] if rest.startswith("_") else ""


_TEXTS = {text for kind in KINDS for text in (*kind.places, *kind.texts)} - set(UNITS)
