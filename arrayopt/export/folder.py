"""What a results folder holds: each function writes one stage's files and names them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import xarray as xr

from arrayopt.checks.assembly import Assembly, Order
from arrayopt.checks.stray import Stray
from arrayopt.checks.strength import Strength
from arrayopt.comparison import Comparison
from arrayopt.evaluation import judged_magnets
from arrayopt.export.assembly_picture import assembly_picture
from arrayopt.export.assembly_tables import assembly_json, assembly_text, steps_csv
from arrayopt.export.curves import machine_picture
from arrayopt.export.cut_list import CutList
from arrayopt.export.demagnetisation_map import demagnetisation_map
from arrayopt.export.drawings import write_drawings
from arrayopt.export.driver import DriverValue, driver_json, driver_text
from arrayopt.export.files import csv_text, json_text, write_text
from arrayopt.export.flux_picture import flux_picture
from arrayopt.export.order_tables import inspection_csv, order_csv, order_json, order_text
from arrayopt.export.pictures import comparison_picture, rotor_picture, save
from arrayopt.export.pieces_picture import pieces_picture
from arrayopt.export.report import Found, report
from arrayopt.export.report_page import report_page
from arrayopt.export.report_pdf import write_report_pdf
from arrayopt.export.results import (
    comparison_json,
    designs_csv,
    evaluation_json,
    torque_speed_csv,
    write_netcdf,
)
from arrayopt.export.search_pictures import course_picture, front_picture, variables_picture
from arrayopt.export.stray_tables import stray_json, stray_text
from arrayopt.export.strength_tables import strength_json, strength_text
from arrayopt.export.sweep_pictures import sweep_picture
from arrayopt.export.sweep_results import sweep_csv
from arrayopt.search import SearchResult
from arrayopt.search.result import STOCK
from arrayopt.study import Study
from arrayopt.study.stock import stock_table


def write_evaluation(out: Path, study: Study, results: xr.Dataset) -> list[Path]:
    """Write figures and curves as JSON and NetCDF, pictures of rotor, field and machine."""
    paths = [
        write_text(out / "figures.json", json_text(evaluation_json(study, results)) + "\n"),
        write_netcdf(out / "figures.nc", results),
        save(out / "rotor.png", rotor_picture(study, results)),
        save(out / "flux.png", flux_picture(study)),
        save(out / "machine.png", machine_picture(study, results)),
        save(out / "magnets.png", demagnetisation_map(study, judged_magnets(study, results))),
    ]
    if study.drive is not None:
        paths.append(write_text(out / "torque-speed.csv", torque_speed_csv(results)))
    return paths


def write_comparison(out: Path, comparison: Comparison) -> list[Path]:
    """Write the comparison as JSON, NetCDF and picture."""
    return [
        write_text(out / "comparison.json", json_text(comparison_json(comparison)) + "\n"),
        write_netcdf(out / "comparison.nc", comparison.results),
        save(out / "comparison.png", comparison_picture(comparison)),
    ]


def write_search(out: Path, result: SearchResult, comparison: Comparison) -> list[Path]:
    """Write the front as CSV, NetCDF and pictures, and each pick as a study file."""
    paths = [
        write_text(out / "front.csv", designs_csv(result.front, result.values)),
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


def write_report(out: Path, found: Found) -> list[Path]:
    """Write the design that a report is about, all that the bench needs, page and print."""
    study, order = found.study, found.assembly.recommended
    told = report(found)
    own = write_evaluation(out, study, found.results) if found.result else []
    beside = write_comparison(out, found.comparison) if found.result else []
    return [
        write_text(out / "chosen.toml", study.text),
        *own,
        *beside,
        *write_order(out, found.order),
        *write_drawings(out, study),
        *write_assembly(out, found.assembly, order),
        *write_strength(out, study, found.strength),
        *write_stray(out, study, found.stray),
        *write_driver_data(out, study, found.driver),
        write_text(out / "report.html", report_page(told)),
        write_report_pdf(out / "report.pdf", told),
    ]


def write_order(out: Path, order: CutList) -> list[Path]:
    """Write an order as CSV, JSON and printable table, what to measure, and its pieces drawn."""
    return [
        write_text(out / "cut-list.csv", order_csv(order)),
        write_text(out / "cut-list.json", json_text(order_json(order)) + "\n"),
        write_text(out / "cut-list.txt", order_text(order) + "\n"),
        write_text(out / "inspection.csv", inspection_csv(order)),
        save(out / "pieces.svg", pieces_picture(order)),
    ]


def write_assembly(out: Path, found: Assembly, order: Order) -> list[Path]:
    """Write an assembly sheet as JSON, printable table, CSV of the steps, and picture."""
    return [
        write_text(out / "assembly.json", json_text(assembly_json(found, order)) + "\n"),
        write_text(out / "assembly.txt", assembly_text(found, order) + "\n"),
        write_text(out / "assembly.csv", steps_csv(found, order)),
        save(out / "assembly.png", assembly_picture(found, order)),
    ]


def write_stray(out: Path, study: Study, found: Stray) -> list[Path]:
    """Write the field outside as JSON and printable table."""
    return [
        write_text(out / "stray.json", json_text(stray_json(study, found)) + "\n"),
        write_text(out / "stray.txt", stray_text(study, found) + "\n"),
    ]


def write_driver_data(out: Path, study: Study, values: tuple[DriverValue, ...]) -> list[Path]:
    """Write what a drive is set up with as JSON and printable table."""
    return [
        write_text(out / "driver-data.json", json_text(driver_json(study, values)) + "\n"),
        write_text(out / "driver-data.txt", driver_text(study, values) + "\n"),
    ]


def write_strength(out: Path, study: Study, found: Strength) -> list[Path]:
    """Write what holds a rotor as JSON and printable table."""
    return [
        write_text(out / "strength.json", json_text(strength_json(study, found)) + "\n"),
        write_text(out / "strength.txt", strength_text(study, found) + "\n"),
    ]
