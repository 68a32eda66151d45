"""READMEs say what the tool does: their output blocks, key table and Python walk-through."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from readme import PICTURES, READMES, ROOT, STUDIES, fresh, parts

README = (ROOT / "README.md").read_text("utf-8")
SLOW = ("optimise studies/ankle", "confirm", "layouts")
TEXTS = {path.parent.name: path.read_text("utf-8") for path in READMES}
QUICK = sorted(
    (name, command)
    for name, text in TEXTS.items()
    for command in parts(text)
    if not command.startswith(SLOW)
)


def test_parts_are_found() -> None:
    names = [command.split()[0] for name, command in QUICK if name == ROOT.name]
    assert names == [
        "as-built", "assembly", "compare", "cut-list", "evaluate", "figures", "keys", "sweep",
        "tolerance",
    ]  # fmt: skip


@pytest.mark.usefixtures("no_pictures")
@pytest.mark.parametrize(("name", "command"), QUICK)
def test_frozen_output_blocks(name: str, command: str, tmp_path: Path) -> None:
    """Rewritten by ``python tests/readme.py``; figures are checked elsewhere."""
    assert parts(TEXTS[name])[command] == fresh(command, str(tmp_path / "there"))


@pytest.mark.parametrize("folder", [p for p in sorted(STUDIES.iterdir()) if p.is_dir()])
def test_each_study_is_a_story(folder: Path) -> None:
    """A question, the study, what a command says of it, all of it invented."""
    text = TEXTS[folder.name]
    assert text.startswith("# ")
    assert "invented" in text.split("\n\n")[1]
    assert any(f"studies/{folder.name}/study.toml" in command for command in parts(text))
    assert all((folder / link).exists() for link in re.findall(r"\]\(([^)#]+)\)", text))


def test_slow_blocks_are_there() -> None:
    """Written by the tool too, though none repeats them here."""
    every = {c: body for text in TEXTS.values() for c, body in parts(text).items()}
    slow = [body for command, body in every.items() if command.startswith(SLOW)]
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
