"""What a search may change: study variables as optuna distributions."""

from __future__ import annotations

from functools import reduce
from typing import Any

import numpy as np
from optuna.distributions import (
    BaseDistribution,
    CategoricalDistribution,
    FloatDistribution,
    IntDistribution,
)

from arrayopt.errors import StudyError
from arrayopt.study import Study
from arrayopt.study.keys import key_named
from arrayopt.study.models import Variable, relevant_magnets

Values = dict[str, Any]
Identity = tuple[tuple[str, Any], ...]


def distributions(study: Study) -> dict[str, BaseDistribution]:
    """Return the search space of a study.

    Raises
    ------
    StudyError
        If the study has no table of variables.

    """
    if study.search is None:
        raise StudyError(
            ["search is missing; add [search.variables] with what the search may change"]
        )
    return {key: _distribution(key, v) for key, v in study.search.variables.items()}


def _distribution(key: str, variable: Variable) -> BaseDistribution:
    low, high, step = variable.low, variable.high, variable.step
    if low is None or high is None:
        return CategoricalDistribution(tuple(variable.choices or ()))
    if step is not None:
        # A range ends on its last whole step.
        high = low + step * int((high - low) / step + 1e-9)
    told = key_named(key)
    if told is not None and told.kind == "whole number":
        return IntDistribution(int(low), int(high), step=int(step or 1))
    return FloatDistribution(float(low), round(float(high), 9), step=step and float(step))


def start_values(study: Study) -> Values:
    """Return the study's own values of its variables, moved to the nearest allowed ones."""
    return {key: nearest(space, _own(study, key)) for key, space in distributions(study).items()}


def start_outside(study: Study) -> list[str]:
    """Say which of the study's own values are not among those that its search may try."""
    lines = []
    for key, moved in start_values(study).items():
        own = _own(study, key)
        if own != moved and not (isinstance(own, float) and abs(own - moved) < 1e-9):
            lines.append(f"{key} = {own} of the start design is outside its variable's range.")
    return lines


def _own(study: Study, key: str) -> Any:
    """Value of a key in the study itself."""
    return reduce(getattr, key.split("."), study)


def nearest(distribution: BaseDistribution, value: Any) -> Any:
    """Return the allowed value nearest to a given one."""
    if isinstance(distribution, CategoricalDistribution):
        choices = distribution.choices
        if value in choices or not isinstance(value, int | float):
            return value if value in choices else choices[0]
        return min(choices, key=lambda c: abs(float(c or 0) - value))
    assert isinstance(distribution, IntDistribution | FloatDistribution)
    low, high, step = distribution.low, distribution.high, distribution.step
    value = low if value is None else min(max(value, low), high)
    if step:
        value = low + step * round((value - low) / step)
    return int(value) if isinstance(distribution, IntDistribution) else round(float(value), 9)


def starting_points(study: Study) -> list[Values]:
    """Return designs to begin with: the study itself, and it with every choice of poles.

    Widths and spans are scaled with the pole pitch, so that a design which fits goes on
    to fit with other pole counts.
    """
    space, start = distributions(study), start_values(study)
    points = [start]
    for pairs in _choices(space, "rotor.pole_pairs") or [study.rotor.pole_pairs]:
        for count in _choices(space, "rotor.magnets_per_pole_pair") or [None]:
            scale = study.rotor.pole_pairs / pairs
            point = dict(start)
            for key, value in start.items():
                if key.endswith(("width_mm", "span_deg")):
                    point[key] = nearest(space[key], float(np.floor(value * scale * 100) / 100))
            if "rotor.pole_pairs" in point:
                point["rotor.pole_pairs"] = pairs
            if count is not None:
                point["rotor.magnets_per_pole_pair"] = count
            if point not in points:
                points.append(point)
    return points


def _choices(space: dict[str, BaseDistribution], key: str) -> list[Any]:
    """All values of a listed or whole-number variable."""
    distribution = space.get(key)
    if isinstance(distribution, CategoricalDistribution):
        return list(distribution.choices)
    if isinstance(distribution, IntDistribution):
        return list(range(distribution.low, distribution.high + 1, distribution.step))
    return []


def identity(study: Study, values: Values) -> Identity:
    """Return what tells two designs apart: sizes of magnets that a layout lacks do not count."""
    M = values.get("rotor.magnets_per_pole_pair", study.rotor.magnets_per_pole_pair)
    unused = {"main", "transverse", "oblique"} - set(relevant_magnets(M))
    return tuple(
        (key, value)
        for key, value in sorted(values.items())
        if not any(key.startswith(f"rotor.{table}.") for table in unused)
    )
