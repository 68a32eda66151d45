"""Files that went wrong: shipped ones mutated, reproducibly by a number.

Used by the tests in hundreds and by ``benchmarks/robustness.py`` in thousands.
"""

from __future__ import annotations

import copy
import random
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import tomlkit

from arrayopt.study import starter_text

STUDIES = Path(__file__).resolve().parents[1] / "studies"
BASES = [path.read_text("utf-8") for path in sorted(STUDIES.glob("*/*.toml"))] + [starter_text()]
LISTS = {
    path.name: path.read_bytes()
    for path in (STUDIES / "ankle/stock.csv", STUDIES / "elbow/shop.csv")
}
READINGS = {path.name: path.read_bytes() for path in sorted(STUDIES.glob("ankle/measured/*.csv"))}
ODD: list[Any] = [
    0, -1, 1, 2, 3, 7, 12, 24, 100, 1000, 10**30, 1e-9, 0.1, 0.5, 1.5, 5.0, 1e9, 1e30, -1e30,
    float("nan"), float("inf"), True, False, "", "x", "N52\n", "ü" * 70, "[", "block", "arc",
    "inner", "outer", "slotted", "smooth", "ironless", "delta", "../..", "a\x00b", [], [1, 2], {},
    {"low": 1, "high": 2}, {"low": 5, "high": 1, "step": 0.1},
    {"low": 1, "high": 1e9, "step": 1e-9}, {"choices": []}, {"choices": [1]},
    {"at_most": 1}, {"at_least": 0},
]  # fmt: skip
KEYS = ["x", "widht_mm", "größe", "a b", ""]
CHARACTERS = ['"', "'", "[", "]", "{", "}", "=", ",", "\n", "#", "\\", "\x00", "é", "=1e999",
              "[[a]]", ".", "-", "1", "9", "\r", "\ufeff", "true"]  # fmt: skip
BYTES = [b'"', b"'", b",", b";", b"\t", b"\n", b"\r\n", b"\r", b"#", b"\x00", b"\xff",
         b"\xef\xbb\xbf", b"nan", b"inf", b"1e999", b"-", b".", b"1e-400", b"9" * 400, b"=1+1",
         b"  ", b"12,5", b"NA"]  # fmt: skip


def study_text(seed: int) -> str:
    """Return a mutated study: of seven in ten its keys and values, else its letters."""
    draw = random.Random(seed)
    return _rekeyed(draw) if draw.random() < 0.7 else _rewritten(draw)


def csv_bytes(seed: int, files: dict[str, bytes]) -> tuple[str, bytes]:
    """Return one of some files, mutated, and its name."""
    draw = random.Random(seed)
    name = draw.choice(sorted(files))
    content = files[name]
    for _ in range(draw.choice([1, 1, 2, 4, 15])):
        content = draw.choice(_CSV)(draw, content)
    return name, content


def _paths(table: dict[str, Any], before: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, value in table.items():
        yield (*before, key)
        if isinstance(value, dict):
            yield from _paths(value, (*before, key))


def _rekeyed(draw: random.Random) -> str:
    """Drop, rename, scale, exchange or replace a few keys."""
    content = tomllib.loads(draw.choice(BASES))
    for _ in range(draw.choice([1, 1, 1, 2, 3, 6])):
        paths = list(_paths(content))
        if not paths:
            break
        *tables, key = draw.choice(paths)
        table = content
        for name in tables:
            table = table[name]
        value, way = table[key], draw.random()
        if way < 0.15:
            del table[key]
        elif way < 0.25:
            table[draw.choice([*KEYS, f"{key}s", key.upper()])] = value
        elif way < 0.45 and isinstance(value, int | float):
            table[key] = type(value)(value * draw.choice([0.5, 2, 10, 0.1, 1.1, 0.9, -1]))
        elif way < 0.55:
            other: Any = content
            for name in draw.choice(paths):
                other = other[name]
            table[key] = copy.deepcopy(other)
        else:
            table[key] = copy.deepcopy(draw.choice(ODD))
    return tomlkit.dumps(content)


def _rewritten(draw: random.Random) -> str:
    """Cut out, put in, move and exchange letters and lines."""
    text = draw.choice(BASES)
    for _ in range(draw.choice([1, 1, 2, 5, 20])):
        i = draw.randrange(len(text) + 1)
        j = min(len(text), i + draw.choice([0, 1, 1, 2, 10, 100]))
        way = draw.random()
        if way < 0.3:
            text = text[:i] + text[j:]
        elif way < 0.6:
            text = text[:i] + draw.choice(CHARACTERS) + text[i:]
        elif way < 0.8:
            k = draw.randrange(len(text) + 1)
            text = text[:k] + text[i:j] + text[k:]
        else:
            lines = text.split("\n")
            a, b = draw.randrange(len(lines)), draw.randrange(len(lines))
            lines[a], lines[b] = lines[b], lines[a]
            text = "\n".join(lines)
    return text


def _cut(draw: random.Random, content: bytes) -> bytes:
    i = draw.randrange(len(content) + 1)
    return content[:i] + content[i + draw.choice([0, 1, 1, 2, 10, 100, 1000]) :]


def _insert(draw: random.Random, content: bytes) -> bytes:
    i = draw.randrange(len(content) + 1)
    return content[:i] + draw.choice(BYTES) + content[i:]


def _reparted(draw: random.Random, content: bytes) -> bytes:
    return content.replace(draw.choice([b",", b"."]), draw.choice([b";", b",", b"\t", b" "]))


def _rows_exchanged(draw: random.Random, content: bytes) -> bytes:
    lines = content.split(b"\n")
    a, b = draw.randrange(len(lines)), draw.randrange(len(lines))
    lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


def _cell(draw: random.Random, content: bytes) -> bytes:
    lines = content.split(b"\n")
    a = draw.randrange(len(lines))
    cells = lines[a].split(b",")
    cells[draw.randrange(len(cells))] = draw.choice([*BYTES, b"0", b"-1", b"1e9", b"5", b"1", b""])
    lines[a] = b",".join(cells)
    return b"\n".join(lines)


def _ended(draw: random.Random, content: bytes) -> bytes:
    lines = content.split(b"\n")
    return b"\n".join(lines[: draw.randrange(len(lines))])


_CSV: list[Callable[[random.Random, bytes], bytes]] = [
    _cut, _insert, _reparted, _rows_exchanged, _cell, _ended,
]  # fmt: skip
