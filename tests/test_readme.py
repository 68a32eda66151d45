"""The README says what the tool does: its output blocks, key table and Python walk-through."""

from __future__ import annotations

import re

import pytest
from readme import PICTURES, ROOT, fresh, parts

README = (ROOT / "README.md").read_text("utf-8")
SLOW = ("optimise", "confirm")
QUICK = sorted(command for command in parts(README) if not command.startswith(SLOW))


def test_parts_are_found() -> None:
    names = [command.split()[0] for command in QUICK]
    assert names == [
        "as-built", "assembly", "compare", "cut-list", "evaluate", "figures", "keys", "sweep",
        "tolerance",
    ]  # fmt: skip


@pytest.mark.parametrize("command", QUICK)
def test_frozen_output_blocks(command: str) -> None:
    """Rewritten by ``python tests/readme.py``; figures are checked elsewhere."""
    assert parts(README)[command] == fresh(command)


def test_slow_blocks_are_there() -> None:
    """Written by the tool too, though none repeats them here."""
    slow = [body for command, body in parts(README).items() if command.startswith(SLOW)]
    assert len(slow) == len(SLOW)
    assert all(body.count("\n") > 10 for body in slow)


def test_python_walk_through_runs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    (code,) = re.findall(r"```python\n(.*?)```", README, re.S)
    exec(compile(code, "README.md", "exec"), {})
    lines = capsys.readouterr().out.splitlines()
    assert re.fullmatch(r"\d\.\d\d N m, \d+ g", lines[0])
    assert " x 10 x " in lines[-1]


def test_pictures_and_links_exist() -> None:
    links = re.findall(r"\]\((?!#)([^)]+)\)", README)
    assert {f"studies/ankle/{name}" for name in PICTURES} <= set(links)
    assert all((ROOT / link).is_file() for link in links)
    headings = {
        re.sub(r"[^\w -]", "", h).strip().lower().replace(" ", "-")
        for h in re.findall(r"^#+ (.*)", README, re.M)
    }
    assert {anchor for anchor in re.findall(r"\]\(#([^)]+)\)", README)} <= headings


def test_two_commands_are_one_line_each() -> None:
    commands = re.findall(r"^python3 -m venv .*$", README, re.M)
    assert len(commands) == 2
    assert "arrayopt report studies/ankle/study.toml" in commands[0]
    assert commands[1].endswith("-m pytest")
