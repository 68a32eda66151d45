"""What a search may change: study variables and stock as axes of a space of designs."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from math import inf, prod
from typing import Any

import numpy as np
from optuna.distributions import (
    BaseDistribution,
    CategoricalDistribution,
    FloatDistribution,
    IntDistribution,
)

from arrayopt.errors import StudyError
from arrayopt.layout import choices, stock_tables
from arrayopt.layout.stock import common_lengths
from arrayopt.quantities import Array
from arrayopt.search.genetic import Axis
from arrayopt.study import Study
from arrayopt.study.keys import key_named
from arrayopt.study.models import relevant_magnets
from arrayopt.study.sections import Variable

Values = dict[str, Any]  # by study key
Params = dict[str, Any]  # by name of axis, as the record keeps them
# What tells designs apart: for each axis the place among its values or, of a smooth range, the
# value itself; None where the design has no use for the axis.
Name = tuple[Any, ...]

_LENGTH = "rotor.length_mm"
_MAGNETS = "rotor.magnets_per_pole_pair"
_TABLES = ("main", "transverse", "oblique")


@dataclass(frozen=True)
class Space:
    """All designs that a search may try.

    Attributes
    ----------
    study : Study
        The start design.
    distributions : dict of str to BaseDistribution
        One an axis: a study key, or a table such as ``rotor.main`` that takes a choice of
        the shop list.
    settings : dict of str to list of dict
        Of an axis of the shop list: the study's values that each of its choices stands for.
    lengths : dict of str to list of float
        Of an axis of the shop list: length of each of its choices along the shaft [mm].

    """

    study: Study
    distributions: dict[str, BaseDistribution]
    settings: dict[str, list[Values]]
    lengths: dict[str, list[float]]

    def choices(self, axis: str) -> tuple[Any, ...]:
        """Labels of what the shop list offers for an axis."""
        distribution = self.distributions[axis]
        assert isinstance(distribution, CategoricalDistribution)
        return tuple(distribution.choices)

    @cached_property
    def allowed(self) -> list[tuple[Any, ...] | None]:
        """Allowed values of each axis in order; None of a smooth range."""
        return [_values(distribution) for distribution in self.distributions.values()]

    @cached_property
    def axes(self) -> list[Axis]:
        """The axes as genes."""
        return [
            Axis(len(values or ()), ordered=name in self.settings or _ordered(values))
            for name, values in zip(self.distributions, self.allowed, strict=True)
        ]

    @cached_property
    def start(self) -> Params:
        """The study's own values, moved to the nearest allowed ones."""
        return self.params(self.name(self.genes({})))

    @property
    def size(self) -> float:
        """Number of combinations; infinite with a smooth range."""
        return prod(axis.count or inf for axis in self.axes)

    def names(self) -> Iterator[Name]:
        """Return every different design of a finite space."""
        places = itertools.product(*(range(axis.count) for axis in self.axes))
        seen: set[Name] = set()
        for combination in places:
            name = self.name(np.array(combination, dtype=float))
            if name not in seen:
                seen.add(name)
                yield name

    def name(self, genes: Array) -> Name:
        """Return what tells a design apart: sizes of magnets that its layout lacks do not count.

        Choices of the shop list that are not as long as the rotor give way to the nearest
        one that is.
        """
        places: list[Any] = [
            int(gene) if ends is None else _rounded(ends[0] + gene * (ends[1] - ends[0]), ends)
            for gene, ends in zip(genes, self._ends, strict=True)
        ]
        for i in self._unused[self._magnet_count(places)]:
            places[i] = None
        if self._length_axis is not None:
            length = places[self._length_axis]
            for i, repaired in self._repaired.items():
                if places[i] is not None:
                    places[i] = repaired[length][places[i]]
        return tuple(places)

    def genes(self, params: Params) -> Array:
        """Return the genes of values by axis; of axes without one, the start's."""
        places = [
            params.get(axis, own)
            if values is None
            else values.index(params[axis])
            if axis in params
            else own
            for axis, values, own in zip(self.distributions, self.allowed, self._home, strict=True)
        ]
        return self.genes_of(tuple(places))

    def genes_of(self, name: Name) -> Array:
        """Return the genes of a design; of axes that it has no use for, the start's."""
        whole = (own if one is None else one for one, own in zip(name, self._home, strict=True))
        return np.array(
            [
                one if ends is None else (one - ends[0]) / (ends[1] - ends[0])
                for one, ends in zip(whole, self._ends, strict=True)
            ],
            dtype=float,
        )

    def params(self, name: Name) -> Params:
        """Return a design's values by axis."""
        return {
            axis: place if values is None else values[place]
            for place, axis, values in zip(name, self.distributions, self.allowed, strict=True)
            if place is not None
        }

    def values(self, params: Params) -> Values:
        """Return the study's values that a design stands for."""
        found: Values = {}
        for axis, value in params.items():
            if axis in self.settings:
                place = self.choices(axis).index(value)
                found |= {f"{axis}.{k}": v for k, v in self.settings[axis][place].items()}
            else:
                found[axis] = value
        return found

    @cached_property
    def _home(self) -> Name:
        """The start's place on every axis, of magnets that its layout lacks too."""
        places = []
        for (axis, distribution), values in zip(
            self.distributions.items(), self.allowed, strict=True
        ):
            if axis in self.settings:
                places.append(self.choices(axis).index(self.choice_near(axis)))
            else:
                value = nearest(distribution, self.study.value(axis))
                places.append(value if values is None else values.index(value))
        return tuple(places)

    @cached_property
    def _ends(self) -> list[tuple[float, float] | None]:
        """Ends of smooth ranges."""
        return [
            (one.low, one.high) if isinstance(one, FloatDistribution) and one.step is None else None
            for one in self.distributions.values()
        ]

    @cached_property
    def _unused(self) -> dict[Any, list[int]]:
        """Axes that layouts have no use for, by magnets per pole pair."""
        axes = list(self.distributions)
        index = self._magnets_axis
        counts = (
            [self.study.rotor.magnets_per_pole_pair] if index is None else self.allowed[index] or ()
        )
        return {
            M: [
                i
                for i, axis in enumerate(axes)
                for table in set(_TABLES) - set(relevant_magnets(M))
                if axis == f"rotor.{table}" or axis.startswith(f"rotor.{table}.")
            ]
            for M in counts
        }

    def _magnet_count(self, places: list[Any]) -> Any:
        if self._magnets_axis is None:
            return self.study.rotor.magnets_per_pole_pair
        values = self.allowed[self._magnets_axis]
        assert values is not None
        return values[places[self._magnets_axis]]

    @cached_property
    def _magnets_axis(self) -> int | None:
        axes = list(self.distributions)
        return axes.index(_MAGNETS) if _MAGNETS in axes else None

    @cached_property
    def _length_axis(self) -> int | None:
        axes = list(self.distributions)
        return axes.index(_LENGTH) if self.settings and _LENGTH in axes else None

    @cached_property
    def _repaired(self) -> dict[int, list[list[int]]]:
        """By axis of the shop list and length: the choice that stands for each choice."""
        assert self._length_axis is not None
        lengths = self.allowed[self._length_axis] or ()
        steps = self.study.rotor.skew_steps
        tables: dict[int, list[list[int]]] = {}
        for i, axis in enumerate(self.distributions):
            if axis in self.settings:
                own = self.lengths[axis]
                fitting = [
                    [k for k, one in enumerate(own) if abs(one * steps - length) < 1e-6]
                    for length in lengths
                ]
                tables[i] = [
                    [fits[int(np.argmin(np.abs(np.array(fits) - j)))] for j in range(len(own))]
                    for fits in fitting
                ]
        return tables

    @property
    def whole_start(self) -> Params:
        """The start on every axis, of magnets that its layout lacks too."""
        return self.params(self._home)

    def choice_near(
        self, axis: str, *, wide: float | None = None, thickness_mm: float | None = None
    ) -> str:
        """Return the choice of the shop list nearest in size; the study's sizes where not given."""
        magnet = self.study.value(axis)
        own = magnet.width_mm if magnet.shape == "block" else magnet.span_deg
        wide, thick = wide or own, thickness_mm or magnet.thickness_mm

        def apart(settings: Values) -> float:
            other = float(settings.get("width_mm") or settings["span_deg"])
            return abs(other / wide - 1) + abs(float(settings["thickness_mm"]) / thick - 1)

        best = int(np.argmin([apart(settings) for settings in self.settings[axis]]))
        return str(self.choices(axis)[best])


