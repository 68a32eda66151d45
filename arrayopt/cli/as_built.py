"""The as-built command."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from arrayopt.cli.options import json_option, note, out_option, say, study_argument, written
from arrayopt.errors import ArrayoptError

if TYPE_CHECKING:
    from arrayopt.measurement.as_built import AsBuilt
    from arrayopt.study import Study


@click.command("as-built")
@study_argument
@click.argument(
    "measured", metavar="MEASURED...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option(
    "--apply", "target", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
    help="Write a study there with what was measured put in; comments are kept.",
)  # fmt: skip
@click.option("--force", is_flag=True, help="Let --apply overwrite a file that is there already.")
@json_option
@out_option()
def as_built(
    *,
    study: Path,
    measured: tuple[Path, ...],
    target: Path | None,
    force: bool,
    json: bool,
    out: Path | None,
) -> None:
    """Hold measurements of a finished motor against its study.

    MEASURED are CSV files (- reads standard input): a scan of the bare rotor, back-EMF, cogging, a
    heat run, loose magnets, a filled-in bench sheet; their columns tell which is which, and
    `arrayopt bench-sheet` writes such files to fill in. Says which magnets are wrong, and what
    remanence, airgap, winding and probe are. Exit code 3 if the build does not agree.
    """
    if str(study) == "-" and Path("-") in measured:
        raise click.UsageError(
            "standard input is either the study or a measured file; got - for both"
        )
    if force and target is None:
        raise click.UsageError("--force lets --apply overwrite its file; give --apply FILE with it")
    if target is not None and target.exists():
        if str(study) != "-" and study.exists() and target.samefile(study):
            raise ArrayoptError(f"--apply must not overwrite the study it is from; got {target}; "
                                "give another name")  # fmt: skip
        if not force:
            raise ArrayoptError(f"{target} is there already; give another name or --force")
    from arrayopt.evaluation import load_study
    from arrayopt.export.as_built_results import as_built_json
    from arrayopt.export.as_built_tables import as_built_text
    from arrayopt.export.files import json_text
    from arrayopt.measurement.as_built import as_built as computed

    read = load_study(study)
    found = computed(read, measured)
    say(json_text(as_built_json(found)) if json else as_built_text(found))
    if out:
        # Pictures take a second to load.
        from arrayopt.export.as_built_folder import write_as_built

        written(write_as_built(out, found))
    if target is not None:
        _apply(target, read, found)
    if not found.agrees:
        click.get_current_context().exit(3)


def _apply(target: Path, study: Study, found: AsBuilt) -> None:
    """Write the study with what was measured, and tell which keys that changes."""
    from arrayopt.export.files import write_text
    from arrayopt.measurement.apply import calibrated, changes

    values = changes(study, found)
    if not values:
        note(f"{target} not written: nothing was measured that a key of the study holds")
        return
    told = [f"{key} = {value!r}" for key, value in values.items()]
    write_text(target, calibrated(study, found).text)
    note("\n  ".join([f"written: {target}, with", *told]))
    if found.wrong:
        note("  it is of right magnets: what the wrong ones take is counted out")
    for one in found.estimates:
        if not one.usual:
            note(f"  {one.name} is outside the tolerances: look for the cause before you trust it")
    if getattr(study.search, "variables", None):
        note("  the ranges of [search.variables] stay as they were: see that they hold it")
    if getattr(study.search, "stock", None):
        note("  search.stock names a file beside the study: keep the two together")
