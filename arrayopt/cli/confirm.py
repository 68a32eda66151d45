"""The confirm command."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from arrayopt.cli.options import (
    NumberRange,
    fanout_options,
    json_option,
    out_option,
    say,
    storage_option,
    written,
)

if TYPE_CHECKING:
    from arrayopt.confirmation.run import Progress


@click.command()
@click.argument("study", metavar="[STUDY]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--front", "run", metavar="DIR", type=click.Path(path_type=Path, file_okay=False),
    help="Confirm the knee of the search in DIR and its neighbours instead of a study.",
)  # fmt: skip
@click.option(
    "--mesh", type=NumberRange(0.3, 3), default=1.0, show_default=True, metavar="SCALE",
    help="Size of the elements; smaller is finer and slower.",
)  # fmt: skip
@fanout_options
@storage_option
@json_option
@out_option()
def confirm(
    *,
    study: Path | None,
    run: Path | None,
    mesh: float,
    workers: int,
    cluster: str | None,
    storage: str | None,
    json: bool,
    out: Path | None,
) -> None:
    """Confirm a design by nonlinear finite elements.

    Their figures stand beside those of the fast model.

    Saturation, cogging, ripple, inductances, iron loss and demagnetisation. DIR of --out keeps
    finished positions: the same command goes on where it was stopped. Needs the extra fe. Exit code
    3 if fast model and finite elements do not agree, or the magnets lose more than their limit.
    """
    if (study is None) == (run is None):
        raise click.UsageError(
            f"give either a study or --front DIR; got {'neither' if run is None else 'both'}"
        )
    if storage is not None and run is None:
        raise click.UsageError("--storage says where a search is kept; give --front DIR with it")
    how = {"workers": workers, "cluster": cluster, "size": mesh}
    if run is not None:
        _front(run, out or run, json=json, storage=storage, **how)
    elif study is not None:
        _study(study, out, json=json, **how)


def _study(study: Path, out: Path | None, *, json: bool, **how: Any) -> None:
    from arrayopt.confirmation.run import confirm as confirmed
    from arrayopt.evaluation import load_study
    from arrayopt.export.confirm_folder import write_confirmation
    from arrayopt.export.confirm_tables import confirm_json, confirm_text
    from arrayopt.export.files import json_text

    read = load_study(study)
    with progress() as told:
        found = confirmed(read, out=out, progress=told, **how)
    say(json_text(confirm_json(found)) if json else confirm_text(found))
    if out:
        written(write_confirmation(out, found))
    if not found.agrees or found.loses:
        click.get_current_context().exit(3)


def _front(run: Path, out: Path, *, json: bool, **how: Any) -> None:
    from arrayopt.confirmation.front import confirm_front
    from arrayopt.export.confirm_folder import write_confirmed_front
    from arrayopt.export.confirm_tables import front_json, front_text
    from arrayopt.export.files import json_text

    with progress() as told:
        found = confirm_front(run, out=out, progress=told, **how)
    say(json_text(front_json(found)) if json else front_text(found))
    written(write_confirmed_front(out, found))
    if not found.picks:
        click.get_current_context().exit(3)


@contextmanager
def progress() -> Iterator[Callable[[Progress], object]]:
    """Show how far a confirmation is on standard error, where that is a terminal."""
    with click.progressbar(
        length=1, label="tasks", file=sys.stderr, show_pos=True, show_eta=True, width=20,
        hidden=sys.stderr is None or not sys.stderr.isatty(),
    ) as bar:  # fmt: skip

        def tell(now: Progress) -> None:
            # Of what this run solves, so that the time left counts nothing that was kept.
            bar.length = max(now.wanted - (now.done - now.new), 1)
            bar.update(max(now.new - bar.pos, 0))

        yield tell
