"""All parallel work: batches of designs over a pool of processes."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")


@contextmanager
def pool(workers: int) -> Iterator[Executor | None]:
    """Open a pool of worker processes; None for one worker, which is this process."""
    if workers == 1:
        yield None
        return
    # Fresh interpreters behave alike on all systems and inherit no locks.
    context = multiprocessing.get_context("spawn")
    executor = ProcessPoolExecutor(workers, mp_context=context, initializer=_leave_interrupts)
    try:
        yield executor
    finally:
        executor.shutdown(cancel_futures=True)


def _leave_interrupts() -> None:
    """Let the parent alone answer Ctrl-C, which reaches every process of a terminal."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def spread(
    executor: Executor | None,
    work: Callable[[Sequence[T]], list[R]],
    items: Sequence[T],
    *,
    parts: int,
) -> list[R]:
    """Do work on items in order, cut into even parts, one task each."""
    if executor is None or not items:
        return work(items)
    size = -(-len(items) // parts)
    chunks = [items[i : i + size] for i in range(0, len(items), size)]
    return [result for part in executor.map(work, chunks) for result in part]
