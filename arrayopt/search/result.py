"""What a search found: front, picks, growth, or the nearest miss."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import optuna
import xarray as xr

from arrayopt.errors import ArrayoptError, NothingFeasibleError
from arrayopt.evaluation import evaluate, evaluate_batch
from arrayopt.figures import Figure
from arrayopt.machine import winding_faults
from arrayopt.quantities import Array
from arrayopt.search.assess import Assessment, Goal, Values
from arrayopt.search.ranking import front, hypervolume
from arrayopt.search.space import Name, Params, Space, start_outside
from arrayopt.study import Study
from arrayopt.study.keys import unit_of

STOCK = "search-stock.csv"  # how a results folder names the shop list
_TITLE = 160  # letters of the title that a pick keeps
_GROUPS = 10  # of an axis' values, for its importance
_AT_JOINT = {"joint_torque": "continuous_torque", "joint_peak_torque": "peak_torque"}
_CURVE = 200  # points of the curve of convergence


@dataclass(frozen=True)
class SearchResult:
    """What a search found.

    Attributes
    ----------
    goal : Goal
        Objectives and limits, and the start design.
    space : Space
    known : dict of tuple to Assessment
        All designs judged, in order.
    front : xarray.Dataset
        Figures of the best designs along ``design``, by the first objective from worst
        to best.
    params, values : list of dict
        Each front design's place on the axes, and its values of the study's keys.
    picks : dict of str to int
        Index on the front of the ``knee`` and, for each objective, of the design that is
        best in it among those no worse than the start design in the figures of `held_to`.
    start : xarray.Dataset
        Figures of the start design.
    whole : bool
        The space was judged to its end: no better design is in it.
    seed : int

    Examples
    --------
    >>> from arrayopt import load_study, optimise
    >>> study = load_study("studies/ankle/study.toml")
    >>> found = optimise(study, trials=160)
    >>> found.study is study
    True
    >>> [figure.key for figure in found.objectives]
    ['machine.continuous_torque_nm', 'mass.rotor_g']

    The front from the least torque to the most, and what a builder looks at first.

    >>> torque, mass = found.front.continuous_torque, found.front.rotor_mass  # N m, kg
    >>> bool((torque.diff("design") > 0).all() and (mass.diff("design") > 0).all())
    True
    >>> lightest = found.picks["least-rotor-mass"]  # no less torque than the start design
    >>> found.held_to == found.objectives
    True
    >>> found.design(lightest).rotor.pole_pairs in (14, 15, 16, 20, 21)
    True
    >>> found.pick("least-rotor-mass").title.partition(": ")[2]
    'least-rotor-mass of a search'
    >>> most = found.picked["most-continuous-torque"]
    >>> bool(most.continuous_torque[0] > found.started.continuous_torque[0])
    True

    Of all designs judged: losses, which of them keep all limits, what each axis changes, and
    how the front grew.

    >>> len(found.known), found.losses.shape, bool(found.kept.sum() == found.feasible)
    (160, (160, 2), True)
    >>> shares = found.importance["rotor_mass"]
    >>> shares["rotor.main.thickness_mm"] > shares["rotor.pole_pairs"]
    True
    >>> judged, volume = found.convergence
    >>> int(judged[-1]), float(volume[-1]), found.growth >= 0
    (160, 1.0, True)

    The front with the values of each design's keys, to be written or plotted.

    >>> table = found.dataset()
    >>> "rotor.main.width_mm" in table, table.designs_judged
    (True, 160)
    """

    goal: Goal
    space: Space
    known: dict[Name, Assessment]
    front: xr.Dataset
    params: list[Params]
    values: list[Values]
    picks: dict[str, int]
    start: xr.Dataset
    whole: bool
    seed: int

    @property
    def study(self) -> Study:
        """The start design and the search."""
        return self.goal.study

    @property
    def objectives(self) -> tuple[Figure, ...]:
        """Figures that were improved."""
        return self.goal.objectives

    @cached_property
    def held_to(self) -> tuple[Figure, ...]:
        """Objectives in which picks must be no worse than the start design."""
        return yardstick(self.goal, self.start)

    @cached_property
    def feasible(self) -> int:
        """Designs that keep all limits."""
        return sum(a.feasible for a in self.known.values())

    @cached_property
    def losses(self) -> Array:
        """Losses of all designs judged, NaN without a field, shape (design, objective)."""
        none = (np.nan,) * len(self.objectives)
        return np.array([a.losses or none for a in self.known.values()], dtype=float)

    @cached_property
    def kept(self) -> Array:
        """Which of the designs judged keep all limits, shape (design,)."""
        return np.array([a.feasible for a in self.known.values()])

    @cached_property
    def convergence(self) -> tuple[Array, Array]:
        """Designs judged, and the front's hypervolume then over the last, shape (point,) each.

        The reference point is the worst value of each objective among all designs that
        keep the limits.
        """
        good = self.losses[self.kept]
        reference = good.max(axis=0) + 1e-6 * np.abs(good.max(axis=0))
        count = len(self.known)
        marks = np.unique(np.linspace(0, count, min(_CURVE, count) + 1).astype(int))
        best, volumes, before = np.empty((0, good.shape[1])), [], 0
        for mark in marks:
            new = self.losses[before:mark][self.kept[before:mark]]
            best = np.vstack([best, new])
            best = best[front(best)] if len(best) else best
            volumes.append(hypervolume(best, reference))
            before = mark
        last = volumes[-1]
        return marks, np.array(volumes) / last if last else np.ones(len(marks))

    @cached_property
    def importance(self) -> dict[str, dict[str, float]]:
        """By objective and axis: how much of the objective's variance goes with that axis alone.

        Correlation ratio among the designs judged that keep all limits, values of an axis
        in at most ten groups (Pearson 1905, from memory; a first-order sensitivity index).
        ``front`` stands for how far a design is behind the front.
        """
        kept = [name for name, a in self.known.items() if a.feasible]
        losses = self.losses[self.kept]
        columns = {f.name: losses[:, k] for k, f in enumerate(self.objectives)}
        columns["front"] = behind(losses)
        found: dict[str, dict[str, float]] = {name: {} for name in columns}
        for i, axis in enumerate(self.space.distributions):
            used = np.array([name[i] is not None for name in kept])
            places = np.array([name[i] for name in kept if name[i] is not None], dtype=float)
            for name, column in columns.items():
                found[name][axis] = correlation_ratio(places, column[used])
        return found

    @property
    def growth(self) -> float:
        """Share by which the last fifth of the designs enlarged the hypervolume.

        NaN where there was none before.
        """
        marks, volumes = self.convergence
        then = float(np.interp(0.8 * len(self.known), marks, volumes))
        return 1 / then - 1 if then > 0 else float("nan")

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
            designs_judged=len(self.known),
            optuna_version=optuna.__version__,
        )

    def design(self, index: int) -> Study:
        """Return a front design as a study of its own.

        Parameters
        ----------
        index : int
            Place on the front, from 0.

        """
        return self.study.with_values(dict(self.values[index]))

    @cached_property
    def started(self) -> xr.Dataset:
        """All figures of the start design."""
        return self.goal.with_scatter(evaluate(self.study), self.study)

    @cached_property
    def picked(self) -> dict[str, xr.Dataset]:
        """All figures of the picks, those that the search did not need too."""
        whole: dict[int, xr.Dataset] = {}
        for index in self.picks.values():
            if index not in whole:
                design = self.design(index)
                whole[index] = self.goal.with_scatter(evaluate(design), design)
        return {name: whole[index] for name, index in self.picks.items()}

    def pick(self, name: str) -> Study:
        """Return a pick, or a design of the front by its number, as a study that says what it is.

        Parameters
        ----------
        name : str
            One of `picks`, or digits: place on the front, from 0.

        Raises
        ------
        ArrayoptError
            If there is none of that name or number.

        """
        index = self.picks.get(name, int(name) if name.isascii() and name.isdigit() else -1)
        if not 0 <= index < len(self.values):
            raise ArrayoptError(
                f"no design {name!r} was found; choose {', '.join(self.picks)} or a number from 0 "
                f"to {len(self.values) - 1} of front.csv"
            )
        what = name if name in self.picks else f"design {index}"
        values = {"title": f"{self.study.title[:_TITLE]}: {what} of a search"}
        if self.study.stock:
            values["search.stock"] = STOCK
        return self.design(index).with_values(values)


def search_result(
    goal: Goal, space: Space, known: dict[Name, Assessment], *, seed: int, whole: bool
) -> SearchResult:
    """Return the front of all designs judged; NothingFeasibleError if none keeps all limits."""
    feasible = [(name, a.losses) for name, a in known.items() if a.feasible]
    if not known:
        raise NothingFeasibleError("the search has judged no design yet; look again in a moment")
    if not feasible:
        raise NothingFeasibleError(_nearest_miss(space, known, whole=whole))
    losses = np.array([row for _, row in feasible])
    best = front(losses)[::-1]
    params = [space.params(feasible[i][0]) for i in best]
    values = [space.values(one) for one in params]
    studies = [goal.study, *(goal.study.varied(dict(v)) for v in values)]
    figures = evaluate_batch(studies)
    if goal.costly:
        parts = [goal.completed(figures.isel(design=[i]), s) for i, s in enumerate(studies)]
        figures = xr.concat(parts, dim="design")
    start = figures.isel(design=[0])
    return SearchResult(
        goal=goal,
        space=space,
        known=known,
        front=figures.isel(design=slice(1, None)),
        params=params,
        values=values,
        picks=picks(goal, losses[best], start),
        start=start,
        whole=whole,
        seed=seed,
    )


def pick_name(f: Figure) -> str:
    """Name the pick that is best in an objective.

    Examples
    --------
    >>> from arrayopt.figures import figure
    >>> pick_name(figure("rotor_mass"))
    'least-rotor-mass'
    """
    return f"{'most' if f.better == 'more' else 'least'}-{f.name.replace('_', '-')}"


def pick_names(study: Study) -> list[str]:
    """Return the names that the picks of a study's search may have."""
    return ["knee", *(pick_name(f) for f in Goal(study).objectives)]


