"""Coil sides of a winding: how many slots they lie apart, how they share a slot or sector.

Without slots the stator has a coil sector for each: an equal share of its circumference. Coil
sides are straight bars there, as wide at every radius, so that they meet where the winding is
narrowest.
"""

from __future__ import annotations

from math import pi

from arrayopt.study.models import Study


def usual_span(*, slots: int, pole_pairs: int, layers: int = 2) -> int:
    """Return the whole number of slots nearest to a pole, at least one, the smaller of two.

    Half-way between, a coil round one tooth has the same winding factor and shorter ends.
    With one layer it is the nearest odd number.

    Examples
    --------
    >>> usual_span(slots=12, pole_pairs=4), usual_span(slots=36, pole_pairs=3)
    (1, 6)
    >>> usual_span(slots=36, pole_pairs=3, layers=1)
    5
    """
    if layers == 1:
        # Odd numbers 2 k + 1: the k nearest to (pole - 1)/2.
        return 1 + 2 * max(0, -((2 * pole_pairs - slots // 2) // (2 * pole_pairs)))
    return max(1, -((pole_pairs - slots) // (2 * pole_pairs)))


def sides_beside(*, layers: int, coil_span: int) -> bool:
    """Tell whether two coil sides share a sector side by side, those of coils of one sector.

    Else one side has the whole width: the only one, or the sides of two layers of coils that
    overlap and lie on each other.
    """
    return layers == 2 and coil_span == 1


def sides_abreast(study: Study) -> int:
    """Return how many coil sides share the width of a sector of a study without slots."""
    layers, span = study.winding.layers, study.winding.coil_span_slots
    span = span or usual_span(
        slots=study.stator.slots, pole_pairs=study.rotor.pole_pairs, layers=layers
    )
    return 2 if sides_beside(layers=layers, coil_span=span) else 1


def winding_radii_mm(study: Study) -> tuple[float, float]:
    """Inner and outer radius of a winding without slots [mm].

    It lies on the iron of a smooth stator, in the gap, and behind the surface of an ironless one.
    """
    surface = study.stator.surface_diameter_mm / 2
    thickness = study.stator.winding_thickness_mm or 0.0
    outward = (study.stator.kind == "smooth") == study.rotor.outer
    return (surface, surface + thickness) if outward else (surface - thickness, surface)


def sector_mm(study: Study, radius_mm: float) -> float:
    """Return the width of a coil sector along the circumference at a radius [mm]."""
    return 2 * pi * radius_mm / study.stator.slots
