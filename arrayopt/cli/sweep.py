"""The sweep command."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import json_option, out_option, say, study_argument, written


@click.command()
@study_argument
@click.option(
    "--vary", "texts", multiple=True, required=True, metavar="KEY=...",
    help="A study key over LOW:HIGH:STEP or a list VALUE,VALUE,...; once or twice.",
)  # fmt: skip
@click.option(
    "--figure", "figures", multiple=True, metavar="KEY",
    help="Figure to draw, by its key in JSON and CSV; left out, torque and rotor mass.",
)  # fmt: skip
@out_option()
@json_option
def sweep(
    *, study: Path, texts: tuple[str, ...], figures: tuple[str, ...], out: Path | None, json: bool
) -> None:
    """Compute all figures over other values of one or two keys.

    Answers what if: --vary airgap.length_mm=0.8:1.6:0.1. Torque at peak current, what
    saturation costs and demagnetisation are computed only if named with --figure. DIR gets
    the figures as CSV and NetCDF, and a picture.
    """
    from arrayopt.evaluation import load_study
    from arrayopt.export.files import json_text
    from arrayopt.export.sweep_results import sweep_json, sweep_text
    from arrayopt.variation import default_figures, parse_vary
    from arrayopt.variation import sweep as swept

    vary = parse_vary(texts)
    read = load_study(study)
    shown = list(dict.fromkeys(figures)) or default_figures(read)
    results = swept(read, vary, figures=shown)
    said = json_text(sweep_json(results, vary)) if json else sweep_text(read, results, vary, shown)
    say(said)
    if out is not None:
        # Pictures take a second to load.
        from arrayopt.export.results_folder import write_sweep

        written(write_sweep(out, read, results, vary, shown))
