"""Which magnets of a shop list can serve a family, how they are turned, what they cost."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, cos, degrees, isclose
from typing import Any

import numpy as np

from arrayopt.layout.build import Layout
from arrayopt.layout.families import Family, magnet_families
from arrayopt.quantities import Array
from arrayopt.study.models import Study, relevant_magnets
from arrayopt.study.stock import StockRow
from arrayopt.study.variables import magnet_counts

_ANGLE_DEG = 0.5  # by which a direction of polarisation may differ
_SIZE_MM = 1e-6  # sizes nearer than this are the same
_SHOWN = 6  # lengths of a list in a message


@dataclass(frozen=True)
class Placed:
    """A row of a shop list as it would sit in the rotor.

    Attributes
    ----------
    row : StockRow
    angle_deg : float
        Between polarisation and the outward radius; of blocks folded to 0..90, since a
        block can be turned over either way, of arcs to 0..180.
    wide : float
        Width [mm] or span [deg].
    thickness_mm, length_mm : float

    """

    row: StockRow
    angle_deg: float
    wide: float
    thickness_mm: float
    length_mm: float


@dataclass(frozen=True)
class Choice:
    """What a search may choose for a table of magnets.

    Attributes
    ----------
    label : str
        Items of the shop list and how they lie.
    values : dict
        Keys within the table, e.g. ``width_mm``.
    length_mm : float
        Along the shaft, one piece.
    rows : tuple of StockRow
        All that serve it.

    """

    label: str
    values: dict[str, Any]
    length_mm: float
    rows: tuple[StockRow, ...]


@lru_cache(maxsize=8)
def placings(rows: tuple[StockRow, ...]) -> tuple[Placed, ...]:
    """Return every way in which the rows of a shop list can be put into a rotor."""
    return tuple(placed for row in rows for placed in _ways(row))


def _ways(row: StockRow) -> Iterator[Placed]:
    length, thickness, angle = row.length_mm, row.thickness_mm, row.angle_deg
    if row.shape == "arc":
        assert row.span_deg is not None
        assert angle is not None
        yield Placed(row, angle, row.span_deg, thickness, length)
        return
    assert row.width_mm is not None
    if angle is not None and 0 < angle < 90:
        yield Placed(row, angle, row.width_mm, thickness, length)
        yield Placed(row, 90 - angle, thickness, row.width_mm, length)
        return
    edges = {"length": length, "width": row.width_mm, "thickness": thickness}
    along = {None: row.polarised, 0.0: "thickness", 90.0: "width"}[angle]
    poled = edges.pop(along)
    one, other = edges.values()
    for across, axial in dict.fromkeys(((one, other), (other, one))):
        yield Placed(row, 0.0, across, poled, axial)  # main: polarised along its thickness
        yield Placed(row, 90.0, poled, across, axial)  # transverse: along its width


def piece_angles(family: Family, *, shape: str) -> list[tuple[float, int]]:
    """Return angle from the outward radius [deg] and count a pole pair of a family's pieces."""
    angle, count = degrees(family.piece_angle), len(family.places)
    if shape == "block":
        return [(angle, count)]
    # An arc turned end for end keeps its inside and outside.
    inward = sum(cos(direction) < -1e-9 for direction in family.directions)
    return [(a, n) for a, n in ((angle, count - inward), (180 - angle, inward)) if n]


def choices(study: Study, table: str) -> list[Choice]:
    """Return what the shop list offers for a table of magnets, from thin to thick.

    A choice has rows of one size and grade for every direction that the table's pieces
    need, in all layouts that the search may try; it is as long as the rotor, or as a
    row of it where ``rotor.skew_steps`` cuts it into several.
    """
    return _choices(study, table, _needed_angles(study, table, _counts(study)))


def _choices(study: Study, table: str, needed: set[float]) -> list[Choice]:
    shape = getattr(study.rotor, table).shape
    sizes: dict[tuple[float, float, float, str], dict[float, list[StockRow]]] = {}
    for placed in placings(study.stock):
        if placed.row.shape != shape or not _reaches_gap(study, placed):
            continue
        size = (placed.thickness_mm, placed.wide, placed.length_mm, placed.row.grade)
        for angle in needed:
            if isclose(angle, placed.angle_deg, abs_tol=_ANGLE_DEG):
                sizes.setdefault(size, {}).setdefault(angle, []).append(placed.row)
    found = []
    for (thickness, wide, length, grade), by_angle in sorted(sizes.items()):
        if set(by_angle) == needed and _right_length(study, length):
            items = dict.fromkeys(rows[0].item for rows in by_angle.values())
            name = "width_mm" if shape == "block" else "span_deg"
            values = {name: wide, "thickness_mm": thickness, "grade": grade}
            label = f"{' and '.join(items)}: {wide:g} x {thickness:g}, {length:g} along the shaft"
            serving = dict.fromkeys(row for rows in by_angle.values() for row in rows)
            found.append(Choice(label, values, length, tuple(serving)))
    return found


