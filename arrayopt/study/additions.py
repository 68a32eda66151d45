"""Materials that a study adds to the lists: each like a listed one, with what differs."""

from __future__ import annotations

import dataclasses
from typing import Any

from pydantic import Field

from arrayopt.materials import (
    Adhesive,
    MagnetGrade,
    Plastic,
    Steel,
    adhesive,
    magnet_grade,
    plastic,
    steel,
)
from arrayopt.study.section import Section


class OwnMagnet(Section):
    """A magnet grade of the user's."""

    like: str = Field(description="listed grade that it takes all else from")
    remanence_min_t: float | None = Field(None, ge=0.05, le=1.6, description="guaranteed, at 20 C")
    remanence_typical_t: float | None = Field(None, ge=0.05, le=1.6, description="at 20 C")
    remanence_max_t: float | None = Field(None, ge=0.05, le=1.6, description="at 20 C")
    remanence_coefficient_percent_per_k: float | None = Field(
        None, ge=-0.4, le=0.1, description="change of remanence with temperature"
    )
    coercivity_min_ka_m: float | None = Field(
        None, ge=10, le=5000, description="guaranteed HcJ at 20 C"
    )
    coercivity_coefficient_percent_per_k: float | None = Field(
        None, ge=-1, le=1, description="change of HcJ with temperature"
    )
    squareness: float | None = Field(
        None, ge=0.1, le=1, description="reverse field over HcJ at which loss begins"
    )
    recoil_permeability: float | None = Field(None, ge=1, le=2, description="relative")
    density_kg_m3: float | None = Field(None, ge=1000, le=10000, description="of the magnet")
    class_temperature_c: float | None = Field(
        None, ge=30, le=300, description="hottest use that the maker allows"
    )

    def grade(self, name: str) -> MagnetGrade:
        """Return the grade in SI units."""
        given = {
            "remanence": self.remanence_typical_t,
            "remanence_min": self.remanence_min_t,
            "remanence_max": self.remanence_max_t,
            "remanence_coefficient": _scaled(self.remanence_coefficient_percent_per_k, 1e-2),
            "coercivity": _scaled(self.coercivity_min_ka_m, 1e3),
            "coercivity_coefficient": _scaled(self.coercivity_coefficient_percent_per_k, 1e-2),
            "squareness": self.squareness,
            "recoil_permeability": self.recoil_permeability,
            "density": self.density_kg_m3,
            "class_temperature": self.class_temperature_c,
        }
        return dataclasses.replace(magnet_grade(self.like), name=name, **_said(given))


class OwnPlastic(Section):
    """A printed plastic of the user's."""

    like: str = Field(description="listed plastic that it takes all else from")
    density_kg_m3: float | None = Field(None, ge=100, le=5000, description="as printed")
    service_temperature_c: float | None = Field(
        None, ge=20, le=300, description="hottest that a loaded part may get"
    )
    strength_along_mpa: float | None = Field(None, ge=1, le=1000, description="along the layers")

    def plastic(self, name: str) -> Plastic:
        """Return the plastic in SI units."""
        given = {
            "density": self.density_kg_m3,
            "service_temperature": self.service_temperature_c,
            "strength_along": _scaled(self.strength_along_mpa, 1e6),
        }
        return dataclasses.replace(plastic(self.like), name=name, **_said(given))


class OwnAdhesive(Section):
    """A glue of the user's."""

    like: str = Field(description="listed glue that it takes all else from")
    shear_strength_mpa: float | None = Field(
        None, ge=0.01, le=100, description="lap shear at 20 C between plated magnet and print"
    )
    half_strength_c: float | None = Field(
        None, ge=21, le=300, description="temperature at which half of it is left"
    )
    service_temperature_c: float | None = Field(
        None, ge=20, le=300, description="hottest lasting use"
    )

    def adhesive(self, name: str) -> Adhesive:
        """Return the glue in SI units."""
        given = {
            "shear_strength": _scaled(self.shear_strength_mpa, 1e6),
            "half_strength_temperature": self.half_strength_c,
            "service_temperature": self.service_temperature_c,
        }
        return dataclasses.replace(adhesive(self.like), name=name, **_said(given))


class OwnSteel(Section):
    """A sheet or steel of the user's; its magnetisation curve is that of the listed one."""

    like: str = Field(description="listed steel that it takes all else from, its curve too")
    density_kg_m3: float | None = Field(None, ge=1000, le=10000, description="of the steel")
    thickness_mm: float | None = Field(None, ge=0.05, le=2, description="of one sheet")
    loss_w_per_kg: float | None = Field(
        None, ge=0.1, le=50, description="of a sheet at 1.5 T peak and 50 Hz"
    )
    knee_t: float | None = Field(None, ge=0.5, le=2.4, description="flux density of the knee")

    def steel(self, name: str) -> Steel:
        """Return the steel in SI units."""
        given = {
            "density": self.density_kg_m3,
            "thickness": _scaled(self.thickness_mm, 1e-3),
            "loss": self.loss_w_per_kg,
            "knee": self.knee_t,
        }
        return dataclasses.replace(steel(self.like), name=name, **_said(given))


class OwnWire(Section):
    """A wire of the user's."""

    bare_mm: float = Field(ge=0.02, le=5, description="diameter of the copper")
    overall_mm: float = Field(ge=0.02, le=6, description="diameter over the enamel")


class Materials(Section):
    """Materials of the user's, each by a name that the study then uses."""

    magnets: dict[str, OwnMagnet] = Field(default_factory=dict, description="by name")
    plastics: dict[str, OwnPlastic] = Field(default_factory=dict, description="by name")
    adhesives: dict[str, OwnAdhesive] = Field(default_factory=dict, description="by name")
    steels: dict[str, OwnSteel] = Field(default_factory=dict, description="by name")
    wires: dict[str, OwnWire] = Field(default_factory=dict, description="by name")


def _scaled(value: float | None, scale: float) -> float | None:
    return None if value is None else value * scale


def _said(given: dict[str, float | None]) -> dict[str, Any]:
    return {name: value for name, value in given.items() if value is not None}
