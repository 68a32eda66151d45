"""An order as text, JSON and CSV: cut list, purchase from the shop list, incoming inspection."""

from __future__ import annotations

from math import isnan
from string import ascii_uppercase
from typing import Any

from arrayopt.checks.hazards import BUYING, HANDLING
from arrayopt.checks.inspection import Reading
from arrayopt.export.cut_list import CutList, Piece
from arrayopt.export.files import csv_text
from arrayopt.export.results import shown
from arrayopt.export.text_tables import bullets, table_text


def letters(order: CutList) -> tuple[str, ...]:
    """Letter of each piece of an order."""
    return tuple(ascii_uppercase[: len(order.pieces)])


def order_text(order: CutList) -> str:
    """Return an order: pieces, directions, packs, what to ask for, what to measure, cautions."""
    words = [
        f"{letter}: {piece.polarisation}"
        for letter, piece in zip(letters(order), order.pieces, strict=True)
    ]
    parts = [
        f"{order.title}\nFor {order.motors} motor{'s' if order.motors > 1 else ''} with "
        f"{order.spares_percent:g} % spares",
        table_text(*cut_rows(order)),
        bullets(
            "Direction of polarisation (angle from a block's last edge, or from the outward "
            "radius through an arc's middle)",
            words,
        ),
        "Ask for a mark on the face or edge nearest north of every piece, and keep the kinds "
        "bagged apart:\npieces of one size with other directions look alike.",
        bullets("Ask the shop to confirm", asked(order)),
    ]
    if order.from_list:
        parts.append("From the shop list:\n" + table_text(*purchase_rows(order)))
    parts += [
        "Incoming inspection: flux density out of each face 1 mm above its centre, single loose "
        "piece at 20 C, other magnets\nand iron 0.2 m away. The band is that of the grade's "
        "remanence and of the direction's tolerance:\n" + table_text(*inspection_rows(order)),
        bullets("Cautions", [*missed_limits(order), *BUYING, *HANDLING]),
    ]
    return "\n\n".join(parts)


def missed_limits(order: CutList) -> list[str]:
    """Return the caution that belongs beside an order whose design misses a limit."""
    if not order.missed:
        return []
    return [
        f"THIS DESIGN DOES NOT KEEP ITS LIMITS ({', '.join(order.missed)}): see `arrayopt check` "
        "before you pay."
    ]


def cut_rows(order: CutList) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the cut list, its total last."""
    pieces = order.pieces
    rows: list[list[object]] = [
        [
            letter,
            piece.used_as,
            piece.shape,
            piece.size,
            f"{piece.tolerance_mm:g}",
            piece.grade,
            f"{piece.angle_deg:g}",
            piece.per_rotor,
            piece.ordered,
            f"{piece.mass_g:.3g}",
            f"{piece.ordered_mass_g:.1f}",
        ]
        for letter, piece in zip(letters(order), pieces, strict=True)
    ]
    total = ["", "total", *[""] * 5, sum(p.per_rotor for p in pieces)]
    total += [sum(p.ordered for p in pieces), "", f"{sum(p.ordered_mass_g for p in pieces):.1f}"]
    header = [
        "Piece", "Used as", "Shape", "Size [mm]", "+/- [mm]", "Grade", "Angle\n[deg]",
        "Per\nrotor", "To\norder", "Each\n[g]", "All\n[g]",
    ]  # fmt: skip
    return [*rows, total], header


def asked(order: CutList) -> list[str]:
    """Return what the shop is asked for besides sizes."""
    grades = dict.fromkeys(p.material for p in order.pieces if p.material is not None)
    remanence = [f"{g.name}: {g.remanence_min:g} to {g.remanence_max:g} T" for g in grades]
    coercivity = [f"{g.name}: {g.coercivity / 1e3:.0f} kA/m" for g in grades]
    return [
        f"coating {order.coating}, sizes over the coating",
        f"flat within {order.flatness_mm:g} mm, sizes within the table's tolerance",
        f"direction of polarisation within {order.pieces[0].angle_tolerance_deg:g} deg",
        f"remanence at 20 C, {', '.join(remanence)}; all pieces from one batch",
        f"coercivity HcJ at 20 C at least, {', '.join(coercivity)}",
    ]


def purchase_rows(order: CutList) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the packs to buy, their total last."""
    rows: list[list[object]] = [
        [
            letter,
            piece.item or "not on the list",
            piece.ordered,
            piece.packs or "",
            _spare(piece),
            _price(piece.price),
        ]
        for letter, piece in zip(letters(order), order.pieces, strict=True)
    ]
    header = ["Piece", "Item", "To\norder", "Packs", "Left\nover", "Price of\nthe packs"]
    return [*rows, ["", "total", "", "", "", _price(order.price)]], header


