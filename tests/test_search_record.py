"""Searches that are repeated, continued, refused, and read from their records."""

import json
import os
import subprocess
import sys
from collections import Counter

import numpy as np
import pytest
from filelock import FileLock
from searches import (
    HEAD,
    PEAK,
    SMALL,
    THICK,
    THREE,
    WIDTH,
    same,
    searched,
    space_text,
    whole_batches,
)

from arrayopt.errors import ArrayoptError
from arrayopt.search import optimise, read_search
from arrayopt.search.record import _LOCK, JOURNAL
from arrayopt.search.run import BATCH, COSTLY_BATCH, GENERATION
from arrayopt.study import parse_study


@pytest.fixture(scope="module")
def found():
    return optimise(searched(), trials=240)


@pytest.fixture(scope="module")
def three():
    return optimise(searched(keys=THREE), trials=240)


# Repeating and continuing


def test_same_seed_same_front_on_two_workers(found):
    assert same(optimise(searched(), trials=240, workers=2), found)


def test_same_seed_same_front_with_costly_figures():
    study = searched(WIDTH + THICK, keys=PEAK)
    assert same(optimise(study, trials=30, workers=2), optimise(study, trials=30))


def test_other_seed_other_front(found):
    other = optimise(searched(), trials=240, seed=2)
    assert other.known.keys() != found.known.keys()
    assert other.seed == 2


def test_the_study_gives_seed_and_trials():
    # exact
    text = HEAD.replace("trials = 5000", "trials = 30").replace("seed = 1", "seed = 2")
    study = parse_study(f"{text}[search.variables]\n{WIDTH}")
    assert same(optimise(study), optimise(searched(WIDTH), trials=40, seed=2))


def test_continued_search_equals_one_never_stopped(found, tmp_path):
    # exact: stopped within the first generation and within the second
    steps = (80, 170, 240)
    assert steps[0] < GENERATION < steps[1]
    new = []
    for trials in steps:
        told = []
        result = optimise(searched(), trials=trials, out=tmp_path, progress=told.append)
        new.append(told[-1].new)
    assert same(result, found)
    ends = [whole_batches(trials) for trials in steps]
    assert new == [ends[0], ends[1] - ends[0], ends[2] - ends[1]]


def test_continued_with_costly_figures(tmp_path, monkeypatch):
    # What costly figures are computed of depends on the front before a generation, here a short
    # one: stopped within the first and within the second.
    monkeypatch.setattr("arrayopt.search.run.GENERATION", 2 * COSTLY_BATCH)
    study = searched(WIDTH + THICK, keys=PEAK)
    for batches in (1, 3, 4):
        result = optimise(study, trials=batches * COSTLY_BATCH, out=tmp_path)
    assert len(result.known) == 4 * COSTLY_BATCH
    assert same(result, optimise(study, trials=4 * COSTLY_BATCH))


def test_progress(tmp_path):
    # exact: told after every batch and generation
    told = []
    result = optimise(searched(), trials=240, out=tmp_path, progress=told.append)
    done = [now.done for now in told]
    assert done == sorted(done)
    assert set(range(BATCH, 241, BATCH)) == set(done)
    assert {now.wanted for now in told} == {240}
    assert told[-1].new == 240
    assert told[-1].feasible == pytest.approx(result.feasible / 240)
    grown = [now.hypervolume for now in told if not np.isnan(now.hypervolume)]
    assert grown[0] == 1
    assert grown == sorted(grown)
    again = []
    optimise(searched(), trials=240, out=tmp_path, progress=again.append)
    assert {now.new for now in again} == {0}
    assert again[-1].hypervolume == grown[-1]


def test_finished_search_is_only_read(found, tmp_path):
    optimise(searched(), trials=240, out=tmp_path)
    kept = (tmp_path / JOURNAL).read_bytes()
    assert same(optimise(searched(), trials=240, out=tmp_path), found)
    fewer = optimise(searched(), trials=100, out=tmp_path)
    assert list(fewer.known.items()) == list(found.known.items())[: whole_batches(100)]
    after = (tmp_path / JOURNAL).read_bytes()
    assert after.startswith(kept)
    assert after.count(b'"place"') == kept.count(b'"place"') == 240


