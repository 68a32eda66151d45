"""The report command: the main job from figures to order."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import order_options, out_option, say, search_options, study_argument
from arrayopt.cli.options import written as told
from arrayopt.cli.search import progress

PICKS = ("knee", "lightest", "strongest")


@click.command()
@study_argument
@out_option(required=True)
@search_options
@order_options
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
) -> None:
    """Do the whole job: figures, comparison, search, and the cut list of a chosen design."""
    from arrayopt.comparison import compare
    from arrayopt.evaluation import evaluate, load_study
    from arrayopt.export.cut_list import cut_list
    from arrayopt.export.files import write_text
    from arrayopt.export.folder import (
        write_comparison,
        write_evaluation,
        write_order,
        write_search,
    )
    from arrayopt.export.tables import comparison_text, evaluation_text, order_text, search_text
    from arrayopt.search import optimise

    parts: list[str] = []

    def tell(heading: str, text: str) -> None:
        parts.append(f"{heading}\n{'=' * len(heading)}\n\n{text}\n")
        say(parts[-1])

    # All is computed before anything is written, so that a fault leaves nothing behind.
    read = load_study(study)
    results = evaluate(read)
    comparison = compare(read)
    with progress(trials or (read.search.trials if read.search else 0)) as advance:
        result = optimise(
            read, out=out, trials=trials, seed=seed, workers=workers, progress=advance
        )

    tell("1. Figures", evaluation_text(read, results))
    paths = write_evaluation(out, read, results)
    tell("2. Beside plain alternating layouts", comparison_text(comparison))
    paths += write_comparison(out, comparison)
    tell("3. Search", search_text(result))
    paths += write_search(out, result, comparison)

    chosen = result.picks.get(choose, result.picks["knee"])
    ordered = cut_list(result.design(chosen), motors=motors, spares_percent=spares)
    name = choose if choose in result.picks else "knee"
    tell(f"4. Cut list of the chosen design: {name}.toml", order_text(ordered))
    paths += write_order(out, ordered)
    paths.append(write_text(out / "report.txt", "\n".join(parts)))
    told(paths)
