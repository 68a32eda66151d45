"""Checks against the outside that also stand in a table for users to read.

`agree` is the assertion. Each case has a row in benchmarks/verification.md, and fails when
that row is missing or no longer says what the check finds. The rows are written by::

    python tests/verification.py

and with ``--check`` made anew to see that none is left over.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import numpy as np
from tabulate import tabulate

TABLE = Path(__file__).parents[1] / "benchmarks" / "verification.md"
_RECORD = "ARRAYOPT_VERIFICATION"  # file to add rows to while the table is written
_KINDS = ("exact", "published", "independent")
_HEADER = ["Case", "Source", "Kind", "Unit", "Theirs", "Ours", "Difference [%]", "Tolerance [%]"]
_FRESH = 1e-3  # a row's own rounding, and what another processor may change of a mesh
_HEAD = """# Verification

Every row is a check in `tests/published` that is independent of this project's own code, or of
the part of it that is checked. Written by `python tests/verification.py` from the numbers of the
tests themselves; the tests fail when a row no longer says what they find. "From memory" marks a
source that was recalled rather than read.

"""


def agree(
    case: str, *, source: str, kind: str, theirs: float, ours: float, rtol: float, unit: str = "1"
) -> None:
    """Assert that our value meets an outside one, and that the table says so.

    Parameters
    ----------
    case : str
        What is compared, unique.
    source : str
        Where the other value comes from, with its mark.
    kind : str
        ``exact`` (closed form), ``published`` or ``independent`` (another method).
    theirs, ours : float
        Not zero.
    rtol : float
        Tolerance over their value.
    unit : str

    """
    assert kind in _KINDS, kind
    assert "|" not in case + source
    theirs, ours = float(theirs), float(ours)
    np.testing.assert_allclose(ours, theirs, rtol=rtol, atol=0, err_msg=case)
    row = [case, source, kind, unit, _number(theirs), _number(ours)]
    row += [f"{round(100 * (ours / theirs - 1), 2) + 0.0:.2f}", f"{100 * rtol:g}"]
    if os.environ.get(_RECORD):
        with Path(os.environ[_RECORD]).open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
        return
    _assert_told(row)


def worst_of(pairs: Iterable[tuple[float, float]]) -> dict[str, float]:
    """Return theirs and ours of the pair that differs most, for a row that stands for many."""
    apart = {abs(ours / theirs - 1): (theirs, ours) for theirs, ours in pairs}
    theirs, ours = apart[max(apart)]
    return {"theirs": float(theirs), "ours": float(ours)}


def _assert_told(row: list[str]) -> None:
    """Fail if the table lacks a row or says something else."""
    remedy = f"run python tests/verification.py to write {TABLE.name} anew"
    told = _rows().get(row[0])
    assert told is not None, f"{row[0]!r} has no row in the table; {remedy}"
    fixed = (1, 2, 3, 7)
    assert [told[i] for i in fixed] == [row[i] for i in fixed], f"{row[0]}: {remedy}"
    for i in (4, 5):
        np.testing.assert_allclose(float(told[i]), float(row[i]), rtol=_FRESH, err_msg=remedy)
    assert abs(float(told[6]) - float(row[6])) <= 100 * _FRESH, f"{row[0]}: {remedy}"


@cache
def _rows() -> dict[str, list[str]]:
    """Rows of the table by case."""
    lines = TABLE.read_text(encoding="utf-8").splitlines() if TABLE.exists() else []
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if "|" in line]
    return {row[0]: row for row in rows[2:]}


def _number(value: float) -> str:
    return f"{value:.5g}"


def found_rows() -> list[list[str]]:
    """Run the checks and return their rows, sorted."""
    with tempfile.TemporaryDirectory() as folder:
        record = Path(folder) / "rows"
        checks = ["-m", "pytest", "tests/published"]
        run = subprocess.run(
            [sys.executable, *checks],
            cwd=TABLE.parents[1],
            env={**os.environ, _RECORD: str(record)},
            check=False,
        )
        if run.returncode:
            sys.exit("checks failed; see above")
        rows = [json.loads(line) for line in record.read_text(encoding="utf-8").splitlines()]
    rows.sort(key=lambda row: (row[2] != "independent", row[1], row[0]))
    names = [row[0] for row in rows]
    assert len(set(names)) == len(names), "two cases of one name"
    return rows


def write_table(rows: list[list[str]]) -> None:
    """Write the table for users to read."""
    align = ("left",) * 4 + ("right",) * 4
    table = tabulate(rows, _HEADER, tablefmt="pipe", colalign=align, disable_numparse=True)
    TABLE.write_text(f"{_HEAD}{table}\n", encoding="utf-8")


def main() -> None:
    """Write the table, or with --check make it anew and see that it has the same cases.

    That each row says what its check finds, the checks themselves see to.
    """
    rows = found_rows()
    if sys.argv[1:] != ["--check"]:
        write_table(rows)
        return
    stale = {row[0] for row in rows} ^ set(_rows())
    if stale:
        sys.exit(f"{TABLE.name} lacks or no longer needs: {', '.join(sorted(stale))}")


if __name__ == "__main__":
    main()