def space_of(study: Study) -> Space:
    """Return the space of a study's search.

    Raises
    ------
    StudyError
        If the study has no ``[search]``, or its shop list nothing that serves.

    """
    if study.search is None:
        raise StudyError(
            ["search is missing; add [search.variables] with what the search may change"]
        )
    found = {key: _distribution(key, v) for key, v in study.search.variables.items()}
    settings: dict[str, list[Values]] = {}
    lengths: dict[str, list[float]] = {}
    offered = {table: choices(study, table) for table in stock_tables(study) if study.stock}
    for table, own in offered.items():
        lengths[f"rotor.{table}"] = [choice.length_mm for choice in own]
        settings[f"rotor.{table}"] = [choice.values for choice in own]
        found[f"rotor.{table}"] = CategoricalDistribution([choice.label for choice in own])
    if settings and _LENGTH in found:
        common = common_lengths(study, offered)
        if not common:
            raise StudyError(
                ["search.stock: its magnets have no length in common along the shaft; add rows"]
            )
        found[_LENGTH] = CategoricalDistribution(common)
    return Space(study, found, settings, lengths)


def start_outside(study: Study) -> list[str]:
    """Say which of the study's own values are not among those that its search may try."""
    space = space_of(study)
    moved = {
        key: own
        for key, value in space.values(space.start).items()
        if (own := _own_or_grade(study, key)) != value
        and not (isinstance(own, float) and abs(own - value) < 1e-9)
    }
    lines = []
    for axis, settings in space.settings.items():
        keys = {f"{axis}.{name}" for name in settings[0]} & moved.keys()
        if keys:
            lines.append(
                f"The start's {axis.removeprefix('rotor.')} {_magnet(study, axis)} is not on the "
                f"shop list; the search starts from the nearest, {space.start[axis]}."
            )
        moved = {key: value for key, value in moved.items() if key not in keys}
    return lines + [
        f"{key} = {own} of the start design is outside its variable's range."
        for key, own in moved.items()
    ]


