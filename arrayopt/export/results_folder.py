"""What a results folder holds: each function writes one stage's files and names them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import xarray as xr
from matplotlib.figure import Figure

from arrayopt.comparison import Comparison
from arrayopt.evaluation import judged_magnets
from arrayopt.export.demagnetisation_map import demagnetisation_map
from arrayopt.export.files import csv_text, write_json, write_text
from arrayopt.export.flux_picture import flux_picture
from arrayopt.export.machine_picture import machine_picture
from arrayopt.export.pictures import comparison_picture, rotor_picture, save
from arrayopt.export.results import (
    comparison_json,
    designs_csv,
    evaluation_json,
    shop_items,
    torque_speed_csv,
    write_netcdf,
)
from arrayopt.export.search_pictures import course_picture, front_picture, variables_picture
from arrayopt.export.sweep_pictures import sweep_picture
from arrayopt.export.sweep_results import sweep_csv
from arrayopt.search import SearchResult
from arrayopt.search.result import STOCK
from arrayopt.study import Study
from arrayopt.study.stock import stock_table


def evaluation_pictures(study: Study, results: xr.Dataset) -> dict[str, Figure]:
    """Return pictures of rotor, field, machine and magnets by the names of their files."""
    return {
        "rotor": rotor_picture(study, results),
        "flux": flux_picture(study),
        "machine": machine_picture(study, results),
        "magnets": demagnetisation_map(study, judged_magnets(study, results)),
    }


def write_evaluation(
    out: Path, study: Study, results: xr.Dataset, pictures: Mapping[str, Figure] | None = None
) -> list[Path]:
    """Write figures and curves as JSON and NetCDF, pictures of rotor, field and machine.

    Pictures that are drawn already, as `evaluation_pictures` does, are not drawn again.
    """
    drawn = evaluation_pictures(study, results) if pictures is None else pictures
    paths = [
        write_json(out / "figures.json", evaluation_json(study, results)),
        write_netcdf(out / "figures.nc", results),
        *(save(out / f"{name}.png", picture) for name, picture in drawn.items()),
    ]
    if study.drive is not None:
        paths.append(write_text(out / "torque-speed.csv", torque_speed_csv(results)))
    return paths


def write_comparison(out: Path, comparison: Comparison) -> list[Path]:
    """Write the comparison as JSON, NetCDF and picture."""
    return [
        write_json(out / "comparison.json", comparison_json(comparison)),
        write_netcdf(out / "comparison.nc", comparison.results),
        save(out / "comparison.png", comparison_picture(comparison)),
    ]


def write_search(out: Path, result: SearchResult, comparison: Comparison) -> list[Path]:
    """Write the front as CSV, NetCDF and pictures, and each pick as a study file."""
    study = result.study
    values = [{**own, **shop_items(study.varied(own))} for own in result.values]
    paths = [
        write_text(out / "front.csv", designs_csv(result.front, values)),
        write_netcdf(out / "front.nc", result.dataset()),
        save(out / "front.png", front_picture(result, comparison)),
        save(out / "variables.png", variables_picture(result)),
        save(out / "course.png", course_picture(result)),
    ]
    if result.study.stock:
        paths.append(write_text(out / STOCK, csv_text(*stock_table(result.study.stock))))
    paths += [write_text(out / f"{name}.toml", result.pick(name).text) for name in result.picks]
    return paths


def write_sweep(
    out: Path, study: Study, results: xr.Dataset, vary: dict[str, list[Any]], figures: list[str]
) -> list[Path]:
    """Write a sweep as CSV, NetCDF and picture."""
    return [
        write_text(out / "sweep.csv", sweep_csv(results, vary)),
        write_netcdf(out / "sweep.nc", results),
        save(out / "sweep.png", sweep_picture(study, results, vary, figures)),
    ]
