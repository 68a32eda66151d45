"""Bench readings that follow from the computed design, as cells of a table."""

from __future__ import annotations

from collections.abc import Iterable
from math import isnan

import xarray as xr

from arrayopt.export.text_tables import number
from arrayopt.measurement.expected import Expected, bench_speed, expected_readings
from arrayopt.study import Study


def bench_rows(
    study: Study, results: xr.Dataset, scatter: xr.Dataset | None = None
) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of readings, each with a band and how it is taken."""
    speed = bench_speed(study)
    return reading_rows(expected_readings(study, results, speed_rpm=speed, scatter=scatter))


def reading_rows(
    readings: Iterable[Expected], *, blank: str = ""
) -> tuple[list[list[object]], list[str]]:
    """Return cells and header of expected readings, with a blank to fill in."""
    rows: list[list[object]] = [
        [one.label, number(one.value), _band(one), one.unit, blank, one.how] for one in readings
    ]
    return rows, ["Reading", "Expected", "Band", "Unit", "Found", "How"]


def _band(one: Expected) -> str:
    return "" if isnan(one.low) else f"{number(one.low)} to {number(one.high)}"
