"""Which triangles of half a slot are which part of the sheets."""

from __future__ import annotations

from dataclasses import dataclass

from arrayopt.quantities import Array


@dataclass(frozen=True)
class Sheet:
    """Triangles of sheet in half a slot pitch.

    Attributes
    ----------
    parts : tuple of str
        Tooth, tip or yoke, of each triangle.
    part_area : ndarray
        [m2].

    """

    parts: tuple[str, ...]
    part_area: Array
