"""Judging designs: objectives, and by how much each limit is missed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import xarray as xr

from arrayopt.details import BY_DETAILS
from arrayopt.evaluation import evaluate_batch, judged_magnets, with_details
from arrayopt.figures import Figure
from arrayopt.layout import build_layouts, by_make, missing_room, missing_wall
from arrayopt.machine import phase_peak_current, winding_faults
from arrayopt.quantities import Array
from arrayopt.scatter.robust import ROBUST, with_robust
from arrayopt.search.ranking import dominated
from arrayopt.study import Study, size_contradictions
from arrayopt.study.goals import limits, objectives

Values = dict[str, object]  # by study key
GEOMETRY = ("rules", "winding", "room", "wall")  # without these there is no field
# Figures of one design at a time; a search computes them only of designs that may be on the front.
COSTLY = BY_DETAILS | {"demagnetised"} | set(ROBUST)
_DIGITS = 9  # machines and batches of other sizes may round the last bits otherwise


@dataclass(frozen=True)
class Assessment:
    """How one design does.

    Attributes
    ----------
    losses : tuple of float or None
        Objectives in SI units, turned so that less is better; None where the design
        cannot be built and so has no field.
    missed : dict of str to float
        Each limit, kept at 0 or less: ``rules`` broken between keys; ``winding`` 1 if
        unbalanced; ``room`` and ``wall`` missing [mm]; all others as the share past their
        limit.

    """

    losses: tuple[float, ...] | None
    missed: dict[str, float]

    @property
    def feasible(self) -> bool:
        """All limits kept."""
        return self.losses is not None and all(value <= 0 for value in self.missed.values())

    @property
    def violation(self) -> float:
        """Sum of all that is missed; designs without a field come after those with one."""
        return sum(value for value in self.missed.values() if value > 0) + (
            1e3 if self.losses is None else 0
        )


@dataclass(frozen=True)
class Goal:
    """What a study's search is after: its objectives and its limits."""

    study: Study

    @cached_property
    def objectives(self) -> tuple[Figure, ...]:
        """Figures to improve."""
        return objectives(self.study)

    @cached_property
    def signs(self) -> Array:
        """Per objective 1 where less is better, -1 where more is."""
        return np.array([1.0 if f.better == "less" else -1.0 for f in self.objectives])

    @cached_property
    def limits(self) -> list[tuple[Figure, float | None, float | None]]:
        """Figures with least and greatest value."""
        return limits(self.study)

    @cached_property
    def costly(self) -> set[str]:
        """Figures wanted that take long."""
        wanted = [*self.objectives, *(f for f, _, _ in self.limits)]
        return {f.name for f in wanted} & COSTLY

    def losses(self, results: xr.Dataset) -> Array:
        """Objectives of evaluated designs so that less is better, shape (design, objective)."""
        return np.stack([results[f.name].values for f in self.objectives], axis=1) * self.signs

    def missed(self, results: xr.Dataset) -> dict[str, Array]:
        """By limit, the share by which evaluated designs miss it; nothing of costly figures."""
        shares: dict[str, Array] = {}
        for f, low, high in self.limits:
            value = results[f.name].values
            if low is not None:
                shares[f"{f.key} at least"] = (low - value) / (abs(low) or 1 / f.scale)
            if high is not None:
                shares[f"{f.key} at most"] = (value - high) / (abs(high) or 1 / f.scale)
        # A figure that there is no data for keeps no limit; one that comes later may.
        costly = {f.key for f, _, _ in self.limits if f.name in self.costly}
        return {
            name: np.nan_to_num(share, nan=-1.0 if name.split(" ")[0] in costly else 1.0)
            for name, share in shares.items()
        }

    def with_details(self, results: xr.Dataset, study: Study) -> xr.Dataset:
        """Add what saturation leaves of one evaluated design, if it is wanted."""
        if not self.costly & BY_DETAILS:
            return results
        return with_details(results, [study])[0]

    def with_scatter(self, results: xr.Dataset, study: Study) -> xr.Dataset:
        """Add what tolerances leave of one evaluated design, if it is wanted."""
        return with_robust(results, study) if self.costly & set(ROBUST) else results

    def completed(self, results: xr.Dataset, study: Study) -> xr.Dataset:
        """Add all costly figures that are wanted of one evaluated design."""
        for step in self.steps:
            results = step(results, study)
        return results

    @property
    def steps(self) -> tuple[Callable[[xr.Dataset, Study], xr.Dataset], ...]:
        """What adds costly figures, the quicker ones first: they may rule a design out."""
        return self.with_details, self.with_scatter, self.with_demagnetisation

    def with_demagnetisation(self, results: xr.Dataset, study: Study) -> xr.Dataset:
        """Add the share that one evaluated design's magnets lose, if it is wanted."""
        if "demagnetised" in self.costly:
            results = results.copy(deep=True)
            results["demagnetised"].values[0] = judged_magnets(study, results).share
        return results


