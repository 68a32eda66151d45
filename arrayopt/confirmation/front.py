"""Confirm a front: its knee and the designs beside it, and what that says of all the others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import isnan, sqrt
from pathlib import Path

import numpy as np
import xarray as xr

from arrayopt.confirmation.completed import completed
from arrayopt.confirmation.kept import kept
from arrayopt.confirmation.library import require
from arrayopt.confirmation.plan import Task, even, loaded_count, periods, tasks, with_rows
from arrayopt.confirmation.results import Solved
from arrayopt.confirmation.run import Progress, plain_json, solved, versions
from arrayopt.confirmation.scale import end_scale
from arrayopt.errors import ArrayoptError
from arrayopt.evaluation import evaluate
from arrayopt.fanout import team
from arrayopt.figures import Figure
from arrayopt.machine import phase_peak_current
from arrayopt.quantities import Array
from arrayopt.search import SearchResult, read_search
from arrayopt.search.ranking import front
from arrayopt.search.result import picks
from arrayopt.study import Study

_A_LINE = 2  # objectives
BESIDE = 2  # neighbours of the knee to either side
# Figures that stand for torque, and the current that decides: continuous, peak, or next to none.
_CURRENTS = {
    "continuous_torque": "continuous", "joint_torque": "continuous",
    "peak_torque": "peak", "joint_peak_torque": "peak",
    "motor_constant": "none", "torque_constant": "none",
}  # fmt: skip


@dataclass(frozen=True)
class ConfirmedFront:
    """A front with its torque corrected by finite elements.

    Attributes
    ----------
    result : SearchResult
    torque : Figure
        Objective that is corrected.
    confirmed : tuple of int
        Designs of the front that were solved.
    ratios : ndarray, shape (design,)
        Torque by finite elements over the fast model's; of designs that were not solved,
        between those of their solved neighbours, or the mean with three objectives.
    corrected : xarray.Dataset
        Figures of the front with that torque.
    kept : ndarray of bool, shape (design,)
        Designs that no other beats once corrected, and that keep all limits.
    missed : dict of int to list of str
        Limits that a design misses once corrected.
    picks : dict of str to int
        Knee and best designs once corrected.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from arrayopt import confirm_front, load_study, optimise
    >>> study = load_study("studies/wrist/study.toml")
    >>> with TemporaryDirectory() as folder:
    ...     searched = optimise(study, out=folder, trials=40)
    ...     found = confirm_front(folder, size=6)  # a coarse mesh, quick
    >>> found.torque.name, found.uncorrected  # no other torque is an objective
    ('continuous_torque', ())
    >>> mean, least, greatest = found.bias
    >>> -0.05 < least <= mean <= greatest < 0.05
    True
    >>> before, after = found.result.front.continuous_torque, found.corrected.continuous_torque
    >>> bool(abs(after / before - found.ratios).max() < 1e-9)
    True
    """

    result: SearchResult
    torque: Figure
    confirmed: tuple[int, ...]
    ratios: Array
    corrected: xr.Dataset
    kept: Array
    missed: dict[int, list[str]]
    picks: dict[str, int]

    @property
    def uncorrected(self) -> tuple[Figure, ...]:
        """Objectives that stand for torque at another current and stay as they are."""
        own = _same_current(self.torque)
        return tuple(f for f in self.result.objectives if f.name in _CURRENTS and f.name not in own)

    @property
    def bias(self) -> tuple[float, float, float]:
        """Mean, least and greatest share by which the fast model reads high."""
        high = 1 / self.ratios[list(self.confirmed)] - 1
        return float(high.mean()), float(high.min()), float(high.max())


def confirm_front(
    run: str | Path,
    *,
    out: str | Path | None = None,
    storage: str | None = None,
    workers: int = 1,
    cluster: str | None = None,
    size: float = 1.0,
    progress: Callable[[Progress], object] | None = None,
) -> ConfirmedFront:
    """Solve the knee of a search's front and its neighbours, and rank the front again.

    Parameters
    ----------
    run : path
        Folder that `optimise` wrote to.
    out : path, optional
        Folder that keeps finished positions; left out, that of the search.
    storage : str, optional
        Database that keeps the search instead.
    workers, cluster, size, progress
        As in `confirm`.

    Returns
    -------
    ConfirmedFront

    Raises
    ------
    ArrayoptError
        If there is no search, none of its objectives is a torque, or ngsolve is missing; and
        as in `confirm`.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from arrayopt import confirm_front, load_study, optimise
    >>> study = load_study("studies/wrist/study.toml")
    >>> with TemporaryDirectory() as folder:
    ...     searched = optimise(study, out=folder, trials=40)
    ...     found = confirm_front(folder, size=6)  # a coarse mesh, quick
    >>> searched.picks["knee"] in found.confirmed
    True
    >>> bool(found.kept[found.picks["knee"]])  # no other design beats it once corrected
    True
    """
    require()
    result = read_search(run, storage=storage)
    torque = next((f for f in result.objectives if f.name in _CURRENTS), None)
    if torque is None:
        raise ArrayoptError(
            "confirm --front corrects torque, but search.objectives has none of "
            f"{', '.join(_CURRENTS)}; confirm a design's study instead, such as {run}/knee.toml"
        )
    indices = beside(result)
    planned: list[tuple[int, float, list[Task]]] = []
    for index in indices:
        study = result.design(index)
        figures = evaluate(study)
        kind = _CURRENTS[torque.name]
        planned.append((index, *_plan(study, figures, kind, size=size)))
    every = [task for _, _, part in planned for task in part]
    with (
        kept(Path(out or run), versions()) as memory,
        team(workers=workers, cluster=cluster) as spread,
    ):
        found = solved(every, memory, spread, progress)
    ratios = {}
    for index, fast, part in planned:
        own = Solved(part, [found[every.index(task)] for task in part])
        ratios[index] = _torque(own, result.design(index)) / fast
    return _ranked(result, torque, ratios)


def beside(result: SearchResult) -> tuple[int, ...]:
    """Return the knee and its neighbours along the front."""
    knee = result.picks["knee"]
    first, last = max(knee - BESIDE, 0), min(knee + BESIDE, len(result.values) - 1)
    return tuple(range(first, last + 1))


def _plan(study: Study, figures: xr.Dataset, kind: str, *, size: float) -> tuple[float, list[Task]]:
    """Return the fast model's torque, or linkage without current, and what is solved for it."""
    whole, _ = completed(study)
    scale = end_scale(whole)
    current = {
        "continuous": float(figures["continuous_current"][0]) * sqrt(2),
        "peak": phase_peak_current(study),
        "none": 0.0,
    }[kind]
    positions = with_rows(
        whole, even(periods(whole).torque, loaded_count(whole)), quadrature=current
    )
    planned = tasks(
        "front", positions, study=plain_json(whole), remanence=scale.remanence, size=size
    )
    linkage = float(figures["flux_linkage"][0])
    fast = linkage
    if current:
        fast = float(figures["torque_constant"][0]) * current
    if kind == "peak" and not isnan(float(figures["peak_torque"][0])):
        fast = float(figures["peak_torque"][0])
    return fast / scale.length, planned


