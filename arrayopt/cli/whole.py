"""The report command: the main job from figures to order."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from arrayopt.cli.options import (
    json_option,
    order_options,
    out_option,
    say,
    search_options,
    study_argument,
    written,
)
from arrayopt.cli.search import progress


@click.command()
@study_argument
@out_option(required=True)
@search_options
@order_options
@json_option
@click.option(
    "--choose", default="knee", show_default=True, metavar="DESIGN",
    help="Design that the cut list is for: knee, another pick's name or a number of front.csv.",
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
    """Do the whole job: figures, comparison, search, and the cut list of a chosen design."""
    from arrayopt.comparison import compare
    from arrayopt.errors import ArrayoptError, NothingFeasibleError
    from arrayopt.evaluation import evaluate, load_study
    from arrayopt.export.cut_list import cut_list
    from arrayopt.export.files import json_text, write_text
    from arrayopt.export.folder import (
        write_chosen,
        write_comparison,
        write_evaluation,
        write_order,
        write_search,
    )
    from arrayopt.export.order_tables import order_json, order_text
    from arrayopt.export.results import (
        comparison_json,
        evaluation_json,
    )
    from arrayopt.export.search_tables import search_json, search_text
    from arrayopt.export.tables import comparison_text, evaluation_text
    from arrayopt.search import optimise
    from arrayopt.search.result import pick_names

    parts: list[str] = []

    def tell(heading: str, text: str) -> None:
        parts.append(f"{heading}\n{'=' * len(heading)}\n\n{text}\n")
        if not json:
            say(parts[-1])

    # The search comes first: a folder that holds another one must stay as it is.
    read = load_study(study)
    if choose not in pick_names(read) and not (choose.isascii() and choose.isdigit()):
        raise ArrayoptError(
            f"--choose {choose} names no design; give {', '.join(pick_names(read))} or a number of "
            "front.csv"
        )
    results = evaluate(read)
    comparison = compare(read)
    nothing: NothingFeasibleError | None = None
    try:
        with progress() as told:
            result = optimise(read, out=out, progress=told, **how)
    except NothingFeasibleError as found:
        nothing = found

    tell("1. Figures", evaluation_text(read, results))
    paths = write_evaluation(out, read, results)
    tell("2. Beside plain alternating layouts", comparison_text(comparison))
    paths += write_comparison(out, comparison)
    if nothing is not None:
        written(paths)
        raise nothing
    tell("3. Search", search_text(result))
    paths += write_search(out, result, comparison)

    chosen = result.pick(choose)
    ordered = cut_list(chosen, motors=motors, spares_percent=spares)
    tell(f"4. Cut list of the chosen design: {choose}", order_text(ordered))
    paths += [*write_order(out, ordered), *write_chosen(out, chosen)]
    paths.append(write_text(out / "report.txt", "\n".join(parts)))
    if json:
        whole = {
            "evaluate": evaluation_json(read, results),
            "compare": comparison_json(comparison),
            "optimise": search_json(result),
            "chosen": choose,
            "cut_list": order_json(ordered),
        }
        say(json_text(whole))
    written(paths)
