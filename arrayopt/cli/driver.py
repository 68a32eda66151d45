"""The driver-data command."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import (
    json_option,
    out_option,
    remanence_option,
    say,
    study_argument,
    with_remanence,
    written,
)


@click.command("driver-data")
@study_argument
@remanence_option
@json_option
@out_option()
def driver_data(study: Path, remanence: str | None, json: bool, out: Path | None) -> None:
    """List what a motor drive is set up with.

    Each number stands with its convention, for drives differ in theirs.
    """
    from arrayopt.evaluation import evaluate, load_study
    from arrayopt.export.driver import driver_data as listed
    from arrayopt.export.driver import driver_json, driver_text
    from arrayopt.export.files import json_text
    from arrayopt.export.workshop_folder import write_driver_data

    read = with_remanence(load_study(study), remanence)
    values = listed(read, evaluate(read))
    say(json_text(driver_json(read, values)) if json else driver_text(read, values))
    if out:
        written(write_driver_data(out, read, values))
