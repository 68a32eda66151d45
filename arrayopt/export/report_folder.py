"""The files of a whole report."""

from __future__ import annotations

from pathlib import Path

from arrayopt.export.drawings import write_drawings
from arrayopt.export.files import write_text
from arrayopt.export.report import report
from arrayopt.export.report_found import Found
from arrayopt.export.report_page import report_page
from arrayopt.export.report_pdf import write_report_pdf
from arrayopt.export.results_folder import write_comparison, write_evaluation
from arrayopt.export.workshop_folder import (
    write_assembly,
    write_driver_data,
    write_order,
    write_stray,
    write_strength,
)


def write_report(out: Path, found: Found) -> list[Path]:
    """Write the design that a report is about, all that the bench needs, page and print."""
    study, order = found.study, found.assembly.recommended
    told = report(found)
    own = []
    if found.result:
        own = write_evaluation(out, study, found.results, found.design.pictures)
    beside = write_comparison(out, found.comparison) if found.result else []
    return [
        write_text(out / "chosen.toml", study.text),
        *own,
        *beside,
        *write_order(out, found.order),
        *write_drawings(out, study),
        *write_assembly(out, found.assembly, order),
        *write_strength(out, study, found.strength),
        *write_stray(out, study, found.stray),
        *write_driver_data(out, study, found.driver),
        write_text(out / "report.html", report_page(told)),
        write_report_pdf(out / "report.pdf", told),
    ]
