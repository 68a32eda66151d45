"""The cut-list command."""

from __future__ import annotations

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
    """List the magnets to order, each with its direction of polarisation."""
    from arrayopt.evaluation import load_study
    from arrayopt.export.cut_list import cut_list as listed
    from arrayopt.export.files import json_text
    from arrayopt.export.folder import write_order
    from arrayopt.export.order_tables import order_json, order_text

    ordered = listed(load_study(study), motors=motors, spares_percent=spares)
    say(json_text(order_json(ordered)) if json else order_text(ordered))
    if out:
        written(write_order(out, ordered))
