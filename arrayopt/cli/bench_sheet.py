"""The bench-sheet command."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import (
    NumberRange,
    json_option,
    out_option,
    say,
    study_argument,
    written,
)


@click.command("bench-sheet")
@study_argument
@click.option(
    "--rpm", type=NumberRange(1, 100000), metavar="RPM",
    help="Speed that the back-EMF is read at; left out, a round one that meters follow.",
)  # fmt: skip
@click.option(
    "--radius", type=NumberRange(0.1, 1000), metavar="MM",
    help="Radius of the flux density scan; left out, that of the stator's surface.",
)  # fmt: skip
@json_option
@out_option()
def bench_sheet(
    study: Path, rpm: float | None, radius: float | None, json: bool, out: Path | None
) -> None:
    """Print what the motor should read, with blanks to fill in."""
    from arrayopt.evaluation import load_study
    from arrayopt.export.bench_sheet import bench_sheet as computed
    from arrayopt.export.bench_sheet import bench_sheet_json, bench_sheet_text
    from arrayopt.export.bench_sheet_folder import write_bench_sheet
    from arrayopt.export.files import json_text

    sheet = computed(
        load_study(study), speed_rpm=rpm, radius=None if radius is None else radius * 1e-3
    )
    say(json_text(bench_sheet_json(sheet)) if json else bench_sheet_text(sheet))
    if out:
        written(write_bench_sheet(out, sheet))
