"""Flux linkage of a phase: every harmonic, with winding and skew."""

from __future__ import annotations

from functools import cache

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout import Layout
from arrayopt.layout.shapes import gauss_points
from arrayopt.machine.copper import turns_in_series
from arrayopt.machine.winding import Winding, rows_factor, winding_of
from arrayopt.quantities import MM, Array
from arrayopt.study.coils import winding_radii_mm

_THROUGH_WINDING = 3  # Gauss points through a winding in the gap


def winding_factors(layout: Layout, orders: Array) -> Array:
    """Signed winding factors of harmonic orders, shape (order, design).

    In smooth and ironless stators the width of the coil sides is in them. They are straight bars,
    so the angle that they take is that at the middle of the winding; bars and sectors of that
    angle link the same within 0.3 % (see the tests).
    """
    windings, key = [winding_of(study) for study in layout.studies], tuple(orders.tolist())
    if layout.studies[0].stator.kind == "slotted":
        return np.array([_factors(w, key) for w in windings]).T
    middle = sum(winding_radii(layout)) / 2
    side = layout.column(lambda s: s.stator.coil_side_mm or 0) * MM / middle
    columns = [
        _spread_factors(w, key) * w.pitch_factors(orders, coil_angle=coil_angle(w, width))
        for w, width in zip(windings, side, strict=True)
    ]
    spread = np.sinc(orders[:, None] * layout.pole_pairs * side / 2 / np.pi)
    return np.asarray(np.array(columns).T * spread)


@cache
def _factors(winding: Winding, orders: tuple[int, ...]) -> Array:
    return winding.factors(np.array(orders))


@cache
def _spread_factors(winding: Winding, orders: tuple[int, ...]) -> Array:
    return winding.spread_factors(np.array(orders))


def skew_factors(layout: Layout, orders: Array) -> Array:
    """Share of each harmonic's linkage that a rotor of turned rows keeps, shape (order, design).

    Each row is turned by ``skew_step_deg``; the rows' ends are taken as one magnet's.
    """
    steps = layout.column(lambda s: s.rotor.skew_steps)
    half = layout.column(lambda s: np.radians(s.rotor.skew_step_deg)) / 2
    return rows_factor(steps, orders[:, None] * layout.pole_pairs * half)


def flux_linkages(layout: Layout, field: AirgapField) -> Array:
    """Return the signed harmonics of one phase's no-load flux linkage, shape (order, design) [Wb].

    ``2 N k_wm k_sm B_m R L/(m p)`` with B_m the stack mean at the stator surface; a
    winding in the gap sees the mean of R B_m through its thickness. Phase A links
    ``sum psi_m cos(m p angle)`` with the angle from where it links most.
    """
    orders = field.orders
    if layout.studies[0].stator.kind == "slotted":
        seen = field.surface * layout.surface_radius
    else:
        seen = np.zeros_like(field.surface)
        for radius, weight in zip(*seen_radii(layout), strict=True):
            seen += weight * radius * field.harmonics_at(radius)
    factor = winding_factors(layout, orders) * skew_factors(layout, orders)
    linkage = 2 * layout.column(turns_in_series) * factor * seen * layout.stack / field.turns
    return np.asarray(linkage * np.sign(linkage[0]) ** orders[:, None])


def coil_angle(winding: Winding, side: float) -> float:
    """Angle between the middles of a coil's sides, each `side` wide [rad].

    Two coil sides share a sector side by side, or lie on each other where coils overlap.
    """
    return 2 * np.pi * winding.coil_span / winding.slots - (side if winding.beside else 0)


def seen_radii(layout: Layout) -> tuple[Array, Array]:
    """Radii at which the winding sees the field, shape (radius, design) [m], and their weights."""
    if layout.studies[0].stator.kind == "slotted":
        return layout.surface_radius[None], np.ones(1)
    near, far = winding_radii(layout)
    u, weight = gauss_points(_THROUGH_WINDING)
    return (near + far) / 2 + np.multiply.outer(u, (far - near) / 2), weight / 2


def winding_radii(layout: Layout) -> tuple[Array, Array]:
    """Inner and outer radius of a winding in the gap (smooth) or behind its surface (ironless)."""
    inner, outer = np.array([winding_radii_mm(study) for study in layout.studies]).T * MM
    return inner, outer
