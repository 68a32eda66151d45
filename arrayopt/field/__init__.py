"""Free multipoles by magpylib, recoil, iron: the vectorised field kernel."""

from arrayopt.field.free import free_fundamental
from arrayopt.field.iron import IronSurfaces, carter_coefficient
from arrayopt.field.kernel import AirgapField, solve_field
from arrayopt.field.planar import ideal_ring, planar_fundamental

__all__ = [
    "AirgapField", "IronSurfaces", "carter_coefficient", "free_fundamental",
    "ideal_ring", "planar_fundamental", "solve_field",
]  # fmt: skip
