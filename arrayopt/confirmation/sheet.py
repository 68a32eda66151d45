"""Which triangles of a sector's mesh are sheet, without the mesh."""

from __future__ import annotations

from dataclasses import dataclass

from arrayopt.layout.shapes import Array


@dataclass(frozen=True)
class Sheet:
    """Triangles of the sheets of a sector.

    Attributes
    ----------
    of : ndarray of int
        Their numbers in the mesh.
    order : ndarray of int
        That puts them by copy, then by triangle of the cell.
    area : ndarray
        Of each in `of` [m2].
    parts : tuple of str
        Tooth, tip or yoke, for each triangle of one copy.
    part_area : ndarray
        Of each triangle of one copy [m2].

    """

    of: Array
    order: Array
    area: Array
    parts: tuple[str, ...]
    part_area: Array
