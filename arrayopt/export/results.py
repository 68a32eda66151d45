"""Results as JSON, CSV and NetCDF."""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from arrayopt.checks import Check, cautions, check_limits
from arrayopt.comparison import Comparison
from arrayopt.export.files import csv_text, write_file
from arrayopt.figures import FIGURES, figure
from arrayopt.layout.stock import bought_rows
from arrayopt.machine import winding_of
from arrayopt.quantities import RPM
from arrayopt.study import Study
from arrayopt.study.models import relevant_magnets


def shown(value: float, scale: float = 1.0) -> float | None:
    """Return a number as it is given outside: scaled, nine digits, None for NaN."""
    return None if np.isnan(value) else float(f"{value * scale:.9g}") + 0.0


def figures_json(results: xr.Dataset, index: int = 0) -> dict[str, Any]:
    """Return all figures of one design as nested JSON, keys ending in their unit."""
    content: dict[str, Any] = {}
    for f in FIGURES:
        table, key = f.key.split(".")
        content.setdefault(table, {})[key] = shown(float(results[f.name][index]), f.scale)
    content["airgap"]["harmonics"] = [
        {"order": int(order), "amplitude_t": shown(float(value))}
        for order, value in zip(results["harmonic"], results["amplitude"][index], strict=True)
    ]
    return content


def evaluation_json(study: Study, results: xr.Dataset) -> dict[str, Any]:
    """Return figures, winding, checks and cautions of an evaluated study."""
    winding = winding_of(study)
    return {
        "title": study.title,
        **figures_json(results),
        "winding": {
            "coil_span_slots": winding.coil_span,
            "coils_by_slot": winding.pattern,
            "layers": winding.layers,
            "parallel_paths": study.winding.parallel_paths,
        },
        "back_emf": [
            {
                "order": int(order),
                "phase_v_s_per_rad": shown(
                    float(order * study.rotor.pole_pairs * results["linkage"][0, i])
                ),
            }
            for i, order in enumerate(results["harmonic"].values)
        ],
        "torque_speed": torque_speed_rows(results),
        "demagnetisation": demagnetisation_rows(results),
        "checks": checks_json(check_limits(study, results)),
        "cautions": cautions(study, results),
    }


def checks_json(checks: Iterable[Check]) -> list[dict[str, Any]]:
    """Return figures held against limits."""
    return [
        {
            "name": check.name,
            "value": shown(check.value),
            "limit": shown(check.limit),
            "unit": check.unit,
            "ok": check.ok,
            "source": check.source,
        }
        for check in checks
    ]


def demagnetisation_rows(results: xr.Dataset) -> list[dict[str, Any]]:
    """Return the reverse field of each family of an evaluated study."""
    rows = []
    for family in results["family"].values:
        one = results.sel(family=family)
        percentiles = {
            f"reverse_field_{percentile}_percent_ka_per_m": shown(
                float(one["reverse_field"].sel(percentile=percentile)), 1e-3
            )
            for percentile in results["percentile"].values
        }
        rows.append(
            {
                "family": str(family),
                "grade": str(one["grade"].item()),
                "temperature_c": shown(float(one["judged_at"])),
                "limit_ka_per_m": shown(float(one["reverse_limit"]), 1e-3),
                **percentiles,
                "beyond_percent": shown(float(one["beyond"]), 100),
                "grade_that_suffices": str(one["grade_enough"].item()) or None,
            }
        )
    return rows


def torque_speed_rows(results: xr.Dataset) -> list[dict[str, float | None]]:
    """Return torque against speed, one row a speed; empty without a drive."""
    if "speed" not in results.dims:
        return []
    columns = {
        "speed_rpm": results["speed"].values / RPM,
        "peak_torque_nm": results["torque_peak"].values,
        "continuous_torque_nm": results["torque_continuous"].values,
        "iron_loss_w": results["loss_iron"].values,
    }
    return [
        {name: shown(float(value)) for name, value in zip(columns, row, strict=True)}
        for row in zip(*columns.values(), strict=True)
    ]


def torque_speed_csv(results: xr.Dataset) -> str:
    """Return torque against speed as CSV."""
    rows = torque_speed_rows(results)
    return csv_text(list(rows[0]), [list(row.values()) for row in rows])


def comparison_json(comparison: Comparison) -> dict[str, Any]:
    """Return the designs side by side with the verdict."""
    torque = figure(comparison.torque)
    return {
        "torque_figure": torque.key,
        "designs": [
            {
                "design": label,
                "magnets": magnets(study),
                "steel_ring_mm": study.rotor.steel_ring_mm,
                "torque_per_rotor_mass": shown(float(comparison.torque_per_mass[i])),
                "torque_per_rotor_mass_unit": f"{torque.unit}/kg",
                **figures_json(comparison.results, i),
            }
            for i, (label, study) in enumerate(comparison.studies.items())
        ],
        "verdict": comparison.verdict(),
    }


def magnets(study: Study) -> dict[str, Any]:
    """Return the sizes of the magnets that a study's layout uses."""
    tables = relevant_magnets(study.rotor.magnets_per_pole_pair)
    return {name: getattr(study.rotor, name).model_dump(exclude_none=True) for name in tables}


def designs_csv(results: xr.Dataset, values: list[dict[str, Any]]) -> str:
    """Return designs as CSV: their variables, then every figure that any of them has."""
    variables = list(dict.fromkeys(key for row in values for key in row))
    used = [f for f in FIGURES if not np.isnan(results[f.name].values).all()]
    rows = [
        [i, *(row.get(key, "") for key in variables)]
        + [shown(float(results[f.name][i]), f.scale) for f in used]
        for i, row in enumerate(values)
    ]
    return csv_text(["design", *variables, *(f.key for f in used)], rows)


def shop_items(study: Study) -> dict[str, str]:
    """Return item and direction of polarisation of each table of magnets from a shop list."""
    found = {}
    for table, rows in bought_rows(study).items():
        found[f"magnets.{table}.item"] = " and ".join(row.item for row in rows)
        found[f"magnets.{table}.polarised"] = " and ".join(row.polarised for row in rows)
    return found


def write_netcdf(path: str | Path, results: xr.Dataset) -> Path:
    """Write a Dataset as NetCDF-4."""
    # Made in memory: HDF5 brings the process down where its own writing meets a full disk.
    content = io.BytesIO()
    results.to_netcdf(content, engine="h5netcdf")
    return write_file(path, lambda file: file.write_bytes(content.getbuffer()))
