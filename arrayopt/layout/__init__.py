"""The geometry builder: families of identical magnets, where they sit, whether they fit."""

from arrayopt.layout.build import Layout, build_layout, build_layouts, by_make
from arrayopt.layout.families import Family, magnet_families
from arrayopt.layout.fit import fit_faults, missing_room, missing_wall, printed_walls
from arrayopt.layout.mass import Masses, rotor_masses
from arrayopt.layout.shapes import Arcs, Blocks
from arrayopt.layout.stock import choices, magnet_prices, stock_faults, stock_tables

__all__ = [
    "Arcs", "Blocks", "Family", "Layout", "Masses", "build_layout", "build_layouts", "by_make",
    "choices", "fit_faults", "magnet_families", "magnet_prices", "missing_room", "missing_wall",
    "printed_walls", "rotor_masses", "stock_faults", "stock_tables",
]  # fmt: skip
