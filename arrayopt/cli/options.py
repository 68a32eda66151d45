"""Arguments and options that commands share, and how they print."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from math import isnan
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from arrayopt.checks import Check
    from arrayopt.study import Study

F = TypeVar("F", bound=Callable[..., Any])


def study_argument(function: F) -> F:
    """Add the study file, given as a path or ``-``."""
    return click.argument("study", metavar="STUDY", type=click.Path(path_type=Path))(function)


def json_option(function: F) -> F:
    """Add --json."""
    text = "Print one JSON object instead of tables."
    return click.option("--json", is_flag=True, help=text)(function)


def remanence_option(function: F) -> F:
    """Add --remanence."""
    return click.option(
        "--remanence", type=click.Choice(["minimum", "typical", "maximum"]),
        help="Remanence to count on, instead of the study's; minimum is what a grade guarantees.",
    )(function)  # fmt: skip


def with_remanence(study: Study, remanence: str | None) -> Study:
    """Return the study with another remanence to count on, if one is asked for."""
    return study.with_values({"rotor.remanence": remanence}) if remanence else study


def out_option(*, required: bool = False) -> Callable[[F], F]:
    """Add --out."""
    return click.option(
        "--out",
        type=click.Path(path_type=Path, file_okay=False),
        metavar="DIR",
        required=required,
        help="Folder to write results and pictures to.",
    )


def workers_option(function: F) -> F:
    """Add --workers."""
    return click.option(
        "--workers", type=click.IntRange(1, 256), default=1, show_default=True, metavar="N",
        help="Processes here that share the work.",
    )(function)  # fmt: skip


def fanout_options(function: F) -> F:
    """Add --workers and --cluster."""
    function = click.option(
        "--cluster", metavar="ADDRESS",
        help="Dask scheduler whose workers share the work, e.g. tcp://10.0.0.5:8786.",
    )(function)  # fmt: skip
    return workers_option(function)


def trials_option(function: F) -> F:
    """Add --trials."""
    return click.option(
        "--trials", type=click.IntRange(10), metavar="N",
        help="Different designs to judge, instead of the study's number.",
    )(function)  # fmt: skip


def seed_option(function: F) -> F:
    """Add --seed."""
    return click.option(
        "--seed", type=click.IntRange(0), metavar="N", help="Seed of the search, not the study's."
    )(function)


def search_options(function: F) -> F:
    """Add --trials, --seed, --workers, --cluster and --storage."""
    for option in (storage_option, fanout_options, seed_option, trials_option):
        function = option(function)
    return function


def storage_option(function: F) -> F:
    """Add --storage."""
    return click.option(
        "--storage", metavar="URL",
        help="Database that keeps the search instead of a journal in DIR; may be shared.",
    )(function)  # fmt: skip


class NumberRange(click.FloatRange):
    """A number within bounds; unlike its parent it refuses NaN."""

    def convert(self, value: Any, param: Any, ctx: Any) -> float:
        """Return the number that was given."""
        number = float(super().convert(value, param, ctx))
        if isnan(number):
            self.fail(f"{value!r} is not a number", param, ctx)
        return number


class _Percent(NumberRange):
    """A share in percent."""

    name = "percent"


def order_options(function: F) -> F:
    """Add --motors and --spares."""
    function = click.option(
        "--spares", type=_Percent(0, 200), metavar="PERCENT",
        help="Spare magnets, instead of the study's.",
    )(function)  # fmt: skip
    return click.option(
        "--motors", type=click.IntRange(1, 100000), metavar="N",
        help="Motors to build, instead of the study's number.",
    )(function)  # fmt: skip


def say(text: str) -> None:
    """Print a result; what a narrow character set lacks is replaced."""
    if sys.stdout is None:
        return
    encoding = sys.stdout.encoding or "utf-8"
    try:
        click.echo(text.encode(encoding, errors="replace").decode(encoding))
    except BrokenPipeError:
        # The reader went away, as `| head` does; the rest of the command goes on.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as fault:
        raise click.ClickException(f"output cannot be written: {fault.strerror}") from None


def note(text: str) -> None:
    """Tell what was done, on standard error."""
    click.echo(text, err=True)


def exit_unless_kept(checks: Iterable[Check]) -> None:
    """End with exit code 3 if a check is not kept."""
    if not all(one.ok for one in checks):
        click.get_current_context().exit(3)


def written(paths: list[Path]) -> None:
    """Name the files written, one folder a line."""
    folders: dict[Path, list[str]] = {}
    for path in paths:
        folders.setdefault(path.parent, []).append(path.name)
    for folder, names in folders.items():
        note(f"written to {folder}: {', '.join(names)}")
