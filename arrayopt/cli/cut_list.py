"""The cut-list command."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from arrayopt.cli.options import (
    json_option,
    order_options,
    out_option,
    say,
    study_argument,
    written,
)


@click.command("cut-list")
@study_argument
@order_options
@json_option
@out_option()
def cut_list(
    study: Path, motors: int | None, spares: float | None, json: bool, out: Path | None
) -> None:
    """List the magnets to order, with directions of polarisation."""
    from arrayopt.checks import check_limits
    from arrayopt.evaluation import evaluate, load_study
    from arrayopt.export.cut_list import cut_list as listed
    from arrayopt.export.files import json_text
    from arrayopt.export.order_tables import order_json, order_text
    from arrayopt.export.workshop_folder import write_order

    read = load_study(study)
    ordered = listed(read, motors=motors, spares_percent=spares)
    missed = tuple(check.name for check in check_limits(read, evaluate(read)) if not check.ok)
    ordered = replace(ordered, missed=missed)
    say(json_text(order_json(ordered)) if json else order_text(ordered))
    if out:
        written(write_order(out, ordered))
