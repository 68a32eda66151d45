"""Data of magnets, plastics, glues, steels and wires: CSV files, each row with source and mark."""

from arrayopt.materials.adhesives import Adhesive, adhesive, adhesives, share_left
from arrayopt.materials.magnets import Level, MagnetGrade, magnet_grade, magnet_grades
from arrayopt.materials.plastics import Plastic, plastic, plastics
from arrayopt.materials.steels import Steel, sheets, steel, steels
from arrayopt.materials.wire import awg_diameter, overall_diameter

__all__ = [
    "Adhesive", "Level", "MagnetGrade", "Plastic", "Steel", "adhesive", "adhesives",
    "awg_diameter", "magnet_grade", "magnet_grades", "overall_diameter", "plastic", "plastics",
    "share_left", "sheets", "steel", "steels",
]  # fmt: skip
