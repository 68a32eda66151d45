"""The confirm command: good path, what is kept, wrong input, the extra that it needs."""

import json
import shutil
import subprocess
import sys

import pytest
from few_positions import few_positions

from arrayopt.confirmation import compared
from arrayopt.confirmation import run as runs
from arrayopt.confirmation.kept import FILE
from arrayopt.study import starter_text

COARSE = ("--mesh", "3")
WRITTEN = {FILE, "confirm.json", "confirm.txt", "confirm.nc", "confirm.png", "sector.png"}


@pytest.fixture(scope="module", autouse=True)
def fewer():
    with pytest.MonkeyPatch.context() as patch:
        few_positions(patch)
        yield


@pytest.fixture
def study(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(starter_text(), encoding="utf-8")
    return path


def test_good_path(run, study, confirmed, tmp_path, monkeypatch):
    out = tmp_path / "out"
    shutil.copytree(confirmed[1], out)
    # all of it is kept: nothing is solved a second time
    monkeypatch.setattr(runs, "carried_out", lambda _: 1 / 0)
    code, text, messages = run("confirm", study, "--out", out, *COARSE)
    assert code == 0
    assert "Verdict (agrees)" in text
    assert {p.name for p in out.iterdir()} == WRITTEN
    assert messages.startswith("written to")
    assert (out / "confirm.txt").read_text("utf-8").strip() == text.strip()
    code, again, _ = run("confirm", study, "--out", out, *COARSE, "--json")
    assert code == 0
    assert json.loads(again) == json.loads((out / "confirm.json").read_text("utf-8"))


def test_what_does_not_agree_ends_with_3(run, study, confirmed, tmp_path, monkeypatch):
    shutil.copytree(confirmed[1], tmp_path / "out")
    monkeypatch.setattr(compared, "TORQUE_TOLERANCE", -1.0)
    code, out, _ = run("confirm", study, "--out", tmp_path / "out", *COARSE)
    assert code == 3
    assert "DOES NOT AGREE" in out
    assert "assumption of iron as a network" in out


def test_front(run, confirmed_front, tmp_path, monkeypatch):
    tmp_path = tmp_path / "run"
    shutil.copytree(confirmed_front[1], tmp_path)
    monkeypatch.setattr(runs, "carried_out", lambda _: 1 / 0)
    code, text, messages = run("confirm", "--front", tmp_path, *COARSE)
    assert code == 0
    assert "Bias of the fast model" in text
    for name in ("json", "csv", "txt", "png"):
        assert (tmp_path / f"front-confirmed.{name}").stat().st_size > 200
    # the new knee is a study to go on with
    code, _, _ = run("check", tmp_path / "knee-confirmed.toml")
    assert code == 0
    assert "knee-confirmed.toml" in messages


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "give either a study or --front DIR; got neither"),
        (("STUDY", "--front", "DIR"), "got both"),
        (("STUDY", "--storage", "sqlite:///x.db"), "give --front DIR with it"),
        (("STUDY", "--mesh", "9"), "9"),
        (("STUDY", "--mesh", "nan"), "nan"),
        (("STUDY", "--workers", "0"), "0"),
        (("missing.toml",), "missing.toml"),
        (("--front", "DIR"), "search"),
        (("STUDY", "--cluster", "nowhere"), "--cluster nowhere does not answer"),
    ],
)
def test_wrong_input_is_told(arguments, words, run, study, tmp_path):
    (tmp_path / "empty").mkdir()
    places = {"STUDY": study, "DIR": tmp_path / "empty"}
    code, out, messages = run("confirm", *(places.get(a, a) for a in arguments))
    assert code == 2
    assert out == ""
    assert words in messages
    assert not list((tmp_path / "empty").iterdir())


def test_a_bad_study_is_told_before_anything_is_solved(run, study, tmp_path):
    study.write_text(starter_text().replace("slots = 24", "slots = 25"), encoding="utf-8")
    code, _, messages = run("confirm", study, "--out", tmp_path / "out")
    assert code == 2
    assert "25 slots" in messages
    assert not (tmp_path / "out").exists()


def test_missing_extra_is_one_line(study):
    # As where ngsolve is not installed: importing it fails.
    code = (
        "import sys; sys.modules['ngsolve'] = None; "
        f"sys.argv = ['arrayopt', 'confirm', {str(study)!r}]; "
        "from arrayopt.cli import main; main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False, text=True)
    assert done.returncode == 2
    assert done.stderr.strip().count("\n") == 0
    assert 'pip install ".[fe]"' in done.stderr


def test_all_else_goes_on_without_the_extra():
    code = (
        "import sys; sys.modules['ngsolve'] = None; import arrayopt; from arrayopt import *; "
        "print(all(hasattr(arrayopt, name) for name in arrayopt.__all__))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert done.stdout == "True\n"
