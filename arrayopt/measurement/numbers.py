"""Numbers out of the cells of a measured file."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from arrayopt.errors import echo
from arrayopt.quantities import Array
from arrayopt.study.table import Fault, Table, number_fault

_PLAIN = re.compile(r"[0-9+\-.,eE\n]*")  # what a column of numbers is made of


def numbers(table: Table, column: int, *, mark: str, mixed: bool, faults: list[Fault]) -> Array:
    """Return the numbers of a column, nan in empty cells and in wrong ones.

    Parameters
    ----------
    table : Table
    column : int
    mark : str
        Decimal mark of most cells of the file.
    mixed : bool
        Whether some cells of the file have another one.
    faults : list of Fault
        Those of wrong cells are added.

    Returns
    -------
    ndarray, shape (row,)

    """
    cells = table.columns[column]
    if not mixed and (mark == "." or table.separator != ",") and _is_plain(cells):
        try:
            values = np.array([cell.replace(",", ".") or "nan" for cell in cells], dtype=float)
        except ValueError:
            pass
        else:
            if not np.isinf(values).any():
                return values
    values = np.full(len(cells), np.nan)
    for i, cell in enumerate(cells):
        wrong = number_fault(cell, mark=mark, separator=table.separator) if cell else None
        if wrong:
            rule = f"{table.header[column]} {wrong[0]}"
            faults.append(Fault(table.lines[i], rule, echo(cell), wrong[1]))
        elif cell:
            values[i] = float(cell.replace(",", "."))
    return values


def _is_plain(cells: Sequence[str]) -> bool:
    # float() takes nan, inf, 1_000 and figures of other scripts too; no such letter, no such word.
    return _PLAIN.fullmatch("\n".join(cells)) is not None
