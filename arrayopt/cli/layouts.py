"""The layouts command."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import (
    json_option,
    out_option,
    say,
    seed_option,
    study_argument,
    trials_option,
    workers_option,
    written,
)


@click.command()
@study_argument
@out_option(required=True)
@trials_option
@seed_option
@workers_option
@json_option
def layouts(
    *, study: Path, out: Path, trials: int | None, seed: int | None, workers: int, json: bool
) -> None:
    """Search arrays and plain magnets, with and without a ring.

    Tells the best torque of each layout at equal rotor mass, and from which mass on one leads
    another: `compare` holds all to one depth of magnets, this gives each its best sizes. Plain
    magnets may be as wide as fits. DIR keeps the four searches: the same command goes on where
    it was stopped. --trials counts for each of the four.
    """
    from arrayopt.cli.search import progress
    from arrayopt.evaluation import load_study
    from arrayopt.export.files import json_text
    from arrayopt.export.layout_tables import layouts_json, layouts_text
    from arrayopt.export.layouts_folder import write_layouts
    from arrayopt.search.layouts import compare_layouts

    read = load_study(study)
    fronts = compare_layouts(
        read, out=out, trials=trials, seed=seed, workers=workers, progress=progress
    )
    say(json_text(layouts_json(fronts)) if json else layouts_text(fronts))
    written(write_layouts(out, fronts))
