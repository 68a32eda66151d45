"""The files that go to the bench with sorted magnets."""

from __future__ import annotations

from pathlib import Path

from arrayopt.export.files import write_json, write_text
from arrayopt.export.polarity_map import map_svg
from arrayopt.export.sorting_tables import assignment_csv, sorting_json, sorting_text
from arrayopt.measurement.sorting import Sorting
from arrayopt.study import Study


def write_sorting(out: Path, study: Study, found: Sorting) -> list[Path]:
    """Write which magnet goes where: printable table, JSON, CSV, and the map with labels.

    Parameters
    ----------
    out : Path
    study : Study
        Whose magnets were sorted.
    found : Sorting

    Returns
    -------
    list of Path
        Files written; a map for each row of magnets.

    Raises
    ------
    ArrayoptError
        If the folder cannot be written to.

    """
    rows = study.rotor.skew_steps
    paths = [
        write_text(out / "sorting.txt", sorting_text(found) + "\n"),
        write_json(out / "sorting.json", sorting_json(found)),
        write_text(out / "assignment.csv", assignment_csv(found)),
    ]
    for row in range(1, rows + 1):
        name = "polarity-map" if rows == 1 else f"polarity-map-row-{row}"
        drawn = map_svg(study, row=row, labels=found.assignment).decode("utf-8")
        paths.append(write_text(out / f"{name}.svg", drawn))
    return paths
