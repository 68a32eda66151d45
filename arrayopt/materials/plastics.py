"""Printed plastics."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from arrayopt.materials.rows import read_rows


@dataclass(frozen=True)
class Plastic:
    """A row of plastics.csv in SI units; temperatures in C.

    Attributes
    ----------
    name : str
    density : float
        Printed solid [kg/m3].
    service_temperature : float
        What a loaded part is kept at or below [C].
    strength_along : float
        Of a print, along its layers [Pa].

    """

    name: str
    density: float
    service_temperature: float
    strength_along: float


def plastic(name: str) -> Plastic:
    """Return a printed plastic; KeyError if it is not in the list.

    Examples
    --------
    >>> plastic("PLA").service_temperature
    50.0
    """
    return _plastics()[name]


def plastics() -> tuple[str, ...]:
    """Return the names of all printed plastics."""
    return tuple(_plastics())


@cache
def _plastics() -> dict[str, Plastic]:
    return {
        row["name"]: Plastic(
            name=row["name"],
            density=float(row["density_kg_m3"]),
            service_temperature=float(row["service_temperature_c"]),
            strength_along=float(row["strength_along_mpa"]) * 1e6,
        )
        for row in read_rows("plastics.csv")
    }