def yardstick(goal: Goal, start: xr.Dataset) -> tuple[Figure, ...]:
    """Return the objectives in which picks must be no worse than the start design.

    None where the search could not have found the start, or it misses a limit: what is
    better than it in everything may not exist then. An objective with a limit of the
    user's is held to that limit instead; torque at the joint counts as that of the motor.
    """
    missed = any(share[0] > 0 for share in goal.missed(start).values())
    if missed or start_outside(goal.study):
        return ()
    limited = {_AT_JOINT.get(f.name, f.name) for f, _, _ in goal.limits}
    figures = start.data_vars
    return tuple(
        f
        for f in goal.objectives
        if _AT_JOINT.get(f.name, f.name) not in limited and np.isfinite(figures[f.name].values[0])
    )


def picks(goal: Goal, losses: Array, start: xr.Dataset) -> dict[str, int]:
    """Return the designs of a front that a builder would look at first.

    Parameters
    ----------
    goal : Goal
    losses : ndarray, shape (design, objective)
    start : xarray.Dataset
        Figures of the start design.

    """
    held = yardstick(goal, start)
    own = goal.losses(start)[0]
    span = np.ptp(losses, axis=0)
    scaled = (losses - losses.min(axis=0)) / np.where(span > 0, span, 1)
    # With two objectives the knee is the design farthest below the line between the ends.
    found = {"knee": int(np.argmin(scaled.sum(axis=1)))}
    for k, f in enumerate(goal.objectives):
        others = [i for i, g in enumerate(goal.objectives) if i != k and g in held]
        # Losses are kept to nine digits, those of the start are not rounded.
        most = own[others] + 1e-8 * np.abs(own[others])
        allowed = np.flatnonzero((losses[:, others] <= most).all(axis=1))
        if len(allowed):
            found[pick_name(f)] = int(allowed[np.argmin(losses[allowed, k])])
    return found


