"""The assembly sheet as text, JSON and CSV."""

from __future__ import annotations

from collections import Counter
from textwrap import fill
from typing import Any

import numpy as np

from arrayopt.checks.assembly import COMPUTED, SLIDES, STICKS, Assembly, Order, push_along
from arrayopt.checks.hazards import ASSEMBLING
from arrayopt.export.files import csv_text
from arrayopt.export.text_tables import bullets, table_text
from arrayopt.layout.members import first_place


def number(found: Assembly, row: int, place: int) -> int:
    """Return the number on the polarity map of the magnet at a place of a row."""
    count = len(found.recommended.sequence)
    return row * count + (place - first_place(found.layout)) % count + 1


def assembly_text(found: Assembly, order: Order) -> str:
    """Return the orders side by side, then one of them family by family."""
    row, step = order.worst
    worst = number(found, row, int(order.sequence[step]))
    push = order.push[row, step]
    lift = found.lifts[int(np.argmax(push_along(order.force[row, step])))] * 1e3
    where = f"{lift:.1f} mm above its seat" if lift else "when fully seated"
    chosen = "recommended" if order is found.recommended else "as asked for"
    study = found.layout.studies[0]
    return "\n\n".join(
        [
            f"{study.title}\nMagnets pushed in along the shaft, from the open side of the carrier"
            + (_ROWS if order.push.shape[0] > 1 else ""),
            table_text(*order_rows(found)),
            "\n".join(order_words(found)),
            f"Insertion order of the table below: {order.name} ({chosen}).\n"
            f"Hardest push: magnet {worst}, number {step + 1} to go in, {push:.2g} N, {where}.",
            table_text(*family_rows(found, order)),
            f"Numbers of the polarity map in the order in which they go in:\n"
            f"{sequence_text(found, order)}",
            bullets("Until the glue has set", holding_words(found, order)),
            "Forces are those between the magnets, their remanence at 20 C, no stator; the push "
            f"adds friction of {STICKS:g} times\nthe force sideways, and what stays by itself is "
            f"judged with {SLIDES:g} of it (common practice, no source).",
            bullets("Cautions", list(ASSEMBLING)),
        ]
    )


def order_rows(found: Assembly) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the orders side by side."""
    rows: list[list[object]] = [
        [
            order.name + (" (recommended)" if order is found.recommended else ""),
            f"{order.push.max():.2f}",
            f"{order.push.mean():.2f}",
            f"{np.linalg.norm(order.force, axis=-1).max():.2f}",
            found.to_hold(order),
        ]
        for order in found.orders
    ]
    header = ["Order", "Hardest\npush [N]", "Mean\npush [N]", "Largest\nforce [N]", "To be\nheld"]
    return rows, header


def family_rows(found: Assembly, order: Order) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of the worst of each family along its path."""
    rows: list[list[object]] = []
    families = np.array([found.family(int(place)) for place in order.sequence])
    for i, family in enumerate(found.layout.families):
        own = order.force[:, families == i]
        seat = own[:, :, 0]
        rows.append(
            [
                family.name,
                own.shape[0] * own.shape[1],
                f"{order.push[:, families == i].max():.2f}",
                *(_range(own[..., axis]) for axis in (2, 0, 1)),
                *(_range(seat[..., axis]) for axis in (2, 0, 1)),
            ]
        )
    header = [
        "Magnets", "Count", "Hardest\npush [N]", "On the path\nout of seat [N]", "outwards\n[N]",
        "anticlockwise\n[N]", "Seated\nout of seat [N]", "outwards\n[N]", "anticlockwise\n[N]",
    ]  # fmt: skip
    return rows, header


def _range(values: Any) -> str:
    low, high = (float(f"{v:.2f}") + 0.0 for v in (values.min(), values.max()))
    return f"{low:.2f}" if low == high else f"{low:.2f} to {high:.2f}"


