"""The scatter of rotors as JSON and CSV."""

from __future__ import annotations

from typing import Any

import xarray as xr

from arrayopt.export.files import csv_text
from arrayopt.export.results import shown
from arrayopt.export.tolerance_tables import (
    balanced,
    limit_parts,
    touching,
)
from arrayopt.figures import OUTCOMES, OUTCOMES_BY_NAME
from arrayopt.scatter.run import kept_by_limit
from arrayopt.scatter.sources import SOURCES, batch_limits
from arrayopt.scatter.waves import feeding, perfect_has
from arrayopt.study import Study


def tolerance_json(study: Study, results: xr.Dataset) -> dict[str, Any]:
    """Return how far rotors scatter; keys end in their unit."""
    limited = bool(study.tolerance.limits)
    return {
        "title": study.title,
        "rotors": results.sizes["rotor"],
        "seed": int(results.attrs["seed"]),
        "distribution": study.tolerance.distribution,
        "design": _by_key(results, "nominal"),
        "mean": _by_key(results, "mean"),
        "deviation": _by_key(results, "deviation"),
        "percentiles": [
            {
                "percentile": int(q),
                "value": _by_key(results.sel(percentile=q), "value"),
                "value_low": _by_key(results.sel(percentile=q), "value_low"),
                "value_high": _by_key(results.sel(percentile=q), "value_high"),
            }
            for q in results["percentile"].values
        ],
        "motors": study.order.motors,
        "mean_range_among_motors": _by_key(results, "joint_spread"),
        "phases_alike": balanced(results),
        "sources": [
            {
                "source": source,
                "name": SOURCES[source],
                **_limit_json(study, source),
                "variance_share_percent": {
                    OUTCOMES_BY_NAME[str(name)].key: shown(
                        float(results["variance_share"].sel(figure=name, source=source)), 100
                    )
                    for name in results["figure"].values
                },
            }
            for source in map(str, results["source"].values)
        ],
        "waves": [
            {
                "waves_per_turn": int(n),
                "perfect_ring_has_it": perfect_has(study, int(n)),
                "feeds_cogging_waves_per_turn": feeding(study).get(int(n)),
                "percentile_95_percent": shown(float(value), 100),
            }
            for n, value in zip(results["wave"].values, results["wave_high"].values, strict=True)
        ],
        "limits": [
            {
                "figure": f.key,
                word.replace(" ", "_"): limit,
                "kept_percent": shown(float(kept.mean()), 100),
            }
            for f, word, limit, kept in kept_by_limit(study, results)
        ],
        "yield_percent": shown(float(results["yield"]), 100) if limited else None,
        "yield_low_percent": shown(float(results["yield_low"]), 100) if limited else None,
        "yield_high_percent": shown(float(results["yield_high"]), 100) if limited else None,
        "cautions": [line.replace("\n  ", " ") for line in touching(results)],
    }


def _by_key(results: xr.Dataset, name: str) -> dict[str, float | None]:
    """Return one statistic of every figure, under the figures' keys."""
    return {f.key: shown(float(results[name].sel(figure=f.name)), f.scale) for f in OUTCOMES}


def _limit_json(study: Study, source: str) -> dict[str, float | None]:
    """Return the limits of a source, keys ending in their unit."""
    t = study.tolerance
    if source == "remanence_batch":
        return {"limit_percent": shown(float(batch_limits(study).max()), 100)}
    if source == "mistakes":
        return {
            "missing_percent": t.missing_percent,
            "flipped_percent": t.flipped_percent,
            "swapped_percent": t.swapped_percent,
        }
    end, value, _ = limit_parts(study, source)
    return {f"limit_{end}": value}


def rotors_csv(results: xr.Dataset) -> str:
    """Return every figure of every rotor as CSV, and whether it keeps the study's limits."""
    columns = [results[f.name].values * f.scale for f in OUTCOMES]
    kept = results["kept"].values
    rows = [
        [i + 1, *(shown(float(value)) for value in values), "yes" if kept[i] else "no"]
        for i, values in enumerate(zip(*columns, strict=True))
    ]
    return csv_text(["rotor", *(f.key for f in OUTCOMES), "kept"], rows)
