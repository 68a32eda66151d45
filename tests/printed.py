"""Reading back what the commands print."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from typing import Any


def table(text: str, first: str) -> list[list[str]]:
    """Rows of the table whose header begins with words, split where its columns are."""
    lines = text.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith(first))
    rule = next(i for i in range(start, len(lines)) if lines[i].startswith("---"))
    columns = [m.span() for m in re.finditer("-+", lines[rule])]
    rows = []
    for line in lines[rule + 1 :]:
        if not line or line[0] in "*-":
            break
        # Nothing stands between columns: they are aligned.
        assert all(not line[a:b].strip() for (_, a), (b, _) in pairwise(columns)), line
        rows.append([line[a:b].strip() for a, b in columns])
    return rows


def number_paths(content: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Keys that lead to each number with a fraction in JSON, places in lists left out."""
    if isinstance(content, dict):
        for key, value in content.items():
            yield from number_paths(value, (*path, key))
    elif isinstance(content, list):
        for value in content:
            yield from number_paths(value, path)
    elif isinstance(content, float):
        yield path