def _own_or_grade(study: Study, key: str) -> Any:
    """Value of a key in the study itself; of a magnet without a grade the rotor's."""
    own = study.value(key)
    return study.rotor.grade if own is None and key.endswith(".grade") else own


def _magnet(study: Study, axis: str) -> str:
    """Sizes and grade of a table of magnets, for a message."""
    magnet = study.value(axis)
    wide = f"{magnet.width_mm:g}" if magnet.shape == "block" else f"{magnet.span_deg:g} deg"
    return f"{wide} x {magnet.thickness_mm:g} {_own_or_grade(study, f'{axis}.grade')}"


def _distribution(key: str, variable: Variable) -> BaseDistribution:
    low, high, step = variable.low, variable.high, variable.step
    if low is None or high is None:
        return CategoricalDistribution(tuple(dict.fromkeys(variable.choices or ())))
    if step is not None:
        # A range ends on its last whole step.
        high = low + step * int((high - low) / step + 1e-9)
    told = key_named(key)
    if told is not None and told.kind == "whole number":
        return IntDistribution(int(low), int(high), step=int(step or 1))
    return FloatDistribution(float(low), round(float(high), 9), step=step and float(step))


def _values(distribution: BaseDistribution) -> tuple[Any, ...] | None:
    if isinstance(distribution, CategoricalDistribution):
        return tuple(distribution.choices)
    assert isinstance(distribution, IntDistribution | FloatDistribution)
    if distribution.step is None:
        return None
    count = round((distribution.high - distribution.low) / distribution.step) + 1
    steps = [distribution.low + i * distribution.step for i in range(count)]
    return tuple(
        steps if isinstance(distribution, IntDistribution) else (round(v, 9) for v in steps)
    )


def _rounded(value: float, ends: tuple[float, float]) -> float:
    """Round a value of a smooth range: nobody makes a magnet to a millionth of its size."""
    return min(max(float(f"{value:.6g}"), ends[0]), ends[1])


def _ordered(values: tuple[Any, ...] | None) -> bool:
    return values is None or all(isinstance(v, int | float) for v in values)


def nearest(distribution: BaseDistribution, value: Any) -> Any:
    """Return the allowed value nearest to a given one."""
    values = _values(distribution)
    if values is None:
        assert isinstance(distribution, FloatDistribution)
        low, high = distribution.low, distribution.high
        return low if value is None else round(float(min(max(value, low), high)), 9)
    if value in values or not isinstance(value, int | float) or not _ordered(values):
        return value if value in values else values[0]
    return min(values, key=lambda one: abs(one - value))
