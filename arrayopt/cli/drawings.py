"""The drawings command."""

from __future__ import annotations

from pathlib import Path

import click

from arrayopt.cli.options import json_option, note, out_option, say, study_argument, written


@click.command()
@study_argument
@out_option(required=True)
@json_option
def drawings(study: Path, out: Path, json: bool) -> None:
    """Draw polarity map, pockets (DXF, SVG) and carrier (STEP)."""
    from arrayopt.evaluation import load_study
    from arrayopt.export.drawings import drawings_text, write_drawings
    from arrayopt.export.files import json_text
    from arrayopt.export.polarity_map import positions
    from arrayopt.export.solid import NO_SOLID, solids_available

    read = load_study(study)
    paths = write_drawings(out, read)
    if json:
        told = {"title": read.title, "files": [path.name for path in paths]}
        say(json_text({**told, "magnets": positions(read)}))
    else:
        say(drawings_text(read))
    if not solids_available():
        note(NO_SOLID)
    written(paths)
