"""What a builder prints: polarity map, positions, pockets, and the carrier as a solid."""

from __future__ import annotations

from pathlib import Path

from arrayopt.checks.buildable import check_buildable
from arrayopt.checks.hazards import MAPPING
from arrayopt.export.files import write_text
from arrayopt.export.pocket_drawing import write_pocket_drawings
from arrayopt.export.polarity_map import map_svg, positions_csv, write_map_pdf
from arrayopt.export.solid import solids_available, write_step
from arrayopt.export.text_tables import bullets
from arrayopt.layout.carrier import carrier_sections
from arrayopt.study import Study


def write_drawings(out: str | Path, study: Study) -> list[Path]:
    """Write all drawings; the solid only where the library that makes it is installed.

    Parameters
    ----------
    out : path
        Folder; made where there is none.
    study : Study

    Returns
    -------
    list of Path
        Polarity map (SVG a row of magnets, PDF), positions (CSV), pockets (DXF and SVG), and
        the printed carrier (STEP a row) where ngsolve, the extra ``fe``, is installed.

    Raises
    ------
    StudyError
        If magnets do not fit or the winding is unbalanced.
    ArrayoptError
        If a file cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from arrayopt import load_study, write_drawings
    >>> with TemporaryDirectory() as folder:
    ...     paths = write_drawings(Path(folder), load_study("studies/ankle/study.toml"))
    ...     table = (Path(folder) / "positions.csv").read_text(encoding="utf-8").splitlines()
    >>> paths[0].name
    'polarity-map.svg'
    >>> len(table) - 1  # magnets
    64
    """
    check_buildable(study)
    out, rows = Path(out), study.rotor.skew_steps
    paths = []
    for row in range(1, rows + 1):
        name = "polarity-map" if rows == 1 else f"polarity-map-row-{row}"
        paths.append(write_text(out / f"{name}.svg", map_svg(study, row=row).decode("utf-8")))
    paths += [
        write_map_pdf(out / "polarity-map.pdf", study),
        write_text(out / "positions.csv", positions_csv(study)),
        *write_pocket_drawings(out, study),
    ]
    if solids_available():
        for row in range(1, rows + 1):
            name = "carrier" if rows == 1 else f"carrier-row-{row}"
            paths.append(write_step(out / f"{name}.step", study, row=row))
    return paths


def drawings_text(study: Study) -> str:
    """Say what was drawn and how to print it."""
    sections = carrier_sections(study)
    rows = f"{len(sections)} rows of " if len(sections) > 1 else ""
    size = 2 * sections[0].outermost
    return "\n\n".join(
        [
            f"{study.title}\n{rows}{len(sections[0].pockets)} magnets, {size:.2f} mm over all, "
            "numbered anticlockwise from the start mark,\nseen from the open side of the carrier",
            "Print polarity-map.pdf at 100 % (actual size), measure its ruler, and lay every "
            "magnet on the map\nbefore any glue: a magnet turned round goes in as easily.",
            *print_notes(study),
            bullets("Cautions", list(MAPPING)),
        ]
    )


def print_notes(study: Study) -> list[str]:
    """Say what is unusual about the print."""
    sections = carrier_sections(study)
    notes, parts = [], sections[0].loose_parts
    if len(sections) > 1:
        notes.append(
            "Every row is a print of its own: fill the lowest one, glue the next print on it, "
            "turned as its map\nshows, and fill that. Magnets do not pass through a row above."
        )
    if parts > 1 and not sections[0].floor:
        notes.append(
            f"THE PRINT FALLS INTO {parts} PIECES: its pockets are open at both sides and there is "
            "no floor.\nGive carrier.floor_mm, carrier.skin_mm or a thicker carrier.backing_mm."
        )
    elif parts > 1:
        notes.append(
            f"The pockets are open at both sides: {parts} walls stand on the floor alone, and bend "
            "easily until\nmagnets and ring are glued in."
        )
    return notes
