"""The report command: the whole job from figures to the bench."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from arrayopt.cli.options import (
    json_option,
    note,
    order_options,
    out_option,
    say,
    search_options,
    study_argument,
    written,
)
from arrayopt.cli.search import progress

if TYPE_CHECKING:
    from arrayopt.errors import NothingFeasibleError
    from arrayopt.export.report_found import Evaluated, Found
    from arrayopt.search import SearchResult
    from arrayopt.study import Study


_KNEE, _START = "knee", "start"


@click.command()
@study_argument
@out_option(required=True)
@search_options
@order_options
@json_option
@click.option(
    "--choose", default=_KNEE, show_default=True, metavar="DESIGN",
    help="Design that the report is about: a pick's name, a number of front.csv, or start.",
)  # fmt: skip
def report(
    *,
    study: Path,
    out: Path,
    motors: int | None,
    spares: float | None,
    choose: str,
    json: bool,
    **how: Any,
) -> None:
    """Do the whole job, as one report in HTML and PDF.

    Figures, comparison, search, and what to order, print and assemble.

    Without a [search] the report is about the study's own design.
    """
    from arrayopt.evaluation import load_study
    from arrayopt.export.files import json_text, write_text
    from arrayopt.export.report_folder import write_report
    from arrayopt.export.report_found import evaluated, found_of
    from arrayopt.export.results_folder import write_comparison, write_evaluation, write_search
    from arrayopt.export.search_tables import search_json, search_text
    from arrayopt.export.solid import NO_SOLID, solids_available

    parts: list[str] = []

    def tell(heading: str, text: str) -> None:
        heading = f"{len(parts) + 1}. {heading}"
        parts.append(f"{heading}\n{'=' * len(heading)}\n\n{text}\n")
        if not json:
            say(parts[-1])

    # The search comes first: a folder that holds another one must stay as it is.
    read = load_study(study)
    _check_choice(read, choose)
    result, nothing = _searched(read, out, how) if read.search else (None, None)
    start = evaluated(read)

    # With a search the folder is about the design chosen, and the start has one of its own.
    place = out / "start" if read.search else out
    paths = write_evaluation(place, read, start.results, start.pictures)
    paths += write_comparison(place, start.comparison)
    chosen, name = start, "the study's own design"
    if result is not None:
        paths += write_search(out, result, start.comparison)
        chosen = start if choose == _START else evaluated(result.pick(choose))
        name = f"the chosen design: {choose}"
    # Where the search found nothing there is the start to tell, and why.
    about = "" if read.search is None else f" of {name if result else 'the start design'}"
    for heading, text in _figures(chosen):
        tell(f"{heading}{about}", text)
    if nothing is not None:
        written(paths)
        raise nothing
    whole: dict[str, Any] = _figures_json(chosen)
    if result is not None:
        tell("Search", search_text(result))
        whole |= {"optimise": search_json(result), "chosen": choose, "start": _figures_json(start)}

    found = found_of(
        chosen, motors=motors, spares_percent=spares, result=result,
        chosen=choose if result else "",
    )  # fmt: skip
    for heading, key, text, content in _bench(found):
        tell(heading.format(name), text)
        whole[key] = content
    paths += write_report(out, found)
    paths.append(write_text(out / "report.txt", "\n".join(parts)))
    if json:
        say(json_text(whole))
    written(paths)
    if not solids_available():
        note(NO_SOLID)
    note(f"all on one page: {out / 'report.html'}")


def _searched(
    study: Study, out: Path, how: dict[str, Any]
) -> tuple[SearchResult | None, NothingFeasibleError | None]:
    """Search; a search that finds nothing is told after what else there is to tell."""
    from arrayopt.errors import NothingFeasibleError
    from arrayopt.search import optimise

    try:
        with progress() as told:
            return optimise(study, out=out, progress=told, **how), None
    except NothingFeasibleError as nothing:
        return None, nothing


def _figures(design: Evaluated) -> list[tuple[str, str]]:
    """Return heading and text of a design's figures and of plain layouts beside it."""
    from arrayopt.export.evaluation_tables import comparison_text, evaluation_text

    return [
        ("Figures", evaluation_text(design.study, design.results)),
        ("Beside plain alternating layouts", comparison_text(design.comparison)),
    ]


def _figures_json(design: Evaluated) -> dict[str, Any]:
    """Return what the commands evaluate and compare say of a design."""
    from arrayopt.export.results import comparison_json, evaluation_json

    return {
        "evaluate": evaluation_json(design.study, design.results),
        "compare": comparison_json(design.comparison),
    }


def _bench(found: Found) -> list[tuple[str, str, str, dict[str, Any]]]:
    """Return heading, key, text and JSON of everything that follows a design."""
    from arrayopt.export.assembly_tables import assembly_json, assembly_text
    from arrayopt.export.driver import driver_json, driver_text
    from arrayopt.export.order_tables import order_json, order_text
    from arrayopt.export.stray_tables import stray_json, stray_text
    from arrayopt.export.strength_tables import strength_json, strength_text
    from arrayopt.export.tolerance_results import tolerance_json
    from arrayopt.export.tolerance_tables import tolerance_text

    study, made = found.study, found.assembly
    first = made.recommended
    return [
        ("Cut list of {}", "cut_list", order_text(found.order), order_json(found.order)),
        ("Assembly", "assembly", assembly_text(made, first), assembly_json(made, first)),
        ("Staying together", "strength", strength_text(study, found.strength),
         strength_json(study, found.strength)),
        ("Stray field", "stray", stray_text(study, found.stray), stray_json(study, found.stray)),
        ("Tolerances", "tolerance", tolerance_text(study, found.scatter),
         tolerance_json(study, found.scatter)),
        ("Driver data", "driver_data", driver_text(study, found.driver),
         driver_json(study, found.driver)),
    ]  # fmt: skip


def _check_choice(study: Study, choose: str) -> None:
    """Raise ArrayoptError if a design is asked for that a search cannot have."""
    from arrayopt.errors import ArrayoptError
    from arrayopt.search.result import pick_names

    if study.search is None:
        if choose != _KNEE:
            raise ArrayoptError(
                f"--choose {choose} names a design of a search, but the study has no [search]; "
                "leave it out"
            )
        return
    names = (*pick_names(study), _START)
    if choose not in names and not (choose.isascii() and choose.isdigit()):
        raise ArrayoptError(
            f"--choose {choose} names no design; give {', '.join(names)} or a number of front.csv"
        )