def assess(goal: Goal, front: Array, designs: Sequence[Values]) -> list[Assessment]:
    """Judge a batch of designs, each given by its values of the study's keys.

    Costly figures are computed only of designs that nothing met so far beats: what others
    beat with those figures at their best cannot be on the front.

    Parameters
    ----------
    goal : Goal
    front : ndarray, shape (n, objective)
        Losses of the best designs met before this batch.
    designs : sequence of dict

    """
    studies = [goal.study.varied(dict(values)) for values in designs]
    missed = _missed_without_field(studies)
    built = [i for i, row in enumerate(missed) if all(row[name] <= 0 for name in GEOMETRY)]
    found = [Assessment(None, _rounded(row)) for row in missed]
    if not built:
        return found
    results = evaluate_batch([studies[i] for i in built])
    if goal.costly & {"peak_torque", "joint_peak_torque"}:
        results = _unsaturated(results, [studies[i] for i in built])
    if goal.costly & set(ROBUST):
        results = _unscattered(results)
    checked, held = _checked([studies[i] for i in built], results), goal.missed(results)
    losses = goal.losses(results)
    for k, i in enumerate(built):
        row = missed[i] | {name: float(share[k]) for name, share in (checked | held).items()}
        found[i] = _assessment(losses[k], row)
        if not goal.costly:
            continue
        one = results.isel(design=[k])
        for step in goal.steps:
            if not found[i].feasible or dominated(goal.losses(one), by=front)[0]:
                break
            one = step(one, studies[i])
            row |= {name: float(share[0]) for name, share in goal.missed(one).items()}
            found[i] = _assessment(goal.losses(one)[0], row)
        else:
            if found[i].feasible:
                front = np.vstack([front, goal.losses(one)])
    return found


def _assessment(losses: Array, missed: dict[str, float]) -> Assessment:
    # An objective that there is no data for cannot be improved.
    if np.isnan(losses).any():
        return Assessment(None, _rounded(missed | {"data": 1.0}))
    return Assessment(tuple(_digits(v) for v in losses), _rounded(missed))


def _missed_without_field(studies: Sequence[Study]) -> list[dict[str, float]]:
    """Return what geometry alone misses."""
    rows = [
        {
            "rules": float(len(size_contradictions(study))),
            "winding": float(bool(winding_faults(study))),
            "room": 0.0,
            "wall": 0.0,
        }
        for study in studies
    ]
    sound = ((i, study) for i, study in enumerate(studies) if not rows[i]["rules"])
    for members in by_make(sound):
        layout = build_layouts([studies[i] for i in members])
        room, wall = missing_room(layout) * 1e3, missing_wall(layout) * 1e3
        for k, i in enumerate(members):
            rows[i] |= {"room": float(room[k]), "wall": float(wall[k])}
    for row in rows:
        for name in ("room", "wall"):
            row[name] = row[name] if row[name] > 1e-9 else min(row[name], 0.0)
    return rows


def _checked(studies: Sequence[Study], results: xr.Dataset) -> dict[str, Array]:
    """By limit of the study itself, the share by which evaluated designs miss it."""
    bounds = {
        "tooth_flux": ("tooth_flux_density", [s.flux_limit("tooth") for s in studies]),
        "yoke_flux": ("yoke_flux_density", [s.flux_limit("yoke") for s in studies]),
        "ring_flux": ("ring_flux_density", [s.flux_limit("ring") for s in studies]),
        "slot_fill": ("slot_fill", [s.limits.slot_fill for s in studies]),
        "wire_fill": ("wire_fill", [s.limits.wire_fill for s in studies]),
    }
    shares = {
        name: np.nan_to_num(results[figure].values / np.array(bound) - 1, nan=0.0)
        for name, (figure, bound) in bounds.items()
    }
    warm = [s.rotor.magnet_temperature_c / s.class_temperature - 1 for s in studies]
    return shares | {"magnet_temperature": np.array(warm)}


def _unsaturated(results: xr.Dataset, studies: Sequence[Study]) -> xr.Dataset:
    """Fill in the torque at peak current as if iron never saturated: more than it can be."""
    peak = np.array([phase_peak_current(study) for study in studies])
    torque = results["torque_constant"] * peak
    joint = [s.joint.gear_ratio * s.joint.gear_efficiency if s.joint else np.nan for s in studies]
    filled = results.copy()
    filled["peak_torque"] = results["peak_torque"].copy(data=torque.values)
    filled["joint_peak_torque"] = results["joint_peak_torque"].copy(
        data=torque.values * np.array(joint)
    )
    return filled


def _unscattered(results: xr.Dataset) -> xr.Dataset:
    """Fill in figures of scatter as if rotors had none: better than they can be."""
    filled = results.copy()
    for name, whole in (
        ("torque_constant_low", results["torque_constant"].values),
        ("continuous_torque_low", results["continuous_torque"].values),
        ("tolerance_yield", np.ones(results.sizes["design"])),
    ):
        filled[name] = results[name].copy(data=whole)
    return filled


def _rounded(missed: dict[str, float]) -> dict[str, float]:
    return {name: _digits(value) for name, value in missed.items()}


def _digits(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")
