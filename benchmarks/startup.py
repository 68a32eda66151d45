"""Time whole commands as a user starts them. Run: python benchmarks/startup.py"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

STUDY = Path(__file__).resolve().parent.parent / "studies/ankle/study.toml"


def seconds(arguments: list[str]) -> float:
    """Wall time of one run of the command line."""
    start = time.perf_counter()
    subprocess.run([sys.executable, "-m", "arrayopt", *arguments], check=True, capture_output=True)
    return time.perf_counter() - start


def main() -> None:
    print("| command | median [s] | runs |")
    print("|---|---|---|")
    for text, runs in (("--help", 15), (f"evaluate {STUDY}", 5), (f"compare {STUDY}", 5)):
        times = [seconds(text.split()) for _ in range(runs)]
        print(
            f"| `{text.replace(str(STUDY), 'STUDY')}` | {statistics.median(times):.2f} | {runs} |"
        )
    for workers in (1, 2):
        with tempfile.TemporaryDirectory() as out:
            time_taken = seconds(["report", str(STUDY), "--out", out, "--workers", str(workers)])
        print(f"| `report STUDY --out DIR --workers {workers}` | {time_taken:.1f} | 1 |")


if __name__ == "__main__":
    main()
