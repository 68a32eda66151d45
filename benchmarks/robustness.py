"""Files that went wrong, in thousands: what is refused, how long that takes, how much memory.

``python benchmarks/robustness.py [STUDIES [READINGS]]`` prints the table of benchmarks/README.md
and ends with code 1 if anything but a message of arrayopt's came out.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from mutations import LISTS, READINGS, STUDIES, csv_bytes, study_text
from tabulate import tabulate

from arrayopt import ArrayoptError, as_built, load_study, read_measured, sort_magnets
from arrayopt.measurement.records import Loose
from arrayopt.study.stock import read_stock

ANKLE = load_study(STUDIES / "ankle/study.toml")


def studies(folder: Path, seed: int) -> None:
    """Load a mutated study."""
    file = folder / "study.toml"
    file.write_text(study_text(seed), encoding="utf-8", newline="")
    load_study(file)


def lists(folder: Path, seed: int) -> None:
    """Read a mutated shop list."""
    name, content = csv_bytes(seed, LISTS)
    (folder / name).write_bytes(content)
    read_stock(folder / name, grades=ANKLE.known("magnets"))


def readings(folder: Path, seed: int) -> None:
    """Read mutated readings, and of some make what can be made of them."""
    name, content = csv_bytes(seed, READINGS)
    (folder / name).write_bytes(content)
    (measured,) = read_measured(folder / name)
    if seed % 10 == 0:
        if isinstance(measured, Loose):
            sort_magnets(ANKLE, measured)
        else:
            as_built(ANKLE, [folder / name])


def tried(what: Callable[[Path, int], None], count: int) -> tuple[list[object], bool]:
    """Return a row of the table, and whether only arrayopt's own messages came."""
    refused, worst, well = 0, 0.0, True
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for path, content in LISTS.items():
            (folder / path).write_bytes(content)
        for seed in range(count):
            start = time.perf_counter()
            try:
                what(folder, seed)
            except ArrayoptError:
                refused += 1
                worst = max(worst, time.perf_counter() - start)
            except Exception:
                well = False
                print(what.__name__, seed)
                traceback.print_exc()
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return [what.__name__, count, refused, f"{worst:.2f}", f"{memory:.0f}"], well


def main() -> None:
    """Try all kinds of files and print the table."""
    counts = [int(one) for one in sys.argv[1:]]
    many = (counts + [6000, 3000][len(counts) :])[:2]
    found = [tried(studies, many[0]), tried(lists, many[1]), tried(readings, many[1])]
    header = ["mutated", "files", "refused", "slowest refusal [s]", "memory up to [MB]"]
    print(tabulate([row for row, _ in found], header, tablefmt="github"))
    sys.exit(not all(well for _, well in found))


if __name__ == "__main__":
    main()
