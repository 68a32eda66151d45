"""The assembly command."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import json_option, out_option, say, study_argument, written


@click.command()
@study_argument
@click.option(
    "--order", metavar="NAME",
    help="Order to list, as the table names them; left out, the recommended one.",
)  # fmt: skip
@json_option
@out_option()
def assembly(study: Path, order: str | None, json: bool, out: Path | None) -> None:
    """Compute the forces of pushing magnets in, and the best order.

    The push is that along the shaft, against magnets and friction, at its worst on the way.
    """
    from arrayopt.checks.assembly import assembly as computed
    from arrayopt.evaluation import load_study
    from arrayopt.export.assembly_tables import assembly_json, assembly_text
    from arrayopt.export.files import json_text
    from arrayopt.export.workshop_folder import write_assembly

    found = computed(load_study(study))
    listed = found.recommended if order is None else found.order(order)
    say(json_text(assembly_json(found, listed)) if json else assembly_text(found, listed))
    if out:
        written(write_assembly(out, found, listed))