@pytest.mark.parametrize("after", [1, 2, 4, 5, 6, 7])
def test_interrupted_search_is_continued(after, found, tmp_path):
    told = Counter()

    def stop(_):
        told["batches"] += 1
        if told["batches"] == after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        optimise(searched(), trials=240, out=tmp_path, progress=stop)
    assert same(optimise(searched(), trials=240, out=tmp_path), found)


@pytest.mark.parametrize("lost", [1, 7, 20, 40, 100, "half a line", "nearly a line", "blank"])
def test_search_stopped_while_writing_is_continued(lost, found, tmp_path):
    optimise(searched(), trials=160, out=tmp_path)
    journal = tmp_path / JOURNAL
    lines = journal.read_bytes().splitlines(keepends=True)
    kept = {
        "half a line": [*lines[:-1], lines[-1][:100]],
        "nearly a line": [*lines[:-1], lines[-1][:-1]],
        "blank": lines,
    }.get(lost) or lines[:-lost]
    journal.write_bytes(b"".join(kept))
    assert same(optimise(searched(), trials=240, out=tmp_path), found)
    for line in journal.read_bytes().splitlines():
        json.loads(line)


@pytest.mark.parametrize("kept", [1, 2, 3, 4, 5, 6])
def test_search_stopped_before_it_began_is_continued(kept, tmp_path):
    study = searched(WIDTH)
    whole = optimise(study, trials=20, out=tmp_path)
    journal = tmp_path / JOURNAL
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join(lines[:kept]))
    assert same(optimise(study, trials=20, out=tmp_path), whole)


@pytest.mark.parametrize(
    ("values", "seed", "more"),
    [
        ({"rotor.grade": "N52"}, None, {}),
        ({"limits.slot_fill": 0.4}, 1, {}),
        ({}, 2, {}),
        ({}, None, {"keys": THREE}),
        ({}, None, {"keys": PEAK}),
        ({}, None, {"bounds": '"mass.rotor_g" = { at_most = 99.0 }\n'}),
        ({}, None, {"variables": WIDTH.replace("5.0", "5.5")}),
    ],
)
def test_folder_of_another_search_is_refused(values, seed, more, tmp_path):
    optimise(searched(WIDTH), trials=10, out=tmp_path)
    before = (tmp_path / JOURNAL).read_bytes()
    other = searched(**({"variables": WIDTH} | more), values=values)
    with pytest.raises(ArrayoptError, match="another study, seed or version; give another --out"):
        optimise(other, trials=10, seed=seed, out=tmp_path)
    assert (tmp_path / JOURNAL).read_bytes() == before


def test_title_order_and_trials_may_change_within_a_folder(tmp_path):
    first = optimise(searched(WIDTH), trials=20, out=tmp_path)
    values = {"title": "another name", "order.motors": 12, "search.trials": 20}
    again = optimise(searched(WIDTH, values=values), out=tmp_path)
    assert same(again, first)
    assert again.study.title == "another name"


@pytest.mark.parametrize("content", [b"hello\n", b"\x00\xff", b"{}\n", b"[1]\n", b"1\n", b"half"])
def test_foreign_file_in_the_journals_place_is_refused(content, tmp_path):
    (tmp_path / JOURNAL).write_bytes(content)
    for search in (lambda: optimise(searched(WIDTH), trials=10, out=tmp_path),
                   lambda: read_search(tmp_path)):  # fmt: skip
        with pytest.raises(ArrayoptError, match="not a record of a search; remove it"):
            search()
        assert (tmp_path / JOURNAL).read_bytes() == content


def test_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(ArrayoptError, match="cannot keep a search"):
        optimise(searched(WIDTH), trials=10, out=tmp_path / "file" / "out")


def test_folder_in_use_is_refused(tmp_path):
    with FileLock(tmp_path / _LOCK), pytest.raises(ArrayoptError, match="is in use by another"):
        optimise(searched(WIDTH), trials=10, out=tmp_path)
    assert not (tmp_path / JOURNAL).exists()
    assert len(optimise(searched(WIDTH), trials=10, out=tmp_path).known) == BATCH


def test_a_search_frees_its_folder_when_it_fails(tmp_path):
    def fail(_):
        raise RuntimeError("told")

    with pytest.raises(RuntimeError, match="told"):
        optimise(searched(WIDTH), trials=10, out=tmp_path, progress=fail)
    optimise(searched(WIDTH), trials=10, out=tmp_path)


