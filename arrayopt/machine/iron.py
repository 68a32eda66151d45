"""Flux and loss in the stator's iron at no load."""

from __future__ import annotations

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout import Layout
from arrayopt.quantities import MM, Array
from arrayopt.study.models import Study

_ANGLES = np.linspace(0, np.pi, 193)  # electrical; the field is even about a main magnet's axis


def iron_loss(layout: Layout, field: AirgapField, speed: Array) -> Array:
    """No-load loss in teeth and yoke [W] at mechanical speeds [rad/s]; NaN where it is unknown.

    Hysteresis goes with the frequency and the square of the peak, eddy loss with the
    square of every harmonic's frequency and amplitude, by the sheet's figure
    (`Steel.loss_coefficients`). Cut edges, stress and armature reaction come on top: real
    stators lose 1.3 to 2 times as much (common practice, no source).
    """
    kind = layout.studies[0].stator.kind
    if kind == "ironless":
        return np.asarray(0.0 * speed)
    frequency = speed * layout.pole_pairs / (2 * np.pi)
    steels = [s.steel(s.stator.sheet) for s in layout.studies]
    hysteresis, eddy = np.array([steel.loss_coefficients() for steel in steels]).T
    loss = np.zeros(len(layout))
    parts: list[tuple[np.ufunc, Array, Array]] = [(np.sin, yoke_waves(field), _yoke_mass(layout))]
    if kind == "slotted":
        parts.append((np.cos, tooth_waves(field), _teeth_mass(layout)))
    for wave, waves, mass in parts:
        peak = wave_peak(field, wave, waves)
        squares = ((field.orders[:, None] * waves) ** 2).sum(axis=0)
        loss += mass * (hysteresis * frequency * peak**2 + eddy * frequency**2 * squares)
    # Magnets shorter than the stack put all their flux into a part of its mass: twice the flux
    # density in half of it is twice the loss.
    return np.where(speed == 0, 0.0, loss / field.overlap)


def tooth_waves(field: AirgapField) -> Array:
    """Harmonics of the flux density in a tooth, mean along the stack, (order, design) [T].

    All flux that crosses the gap over one slot pitch goes through one tooth. They are
    cosines of the electrical angle; NaN without a tooth's width.
    """
    layout, n = field.layout, field.turns
    width = layout.column(lambda s: (s.stator.tooth_width_mm or np.nan) * s.stator.stacking_factor)
    slots = layout.column(lambda s: s.stator.slots)
    flux = field.surface * layout.surface_radius * 2 * np.sin(n * np.pi / slots) / n
    return np.asarray(flux / (width * MM))


def yoke_waves(field: AirgapField) -> Array:
    """Harmonics of the flux density along the yoke, mean along the stack, (order, design) [T].

    Half of a pole's flux runs along the yoke to either side. They are sines of the
    electrical angle; NaN without a yoke's thickness.
    """
    layout = field.layout
    yoke = layout.column(lambda s: (s.stator.yoke_mm or np.nan) * s.stator.stacking_factor) * MM
    return np.asarray(field.surface * layout.surface_radius / field.turns / yoke)


def wave_peak(field: AirgapField, wave: np.ufunc, waves: Array) -> Array:
    """Peak of a sum of sines or cosines, shape (design,), from its harmonics (order, design)."""
    return np.asarray(np.abs(wave(np.outer(_ANGLES, field.orders)) @ waves).max(axis=0))


def _teeth_mass(layout: Layout) -> Array:
    def mass(study: Study) -> float:
        stator = study.stator
        depth = (stator.slot_depth_mm or np.nan) + study.tooth_tip_mm
        section = stator.slots * (stator.tooth_width_mm or np.nan) * depth * MM**2
        return _sheet_mass(study, section)

    return layout.column(mass)


def _yoke_mass(layout: Layout) -> Array:
    def mass(study: Study) -> float:
        stator = study.stator
        slot = (stator.slot_depth_mm or np.nan) + study.tooth_tip_mm
        depth = (slot if stator.kind == "slotted" else 0) + (stator.yoke_mm or np.nan) / 2
        middle = stator.surface_diameter_mm / 2 - study.rotor.sign * depth
        return _sheet_mass(study, 2 * np.pi * middle * (stator.yoke_mm or np.nan) * MM**2)

    return layout.column(mass)


def _sheet_mass(study: Study, section: float) -> float:
    """Mass [kg] of stacked sheet of a cross-section [m2]."""
    stator = study.stator
    density = study.steel(stator.sheet).density
    return section * stator.stack_mm * MM * stator.stacking_factor * density
