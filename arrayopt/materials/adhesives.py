"""Glues that hold magnets in a print."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from arrayopt.materials.rows import read_rows

_ROOM = 20.0  # C, at which strengths are given


@dataclass(frozen=True)
class Adhesive:
    """A row of adhesives.csv in SI units; temperatures in C.

    Attributes
    ----------
    name : str
    shear_strength : float
        Lap shear strength at 20 C between plated magnet and print, as used with caution [Pa].
    half_strength_temperature, service_temperature : float
        At which half of it is left, and hottest lasting use [C].

    """

    name: str
    shear_strength: float
    half_strength_temperature: float
    service_temperature: float

    def strength_at(self, temperature: float) -> float:
        """Lap shear strength [Pa] at a temperature [C].

        Full up to 20 C, then a straight line through half of it to nothing (common
        practice, no source).

        Examples
        --------
        >>> epoxy = adhesive("epoxy")
        >>> [epoxy.strength_at(t) / 1e6 for t in (0, 20, 60, 100)]
        [6.0, 6.0, 3.0, 0.0]
        """
        return self.shear_strength * share_left(temperature, half_at=self.half_strength_temperature)


def share_left(temperature: float, *, half_at: float) -> float:
    """Share of a strength at 20 C that warmth leaves, half at a given temperature [C].

    A straight line from 20 C, never over one nor below zero; glues and prints alike (common
    practice, no source). Nothing is left past 20 C where ``half_at`` is 20 C or less.

    Examples
    --------
    >>> share_left(50, half_at=80)
    0.75
    """
    if temperature <= _ROOM:
        return 1.0
    if half_at <= _ROOM:
        return 0.0
    return max(0.0, 1 - 0.5 * (temperature - _ROOM) / (half_at - _ROOM))


def adhesive(name: str) -> Adhesive:
    """Return a glue; KeyError if it is not in the list.

    Examples
    --------
    >>> adhesive("toughened-epoxy").service_temperature
    120.0
    """
    return _adhesives()[name]


def adhesives() -> tuple[str, ...]:
    """Return the names of all glues."""
    return tuple(_adhesives())


@cache
def _adhesives() -> dict[str, Adhesive]:
    return {
        row["name"]: Adhesive(
            name=row["name"],
            shear_strength=float(row["shear_strength_mpa"]) * 1e6,
            half_strength_temperature=float(row["half_strength_c"]),
            service_temperature=float(row["service_temperature_c"]),
        )
        for row in read_rows("adhesives.csv")
    }
