"""The sort command."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import json_option, out_option, say, study_argument, written


@click.command()
@study_argument
@click.argument("readings", metavar="READINGS.csv", type=click.Path(path_type=Path))
@click.option(
    "--seed", type=click.IntRange(0), metavar="N", default=1, show_default=True,
    help="Start of the search; the same seed gives the same placement.",
)  # fmt: skip
@json_option
@out_option()
def sort(study: Path, readings: Path, seed: int, json: bool, out: Path | None) -> None:
    """Assign measured magnets to pockets so that errors cancel.

    READINGS.csv has a row for every magnet: its label in the column magnet, what was read in
    reading_mt or remanence_t, and, where the rotor has several kinds, the column family.
    """
    from arrayopt.errors import StudyError
    from arrayopt.evaluation import load_study
    from arrayopt.export.files import json_text
    from arrayopt.export.sorting_folder import write_sorting
    from arrayopt.export.sorting_tables import sorting_json, sorting_text
    from arrayopt.measurement.files import Loose, read_measured
    from arrayopt.measurement.sorting import sort_magnets

    read = load_study(study)
    (loose,) = read_measured([readings])
    if not isinstance(loose, Loose):
        raise StudyError(
            [
                f"{loose.path}: magnets are sorted by readings of loose ones; got another kind of "
                "file; give the columns magnet and reading_mt or remanence_t"
            ]
        )
    found = sort_magnets(read, loose, seed=seed)
    say(json_text(sorting_json(found)) if json else sorting_text(found))
    if out:
        written(write_sorting(out, read, found))