def behind(losses: Array) -> Array:
    """Return how far designs are behind the front, both scaled to the front's extent.

    The least amount by which a design would have to improve in all objectives at once to
    be on the front (additive epsilon indicator; Zitzler et al. 2003, from memory).
    """
    best = losses[front(losses)]
    span = np.ptp(best, axis=0)
    scaled, best = (part / np.where(span > 0, span, 1) for part in (losses, best))
    far = np.full(len(losses), np.inf)
    for one in best:
        far = np.minimum(far, (scaled - one).max(axis=1))
    return np.asarray(np.maximum(far, 0))


def correlation_ratio(groups: Array, values: Array) -> float:
    """Return the share of the variance of values that lies between groups.

    Parameters
    ----------
    groups : ndarray, shape (n,)
        Numbers; more than ten different ones are put together to ten of even width.
    values : ndarray, shape (n,)

    Examples
    --------
    >>> import numpy as np
    >>> correlation_ratio(np.array([0, 0, 1, 1]), np.array([1.0, 1.0, 3.0, 3.0]))
    1.0
    """
    total = float(np.var(values)) if len(values) else 0.0
    if total == 0:
        return 0.0
    if len(np.unique(groups)) > _GROUPS:
        edges = np.linspace(groups.min(), groups.max(), _GROUPS + 1)
        groups = np.clip(np.digitize(groups, edges), 1, _GROUPS)
    names, index, counts = np.unique(groups, return_inverse=True, return_counts=True)
    means = np.bincount(index, values, len(names)) / counts
    return float((counts * (means - values.mean()) ** 2).sum() / len(values) / total)


