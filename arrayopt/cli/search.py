"""The optimise command."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from arrayopt.cli.options import (
    json_option,
    out_option,
    say,
    search_options,
    study_argument,
    written,
)


@click.command()
@study_argument
@out_option(required=True)
@search_options
@json_option
def optimise(
    *, study: Path, out: Path, trials: int | None, seed: int | None, workers: int, json: bool
) -> None:
    """Search for the most torque with the least rotor mass.

    Changes what [search.variables] of the study allows. DIR keeps the search: the same
    command goes on where it was stopped. Writes the front and ready-to-use studies of
    the designs worth a look.
    """
    from arrayopt.comparison import compare
    from arrayopt.evaluation import load_study
    from arrayopt.export.files import json_text
    from arrayopt.export.folder import write_search
    from arrayopt.export.results import search_json
    from arrayopt.export.tables import search_text
    from arrayopt.search import optimise as optimised

    read = load_study(study)
    wanted = trials or (read.search.trials if read.search else 0)
    with progress(wanted) as advance:
        result = optimised(
            read, out=out, trials=trials, seed=seed, workers=workers, progress=advance
        )
    say(json_text(search_json(result)) if json else search_text(result))
    written(write_search(out, result, compare(read)))


@contextmanager
def progress(wanted: int) -> Iterator[Callable[[int], object]]:
    """Show designs done and time left on standard error where that is a terminal."""
    with click.progressbar(
        length=max(wanted, 1),
        label="designs",
        file=sys.stderr,
        show_pos=True,
        show_eta=True,
        hidden=not sys.stderr.isatty(),
    ) as bar:
        yield bar.update
