"""Numbers, tables and lists as plain text."""

from __future__ import annotations

from textwrap import fill

import numpy as np
from tabulate import tabulate


def number(value: float, scale: float = 1.0) -> str:
    """Return a figure with four significant digits, a dash where there is none."""
    if np.isnan(value):
        return "-"
    value = value * scale
    return f"{value:.4g}" if abs(value) < 1000 else f"{value:.0f}"


def table_text(rows: list[list[object]] | list[list[str]], header: list[str]) -> str:
    """Return rows as a table, numbers to the right, words to the left."""
    columns = list(zip(*rows, strict=True))
    align = ["right" if numeric(column) else "left" for column in columns]
    return tabulate(rows, header, tablefmt="simple", colalign=align, disable_numparse=True)


def wrapped(title: str) -> str:
    """Break a column's title into short lines, units kept whole."""
    words, bracket, unit = title.partition(" [")
    lines = fill(words, 12, break_long_words=False)
    return f"{lines}\n[{unit}" if bracket else lines


def numeric(column: tuple[object, ...]) -> bool:
    """Tell whether the cells of a column that say anything are all numbers."""
    cells = [str(cell) for cell in column if str(cell) not in ("", "-")]
    return bool(cells) and all(cell.replace(".", "").lstrip("-").isdigit() for cell in cells)


def bullets(title: str, lines: list[str]) -> str:
    """Return lines as a list under a title."""
    return "\n".join([f"{title}:", *(f"- {line}" for line in lines)])