def _nearest_miss(space: Space, known: dict[Name, Assessment], *, whole: bool) -> str:
    """Say which design misses the limits by least, and which limits bind."""
    name, best = min(known.items(), key=lambda item: item[1].violation)
    binding = sorted(best.missed, key=lambda one: -best.missed[one])
    missed = " and ".join(_miss(one, best.missed[one]) for one in binding if best.missed[one] > 0)
    values = ", ".join(f"{key} = {value}" for key, value in space.params(name).items())
    never = [
        limit
        for limit in best.missed
        if min(a.missed[limit] for a in known.values() if limit in a.missed) > 0
    ]
    alone = f"; no design keeps {' or '.join(map(_limit, never))}" if never else ""
    if "winding" in never:
        design = space.study.varied(space.values(space.params(name)))
        alone += f" ({', and '.join(winding_faults(design))})"
    scope = f"none of the {len(known)} designs of the space" if whole else (
        f"none of {len(known)} designs"
    )  # fmt: skip
    return (
        f"{scope} keeps all limits; nearest was {values}, which {missed}{alone}; "
        "widen the ranges in [search.variables] or loosen that limit"
    )


def _miss(limit: str, amount: float) -> str:
    told = {
        "rules": "breaks rules between keys (slot, gap and winding sizes)",
        "winding": "has no balanced winding",
        "room": f"misses room at the shaft by {amount:.3g} mm",
        "wall": f"misses wall by {amount:.3g} mm",
        "data": "has no figure for an objective",
    }
    return told.get(limit, f"misses {_limit(limit)} by {100 * amount:.3g} % of the limit")


def _limit(name: str) -> str:
    """Return a limit in words; of one on a figure which end of it."""
    key, _, bound = name.partition(" ")
    return f"{key} ({bound})" if bound else name
