"""All parallel work: batches of designs over processes here or on a cluster."""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
import socket
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
)
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from typing import Any, TypeVar
from urllib.parse import urlsplit

from arrayopt.errors import ArrayoptError

T = TypeVar("T")
R = TypeVar("R")

_BREAKS = 3  # times that workers may die before the work is given up
_PATIENCE_S = 15  # for a cluster's scheduler to answer
_THREADS = "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"
# Maps work over tasks and gives the results in order, as they come.
Spread = Callable[[Callable[[Any], Any], Sequence[Any]], Iterator[Any]]


@contextmanager
def team(*, workers: int = 1, cluster: str | None = None) -> Iterator[Spread]:
    """Open what shares the work: this process, a pool of processes, or a cluster.

    Parameters
    ----------
    workers : int
        Processes on this machine; 1 is this process itself.
    cluster : str, optional
        Address of a Dask scheduler, e.g. ``tcp://10.0.0.5:8786``, instead.

    Raises
    ------
    ArrayoptError
        If the cluster does not answer, or workers die time and again.

    """
    if cluster is not None:
        with _cluster(cluster) as executor:
            yield executor.map
    elif workers == 1:
        yield map
    else:
        pool = _Pool(workers)
        try:
            yield pool.map
        finally:
            pool.close()


class _Pool:
    """Worker processes that are replaced when they are killed."""

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._breaks = 0
        self._executor = self._open()

    def _open(self) -> Executor:
        # Fresh interpreters behave alike on all systems and inherit no locks.
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self._workers, mp_context=context, initializer=_leave_interrupts)

    def map(self, work: Callable[[T], R], tasks: Sequence[T]) -> Iterator[R]:
        """Give the results of tasks in order; tasks lost with a worker are done again."""
        futures: list[Future[R]] = []
        for i in range(len(tasks)):
            while True:
                try:
                    if not futures:
                        with _without_interrupts(), _one_thread_each():
                            futures = [self._executor.submit(work, task) for task in tasks[i:]]
                    result = futures[0].result()
                except BrokenExecutor:
                    self._replace()
                    futures = []
                    continue
                futures.pop(0)
                yield result
                break

    def _replace(self) -> None:
        self.close()
        self._breaks += 1
        if self._breaks > _BREAKS:
            raise ArrayoptError(
                f"worker processes died {self._breaks} times; there may be too little memory: use "
                "fewer --workers; what was judged is kept"
            )
        self._executor = self._open()

    def close(self) -> None:
        self._executor.shutdown(cancel_futures=True)


@contextmanager
def _without_interrupts() -> Iterator[None]:
    """Start processes that Ctrl-C does not reach even before they have begun to work."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Start processes whose linear algebra keeps to one thread, unless the user says otherwise.

    As many threads in every process as there are processors wait for each other: two workers on
    two processors took four times as long as one.
    """
    ours = [name for name in _THREADS if name not in os.environ]
    os.environ.update(dict.fromkeys(ours, "1"))
    try:
        yield
    finally:
        for name in ours:
            os.environ.pop(name, None)


def _leave_interrupts() -> None:
    """Let the parent alone answer Ctrl-C, which reaches every process of a terminal."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _cluster(address: str) -> Iterator[Executor]:
    """Open the executor of a Dask cluster whose workers have this version of the package."""
    try:
        distributed = importlib.import_module("distributed")
    except ImportError:
        raise ArrayoptError(
            '--cluster needs the extra "cluster" of arrayopt; install it here and on the workers'
        ) from None
    _answers(address)
    client = distributed.Client(address, timeout=_PATIENCE_S, set_as_default=False)
    try:
        _same_version(client, address)
        yield client.get_executor()
    except (distributed.KilledWorker, distributed.comm.CommClosedError, CancelledError) as fault:
        raise ArrayoptError(
            f"--cluster {address} is gone or its workers die of this work: {fault}; what was "
            "judged is kept: start it again and repeat the command"
        ) from None
    finally:
        client.close()


def _answers(address: str) -> None:
    """Raise ArrayoptError unless something listens at an address: Dask itself waits long."""
    parts = urlsplit(address)
    try:
        if parts.scheme not in ("tcp", "tls") or not parts.hostname or not parts.port:
            raise ValueError("no such address")
        socket.create_connection((parts.hostname, parts.port), timeout=_PATIENCE_S).close()
    except (OSError, ValueError) as fault:
        raise ArrayoptError(
            f"--cluster {address} does not answer: {fault}; give the address that the scheduler "
            "prints when it starts, such as tcp://127.0.0.1:8786"
        ) from None


def _same_version(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=_PATIENCE_S)
    except TimeoutError:
        raise ArrayoptError(f"--cluster {address} has no workers; start `dask worker`") from None
    here = _version()
    try:
        there = set(client.run(version, "arrayopt").values())
    except PackageNotFoundError:
        there = {"none"}
    if there != {here}:
        found = ", ".join(sorted(there))
        raise ArrayoptError(
            f"--cluster {address} has workers with arrayopt {found}, here it is {here}; install "
            "the same there"
        )


def _version() -> str:
    return version("arrayopt")
