"""What a builder prints: polarity map, positions, pockets, and the carrier as a solid."""

from __future__ import annotations

from pathlib import Path

from arrayopt.export.files import write_text
from arrayopt.export.pocket_drawing import write_pocket_drawings
from arrayopt.export.polarity_map import map_svg, positions_csv, write_map_pdf
from arrayopt.export.solid import solids_available, write_step
from arrayopt.study import Study


def write_drawings(out: Path, study: Study) -> list[Path]:
    """Write all drawings; the solid only where the library that makes it is installed."""
    rows = study.rotor.skew_steps
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
        paths.append(write_step(out / "carrier.step", study))
    return paths
