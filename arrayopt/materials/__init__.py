"""Data of magnets, plastics, steels and wires: CSV files, each row with source and mark."""

from arrayopt.materials.ferrous import MU0, Steel, sheets, steel, steels
from arrayopt.materials.magnets import Level, MagnetGrade, magnet_grade, magnet_grades
from arrayopt.materials.polymers import Plastic, plastic, plastics
from arrayopt.materials.wire import awg_diameter, overall_diameter

__all__ = [
    "MU0", "Level", "MagnetGrade", "Plastic", "Steel", "awg_diameter", "magnet_grade",
    "magnet_grades", "overall_diameter", "plastic", "plastics", "sheets", "steel", "steels",
]  # fmt: skip
