"""Work shared by processes."""

import multiprocessing
import operator
import os
import signal
import sys

import pytest
from searches import THREE, WIDTH, same, searched

from arrayopt import fanout
from arrayopt.errors import ArrayoptError
from arrayopt.search import optimise, read_search


@pytest.fixture(scope="module")
def found():
    return optimise(searched(), trials=240)


@pytest.fixture(scope="module")
def three():
    return optimise(searched(keys=THREE), trials=240)


# Workers

PID = "__import__('os').getpid()"


def test_a_team_keeps_the_order():
    with fanout.team(workers=2) as spread:
        assert list(spread(eval, [str(i) for i in range(11)])) == list(range(11))
        assert list(spread(list, [])) == []
        with pytest.raises(ValueError, match="not in"):
            list(spread(operator.methodcaller("index", 99), [[1], [2]]))
        assert list(spread(list, [(1,), (2,)])) == [[1], [2]]  # still at work


def test_one_worker_is_this_process():
    with fanout.team(workers=1) as spread:
        assert list(spread(eval, [PID])) == [os.getpid()]


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_killed_worker_is_replaced():
    # exact: nothing is lost or done out of order
    pool = fanout._Pool(1)
    try:
        slow = [f"__import__('time').sleep(0.05) or {i}" for i in range(6)]
        results = pool.map(eval, [PID, *slow])
        first = next(results)
        assert first != os.getpid()
        os.kill(first, signal.SIGKILL)
        assert list(results) == list(range(6))
        (second,) = pool.map(eval, [PID])
        assert second not in (first, os.getpid())
    finally:
        pool.close()


def test_workers_that_die_again_and_again(monkeypatch):
    monkeypatch.setattr(fanout, "_BREAKS", 1)
    told = pytest.raises(ArrayoptError, match=r"worker processes died 2 times; .* fewer --workers")
    with told, fanout.team(workers=2) as spread:
        list(spread(eval, ["__import__('os')._exit(1)"]))


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL")
def test_a_search_goes_on_when_a_worker_is_killed(found, tmp_path):
    killed = []

    def kill(now):
        if now.done == 40 and not killed:
            victim = multiprocessing.active_children()[0]
            os.kill(victim.pid, signal.SIGKILL)
            killed.append(victim.pid)

    result = optimise(searched(), trials=240, workers=2, out=tmp_path, progress=kill)
    assert len(killed) == 1
    assert same(result, found)
    assert same(read_search(tmp_path), found)


def test_a_cluster_without_its_extra_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)  # as if it were not installed
    with pytest.raises(ArrayoptError, match='--cluster needs the extra "cluster"'):
        optimise(searched(WIDTH), trials=10, cluster="tcp://127.0.0.1:1")


def test_workers_keep_to_one_thread_and_the_user_may_say_otherwise(monkeypatch):
    """Threads of linear algebra in every worker only wait for each other."""
    monkeypatch.delenv("OMP_NUM_THREADS", raising=False)
    with fanout.team(workers=2) as spread:
        assert set(spread(os.getenv, ["OMP_NUM_THREADS"] * 4)) == {"1"}
    assert "OMP_NUM_THREADS" not in os.environ
    monkeypatch.setenv("OMP_NUM_THREADS", "3")
    with fanout.team(workers=2) as spread:
        assert set(spread(os.getenv, ["OMP_NUM_THREADS"] * 4)) == {"3"}
