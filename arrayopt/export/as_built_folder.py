"""The files of a motor as it was measured."""

from __future__ import annotations

from pathlib import Path

from arrayopt.export.as_built_picture import as_built_picture
from arrayopt.export.as_built_results import as_built_json, magnets_csv
from arrayopt.export.as_built_tables import as_built_text
from arrayopt.export.files import write_json, write_text
from arrayopt.export.pictures import save
from arrayopt.measurement.as_built import AsBuilt


def write_as_built(out: Path, found: AsBuilt) -> list[Path]:
    """Write a motor as built as table and JSON, every magnet as CSV, and pictures.

    Parameters
    ----------
    out : Path
        Folder; it is made if there is none.
    found : AsBuilt
        As `arrayopt.as_built` returns it.

    Returns
    -------
    list of Path
        ``magnets.csv`` is among them if there was a scan.

    Raises
    ------
    ArrayoptError
        If the folder cannot be written to.

    """
    drawing = as_built_picture(found)
    paths = [
        write_json(out / "as-built.json", as_built_json(found)),
        write_text(out / "as-built.txt", as_built_text(found) + "\n"),
    ]
    if found.scans:
        paths.append(write_text(out / "magnets.csv", magnets_csv(found)))
    return [
        *paths, save(out / "as-built.png", drawing), save(out / "as-built.svg", drawing)
    ]  # fmt: skip
