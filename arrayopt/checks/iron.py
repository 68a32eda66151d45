"""No-load flux density in teeth, yoke and steel ring."""

from __future__ import annotations

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout.build import MM
from arrayopt.layout.shapes import Array

_ANGLES = np.linspace(0, np.pi, 193)  # electrical; the field is even about a main magnet's axis


def tooth_flux_density(field: AirgapField) -> Array:
    """Peak no-load flux density in the teeth, shape (design,) [T]; NaN without teeth.

    All flux that crosses the gap over one slot pitch goes through one tooth. Past the
    knee of the sheet the true value stays lower and the airgap field with it.
    """
    layout = field.layout
    tooth = layout.column(lambda s: s.stator.tooth_width_mm or np.nan) * MM
    slots = layout.column(lambda s: s.stator.slots)
    stacking = layout.column(lambda s: s.stator.stacking_factor)
    n = field.turns
    flux = field.surface * layout.surface_radius * 2 * np.sin(n * np.pi / slots) / n
    peak = np.abs(np.cos(np.outer(_ANGLES, field.orders)) @ flux).max(axis=0)
    # Sheets do not share flux along the shaft: those beside the magnets carry all of it.
    return np.asarray(peak / field.overlap / tooth / stacking)


def yoke_flux_density(field: AirgapField) -> Array:
    """Peak no-load flux density in the yoke, shape (design,) [T]; NaN without its thickness.

    Half of a pole's flux runs along the yoke to either side.
    """
    layout, n = field.layout, field.turns
    yoke = layout.column(lambda s: (s.stator.yoke_mm or np.nan) * s.stator.stacking_factor) * MM
    flux = field.surface * layout.surface_radius / n / field.overlap
    return np.asarray(np.abs(np.sin(np.outer(_ANGLES, field.orders)) @ flux).max(axis=0) / yoke)


def ring_flux(field: AirgapField) -> Array:
    """Peak flux along the steel ring per metre of length, shape (design,) [Wb/m]."""
    n = field.turns
    flux = field.ring * field.layout.ring_radius / n
    return np.asarray(np.abs(np.sin(np.outer(_ANGLES, field.orders)) @ flux).max(axis=0))


def ring_flux_density(field: AirgapField) -> Array:
    """Peak no-load flux density in the steel ring, shape (design,) [T]; NaN without a ring.

    Flux that enters the ring between a pole's axis and the next gap between poles runs
    along it there, spread evenly over its thickness.
    """
    thickness = np.where(field.layout.ring_thickness > 0, field.layout.ring_thickness, np.nan)
    return np.asarray(ring_flux(field) / thickness)


def ring_thickness_needed(field: AirgapField) -> Array:
    """Thickness [m] at which a ring carries its flux at the limit of the study."""
    limit = field.layout.column(lambda s: s.flux_limit("ring"))
    return np.asarray(ring_flux(field) / limit)
