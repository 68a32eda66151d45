"""The files for the workshop: order, assembly, strength, stray field, driver data."""

from __future__ import annotations

from pathlib import Path

from arrayopt.checks.assembly import Assembly, Order
from arrayopt.checks.stray import Stray
from arrayopt.checks.strength import Strength
from arrayopt.export.assembly_picture import assembly_picture
from arrayopt.export.assembly_tables import assembly_json, assembly_text, steps_csv
from arrayopt.export.cut_list import CutList
from arrayopt.export.driver import DriverValue, driver_json, driver_text
from arrayopt.export.files import write_json, write_text
from arrayopt.export.order_tables import inspection_csv, order_csv, order_json, order_text
from arrayopt.export.pictures import save
from arrayopt.export.pieces_picture import pieces_picture
from arrayopt.export.stray_tables import stray_json, stray_text
from arrayopt.export.strength_tables import strength_json, strength_text
from arrayopt.study import Study


def write_order(out: Path, order: CutList) -> list[Path]:
    """Write an order as CSV, JSON and printable table, what to measure, and its pieces drawn."""
    return [
        write_text(out / "cut-list.csv", order_csv(order)),
        write_json(out / "cut-list.json", order_json(order)),
        write_text(out / "cut-list.txt", order_text(order) + "\n"),
        write_text(out / "inspection.csv", inspection_csv(order)),
        save(out / "pieces.svg", pieces_picture(order)),
    ]


def write_assembly(out: Path, found: Assembly, order: Order) -> list[Path]:
    """Write an assembly sheet as JSON, printable table, CSV of the steps, and picture."""
    return [
        write_json(out / "assembly.json", assembly_json(found, order)),
        write_text(out / "assembly.txt", assembly_text(found, order) + "\n"),
        write_text(out / "assembly.csv", steps_csv(found, order)),
        save(out / "assembly.png", assembly_picture(found, order)),
    ]


def write_strength(out: Path, study: Study, found: Strength) -> list[Path]:
    """Write what holds a rotor as JSON and printable table."""
    return [
        write_json(out / "strength.json", strength_json(study, found)),
        write_text(out / "strength.txt", strength_text(study, found) + "\n"),
    ]


def write_stray(out: Path, study: Study, found: Stray) -> list[Path]:
    """Write the field outside as JSON and printable table."""
    return [
        write_json(out / "stray.json", stray_json(study, found)),
        write_text(out / "stray.txt", stray_text(study, found) + "\n"),
    ]


def write_driver_data(out: Path, study: Study, values: tuple[DriverValue, ...]) -> list[Path]:
    """Write what a drive is set up with as JSON and printable table."""
    return [
        write_json(out / "driver-data.json", driver_json(study, values)),
        write_text(out / "driver-data.txt", driver_text(study, values) + "\n"),
    ]
