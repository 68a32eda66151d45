"""No-load flux density in teeth, yoke and steel ring."""

from __future__ import annotations

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.machine import tooth_waves, wave_peak, yoke_waves
from arrayopt.quantities import Array


def tooth_flux_density(field: AirgapField) -> Array:
    """Peak no-load flux density in the teeth, shape (design,) [T]; NaN without teeth.

    Past the knee of the sheet the true value stays lower and the airgap field with it.
    """
    # Sheets do not share flux along the shaft: those beside the magnets carry all of it.
    return wave_peak(field, np.cos, tooth_waves(field)) / field.overlap


def yoke_flux_density(field: AirgapField) -> Array:
    """Peak no-load flux density in the yoke, shape (design,) [T]; NaN without its thickness."""
    return wave_peak(field, np.sin, yoke_waves(field)) / field.overlap


def ring_flux(field: AirgapField) -> Array:
    """Peak flux along the steel ring per metre of length, shape (design,) [Wb/m]."""
    return wave_peak(field, np.sin, field.ring * field.layout.ring_radius / field.turns)


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