def _torque(solved_: Solved, study: Study) -> float:
    """Mean torque, or linkage without current, per length."""
    found = solved_.of("front")
    current = solved_.planned[0].positions[0].quadrature
    if current:
        return float(found["torque"].mean())
    # Rows that are turned see the flux of phase A less than whole.
    p = study.rotor.pole_pairs
    turns = np.array(
        [one.turn * p - one.electrical for t in solved_.planned for one in t.positions]
    )
    return float((found["direct"] * np.cos(turns)).mean())


def _ranked(result: SearchResult, torque: Figure, ratios: dict[int, float]) -> ConfirmedFront:
    known = sorted(ratios)
    every = np.arange(len(result.values))
    solved_ones = [ratios[k] for k in known]
    spread = np.interp(every, known, solved_ones)
    if len(result.objectives) > _A_LINE:
        # A front of three objectives is no line: neighbours by number are none.
        spread = np.full(len(every), float(np.mean(solved_ones)))
        spread[known] = solved_ones
    corrected = result.front.copy(deep=True)
    for name in _same_current(torque):
        corrected[name] = corrected[name] * spread
    start = result.start.copy(deep=True)
    start[torque.name] = start[torque.name] * float(np.mean(list(ratios.values())))
    goal = result.goal
    missed: dict[int, list[str]] = {}
    for limit, share in goal.missed(corrected).items():
        for index in np.flatnonzero(share > 1e-9):
            missed.setdefault(int(index), []).append(limit)
    losses = goal.losses(corrected)
    able = np.array([index not in missed for index in every])
    best = np.flatnonzero(able)[front(losses[able])] if able.any() else np.array([], dtype=int)
    kept_ = np.isin(every, best)
    found = picks(goal, losses[best], start) if len(best) else {}
    return ConfirmedFront(
        result=result, torque=torque, confirmed=tuple(known), ratios=spread, corrected=corrected,
        kept=kept_, missed=missed, picks={name: int(best[k]) for name, k in found.items()},
    )  # fmt: skip


def _same_current(torque: Figure) -> list[str]:
    """Figures that share the correction: those of the same current, at motor and joint."""
    return [name for name, kind in _CURRENTS.items() if kind == _CURRENTS[torque.name]]
