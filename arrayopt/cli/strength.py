"""The strength command."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import (
    exit_unless_kept,
    json_option,
    out_option,
    say,
    study_argument,
    written,
)


@click.command()
@study_argument
@json_option
@out_option()
def strength(study: Path, json: bool, out: Path | None) -> None:
    """Estimate whether the rotor holds together, and on centre.

    Glue and print against magnets and speed; the pull on a rotor off centre against its supports.

    Exit code 3 if a check is not kept.
    """
    from arrayopt.checks.strength import strength as computed
    from arrayopt.checks.strength import strength_checks
    from arrayopt.evaluation import load_study
    from arrayopt.export.files import json_text
    from arrayopt.export.strength_tables import strength_json, strength_text
    from arrayopt.export.workshop_folder import write_strength

    read = load_study(study)
    found = computed(read)
    say(json_text(strength_json(read, found)) if json else strength_text(read, found))
    if out:
        written(write_strength(out, read, found))
    exit_unless_kept(strength_checks(read, found))
