"""The report command: the main job from figures to order."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import (
    json_option,
    order_options,
    out_option,
    say,
    search_options,
    study_argument,
)
from arrayopt.cli.options import written as told
from arrayopt.cli.search import progress

PICKS = ("knee", "lightest", "strongest")


@click.command()
@study_argument
@out_option(required=True)
@search_options
@order_options
@json_option
@click.option(
    "--choose", type=click.Choice(PICKS), default="knee", show_default=True,
    help="Which design of the front the cut list is for.",
)  # fmt: skip
def report(
    *,
    study: Path,
    out: Path,
    trials: int | None,
    seed: int | None,
    workers: int,
    motors: int | None,
    spares: float | None,
    choose: str,
    json: bool,
) -> None:
    """Do the whole job: figures, comparison, search, and the cut list of a chosen design."""
    from arrayopt.comparison import compare
    from arrayopt.errors import NothingFeasibleError
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
    from arrayopt.export.results import (
        comparison_json,
        evaluation_json,
        order_json,
        search_json,
    )
    from arrayopt.export.tables import comparison_text, evaluation_text, order_text, search_text
    from arrayopt.search import optimise

    parts: list[str] = []

    def tell(heading: str, text: str) -> None:
        parts.append(f"{heading}\n{'=' * len(heading)}\n\n{text}\n")
        if not json:
            say(parts[-1])

    # The search comes first: a folder that holds another one must stay as it is.
    read = load_study(study)
    results = evaluate(read)
    comparison = compare(read)
    nothing: NothingFeasibleError | None = None
    try:
        with progress(trials or (read.search.trials if read.search else 0)) as advance:
            result = optimise(
                read, out=out, trials=trials, seed=seed, workers=workers, progress=advance
            )
    except NothingFeasibleError as found:
        nothing = found

    tell("1. Figures", evaluation_text(read, results))
    paths = write_evaluation(out, read, results)
    tell("2. Beside plain alternating layouts", comparison_text(comparison))
    paths += write_comparison(out, comparison)
    if nothing is not None:
        told(paths)
        raise nothing
    tell("3. Search", search_text(result))
    paths += write_search(out, result, comparison)

    name = choose if choose in result.picks else "knee"
    chosen = result.pick(name)
    ordered = cut_list(chosen, motors=motors, spares_percent=spares)
    tell(f"4. Cut list of the chosen design: {name}.toml", order_text(ordered))
    paths += [*write_order(out, ordered), write_chosen(out, chosen)]
    paths.append(write_text(out / "report.txt", "\n".join(parts)))
    if json:
        whole = {
            "evaluate": evaluation_json(read, results),
            "compare": comparison_json(comparison),
            "optimise": search_json(result),
            "chosen": name,
            "cut_list": order_json(ordered),
        }
        say(json_text(whole))
    told(paths)
