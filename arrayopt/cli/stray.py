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


class _Point(click.ParamType):
    """A radius and a height in mm, parted by a comma."""

    name = "R,Z"

    def convert(self, value: Any, param: Any, ctx: Any) -> tuple[float, float]:
        try:
            radius, height = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"{value!r} is not a radius and a height in mm, as in 60,0", param, ctx)
        if not (0 <= radius <= 1e4 and abs(height) <= 1e4):
            self.fail(f"{value!r} must have a radius from 0 and both within 10000 mm", param, ctx)
        return radius * 1e-3, height * 1e-3


@click.command()
@study_argument
@click.option(
    "--at", "points", multiple=True, type=_Point(), metavar="R,Z",
    help="Point: radius off the shaft's axis, height from the magnets' middle, in mm; repeatable.",
)  # fmt: skip
@json_option
@out_option()
def stray(study: Path, points: tuple[Any, ...], json: bool, out: Path | None) -> None:
    """Compute the field outside: how far to keep off, and at the position sensor."""
    from arrayopt.checks.stray import stray as computed
    from arrayopt.checks.stray import stray_checks
    from arrayopt.evaluation import load_study
    from arrayopt.export.files import json_text
    from arrayopt.export.folder import write_stray
    from arrayopt.export.stray_tables import stray_json, stray_text

    read = load_study(study)
    found = computed(read, points=points)
    say(json_text(stray_json(read, found)) if json else stray_text(read, found))
    if out:
        written(write_stray(out, read, found))
    exit_unless_kept(stray_checks(read, found))