_ROWS = "\nRow by row: the next row's print is set on a full one, then filled"
_WORDS = {
    "a plug in the bore": "{n} need a plug in the bore, against up to {f:.2g} N",
    "a sleeve": "{n} need a sleeve round the ring, against up to {f:.2g} N",
    "a lid": "{n} need a lid over the open side, against up to {f:.2g} N",
    "a plug in the bore and a lid": "{n} need plug and lid, against up to {f:.2g} N",
    "a sleeve and a lid": "{n} need sleeve and lid, against up to {f:.2g} N",
    "friction": "friction keeps {n}",
    "pulled in": "{n} are pulled into the pocket by the others",
}
_ORDERS = {
    "main magnets first": "all main magnets round the ring, then the others",
    "transverse magnets first": "all transverse magnets round the ring, then the others",
    "oblique magnets first": "all oblique magnets round the ring, then the main ones",
    "neighbour by neighbour": "anticlockwise round the ring",
    "from one side": "magnet 1, then its neighbours on either side in turn until they meet",
    COMPUTED: "next the magnet with the least push then; or planned backwards from the full ring",
}


def order_words(found: Assembly) -> list[str]:
    """Return what each order is."""
    return [f"{order.name}: {_ORDERS[order.name]}" for order in found.orders]


def sequence_text(found: Assembly, order: Order) -> str:
    """Return the numbers of the map in the order in which they go in."""
    rows = order.push.shape[0]
    lines = []
    for row in range(rows):
        numbers = ", ".join(str(number(found, row, int(k))) for k in order.sequence)
        lines.append(f"row {row + 1}: {numbers}" if rows > 1 else numbers)
    return "\n".join(fill(line, 100) for line in lines)


def holding_words(found: Assembly, order: Order) -> list[str]:
    """Return, family by family, what holds the magnets once their neighbours are in."""
    told: dict[str, Counter[str]] = {}
    worst: dict[tuple[str, str], float] = {}
    for row, step in np.ndindex(order.push.shape):
        holding = found.holding(order, row, step)
        name = found.layout.families[found.family(int(order.sequence[step]))].name
        told.setdefault(name, Counter())[holding.kind] += 1
        key = name, holding.kind
        worst[key] = max(worst.get(key, 0.0), holding.up, holding.out)
    return [
        f"{name} magnets: "
        + "; ".join(
            _WORDS[kind].format(n=n, f=worst[name, kind]) for kind, n in kinds.most_common()
        )
        for name, kinds in told.items()
    ]


def steps(found: Assembly, order: Order) -> list[dict[str, Any]]:
    """Return every step of an order."""
    rows = []
    for row, step in np.ndindex(order.push.shape):
        place = int(order.sequence[step])
        force, holding = order.force[row, step], found.holding(order, row, step)
        extreme = {
            name: force[np.abs(force[:, axis]).argmax(), axis]
            for axis, name in enumerate(("outwards", "anticlockwise", "out_of_seat"))
        }
        rows.append(
            {
                "step": row * len(order.sequence) + step + 1,
                "number": number(found, row, place),
                "row": row + 1,
                "family": found.layout.families[found.family(place)].name,
                "push_n": _newtons(order.push[row, step]),
                **{f"path_{name}_n": _newtons(value) for name, value in extreme.items()},
                "seated_outwards_n": _newtons(force[0, 0]),
                "seated_anticlockwise_n": _newtons(force[0, 1]),
                "seated_out_of_seat_n": _newtons(force[0, 2]),
                "holds": holding.kind,
                "lid_n": _newtons(holding.up),
                "plug_n": _newtons(holding.out),
            }
        )
    return rows


def _newtons(value: Any) -> float:
    """Return a force without the noise of computing."""
    return round(float(value), 6) + 0.0


def steps_csv(found: Assembly, order: Order) -> str:
    """Return every step of an order as CSV."""
    rows = steps(found, order)
    return csv_text(list(rows[0]), [list(row.values()) for row in rows])


def assembly_json(found: Assembly, order: Order) -> dict[str, Any]:
    """Return orders, the steps of one of them and cautions."""
    return {
        "title": found.layout.studies[0].title,
        "orders": [
            {
                "order": each.name,
                "recommended": each is found.recommended,
                "hardest_push_n": _newtons(each.push.max()),
                "mean_push_n": _newtons(each.push.mean()),
                "largest_force_n": _newtons(np.linalg.norm(each.force, axis=-1).max()),
                "to_be_held": found.to_hold(each),
            }
            for each in found.orders
        ],
        "order": order.name,
        "steps": steps(found, order),
        "cautions": list(ASSEMBLING),
    }
