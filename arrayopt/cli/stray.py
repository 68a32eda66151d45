"""The stray command."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from arrayopt.cli.options import (
    exit_unless_kept,
    json_option,
    out_option,
    say,
    study_argument,
    written,
)


def _points(context: Any, option: Any, values: tuple[str, ...]) -> list[tuple[float, float]]:
    """Read radii and heights in mm, parted by commas; SI outside of the command line."""
    found = []
    for value in values:
        try:
            radius, height = (float(part) for part in value.split(","))
        except ValueError:
            text = f"{value!r} is not a radius and a height in mm, as in 60,0"
            raise click.BadParameter(text, context, option) from None
        if not (0 <= radius <= 1e4 and abs(height) <= 1e4):
            text = f"{value!r} must have a radius from 0 and both within 10000 mm"
            raise click.BadParameter(text, context, option)
        found.append((radius * 1e-3, height * 1e-3))
    return found


@click.command()
@study_argument
@click.option(
    "--at", "points", multiple=True, callback=_points, metavar="R,Z",
    help="Point: radius off the shaft's axis, height from the magnets' middle, in mm; repeatable.",
)  # fmt: skip
@json_option
@out_option()
def stray(study: Path, points: list[tuple[float, float]], json: bool, out: Path | None) -> None:
    """Compute the field outside the rotor and at its sensor."""
    from arrayopt.checks.stray import stray as computed
    from arrayopt.checks.stray import stray_checks
    from arrayopt.evaluation import load_study
    from arrayopt.export.files import json_text
    from arrayopt.export.stray_tables import stray_json, stray_text
    from arrayopt.export.workshop_folder import write_stray

    read = load_study(study)
    found = computed(read, points=points)
    say(json_text(stray_json(read, found)) if json else stray_text(read, found))
    if out:
        written(write_stray(out, read, found))
    exit_unless_kept(stray_checks(read, found))