def _spare(piece: Piece) -> object:
    return piece.packs * piece.pieces_per_pack - piece.ordered if piece.packs else ""


def _price(price: float) -> str:
    return "-" if isnan(price) else f"{price:.2f}"


def inspection_rows(order: CutList) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of what a gaussmeter must read."""
    rows: list[list[object]] = []
    for letter, piece in zip(letters(order), order.pieces, strict=True):
        for i, reading in enumerate(piece.readings):
            rows.append([letter if i == 0 else "", reading.face, *_levels(reading), ""])
    header = ["Piece", "Face", "Pole", "Reads\n[mT]", "Accept from\n[mT]", "to\n[mT]", "Found"]
    return rows, header


def _levels(reading: Reading) -> list[object]:
    low, high = sorted((abs(reading.low), abs(reading.high)))
    if reading.low < 0 < reading.high:
        return ["none", "0", "0", f"{high * 1e3:.0f}"]
    if reading.expected == 0:
        return ["none", "0", "", ""]
    pole = "N" if reading.expected > 0 else "S"
    pole = {-1: "N and S", 0: pole, 1: f"both {pole}"}[reading.opposite]
    return [pole, *(f"{B * 1e3:.0f}" for B in (abs(reading.expected), low, high))]


def order_json(order: CutList) -> dict[str, Any]:
    """Return an order with its totals."""
    return {
        "title": order.title,
        "motors": order.motors,
        "spares_percent": order.spares_percent,
        "coating": order.coating,
        "flatness_mm": order.flatness_mm,
        "pieces": [
            {**row, "readings": _readings(piece.readings)}
            for row, piece in zip(_piece_rows(order), order.pieces, strict=True)
        ],
        "total": {
            "per_rotor": sum(p.per_rotor for p in order.pieces),
            "ordered": sum(p.ordered for p in order.pieces),
            "ordered_mass_g": shown(sum(p.ordered_mass_g for p in order.pieces)),
            "price": shown(order.price),
        },
        "checks_missed": list(order.missed),
        "cautions": [*missed_limits(order), *BUYING, *HANDLING],
    }


def order_csv(order: CutList) -> str:
    """Return a cut list as CSV, one row a piece."""
    rows = _piece_rows(order)
    return csv_text(list(rows[0]), [["" if v is None else v for v in r.values()] for r in rows])


def inspection_csv(order: CutList) -> str:
    """Return what a gaussmeter must read as CSV, one row a face."""
    rows = [
        [letter, *row.values()]
        for letter, piece in zip(letters(order), order.pieces, strict=True)
        for row in _readings(piece.readings)
    ]
    return csv_text(["piece", *_readings(order.pieces[0].readings)[0]], rows)


def _piece_rows(order: CutList) -> list[dict[str, Any]]:
    pairs = zip(letters(order), order.pieces, strict=True)
    return [{"piece": letter, **_piece_row(piece)} for letter, piece in pairs]


def _piece_row(piece: Piece) -> dict[str, Any]:
    return {
        "shape": piece.shape,
        "size": piece.size,
        "polarisation": piece.polarisation,
        "angle_deg": piece.angle_deg,
        "grade": piece.grade,
        "tolerance_mm": piece.tolerance_mm,
        "angle_tolerance_deg": piece.angle_tolerance_deg,
        "mass_g": piece.mass_g,
        "used_as": piece.used_as,
        "per_rotor": piece.per_rotor,
        "ordered": piece.ordered,
        "ordered_mass_g": shown(piece.ordered_mass_g),
        "item": piece.item or None,
        "packs": piece.packs or None,
        "price": shown(piece.price),
    }


def _readings(readings: tuple[Reading, ...]) -> list[dict[str, Any]]:
    return [
        {
            "face": reading.face,
            "sign_on_opposite_face": {-1: "opposite", 0: None, 1: "same"}[reading.opposite],
            "expected_mt": shown(reading.expected, 1e3),
            "low_mt": shown(reading.low, 1e3),
            "high_mt": shown(reading.high, 1e3),
        }
        for reading in readings
    ]
