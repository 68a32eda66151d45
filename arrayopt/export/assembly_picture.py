"""Picture of the pushes of an order of assembly beside others, and of the hardest path."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from arrayopt.checks.assembly import Assembly, Order, push_along
from arrayopt.export.assembly_tables import number
from arrayopt.export.pictures import BLUE, GREEN, GREY, INK, ORANGE, PALE, RED, STYLE

# Marks of the tables of magnets, as other pictures have them.
_MARKS = {"main": ("o", ORANGE), "transverse": ("s", BLUE), "oblique": ("^", GREEN)}


def assembly_picture(found: Assembly, order: Order) -> Figure:
    """Draw the push of every step of an order, all orders as bars, and the hardest path."""
    with rc_context(STYLE):
        drawing = Figure(figsize=(10, 5.6), layout="constrained")
        axes = drawing.subplot_mosaic([["push", "path"], ["orders", "path"]],
                                      height_ratios=[1.25, 1])  # fmt: skip
        _pushes(axes["push"], found, order)
        _orders(axes["orders"], found, order)
        _path(axes["path"], found, order)
    return drawing


def _pushes(ax: Axes, found: Assembly, order: Order) -> None:
    """Draw the push of every magnet in turn, each family with its mark."""
    push = order.push.ravel()
    step = np.arange(1, len(push) + 1)
    ax.plot(step, push, color=GREY, lw=0.8, zorder=1)
    own = np.tile([found.family(int(place)) for place in order.sequence], order.push.shape[0])
    for i, family in enumerate(found.layout.families):
        mark, colour = _MARKS[family.table]
        ax.plot(
            step[own == i], push[own == i], mark, color=colour, mec=INK, mew=0.4, ms=4,
            label=f"{family.name} magnets",
        )  # fmt: skip
    ax.set(xlabel="Magnets pushed in", ylabel="Push of each magnet\nat its worst [N]")
    ax.set_ylim(bottom=min(0, ax.get_ylim()[0]))
    words = " (recommended)" if order is found.recommended else ""
    ax.set_title(f"{order.name}{words}", fontsize=9)
    ax.legend(frameon=False, fontsize=8, handletextpad=0.2)


def _orders(ax: Axes, found: Assembly, order: Order) -> None:
    """Draw hardest and mean push of every order as bars."""
    place = np.arange(len(found.orders))[::-1].astype(float)
    for up, word, colour, values in (
        (0.2, "hardest", ORANGE, [one.push.max() for one in found.orders]),
        (-0.2, "mean", PALE, [one.push.mean() for one in found.orders]),
    ):
        ax.barh(place + up, values, 0.36, color=colour, ec=INK, lw=0.5)
        for y, value in zip(place + up, values, strict=True):
            ax.text(value, y, f" {word} {value:.2f}", va="center", fontsize=7)
    ax.set_yticks(place, [one.name for one in found.orders], fontsize=8)
    for label, one in zip(ax.get_yticklabels(), found.orders, strict=True):
        label.set_fontweight("bold" if one is order else "normal")
    ax.tick_params(axis="y", length=0)
    ax.margins(x=0.22)
    ax.set_xlabel("Push [N]; bold: the order above")


def _path(ax: Axes, found: Assembly, order: Order) -> None:
    row, step = order.worst
    force, lifts = order.force[row, step], found.lifts * 1e3
    ax.axhline(0, color=PALE, lw=0.8)
    for values, words, colour, style in (
        (push_along(force), "push with friction", RED, "-"),
        (force[:, 2], "out of seat", INK, "--"),
        (force[:, 0], "outwards", BLUE, "-."),
        (force[:, 1], "anticlockwise", GREEN, ":"),
    ):
        ax.plot(lifts, values, style, color=colour, label=words)
    ax.legend(frameon=False, fontsize=8)
    ax.set(xlabel="Height above the seat [mm]", ylabel="Force [N]")
    which = number(found, row, int(order.sequence[step]))
    ax.set_title(f"{order.name}: magnet {which}, number {step + 1} to go in", fontsize=9)
    ax.invert_xaxis()
