"""Commands about one study: new, check, evaluate, compare."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import (
    exit_unless_kept,
    json_option,
    note,
    out_option,
    remanence_option,
    say,
    study_argument,
    with_remanence,
    written,
)
from arrayopt.errors import ArrayoptError


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False, allow_dash=True))
@click.option("--force", is_flag=True, help="Overwrite a file that is there already.")
@click.option("--stock", is_flag=True, help="Write an invented shop list (CSV) instead.")
def new(*, file: Path, force: bool, stock: bool) -> None:
    """Write a commented study to start from.

    - writes it to standard output.
    """
    from arrayopt.export.files import write_text
    from arrayopt.study import starter_stock, starter_text

    text = starter_stock() if stock else starter_text()
    if str(file) == "-":
        say(text)
        return
    if file.exists() and not force:
        raise ArrayoptError(f"{file} is there already; give another name or --force")
    write_text(file, text)
    following = f'put stock = "{file.name}" into [search]' if stock else f"arrayopt evaluate {file}"
    note(f"written: {file}; next: {following}")


@click.command()
@study_argument
@remanence_option
@json_option
def check(study: Path, remanence: str | None, json: bool) -> None:
    """Read a study and hold its figures against its limits.

    Exit code 3 if a limit is not kept.
    """
    from arrayopt.checks import check_limits
    from arrayopt.evaluation import evaluate as evaluated
    from arrayopt.evaluation import load_study
    from arrayopt.export.evaluation_tables import checks_text
    from arrayopt.export.files import json_text
    from arrayopt.export.results import evaluation_json

    read = with_remanence(load_study(study), remanence)
    results = evaluated(read)
    if json:
        say(json_text({"title": read.title, "checks": evaluation_json(read, results)["checks"]}))
    else:
        say(checks_text(check_limits(read, results)))
    exit_unless_kept(check_limits(read, results))


@click.command()
@study_argument
@remanence_option
@json_option
@out_option()
def evaluate(study: Path, remanence: str | None, json: bool, out: Path | None) -> None:
    """Compute the figures of one study.

    Field, torque, back-EMF, heat, masses, iron, reverse field in the magnets.
    """
    from arrayopt.evaluation import evaluate as evaluated
    from arrayopt.evaluation import load_study
    from arrayopt.export.evaluation_tables import evaluation_text
    from arrayopt.export.files import json_text
    from arrayopt.export.results import evaluation_json
    from arrayopt.export.results_folder import write_evaluation

    read = with_remanence(load_study(study), remanence)
    results = evaluated(read)
    if json:
        say(json_text(evaluation_json(read, results)))
    else:
        say(evaluation_text(read, results))
    if out:
        written(write_evaluation(out, read, results))


@click.command()
@study_argument
@json_option
@out_option()
def compare(study: Path, json: bool, out: Path | None) -> None:
    """Put a study beside plain magnets, with and without a ring.

    All at the same depth of magnets; `layouts` gives each layout its best sizes.
    """
    from arrayopt.comparison import compare as compared
    from arrayopt.evaluation import load_study
    from arrayopt.export.evaluation_tables import comparison_text
    from arrayopt.export.files import json_text
    from arrayopt.export.results import comparison_json
    from arrayopt.export.results_folder import write_comparison

    comparison = compared(load_study(study))
    say(json_text(comparison_json(comparison)) if json else comparison_text(comparison))
    if out:
        written(write_comparison(out, comparison))
