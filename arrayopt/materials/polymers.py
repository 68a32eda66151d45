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
    glass_transition, service_temperature : float
        [C]; the latter is what a loaded part is kept at or below.
    modulus, strength_along, strength_across : float
        Of a print, along and across its layers [Pa].

    """

    name: str
    density: float
    glass_transition: float
    service_temperature: float
    modulus: float
    strength_along: float
    strength_across: float


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
            glass_transition=float(row["glass_transition_c"]),
            service_temperature=float(row["service_temperature_c"]),
            modulus=float(row["modulus_gpa"]) * 1e9,
            strength_along=float(row["strength_along_mpa"]) * 1e6,
            strength_across=float(row["strength_across_mpa"]) * 1e6,
        )
        for row in read_rows("plastics.csv")
    }