@pytest.mark.parametrize("wrong", [{"trials": 0}, {"workers": 0}, {"trials": -5}])
def test_wrong_numbers(wrong):
    with pytest.raises(ArrayoptError, match="must be at least 1; got"):
        optimise(searched(WIDTH), **({"trials": 10} | wrong))


# Reading a search


def test_read_search_equals_the_result(found, tmp_path):
    optimise(searched(), trials=240, out=tmp_path)
    content = (tmp_path / JOURNAL).read_bytes()
    read = read_search(tmp_path)
    assert same(read, found)
    assert (read.seed, read.whole) == (found.seed, found.whole)
    assert read.study.model_dump() == found.study.model_dump()
    assert read.study.text == found.study.text
    # Only read: even half a line, which a search at work is about to end, stays.
    (tmp_path / JOURNAL).write_bytes(content[:-50])
    less = read_search(tmp_path)
    assert list(less.known.items()) == list(found.known.items())[:-1]
    assert (tmp_path / JOURNAL).read_bytes() == content[:-50]


def test_read_search_of_a_folder_in_use(tmp_path):
    optimise(searched(WIDTH), trials=20, out=tmp_path)
    with FileLock(tmp_path / _LOCK):
        assert len(read_search(tmp_path).known) == BATCH


def test_read_search_of_a_whole_space(tmp_path):
    whole = optimise(searched(space_text(SMALL)), trials=1000, out=tmp_path)
    read = read_search(tmp_path)
    assert same(read, whole)
    assert read.whole


def test_read_search_where_there_is_none(tmp_path):
    with pytest.raises(ArrayoptError, match="holds no search; give a folder"):
        read_search(tmp_path)
    with pytest.raises(ArrayoptError, match="holds no search"):
        read_search(tmp_path / "nowhere")


def test_read_search_that_has_not_begun(tmp_path):
    optimise(searched(WIDTH), trials=20, out=tmp_path)
    journal = tmp_path / JOURNAL
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(lines[0])
    with pytest.raises(ArrayoptError, match="has not begun"):
        read_search(tmp_path)


def test_tolerances_of_an_order_count_where_scattered_rotors_are_judged(tmp_path):
    # The order's tolerances are those of the rotors drawn, unless [tolerance] gives its own.
    robust = {"keys": 'objectives = ["tolerance.torque_constant_low_nm_per_a", "mass.rotor_g"]'}
    few = '"rotor.main.width_mm" = { choices = [4.0, 4.5] }\n'
    optimise(searched(few, **robust), trials=10, out=tmp_path)
    with pytest.raises(ArrayoptError, match="holds a search of another study"):
        optimise(
            searched(few, **robust, values={"order.angle_tolerance_deg": 9.0}),
            trials=10,
            out=tmp_path,
        )
    # exact: nothing else of an order does
    again = searched(few, **robust, values={"order.motors": 9, "order.coating": "epoxy"})
    assert len(optimise(again, trials=10, out=tmp_path).known) == 2


@pytest.mark.skipif(os.name == "nt", reason="limits of a process differ")
def test_full_disk_is_told_and_the_search_goes_on(tmp_path):
    """As where the disk is full: no file of this process may grow past 20 kB."""
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000)); "
        f"sys.argv = ['arrayopt', 'optimise', '-', '--out', {str(tmp_path)!r}]; "
        "from arrayopt.cli import main; main()"
    )
    study = searched(WIDTH, values={"search.trials": 200})
    done = subprocess.run(
        [sys.executable, "-c", code], input=study.text, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "search.journal cannot be written: File too large; make room" in done.stderr
    assert 0 < (tmp_path / JOURNAL).stat().st_size <= 20000
    # exact: what goes on with room again finds what a search that was never stopped finds
    assert same(optimise(study, out=tmp_path), optimise(study))


def test_shown_is_the_last_title_and_order(tmp_path):
    optimise(searched(WIDTH), trials=10, out=tmp_path)
    values = {"title": "another name", "order.motors": 12}
    optimise(searched(WIDTH, values=values), trials=20, out=tmp_path)
    shown = read_search(tmp_path).study
    assert (shown.title, shown.order.motors) == ("another name", 12)
