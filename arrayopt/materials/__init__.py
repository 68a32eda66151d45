"""Data of magnets and plastics: small CSV files, each row with its source and mark."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class MagnetGrade:
    """A row of magnets.csv: remanence at 20 C [T], coefficient [1/K], density [kg/m3]."""

    name: str
    remanence: float
    remanence_coefficient: float
    recoil_permeability: float
    density: float
    class_temperature: float

    def remanence_at(self, temperature: float) -> float:
        """Typical remanence [T] at a temperature [C], linear about 20 C (IEC 60404-8-1)."""
        return self.remanence * (1 + self.remanence_coefficient * (temperature - 20))


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


def plastic_density(name: str) -> float:
    """Return the density of a printed plastic [kg/m3]; KeyError if it is not in the list."""
    return float(_plastics()[name]["density_kg_m3"])


def plastics() -> tuple[str, ...]:
    """Return the names of all printed plastics."""
    return tuple(_plastics())


def _rows(file: str) -> list[dict[str, str]]:
    text = (resources.files("arrayopt.materials") / file).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def _grades() -> dict[str, MagnetGrade]:
    return {
        row["grade"]: MagnetGrade(
            name=row["grade"],
            remanence=float(row["remanence_typical_t"]),
            remanence_coefficient=float(row["remanence_coefficient_percent_per_k"]) / 100,
            recoil_permeability=float(row["recoil_permeability"]),
            density=float(row["density_kg_m3"]),
            class_temperature=float(row["class_temperature_c"]),
        )
        for row in _rows("magnets.csv")
    }


@cache
def _plastics() -> dict[str, dict[str, str]]:
    return {row["name"]: row for row in _rows("plastics.csv")}
