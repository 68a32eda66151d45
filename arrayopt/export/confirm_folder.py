"""The files of a confirmation."""

from __future__ import annotations

from pathlib import Path

from arrayopt.confirmation.front import ConfirmedFront
from arrayopt.confirmation.results import Confirmation
from arrayopt.export.confirm_picture import confirm_picture, confirmed_front_picture
from arrayopt.export.confirm_tables import (
    confirm_json,
    confirm_text,
    front_csv,
    front_json,
    front_text,
)
from arrayopt.export.files import write_json, write_text
from arrayopt.export.pictures import save
from arrayopt.export.results import write_netcdf
from arrayopt.export.sector_picture import sector_picture


def write_confirmation(out: Path, found: Confirmation) -> list[Path]:
    """Write a confirmation as JSON, NetCDF, printable table and pictures."""
    return [
        write_json(out / "confirm.json", confirm_json(found)),
        write_text(out / "confirm.txt", confirm_text(found) + "\n"),
        write_netcdf(out / "confirm.nc", found.curves.assign_attrs(study=found.study.text)),
        save(out / "confirm.png", confirm_picture(found)),
        save(out / "sector.png", sector_picture(found)),
    ]


def write_confirmed_front(out: Path, found: ConfirmedFront) -> list[Path]:
    """Write a confirmed front as JSON, CSV, printable table, picture, and its new knee."""
    paths = [
        write_json(out / "front-confirmed.json", front_json(found)),
        write_text(out / "front-confirmed.csv", front_csv(found)),
        write_text(out / "front-confirmed.txt", front_text(found) + "\n"),
        save(out / "front-confirmed.png", confirmed_front_picture(found)),
    ]
    if "knee" in found.picks:
        knee = found.result.pick(str(found.picks["knee"]))
        paths.append(write_text(out / "knee-confirmed.toml", knee.text))
    return paths