def common_lengths(study: Study, offered: Mapping[str, Collection[Choice]]) -> list[float]:
    """Return the lengths of the rotor [mm] for which every table of magnets has a choice."""
    steps = study.rotor.skew_steps
    lengths = [{round(c.length_mm * steps, 6) for c in own} for own in offered.values()]
    return sorted(set.intersection(*lengths)) if lengths else []


def idle_rows(study: Study) -> dict[str, list[str]]:
    """Return the items of a shop list that its search cannot use, by the reason."""
    offered = {table: choices(study, table) for table in stock_tables(study)}
    lengths, steps = common_lengths(study, offered), study.rotor.skew_steps
    serving = {
        row
        for own in offered.values() for choice in own for row in choice.rows
        if round(choice.length_mm * steps, 6) in lengths
    }  # fmt: skip
    found: dict[str, list[str]] = {}
    for row in dict.fromkeys(study.stock):
        if row not in serving:
            found.setdefault(_idle_reason(study, row), []).append(row.item)
    return found


def _idle_reason(study: Study, row: StockRow) -> str:
    shapes = {getattr(study.rotor, table).shape for table in stock_tables(study)}
    if row.shape not in shapes:
        return f"{row.shape}s, which the study has none of"
    edges = [row.length_mm]
    if row.shape == "block":
        edges += [row.width_mm or 0.0, row.thickness_mm]
    if not any(_right_length(study, edge) for edge in edges):
        if "rotor.length_mm" in _variables(study):
            return "no edge as long as rotor.length_mm may be"
        return f"no edge of {_piece_length(study):g} mm"
    return "suits no place by polarisation or size"


def stock_faults(study: Study) -> list[str]:
    """Return a line for every table of magnets that the shop list has nothing for."""
    if not study.stock:
        return []
    return [_no_choice(study, t) for t in stock_tables(study) if not choices(study, t)]


def _no_choice(study: Study, table: str) -> str:
    """Say what a table of magnets lacks on the shop list, and what the list has instead."""
    shape, counts = getattr(study.rotor, table).shape, _counts(study)
    needed = _needed_angles(study, table, counts)
    alike = [
        placed for placed in placings(study.stock)
        if placed.row.shape == shape
        and any(isclose(angle, placed.angle_deg, abs_tol=_ANGLE_DEG) for angle in needed)
    ]  # fmt: skip
    angles = " and ".join(f"{a:.3g}" for a in sorted(needed))
    got = "the list has none of that polarisation"
    if any(_right_length(study, placed.length_mm) for placed in alike):
        also = " with its faces along the gap" if shape == "arc" else ""
        got = f"the list has none of that length in every direction{also}"
    elif alike:
        lengths = sorted({placed.length_mm for placed in alike})
        more = ", ..." if len(lengths) > _SHOWN else ""
        shown = ", ".join(f"{one:g}" for one in lengths[:_SHOWN])
        got = f"of that polarisation the list has {shown}{more} mm along the shaft"
    long, remedies = "", ["add rows"]
    if "rotor.length_mm" not in _variables(study):
        long = f", {_piece_length(study):g} mm along the shaft"
        remedies += ["vary rotor.length_mm"] if alike else []
    lacking = _lacking_counts(study, table)
    if len(lacking) < len(counts):
        out = " and ".join(map(str, lacking))
        remedies.append(f"take {out} out of rotor.magnets_per_pole_pair")
    return (
        f"search.stock: no {shape} suits rotor.{table}; it needs polarisation {angles} deg "
        f"from the radius{long}; {got}; {' or '.join(remedies)}"
    )


def _lacking_counts(study: Study, table: str) -> list[int]:
    """Return the magnet counts that a table has no choice for, or else all that use it."""
    using = [M for M in _counts(study) if table in relevant_magnets(M)]
    alone = [M for M in using if not _choices(study, table, _needed_angles(study, table, [M]))]
    return alone or using


def stock_tables(study: Study) -> list[str]:
    """Return the tables of magnets that any layout of the search uses."""
    used = {table for M in _counts(study) for table in relevant_magnets(M)}
    return [t for t in ("main", "transverse", "oblique") if t in used]


def magnet_prices(layout: Layout) -> Array:
    """Price of the magnets of one motor from the shop list, shape (design,).

    Whole packs for ``order.motors`` motors with their spares, shared among the motors;
    NaN without a list or where a piece or its price is not in it.
    """
    return np.array([_price(layout, i) for i in range(len(layout))])


def _price(layout: Layout, index: int) -> float:
    study = layout.studies[index]
    if not study.stock:
        return float("nan")
    total = 0.0
    for rows, number in _pieces(study, layout.families).items():
        if all(row.price is None for row in rows):
            return float("nan")
        wanted = with_spares(study, number)
        row = cheapest(rows, wanted)
        total += packs(row, wanted) * (row.price or 0.0)
    return total / study.order.motors


