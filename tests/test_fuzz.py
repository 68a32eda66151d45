"""Files that went wrong in any way: one sentence a fault, never a bare error of Python's.

``benchmarks/robustness.py`` does the same with thousands, and measures time and memory.
"""

from __future__ import annotations

import string
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mutations import LISTS, READINGS, csv_bytes, study_text
from readme import ROOT

from arrayopt import ArrayoptError, as_built, evaluate, load_study, sort_magnets
from arrayopt.measurement.files import read_measured
from arrayopt.measurement.records import Loose
from arrayopt.study import parse_study, starter_text
from arrayopt.study.keys import study_keys
from arrayopt.study.stock import read_stock

ANKLE = load_study(ROOT / "studies/ankle/study.toml")
LONGEST = 700  # characters of a fault: a list of what is known takes room
# The same examples every time: a failure in a change's check is that change's.
SAME = settings(
    deadline=None, derandomize=True, database=None, max_examples=60,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)  # fmt: skip


def told(fault: ArrayoptError) -> None:
    """Each line of a message is whole, printable and not too long."""
    lines = str(fault).split("\n")
    assert all(line and line.isprintable() and len(line) < LONGEST for line in lines)


@pytest.mark.parametrize("start", range(0, 120, 60))
def test_mutated_studies(start: int, tmp_path: Path) -> None:
    (tmp_path / "stock.csv").write_bytes(LISTS["stock.csv"])
    (tmp_path / "shop.csv").write_bytes(LISTS["shop.csv"])
    refused = 0
    for seed in range(start, start + 60):
        file = tmp_path / "study.toml"
        file.write_text(study_text(seed), encoding="utf-8", newline="")
        try:
            study = load_study(file)
        except ArrayoptError as fault:
            told(fault)
            refused += 1
            continue
        if seed % 4 == 0:
            evaluate(study)
    assert 20 < refused < 60  # else the mutations say nothing


def test_mutated_shop_lists(tmp_path: Path) -> None:
    refused = 0
    for seed in range(120):
        name, content = csv_bytes(seed, LISTS)
        (tmp_path / name).write_bytes(content)
        try:
            read_stock(tmp_path / name, grades=ANKLE.known("magnets"))
        except ArrayoptError as fault:
            told(fault)
            refused += 1
    assert 20 < refused < 120


def test_mutated_readings(tmp_path: Path) -> None:
    refused = 0
    for seed in range(80):
        name, content = csv_bytes(seed, READINGS)
        (tmp_path / name).write_bytes(content)
        try:
            (measured,) = read_measured(tmp_path / name)
            if isinstance(measured, Loose):
                if seed % 8 == 0:
                    sort_magnets(ANKLE, measured)
            elif seed % 8 == 0:
                as_built(ANKLE, [tmp_path / name])
        except ArrayoptError as fault:
            told(fault)
            refused += 1
    assert 10 < refused < 80


names = st.text(string.ascii_lowercase + "_ ü.\"'", max_size=12)
values: Any = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(names, inner, max_size=4),
    max_leaves=6,
)
paths = st.sampled_from([key.path for key in study_keys()]) | st.lists(
    names, min_size=1, max_size=3
).map(".".join)


@SAME
@given(st.dictionaries(paths, values, min_size=1, max_size=6))
def test_any_value_of_any_key(changes: dict[str, Any]) -> None:
    """The starter study with keys of the table, or of no table, set to anything."""
    content = tomlkit.parse(starter_text()).unwrap()
    for path, value in changes.items():
        *tables, last = path.split(".")
        node = content
        for name in tables:
            inner = node.get(name)
            node[name] = inner if isinstance(inner, dict) else {}
            node = node[name]
        if value is None:
            node.pop(last, None)
        else:
            node[last] = value
    try:
        text = tomlkit.dumps(_without_none(content))
        study = parse_study(text)
    except ArrayoptError as fault:
        told(fault)
        return
    assert parse_study(study.text) == study


def _without_none(value: Any) -> Any:
    """TOML has no null, and integers of 64 bits."""
    if isinstance(value, dict):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    if isinstance(value, list):
        return [_without_none(v) for v in value if v is not None]
    return value


@SAME
@given(st.binary(max_size=400))
def test_any_bytes_are_no_study(content: bytes) -> None:
    try:
        parse_study(content.decode("utf-8", errors="replace"))
    except ArrayoptError as fault:
        told(fault)
        return
    raise AssertionError("no random bytes are a study")
