"""Searches that are killed: nothing is corrupt, at most what was being judged is lost."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from arrayopt.search import optimise, read_search
from arrayopt.search.record import JOURNAL
from arrayopt.study import parse_study, starter_text

HEAD = starter_text().split("[search.variables]\n")[0]
SPACE = (
    "[search.variables]\n"
    '"rotor.pole_pairs" = { choices = [10, 11, 13, 14, 16] }\n'
    '"rotor.main.width_mm" = { low = 3.0, high = 7.0 }\n'
    '"rotor.main.thickness_mm" = { low = 1.0, high = 5.0 }\n'
)
TEXT = HEAD + SPACE
TRIALS = 640
KILLS = 4


@pytest.fixture(scope="module")
def never_stopped():
    return optimise(parse_study(TEXT), trials=TRIALS)


def command(folder, *more):
    study = Path(folder).parent / "study.toml"
    study.write_text(TEXT, encoding="utf-8")
    line = [sys.executable, "-m", "arrayopt", "optimise", str(study), "--out", str(folder)]
    return [*line, "--trials", str(TRIALS), *more]


def whole_lines(journal):
    """Bytes of the journal up to its last whole line; each line must be sound."""
    content = journal.read_bytes() if journal.exists() else b""
    sound = content[: content.rfind(b"\n") + 1]
    for line in sound.splitlines():
        json.loads(line)
    return sound


@pytest.mark.skipif(sys.platform == "win32", reason="signals to process groups")
@pytest.mark.parametrize("workers", ["1", "2"])
def test_killed_at_any_moment(workers, never_stopped, tmp_path):
    # exact: the same designs and front as those of a search that was never stopped
    folder, chance = tmp_path / "out", random.Random(int(workers))
    journal, before, beyond = folder / JOURNAL, b"", 0
    for _ in range(KILLS if workers == "2" else KILLS - 1):
        run = subprocess.Popen(
            command(folder, "--workers", workers),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        # Wait for the search itself to begin, then kill it within some batches.
        end = time.monotonic() + 30
        while run.poll() is None and time.monotonic() < end:
            if len(whole_lines(journal)) > len(before):
                break
            time.sleep(0.005)
        time.sleep(chance.random() * 0.3)
        with suppress(ProcessLookupError):  # it may be done already
            os.killpg(run.pid, signal.SIGKILL)
        run.wait()
        after = whole_lines(journal)
        assert after.startswith(before)  # nothing kept was lost
        beyond += len(after) > len(before)
        before = after
    assert beyond >= 2  # the kills met a search at work
    optimise(parse_study(TEXT), trials=TRIALS, out=folder)
    found = read_search(folder)
    assert list(found.known.items()) == list(never_stopped.known.items())
    assert found.values == never_stopped.values


def test_cut_at_any_byte(never_stopped, tmp_path):
    # exact: a write that was cut anywhere is as if its last line had not begun
    optimise(parse_study(TEXT), trials=320, out=tmp_path)
    journal = tmp_path / JOURNAL
    content, chance = journal.read_bytes(), random.Random(3)
    for _ in range(12):
        cut = chance.randrange(content.rfind(b"CREATE") + 2000, len(content))
        journal.write_bytes(content[:cut])
        found = optimise(parse_study(TEXT), trials=320, out=tmp_path)
        assert list(found.known.items()) == list(never_stopped.known.items())[:320]
        assert journal.read_bytes().startswith(content[:cut].rsplit(b"\n", 1)[0])


@pytest.mark.usefixtures("no_pictures")
def test_second_search_in_a_folder_is_refused(run, tmp_path):
    folder = tmp_path / "out"
    first = subprocess.Popen(
        [*command(folder), "--trials", "200000"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        end = time.monotonic() + 30
        while not whole_lines(folder / JOURNAL) and time.monotonic() < end:
            time.sleep(0.02)
        code, _, messages = run("optimise", tmp_path / "study.toml", "--out", folder)
        assert code == 2
        assert "is in use by another search; wait for it, stop it" in messages
        # What is found so far can be seen all the same.
        time.sleep(1.0)
        code, out, messages = run("show", folder, "--out", tmp_path / "seen")
        assert code == 0, messages
        assert "different designs judged" in out
        assert first.poll() is None
    finally:
        first.kill()
        first.wait()


@pytest.mark.skipif(sys.platform == "win32", reason="no interrupts to children")
def test_interrupted_by_the_user(never_stopped, tmp_path):
    folder = tmp_path / "out"
    run = subprocess.Popen(
        [*command(folder, "--workers", "2"), "--trials", "200000"],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    end = time.monotonic() + 30
    while len(whole_lines(folder / JOURNAL)) < 50_000 and time.monotonic() < end:
        time.sleep(0.02)
    os.killpg(run.pid, signal.SIGINT)  # as Ctrl-C does: to every process of the terminal
    _, told = run.communicate(timeout=30)
    assert run.returncode == 130
    assert told.strip().endswith("interrupted")
    assert "Traceback" not in told
    optimise(parse_study(TEXT), trials=TRIALS, out=folder)
    found = read_search(folder)
    common = min(len(found.known), TRIALS)
    assert list(found.known)[:common] == list(never_stopped.known)[:common]
