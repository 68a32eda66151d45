"""Which layout at which rotor mass: arrays and plain magnets, with and without a steel ring.

`arrayopt.comparison` holds all layouts to one depth of magnets. Here each has a search of its
own, so that they are compared at equal rotor mass, each at its best.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np

from arrayopt.comparison import LEAST_SIZE, plain_study, widest_size
from arrayopt.errors import NothingFeasibleError
from arrayopt.evaluation import evaluate_batch, judged_magnets, torque_figure
from arrayopt.figures import Figure, figure
from arrayopt.quantities import Array
from arrayopt.search.result import SearchResult
from arrayopt.search.run import Progress, optimise
from arrayopt.search.space import space_of
from arrayopt.study import Study
from arrayopt.study.sections import Variable
from arrayopt.study.variables import magnet_counts

ARRAY, PLAIN = "array", "plain"
RING = ", steel ring"
LAYOUTS = (ARRAY, PLAIN, PLAIN + RING, ARRAY + RING)
Told = Callable[[Progress], object]
_COUNT, _RING = "rotor.magnets_per_pole_pair", "rotor.steel_ring_mm"
_RING_STEP = 0.1  # mm
_RING_SPARE = 1.25  # of what the thickest plain magnets need
_ROWS = 6  # rotor masses of the table
_THICKNESSES = 6  # at which plain magnets are as wide as fits
_GRID = 400  # rotor masses at which leads are looked at
_EVEN = 0.01  # of the torque; nearer layouts count as even
_SHORT = 0.03  # of the masses looked at; a shorter lead is the chance of two searches
_DIGITS = 3  # of a size in mm or degrees


@dataclass(frozen=True)
class Lead:
    """Rotor masses over which one of two layouts leads.

    Attributes
    ----------
    low, high : float
        Rotor mass [kg].
    leader : str or None
        None where neither leads by more than a hundredth.
    most, at : float
        The largest lead as a share of the other's torque, and at which rotor mass [kg].

    """

    low: float
    high: float
    leader: str | None
    most: float
    at: float


@dataclass(frozen=True)
class LayoutFronts:
    """The best of each layout.

    Attributes
    ----------
    study : Study
    torque : Figure
        Continuous torque, or the motor constant where the study has no heat data.
    found : dict of str to SearchResult
        A search of each layout, by the names of `LAYOUTS`.
    left_out : tuple of str
        What was not searched, and why; and what was changed in its search.

    Examples
    --------
    >>> import numpy as np
    >>> from arrayopt import compare_layouts, load_study
    >>> fronts = compare_layouts(load_study("studies/wrist/study.toml"), trials=40)
    >>> low, high = fronts.extent
    >>> bool(low < fronts.masses[1] < high)
    True
    >>> fronts.middle in fronts.masses
    True
    >>> torque, design = fronts.best("array", np.array([0.08, 0.09]))
    >>> bool(torque[0] <= torque[1])
    True
    >>> lead = fronts.leads("array", "plain, steel ring")[-1]
    >>> lead.leader
    'array'
    >>> bool(0 <= fronts.demagnetised("array", design[0]) < 1)
    True
    """

    study: Study
    torque: Figure
    found: dict[str, SearchResult]
    left_out: tuple[str, ...]

    def best(self, label: str, mass: Array) -> tuple[Array, Array]:
        """Return the best torque of a layout with rotors of at most some masses.

        Parameters
        ----------
        label : str
        mass : ndarray, shape (n,)
            Rotor mass [kg].

        Returns
        -------
        torque : ndarray, shape (n,)
            SI units; NaN where no rotor is that light.
        design : ndarray of int, shape (n,)
            Its number on the front of that layout; -1 where there is none.

        """
        front = self.found[label].front
        own, torque = front["rotor_mass"].values, front[self.torque.name].values
        able = own[None] <= mass[:, None] * (1 + 1e-9)
        index = np.where(able, torque[None], -np.inf).argmax(axis=1)
        none = ~able.any(axis=1)
        return np.where(none, np.nan, torque[index]), np.where(none, -1, index)

    @cached_property
    def masses(self) -> Array:
        """Rotor masses of the table [kg], whole grams apart, shape (row,)."""
        low, high = self.extent
        step = max(ceil((high - low) * 1e3 / _ROWS), 1)
        first = ceil(low * 1e3)
        grams = np.arange(first, high * 1e3 + step, step)[: _ROWS + 1]
        return np.asarray(grams * 1e-3)

    @cached_property
    def middle(self) -> float:
        """Rotor mass near the middle of the table at which most layouts have a design [kg]."""
        able = np.sum([self.best(label, self.masses)[1] >= 0 for label in self.found], axis=0)
        most = np.flatnonzero(able == able.max())
        return float(self.masses[most[np.argmin(np.abs(most - len(self.masses) // 2))]])

    @property
    def extent(self) -> tuple[float, float]:
        """Lightest rotor of all layouts, and the lightest of those that end the fronts [kg]."""
        own = [found.front["rotor_mass"].values for found in self.found.values()]
        return min(float(m.min()) for m in own), min(float(m.max()) for m in own)

    def leads(self, one: str, other: str) -> list[Lead]:
        """Return which of two layouts leads at which rotor masses, from light to heavy.

        Only masses that both have count; nothing where they have none in common.

        Parameters
        ----------
        one, other : str

        Returns
        -------
        list of Lead

        """
        own = [self.found[label].front["rotor_mass"].values for label in (one, other)]
        low, high = max(m.min() for m in own), min(m.max() for m in own)
        if low >= high:
            return []
        mass = np.linspace(low, high, _GRID)
        a, b = (self.best(label, mass)[0] for label in (one, other))
        with np.errstate(divide="ignore", invalid="ignore"):
            share, back = np.nan_to_num(a / b - 1), np.nan_to_num(b / a - 1)
        side = np.where(np.abs(share) <= _EVEN, 0, np.sign(share))
        for start, end in _runs(side):
            if end - start < _SHORT * _GRID:
                side[start:end] = side[start - 1] if start else side[min(end, _GRID - 1)]
        found = []
        for start, end in _runs(side):
            sign = int(side[start])
            size = share if sign >= 0 else back
            best = start + int(np.argmax(np.abs(size[start:end]) if sign == 0 else size[start:end]))
            found.append(
                Lead(
                    float(mass[start]), float(mass[end - 1]), {1: one, -1: other}.get(sign),
                    abs(float(size[best])), float(mass[best]),
                )
            )  # fmt: skip
        return found

    def demagnetised(self, label: str, design: int) -> float:
        """Return the share of the magnets' volume that a design of a front loses.

        Parameters
        ----------
        label : str
        design : int
            Its number on the front of that layout.

        Returns
        -------
        float

        """
        study = self.found[label].design(design)
        return judged_magnets(study, evaluate_batch([study])).share


def _runs(values: Array) -> list[tuple[int, int]]:
    """Return where runs of equal values begin, and where each has ended.

    Examples
    --------
    >>> _runs(np.array([1, 1, 0]))
    [(0, 2), (2, 3)]
    """
    edges = [0, *(np.flatnonzero(np.diff(values)) + 1).tolist(), len(values)]
    return list(pairwise(edges))


def compare_layouts(
    study: Study,
    *,
    out: str | Path | None = None,
    trials: int | None = None,
    seed: int | None = None,
    workers: int = 1,
    progress: Callable[[str], AbstractContextManager[Told]] | None = None,
) -> LayoutFronts:
    """Search arrays and plain layouts, with and without a steel ring, for torque and rotor mass.

    Parameters
    ----------
    study : Study
        With a ``[search]``; its objectives are left out of account.
    out : path, optional
        Folder that keeps the searches, each in a folder of its layout; what is there already
        is continued.
    trials, seed : int, optional
        Of each search, instead of the study's.
    workers : int
        Processes.
    progress : callable, optional
        Given a layout's name, opens what is told a `Progress` after every batch of its search.

    Returns
    -------
    LayoutFronts

    Raises
    ------
    StudyError
        If the study has nothing to search.
    NothingFeasibleError
        If no layout has a design that keeps all limits.

    Examples
    --------
    >>> from arrayopt import compare_layouts, load_study
    >>> fronts = compare_layouts(load_study("studies/pan/study.toml"), trials=20)
    >>> sorted(fronts.found)
    ['array', 'array, steel ring', 'plain', 'plain, steel ring']
    """
    space_of(study)
    searched, left_out = layout_studies(study)
    found: dict[str, SearchResult] = {}
    nothing: list[str] = []
    for label, one in searched.items():
        folder = None if out is None else Path(out) / folder_name(label)
        try:
            with nullcontext() if progress is None else progress(label) as told:
                found[label] = optimise(
                    one, out=folder, trials=trials, seed=seed, workers=workers, progress=told
                )
        except NothingFeasibleError as fault:
            nothing.append(f"{label}: {fault}")
    if not found:
        raise NothingFeasibleError("\n".join(nothing))
    return LayoutFronts(study, figure(torque_figure(study)), found, tuple(left_out + nothing))


def folder_name(label: str) -> str:
    """Return the name that a layout has among files.

    Examples
    --------
    >>> folder_name("plain, steel ring")
    'plain-steel-ring'
    """
    return label.replace(", ", "-").replace(" ", "-")


def layout_studies(study: Study) -> tuple[dict[str, Study], list[str]]:
    """Return the study with a search of each layout, and what is left out or changed.

    Plain magnets get the room that transverse ones leave: the range of their width or span
    ends where the widest do. Rings are those that the study's search names, or up to what
    the thickest plain magnets need.
    """
    assert study.search is not None
    free = study.search.variables
    told: list[str] = []
    counts = _counts(study)
    plain, wide = _plain_variables(study, told)
    rings = _rings(study, wide)
    objectives = [figure(torque_figure(study)).key, "mass.rotor_g"]
    found = {}
    for label in LAYOUTS:
        array, ringed = label.startswith(ARRAY), label.endswith(RING)
        if array and not counts:
            if not ringed:
                told.append(
                    f"array: {_COUNT} is 2 and no variable of the search, so no array is searched"
                )
            continue
        variables = dict(free) if array else dict(plain)
        variables[_COUNT] = Variable(choices=list(counts) if array else [2])
        variables[_RING] = rings if ringed else Variable(choices=[0.0])
        content = {k: v.model_dump(exclude_none=True) for k, v in variables.items()}
        found[label] = study.with_values(
            {"search.variables": content, "search.objectives": objectives}
        )
    return found, told


def _counts(study: Study) -> list[int]:
    """Magnets per pole pair of the arrays to search."""
    assert study.search is not None
    variable = study.search.variables.get(_COUNT)
    own = [study.rotor.magnets_per_pole_pair]
    return [value for value in (magnet_counts(variable) if variable else own) if value > 2]


def _plain_variables(study: Study, told: list[str]) -> tuple[dict[str, Variable], list[Study]]:
    """Return the variables of plain layouts, and rotors of the widest plain magnets."""
    assert study.search is not None
    free = study.search.variables
    depths = _numbers(study, "rotor.main.thickness_mm", study.rotor.main.thickness_mm)
    pairs = int(min(_numbers(study, "rotor.pole_pairs", study.rotor.pole_pairs)))
    few = study.varied({"rotor.pole_pairs": pairs})
    # Blocks of an inner rotor meet at their back: thinner ones may be wider.
    thick = sorted(set(np.linspace(min(depths), max(depths), _THICKNESSES).tolist()))
    found = {t: widest_size(few, t) for t in thick}
    sizes = {t: widest for t, widest in found.items() if widest >= LEAST_SIZE}
    wide = [plain_study(few, thickness_mm=t, size=widest) for t, widest in sizes.items()]
    plain = {
        key: variable
        for key, variable in free.items()
        if not key.startswith(("rotor.transverse.", "rotor.oblique."))
    }
    if study.stock or not sizes:
        return plain, wide
    size = "width_mm" if study.rotor.main.shape == "block" else "span_deg"
    key = f"rotor.main.{size}"
    own = free.get(key)
    if own is not None and own.choices is not None:
        told.append(f"plain: {key} keeps to the choices of the search")
        return plain, wide
    widest = max(sizes.values())
    low = own.low if own is not None and own.low is not None else round(widest / 3, _DIGITS)
    high = float(np.floor(widest * 10**_DIGITS) / 10**_DIGITS)
    step = own.step if own is not None else None
    if step is not None and low is not None:
        high = low + step * int((high - low) / step + 1e-9)
    high = round(high, _DIGITS)
    if own is None or own.high is None or high > own.high:
        plain[key] = Variable(low=low, high=max(high, low), step=step)
        told.append(
            f"plain: {key} may be up to {high:g}, as wide as fits, instead of "
            f"{'its one value' if own is None else f'{own.high:g}'}"
        )
    return plain, wide


def _rings(study: Study, wide: list[Study]) -> Variable:
    """Return the thicknesses of steel rings to try [mm]."""
    assert study.search is not None
    own = study.search.variables.get(_RING)
    if own is not None and own.choices is not None:
        thick = [value for value in own.choices if not isinstance(value, str) and value > 0]
        if thick:
            return Variable(choices=list(thick))
    if own is not None and own.high and own.low is not None:
        low = own.low if own.low > 0 else own.step or _RING_STEP
        if low < own.high:
            return Variable(low=low, high=own.high, step=own.step)
        return Variable(choices=[own.high])
    needed = [0.0]
    if wide:
        ringed = evaluate_batch([one.varied({_RING: 1.0}) for one in wide])
        needed = (ringed["ring_needed"].values * 1e3).tolist()
    most = max(ceil(_RING_SPARE * max(needed) / _RING_STEP), 5) * _RING_STEP
    return Variable(low=_RING_STEP, high=round(most, 1), step=_RING_STEP)


def _numbers(study: Study, key: str, own: float) -> list[float]:
    """Return a variable's ends or choices; the study's own value where it is no variable."""
    assert study.search is not None
    variable = study.search.variables.get(key)
    if variable is None:
        return [own]
    values: list[Any] = [variable.low, variable.high, *(variable.choices or ())]
    return [float(value) for value in values if isinstance(value, int | float)]