def _pieces(study: Study, families: Iterable[Family]) -> dict[tuple[StockRow, ...], int]:
    """Pieces of one motor by the rows of the shop list that they may be."""
    found: dict[tuple[StockRow, ...], int] = {}
    for family in families:
        magnet = getattr(study.rotor, family.table)
        for angle, count in piece_angles(family, shape=magnet.shape):
            rows = stock_rows(study, family.table, angle)
            number = count * study.rotor.pole_pairs * study.rotor.skew_steps
            found[rows] = found.get(rows, 0) + number
    return found


def bought_rows(study: Study) -> dict[str, tuple[StockRow, ...]]:
    """Return by table of magnets the rows of the shop list that cost least for its pieces."""
    if not study.stock:
        return {}
    rotor = study.rotor
    families = magnet_families(rotor.magnets_per_pole_pair, outer=rotor.outer)
    pieces = _pieces(study, families)
    found: dict[str, dict[StockRow, None]] = {}
    for family in families:
        shape = getattr(rotor, family.table).shape
        for angle, _ in piece_angles(family, shape=shape):
            rows = stock_rows(study, family.table, angle)
            if rows:
                row = cheapest(rows, with_spares(study, pieces[rows]))
                found.setdefault(family.table, {})[row] = None
    return {table: tuple(rows) for table, rows in found.items()}


def stock_rows(study: Study, table: str, angle: float) -> tuple[StockRow, ...]:
    """Return the rows of the shop list that are a piece of a table of magnets.

    Parameters
    ----------
    study : Study
    table : str
        ``main``, ``transverse`` or ``oblique``.
    angle : float
        Of its polarisation from the outward radius, as `piece_angles` gives it [deg].

    """
    magnet = getattr(study.rotor, table)
    return tuple(p.row for p in placings(study.stock) if _is(p, study, magnet, angle))


def cheapest(rows: Iterable[StockRow], pieces: int) -> StockRow:
    """Row whose packs for so many pieces cost least; rows without a price come last."""

    def cost(row: StockRow) -> tuple[bool, float]:
        return row.price is None, packs(row, pieces) * (row.price or 0.0)

    return min(rows, key=cost)


def packs(row: StockRow, pieces: int) -> int:
    """Packs that hold so many pieces."""
    return ceil(pieces / row.pieces_per_pack)


def with_spares(study: Study, per_motor: int) -> int:
    """Pieces to order for all motors of a study with their spares."""
    order = study.order
    return ceil(round(per_motor * order.motors * (1 + order.spares_percent / 100), 6))


def _is(placed: Placed, study: Study, magnet: Any, angle: float) -> bool:
    """Tell whether a row of the list is the piece that a design needs."""
    wide = magnet.width_mm if magnet.shape == "block" else magnet.span_deg
    return (
        placed.row.shape == magnet.shape
        and placed.row.grade == (magnet.grade or study.rotor.grade)
        and isclose(placed.angle_deg, angle, abs_tol=_ANGLE_DEG)
        and isclose(placed.wide, wide, abs_tol=_SIZE_MM)
        and isclose(placed.thickness_mm, magnet.thickness_mm, abs_tol=_SIZE_MM)
        and isclose(placed.length_mm, _piece_length(study), abs_tol=_SIZE_MM)
        and _reaches_gap(study, placed)
    )


def _reaches_gap(study: Study, placed: Placed) -> bool:
    """Tell whether an arc's faces run along the gap, within a pocket's clearance."""
    if placed.row.inner_radius_mm is None:
        return True
    surface, gap = study.stator.surface_diameter_mm / 2, study.airgap.length_mm
    wanted = surface + gap if study.rotor.outer else surface - gap - placed.thickness_mm
    return abs(placed.row.inner_radius_mm - wanted) <= study.rotor.clearance_mm + _SIZE_MM


def _piece_length(study: Study) -> float:
    return study.rotor_length_mm / study.rotor.skew_steps


def _right_length(study: Study, length_mm: float) -> bool:
    whole = length_mm * study.rotor.skew_steps
    free = _variables(study).get("rotor.length_mm")
    if free is None:
        return isclose(whole, study.rotor_length_mm, abs_tol=_SIZE_MM)
    if free.choices is not None:
        return any(isclose(whole, float(c), abs_tol=_SIZE_MM) for c in free.choices)
    return bool(free.low - _SIZE_MM <= whole <= free.high + _SIZE_MM)


def _needed_angles(study: Study, table: str, counts: Iterable[int]) -> set[float]:
    rotor, shape = study.rotor, getattr(study.rotor, table).shape
    families: Iterable[Family] = (
        family for M in counts for family in magnet_families(M, outer=rotor.outer)
    )
    return {
        round(angle, 6)
        for family in families
        if family.table == table
        for angle, _ in piece_angles(family, shape=shape)
    }


def _counts(study: Study) -> list[int]:
    free = _variables(study).get("rotor.magnets_per_pole_pair")
    return magnet_counts(free) if free else [study.rotor.magnets_per_pole_pair]


def _variables(study: Study) -> dict[str, Any]:
    return dict(study.search.variables) if study.search else {}
