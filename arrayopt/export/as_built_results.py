"""A motor as it was measured, as JSON and CSV."""

from __future__ import annotations

from math import degrees, isnan
from typing import Any

from arrayopt.export.as_built_tables import (
    next_steps,
    record_words,
    shared_pair,
    shared_rows,
    standing,
)
from arrayopt.export.as_built_words import (
    finding_sentence,
    findings,
    quantity,
    reasons,
    remanence_and_direction,
)
from arrayopt.export.files import csv_text
from arrayopt.export.results import shown
from arrayopt.measurement.as_built import AsBuilt
from arrayopt.measurement.estimates import Estimate
from arrayopt.measurement.scan import ScanFit
from arrayopt.measurement.waveforms import HARMONICS
from arrayopt.quantities import RPM
from arrayopt.study import Study


def as_built_json(found: AsBuilt) -> dict[str, Any]:
    """Return a motor as built; keys end in their unit, readings name theirs."""
    return {
        "title": found.study.title,
        "agrees": bool(found.agrees),
        "reasons": reasons(found),
        "files": [{"path": one.path, "taken_for": record_words(one), "rows_skipped": one.skipped}
                  for one in found.measured],
        "readings": [
            {
                "key": r.key, "label": r.label, "unit": r.unit, "found": shown(r.found),
                "expected": shown(r.expected), "low": shown(r.low), "high": shown(r.high),
                "standard_uncertainty_percent": shown(r.uncertainty, 100),
                "magnets_leave_percent": shown(r.factor, 100), "agrees": r.agrees,
                "file": r.source,
            }
            for r in found.readings
        ],
        "estimates": [_estimate_json(found.study, one) for one in found.estimates],
        "scans": [_scan_json(fit) for fit in found.scans],
        "wrong_magnets": [
            {
                "magnets": list(one.numbers), "kind": one.kind, "sentence": finding_sentence(one),
                "log_odds": shown(one.evidence),
                "places": [{"file": path, "angles_deg": [shown(a) for a in angles]}
                           for path, angles in one.places],
                "instead": [{"magnets": [m.number for m in who], "kind": kind}
                            for who, kind in one.instead],
            }
            for one in findings(found)
        ],
        "back_emf": [
            {
                "file": fit.emf.path, "speed_rpm": shown(fit.speed, 1 / RPM),
                "speed_by_waveform": fit.measured_speed,
                "beat_percent": _maybe(fit.beat and fit.beat[0], 100),
                "imbalance_percent": _maybe(fit.imbalance, 100),
                "leads": [
                    {
                        "lead": lead, "peak_v_s_per_rad": shown(constant),
                        "standard_uncertainty_v_s_per_rad": shown(sd),
                        "harmonics_percent": {
                            str(k): shown(float(h), 100)
                            for k, h in zip(HARMONICS, fit.harmonics[lead], strict=True)
                        },
                    }
                    for lead, (constant, sd) in fit.constants.items()
                ],
            }
            for fit in found.emfs
        ],
        "cogging": [
            {
                "file": fit.cogging.path, "drag_nm": shown(fit.drag),
                "standard_uncertainty_nm": shown(fit.uncertainty),
                "waves": [{"waves_per_turn": n, "peak_nm": shown(a)}
                          for n, a in zip(fit.waves, fit.amplitudes, strict=True)],
            }
            for fit in found.coggings
        ],
        "loose": [
            {
                "file": fit.loose.path, "family": bag.name, "count": len(bag.labels),
                "mean_t": shown(bag.mean), "scatter_percent": shown(bag.scatter, 100),
                "study_t": shown(bag.expected), "grade_low_t": shown(bag.low),
                "grade_high_t": shown(bag.high), "odd": list(bag.odd),
                "magnets": [{"magnet": label, "remanence_t": shown(float(value))}
                            for label, value in zip(bag.labels, bag.remanence, strict=True)],
            }
            for fit in found.looses for bag in fit.families
        ],
        "heat": [
            {
                "file": fit.run.path, "by_resistance": fit.by_resistance,
                "thermal_resistance_k_per_w": shown(fit.thermal_resistance),
                "standard_uncertainty_k_per_w": shown(fit.thermal_resistance_uncertainty),
                "study_k_per_w": shown(fit.study_resistance),
                "agrees": None if fit.agrees is None else bool(fit.agrees),
                "time_constant_s": shown(fit.time_constant),
                "time_constant_standard_uncertainty_s": shown(fit.time_constant_uncertainty),
                "ambient_c": shown(fit.ambient), "loss_w": shown(fit.loss),
                "steady_rise_k": shown(fit.steady_rise), "reached_percent": shown(fit.share, 100),
                "noise_k": shown(fit.noise),
            }
            for fit in found.heats
        ],
        "notes": list(found.notes),
        "next": next_steps(found),
    }  # fmt: skip


def _maybe(value: float | None, scale: float) -> float | None:
    return None if value is None else shown(value, scale)


def _estimate_json(study: Study, one: Estimate) -> dict[str, Any]:
    _, unit, _, first, value, sd = quantity(study, one)
    key = {"T": "t", "%": "percent", "mm": "mm"}[unit]
    return {
        "name": one.name, f"study_{key}": shown(first), f"found_{key}": shown(value),
        f"standard_uncertainty_{key}": shown(sd), "standing": standing(one),
        "informed": bool(one.informed), "usual": bool(one.usual),
    }  # fmt: skip


def _scan_json(fit: ScanFit) -> dict[str, Any]:
    content: dict[str, Any] = {"file": fit.scan.path, "inverted": bool(fit.inverted)}
    for one in shared_rows(fit):
        content[one.key] = shown(one.value)
        if not isnan(one.uncertainty):
            name, _, unit = one.key.rpartition("_")
            content[f"{name}_standard_uncertainty_{unit}"] = shown(one.uncertainty)
    towards = shared_pair(fit, "moved x", "moved y")[2]
    return content | {
        "eccentricity_towards_deg": shown(degrees(towards) % 360),
        "expected_fundamental_mt": shown(fit.amplitude, 1e3),
        "magnets_out_of_sight": [
            m.number for m, seen in zip(fit.model.members, fit.seen, strict=True) if not seen
        ],
        "magnets": [dict(zip(_MAGNET_KEYS, row, strict=True)) for row in _magnet_rows(fit)],
    }


_MAGNET_KEYS = (
    "number", "family", "remanence_off_percent", "remanence_standard_uncertainty_percent",
    "direction_off_deg", "direction_standard_uncertainty_deg", "seen", "finding",
)  # fmt: skip


def _magnet_rows(fit: ScanFit) -> list[list[Any]]:
    values, spread = remanence_and_direction(fit)
    kinds = {i: one.kind for one in fit.wrong for i in one.members}
    return [
        [
            m.number, m.family, shown(values[i, 0], 100), shown(spread[i, 0], 100),
            shown(degrees(values[i, 1])), shown(degrees(spread[i, 1])), bool(fit.seen[i]),
            kinds.get(i, ""),
        ]
        for i, m in enumerate(fit.model.members)
    ]  # fmt: skip


def magnets_csv(found: AsBuilt) -> str:
    """Return every magnet of every scan: against the mean of them, anticlockwise positive."""
    rows = [
        [fit.scan.path, *row[:-2], "yes" if row[-2] else "no", row[-1]]
        for fit in found.scans for row in _magnet_rows(fit)
    ]  # fmt: skip
    return csv_text(["scan", *_MAGNET_KEYS], rows)
