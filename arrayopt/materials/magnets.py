"""Magnet grades."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cache
from typing import Literal

from arrayopt.materials.rows import read_rows

Level = Literal["minimum", "typical", "maximum"]


@dataclass(frozen=True)
class MagnetGrade:
    """A row of magnets.csv in SI units; temperatures in C.

    Attributes
    ----------
    name : str
    remanence, remanence_min, remanence_max : float
        At 20 C [T]; `remanence` is the typical one unless `at_level` chose another.
    remanence_coefficient : float
        Change of remanence over remanence [1/K].
    coercivity : float
        Guaranteed coercivity HcJ of the polarisation at 20 C [A/m].
    coercivity_coefficient : float
        Change of HcJ over HcJ [1/K].
    squareness : float
        Reverse field over HcJ at which polarisation begins to be lost for good.
    recoil_permeability, density, class_temperature : float
        [1], [kg/m3], [C].

    """

    name: str
    remanence: float
    remanence_min: float
    remanence_max: float
    remanence_coefficient: float
    coercivity: float
    coercivity_coefficient: float
    squareness: float
    recoil_permeability: float
    density: float
    class_temperature: float

    def remanence_at(self, temperature: float) -> float:
        """Remanence [T] at a temperature [C], linear about 20 C (IEC 60404-8-1)."""
        return self.remanence * (1 + self.remanence_coefficient * (temperature - 20))

    def coercivity_at(self, temperature: float) -> float:
        """Guaranteed HcJ [A/m] at a temperature [C], linear about 20 C; never below zero.

        Examples
        --------
        >>> round(magnet_grade("N42SH").coercivity_at(120) / 1e3)
        732
        """
        return self.coercivity * max(0.0, 1 + self.coercivity_coefficient * (temperature - 20))

    def reverse_limit(self, temperature: float) -> float:
        """Reverse field [A/m] along the polarisation that the grade bears without loss."""
        return self.squareness * self.coercivity_at(temperature)

    def at_level(self, level: Level) -> MagnetGrade:
        """Return the grade with its minimum, typical or maximum remanence."""
        if level == "typical":
            return self
        chosen = self.remanence_min if level == "minimum" else self.remanence_max
        return dataclasses.replace(self, remanence=chosen)


def magnet_grade(name: str) -> MagnetGrade:
    """Return a magnet grade by its trade name.

    Raises
    ------
    KeyError
        If the grade is not in the list; `magnet_grades` names those that are.

    Examples
    --------
    >>> round(magnet_grade("N42SH").remanence_at(80), 3)
    1.219
    """
    return _grades()[name]


def magnet_grades() -> tuple[str, ...]:
    """Return the names of all magnet grades."""
    return tuple(_grades())


@cache
def _grades() -> dict[str, MagnetGrade]:
    return {
        row["grade"]: MagnetGrade(
            name=row["grade"],
            remanence=float(row["remanence_typical_t"]),
            remanence_min=float(row["remanence_min_t"]),
            remanence_max=float(row["remanence_max_t"]),
            remanence_coefficient=float(row["remanence_coefficient_percent_per_k"]) / 100,
            coercivity=float(row["coercivity_min_ka_m"]) * 1e3,
            coercivity_coefficient=float(row["coercivity_coefficient_percent_per_k"]) / 100,
            squareness=float(row["squareness"]),
            recoil_permeability=float(row["recoil_permeability"]),
            density=float(row["density_kg_m3"]),
            class_temperature=float(row["class_temperature_c"]),
        )
        for row in read_rows("magnets.csv")
    }
