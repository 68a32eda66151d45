"""Commands of the search: optimise, and show what one has found."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from arrayopt.cli.options import (
    json_option,
    out_option,
    say,
    search_options,
    storage_option,
    study_argument,
    written,
)

if TYPE_CHECKING:
    from arrayopt.search import Progress, SearchResult


@click.command()
@study_argument
@out_option(required=True)
@search_options
@json_option
def optimise(*, study: Path, out: Path, json: bool, **how: Any) -> None:
    """Search for the designs that no other beats.

    Changes what [search.variables] of the study allows, or chooses magnets from its shop
    list. DIR keeps the search: the same command goes on where it was stopped. Writes the
    front, pictures and ready-to-use studies of the designs worth a look.
    """
    from arrayopt.evaluation import load_study
    from arrayopt.search import optimise as optimised

    read = load_study(study)
    with progress() as told:
        result = optimised(read, out=out, progress=told, **how)
    _tell(result, out, json=json)


@click.command()
@click.argument("run", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
    help="Folder to write to instead of the search's own.",
)  # fmt: skip
@storage_option
@json_option
def show(*, run: Path, out: Path | None, storage: str | None, json: bool) -> None:
    """Show what a search has found so far.

    DIR is a folder that optimise wrote to; the search in it may be at work.
    """
    from arrayopt.search import read_search

    _tell(read_search(run, storage=storage), out or run, json=json)


def _tell(result: SearchResult, out: Path, *, json: bool) -> None:
    from arrayopt.comparison import compare
    from arrayopt.export.files import json_text
    from arrayopt.export.results_folder import write_search
    from arrayopt.export.search_tables import search_json, search_text

    say(json_text(search_json(result)) if json else search_text(result))
    written(write_search(out, result, compare(result.study)))


@contextmanager
def progress(label: str = "designs") -> Iterator[Callable[[Progress], object]]:
    """Show how far a search is on standard error, where that is a terminal."""
    with click.progressbar(
        length=1,
        label=label,
        file=sys.stderr,
        show_pos=True,
        show_eta=True,
        width=20,
        item_show_func=_shown,
        hidden=sys.stderr is None or not sys.stderr.isatty(),
    ) as bar:

        def tell(now: Progress) -> None:
            bar.length = max(now.wanted, 1)
            bar.update(max(now.done - bar.pos, 0), now)

        yield tell


def _shown(now: Progress | None) -> str:
    if now is None:
        return ""
    rate = f"{now.new / now.seconds:.0f}/s" if now.new and now.seconds > 0 else "from the record"
    if isnan(now.hypervolume):
        return rate
    return f"{rate}, front x {now.hypervolume:.3f}, {100 * now.feasible:.0f} % keep all limits"
