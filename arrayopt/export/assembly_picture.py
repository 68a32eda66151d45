"""Picture of the pushes of all orders of assembly, and of the forces along the hardest path."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from arrayopt.checks.assembly import STICKS, Assembly, Order
from arrayopt.export.assembly_tables import number
from arrayopt.export.pictures import BLUE, GREEN, GREY, INK, ORANGE, PALE, RED, STYLE

_LINES = ((RED, "-"), (BLUE, "--"), (ORANGE, "-."), (GREEN, ":"), (GREY, "-"))


def assembly_picture(found: Assembly, order: Order) -> Figure:
    """Draw the push of every step, and the forces along the path of an order's hardest one."""
    with rc_context(STYLE):
        drawing = Figure(figsize=(10, 3.8), layout="constrained")
        left, right = drawing.subplots(1, 2)
        _pushes(left, found)
        _path(right, found, order)
        drawing.legend(
            *left.get_legend_handles_labels(), loc="outside lower left", ncols=3, frameon=False
        )
    return drawing


def _pushes(ax: Axes, found: Assembly) -> None:
    for order, (colour, style) in zip(found.orders, _LINES, strict=False):
        push = order.push.ravel()
        words = order.name + (" (recommended)" if order is found.recommended else "")
        ax.plot(np.arange(1, len(push) + 1), push, style, color=colour, label=words, lw=1.3)
    ax.set(xlabel="Magnets pushed in", ylabel="Push of each magnet at its worst [N]")
    ax.set_ylim(bottom=min(0, ax.get_ylim()[0]))


def _path(ax: Axes, found: Assembly, order: Order) -> None:
    row, step = order.worst
    force, lifts = order.force[row, step], found.lifts * 1e3
    ax.axhline(0, color=PALE, lw=0.8)
    push = force[:, 2] + STICKS * np.hypot(force[:, 0], force[:, 1])
    for values, words, colour, style in (
        (push, "push with friction", RED, "-"),
        (force[:, 2], "out of seat", INK, "--"),
        (force[:, 0], "outwards", BLUE, "-."),
        (force[:, 1], "anticlockwise", GREEN, ":"),
    ):
        ax.plot(lifts, values, style, color=colour, label=words)
    ax.legend(frameon=False)
    ax.set(xlabel="Height above the seat [mm]", ylabel="Force [N]")
    which = number(found, row, int(order.sequence[step]))
    ax.set_title(f"{order.name}: magnet {which}, number {step + 1} to go in", fontsize=9)
    ax.invert_xaxis()
