"""What a search found: front, picks, growth, or the nearest miss."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import optuna
import xarray as xr

from arrayopt.errors import NothingFeasibleError
from arrayopt.evaluation import evaluate_batch, torque_figure
from arrayopt.search.assess import GEOMETRY, LIMITS, Assessment
from arrayopt.search.front import efficient, knee, lightest, strongest
from arrayopt.search.space import Identity, Values
from arrayopt.study import Study
from arrayopt.study.keys import unit_of

_TITLE = 160  # letters of the title that a pick keeps


@dataclass(frozen=True)
class SearchResult:
    """What a search found.

    Attributes
    ----------
    study : Study
        The start design and the space.
    front : xarray.Dataset
        Figures of the best designs from light to heavy, along ``design``.
    values : list of dict
        Each front design's values of the variables.
    picks : dict of str to int
        Index on the front of the ``knee``, of the ``lightest`` that reaches the start
        design's torque, of the ``strongest`` no heavier than the start design.
    start : xarray.Dataset
        Figures of the start design.
    torque : str
        The figure that stands for torque.
    evaluated : ndarray, shape (feasible design, 2)
        Torque and rotor mass [kg] of all feasible designs met.
    trials, distinct, feasible : int
        Designs proposed, different ones among them, and those that can be built.
    growth : float
        By how much the last fifth of the designs enlarged the area under the front.
    seed : int

    """

    study: Study
    front: xr.Dataset
    values: list[Values]
    picks: dict[str, int]
    start: xr.Dataset
    torque: str
    evaluated: np.ndarray
    trials: int
    distinct: int
    feasible: int
    growth: float
    seed: int

    def dataset(self) -> xr.Dataset:
        """Return the front with each design's variables and what repeats the search."""
        columns = {}
        for key in dict.fromkeys(key for row in self.values for key in row):
            # A layout without a family has no sizes for it.
            cells = [row.get(key) for row in self.values]
            missing = "" if any(isinstance(cell, str) for cell in cells) else np.nan
            filled = [missing if cell is None else cell for cell in cells]
            columns[key] = ("design", filled, {"units": unit_of(key), "long_name": key})
        return self.front.assign(columns).assign_attrs(
            study=self.study.text,
            seed=self.seed,
            designs_judged=self.distinct,
            optuna_version=optuna.__version__,
        )

    def design(self, index: int) -> Study:
        """Return a front design as a study of its own."""
        return self.study.with_values(self.values[index])

    def pick(self, name: str) -> Study:
        """Return a pick as a study whose title says what it is."""
        title = f"{self.study.title[:_TITLE]}: {name} of a search"
        return self.design(self.picks[name]).with_values({"title": title})


def search_result(
    study: Study, *, seed: int, trials: int, known: dict[Identity, Assessment]
) -> SearchResult:
    """Return the front of all designs judged; NothingFeasibleError if none can be built."""
    feasible = {key: a for key, a in known.items() if a.feasible}
    if not feasible:
        raise NothingFeasibleError(_nearest_miss(known))
    torque_name = torque_figure(study)
    keys = list(feasible)
    torque = np.array([feasible[key].torque for key in keys])
    mass = np.array([feasible[key].mass for key in keys])
    values = [dict(keys[i]) for i in efficient(torque=torque, mass=mass)]
    studies = [study, *(study.with_values(v) for v in values)]
    figures = evaluate_batch(studies)
    start, front = figures.isel(design=[0]), figures.isel(design=slice(1, None))
    t, m = front[torque_name].values, front["rotor_mass"].values
    found = {
        "knee": knee(torque=t, mass=m),
        "lightest": lightest(torque=t, mass=m, least_torque=float(start[torque_name][0])),
        "strongest": strongest(torque=t, mass=m, most_mass=float(start["rotor_mass"][0])),
    }
    return SearchResult(
        study=study,
        front=front,
        values=values,
        picks={name: index for name, index in found.items() if index is not None},
        start=start,
        torque=torque_name,
        evaluated=np.stack([torque, mass], axis=1),
        trials=trials,
        distinct=len(known),
        feasible=len(feasible),
        growth=_growth(list(known.values())),
        seed=seed,
    )


def _growth(met: list[Assessment]) -> float:
    """Relative growth of the area under the front over the last fifth of the designs met."""
    feasible = [a for a in met if a.feasible]
    heaviest = max(a.mass for a in feasible)

    def area(designs: list[Assessment]) -> float:
        torque, mass = np.array([(a.torque, a.mass) for a in designs]).T
        front = efficient(torque=torque, mass=mass)
        return float(torque[front] @ np.diff(np.append(mass[front], heaviest)))

    early = [a for a in met[: len(met) * 4 // 5] if a.feasible]
    before = area(early) if early else 0.0
    return area(feasible) / before - 1 if before > 0 else float("inf")


def _nearest_miss(known: dict[Identity, Assessment]) -> str:
    """Say which design came nearest and which limit it misses most."""
    # Flux and slot fill are only known of designs that can be laid out.
    laid_out = {k: a for k, a in known.items() if all(a.missed[name] <= 0 for name in GEOMETRY)}
    names = LIMITS if laid_out else GEOMETRY
    key, best = min(
        (laid_out or known).items(),
        key=lambda item: sum(max(item[1].missed[name], 0) for name in names),
    )
    binding = max(names, key=lambda name: best.missed[name])
    amount = best.missed[binding]
    what = {
        "rules": "breaks rules between keys (slot, gap and winding sizes)",
        "winding": "has no balanced winding",
        "room": f"misses room at the shaft by {amount:.3g} mm",
        "wall": f"misses wall by {amount:.3g} mm",
    }.get(binding, f"misses {binding} by {100 * amount:.3g} % of the limit")
    values = ", ".join(f"{name} = {value}" for name, value in key)
    return (
        f"none of {len(known)} designs keeps all limits; nearest was {values}, which {what}; "
        "widen the ranges in [search.variables] or loosen that limit"
    )
