"""Free multipoles by magpylib, recoil, iron: the vectorised field kernel."""

from arrayopt.field.iron import IronSurfaces, carter_coefficient
from arrayopt.field.kernel import ORDERS, AirgapField, solve_field
from arrayopt.field.planar import ideal_ring, planar_fundamental

__all__ = [
    "ORDERS", "AirgapField", "IronSurfaces", "carter_coefficient",
    "ideal_ring", "planar_fundamental", "solve_field",
]  # fmt: skip
