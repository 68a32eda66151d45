"""The tolerance command."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import json_option, out_option, say, study_argument, written


@click.command()
@study_argument
@click.option(
    "--rotors", type=click.IntRange(200, 200000), metavar="N",
    help="Rotors to draw, instead of the study's number.",
)  # fmt: skip
@click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), metavar="N", help="Instead of the study's."
)
@json_option
@out_option()
def tolerance(
    *, study: Path, rotors: int | None, seed: int | None, json: bool, out: Path | None
) -> None:
    """Compute how far rotors scatter as printed and bought.

    Torque constant, beat, pull, cogging and least airgap of thousands of rotors; which of the
    limits in [tolerance] matters, and how many rotors keep those in [tolerance.limits]. DIR gets
    every rotor as CSV and NetCDF, and a picture. Exit code 3 if not one rotor keeps the limits.
    """
    from arrayopt.evaluation import load_study
    from arrayopt.export.files import json_text
    from arrayopt.export.tolerance_results import tolerance_json
    from arrayopt.export.tolerance_tables import tolerance_text
    from arrayopt.scatter.run import tolerance as computed

    read = load_study(study)
    given = {"tolerance.rotors": rotors, "tolerance.seed": seed}
    read = read.with_values({key: value for key, value in given.items() if value is not None})
    found = computed(read)
    say(json_text(tolerance_json(read, found)) if json else tolerance_text(read, found))
    if out:
        # Pictures take a second to load.
        from arrayopt.export.tolerance_folder import write_tolerance

        written(write_tolerance(out, read, found))
    if read.tolerance.limits and not found["kept"].any():
        click.get_current_context().exit(3)
