"""Reading the small CSV files that hold the data, each row with its source and mark."""

from __future__ import annotations

import csv
from importlib import resources


def read_rows(file: str) -> list[dict[str, str]]:
    """Return the rows of a data file as text by column."""
    text = (resources.files("arrayopt.materials") / file).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def number(text: str) -> float:
    """Return a number; NaN for an empty field."""
    return float(text) if text else float("nan")
