"""The files of a tolerance run."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from arrayopt.export.files import write_json, write_text
from arrayopt.export.pictures import save
from arrayopt.export.results import write_netcdf
from arrayopt.export.tolerance_picture import tolerance_picture
from arrayopt.export.tolerance_results import rotors_csv, tolerance_json
from arrayopt.export.tolerance_tables import tolerance_text
from arrayopt.study import Study


def write_tolerance(out: Path, study: Study, results: xr.Dataset) -> list[Path]:
    """Write the scatter of rotors as JSON, table, CSV of all rotors, NetCDF and pictures.

    Parameters
    ----------
    out : Path
        Folder; it is made if there is none.
    study : Study
    results : xarray.Dataset
        As `arrayopt.tolerance` returns it.

    Raises
    ------
    ArrayoptError
        If the folder cannot be written to.

    """
    drawing = tolerance_picture(study, results)
    return [
        write_json(out / "tolerance.json", tolerance_json(study, results)),
        write_text(out / "tolerance.txt", tolerance_text(study, results) + "\n"),
        write_text(out / "rotors.csv", rotors_csv(results)),
        write_netcdf(out / "tolerance.nc", results),
        save(out / "tolerance.png", drawing),
        save(out / "tolerance.svg", drawing),
    ]
