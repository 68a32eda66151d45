"""How long the papers for the bench take. Run: python benchmarks/report_speed.py"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tabulate import tabulate

from arrayopt import assembly, driver_data, evaluate, load_study, stray, strength
from arrayopt.export.drawings import write_drawings
from arrayopt.export.report import report
from arrayopt.export.report_found import found_of
from arrayopt.export.report_page import report_page
from arrayopt.export.report_pdf import write_report_pdf

STUDIES = Path(__file__).parents[1] / "studies"


def seconds(work: Callable[[], Any]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    rows = []
    for name in ("ankle", "wrist", "pan"):
        study = load_study(STUDIES / name / "study.toml")
        results = evaluate(study)
        found = found_of(study)
        told = report(found)
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder)
            rows.append(
                [
                    name,
                    *(
                        f"{seconds(work):.2f}"
                        for work in (
                            lambda s=study: assembly(s),
                            lambda s=study: strength(s),
                            lambda s=study: stray(s),
                            lambda s=study, r=results: driver_data(s, r),
                            lambda s=study, o=out: write_drawings(o, s),
                            lambda s=study: report(found_of(s)),
                            lambda t=told: report_page(t),
                            lambda t=told, o=out: write_report_pdf(o / "report.pdf", t),
                        )
                    ),
                ]
            )
    header = ["Study, times in s", "assembly", "strength", "stray", "driver data", "drawings",
              "report", "its page", "its PDF"]  # fmt: skip
    print(tabulate(rows, header, tablefmt="github", disable_numparse=True))


if __name__ == "__main__":
    main()
