"""Field of the winding's own currents, and the inductance that comes with it.

The ampere-turns of the slots are a current sheet on the stator's surface. Every space
order v of it drives its own field: into free space without a steel ring, into the
lengthened gap with one. A formula by airgap length alone would be wrong without a ring.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout import Layout
from arrayopt.machine.copper import mean_turn, slot_area
from arrayopt.machine.linkage import coil_angle, winding_radii
from arrayopt.machine.slot import slot_permeance
from arrayopt.machine.winding import Winding, winding_of
from arrayopt.quantities import MM, MU0, Array
from arrayopt.study.models import Study

_ORDERS_PER_SLOT = 15  # space orders kept: slot openings and coil sides smooth higher ones
_PHASES = "ABC"
_DEEP = 100.0


@dataclass(frozen=True)
class Inductances:
    """Synchronous inductance of a phase [H], unsaturated, shape (design,).

    The flux linkage of one phase over its current while balanced currents flow in all
    three. The rotor is smooth to it, so that it is the same on both axes.

    Attributes
    ----------
    gap : ndarray
        Field in airgap and magnets, all space orders.
    slot : ndarray
        Across slots and their openings; NaN where the slot's depth is not given or
        the slot is closed.
    end : ndarray
        Estimate for the end turns.

    """

    gap: Array
    slot: Array
    end: Array

    @property
    def total(self) -> Array:
        """Sum of the three parts."""
        return self.gap + self.slot + self.end


@dataclass(frozen=True)
class Armature:
    """Two-dimensional field of balanced three-phase currents of one design, stator-fixed.

    Attributes
    ----------
    outer : bool
        Magnets outside the stator.
    orders : ndarray of int, shape (order,)
        Space orders, waves per turn.
    forward, backward : ndarray of complex, shape (order,)
        Waves that leave the winding towards the magnets, radial flux density at
        `sheet` [T/A]: for currents ``cos(phase - 120 deg k)`` the field is the real part
        of ``(forward e^(-i phase) + backward e^(i phase)) e^(i order angle)``.
    sheet, ring : float
        Radii of the current sheet and of the steel ring's surface [m].
    ring_iron : float
        1 with a steel ring, 0 without.

    """

    outer: bool
    orders: Array
    forward: Array
    backward: Array
    sheet: float
    ring: float
    ring_iron: float

    def field_at(self, radius: Array, angle: Array, phase: Array) -> tuple[Array, Array]:
        """Radial and tangential flux density per ampere of phase amplitude [T/A].

        Parameters
        ----------
        radius, angle : ndarray
            Polar positions on the magnets' side [m, rad]; the angle counts from slot 0.
        phase : ndarray
            Electrical angle of the current in phase A [rad].

        """
        n = self.orders
        # Each left at its own shape as long as may be: powers and waves of many orders cost most.
        r, turn = np.asarray(radius)[..., None], np.exp(1j * n * np.asarray(angle)[..., None])
        rotated = np.exp(1j * np.asarray(phase))[..., None]
        wave = (self.forward / rotated + self.backward * rotated) * turn
        sign = 1 if self.outer else -1
        # Away from the winding the waves decay; those that the ring returns grow.
        away = wave * (self.sheet / r) ** (sign * n + 1)
        far = (self.sheet / self.ring) ** (2 * sign * n)
        back = wave * self.ring_iron * far * (r / self.sheet) ** (sign * n - 1)
        tangential = -1j * sign * (away - back)
        return np.real(away + back).sum(axis=-1), np.real(tangential).sum(axis=-1)


def armature(layout: Layout, field: AirgapField) -> Armature:
    """Return the armature field of a layout of one design."""
    study = layout.studies[0]
    spectrum = _spectrum(layout, field, 0, _sheet_radii(layout, field))
    n, sheet = spectrum.orders, spectrum.radius
    turns = spectrum.turns * study.winding.turns_per_coil
    shifts = np.exp(2j * np.pi / 3 * np.arange(3))[:, None]
    # Twice the half of a real wave's complex amplitude, shared by both senses of rotation.
    strength = 2 * MU0 * n / sheet * spectrum.permeance / (1 + spectrum.returned)
    scale = strength / 2 / study.winding.parallel_paths
    return Armature(
        outer=layout.outer,
        orders=n,
        forward=scale * (turns * shifts).sum(axis=0),
        backward=scale * (turns / shifts).sum(axis=0),
        sheet=sheet,
        ring=float(field.irons.ring[0]),
        ring_iron=float(field.irons.ring_iron[0]),
    )


def inductances(layout: Layout, field: AirgapField) -> Inductances:
    """Return the synchronous inductances of a batch.

    References
    ----------
    Gap: current sheet between two irons (derived). Slot: `slot_permeance`. Gap and slot
    together are within 2 % of finite elements (see the tests). End: both ends of a coil
    together as one round coil in air, ``31.5e-6 r^2/(6 r + 9 l + 10 c)`` H per squared
    turn, lengths in m (Wheeler 1928, Proc. IRE 16:1398, from memory); an estimate
    within some tens of percent.

    """
    radii = _sheet_radii(layout, field)
    parts = [_inductances(layout, field, i, radii) for i in range(len(layout))]
    gap, slot, end = np.array(parts).T
    return Inductances(gap, slot, end)


@dataclass(frozen=True)
class _Spectrum:
    """Turn functions by space order, one turn a coil.

    Turns (phase, order); orders, their share in the linkage of balanced currents, permeance
    towards the magnets and through the winding itself, and the ring's return (order,).
    """

    orders: Array
    turns: Array
    linking: Array
    permeance: Array | float
    linked: Array | float
    returned: Array | float
    radius: float


def _sheet_radii(layout: Layout, field: AirgapField) -> Array:
    """Radii of the current sheets, shape (design,) [m]: slots' openings, or mid-winding."""
    if layout.studies[0].stator.kind == "slotted":
        return field.irons.stator
    return np.asarray(sum(winding_radii(layout)) / 2)


def _spectrum(layout: Layout, field: AirgapField, i: int, radii: Array) -> _Spectrum:
    study, irons, radius = layout.studies[i], field.irons, float(radii[i])
    winding = winding_of(study)
    if study.stator.kind == "slotted":
        width = (study.stator.slot_opening_mm or 0) * MM / float(layout.surface_radius[i])
        angle = 2 * np.pi * winding.coil_span / winding.slots
    else:
        width = (study.stator.coil_side_mm or 0) * MM / radius
        angle = coil_angle(winding, width)
    n, turns, linking = _turn_functions(winding, round(width, 9), angle)
    sign = layout.sign
    behind = _returned(irons.stator_iron[i], (irons.stator[i] / radius) ** sign, n)
    returned = _returned(irons.ring_iron[i], (radius / irons.ring[i]) ** sign, n)
    both = behind * returned
    permeance = (1 + behind) * (1 + returned) / (1 - both) / 2
    images = (behind + returned + 2 * both) / (1 - both)
    thick = study.stator.winding_thickness_mm
    direct, mirrored = _through(n * thick * MM / radius) if thick else (1.0, 1.0)
    linked = (direct + mirrored * images) / 2
    return _Spectrum(n, turns, linking, permeance, linked, returned, radius)


def _through(x: Array) -> tuple[Array, Array]:
    """Means over a winding n t/r thick of ``exp(-x |u - v|)`` and of ``cosh(x (u - v))``.

    What one layer of the winding links of another's field, directly and by images in iron; a sheet
    in the middle, which has 1 for both, reads a third high where the thickness is a tenth of
    the radius (derived).
    """
    direct = 2 * (x - 1 + np.exp(-x)) / x**2
    # Orders past this have no images.
    half = np.minimum(x, _DEEP) / 2
    return direct, (np.sinh(half) / half) ** 2


def _returned(iron: float, ratio: float, n: Array) -> Array | float:
    """Share of each order's field that an iron sends back over a ratio of radii."""
    # A sheet on the iron itself gets all of its field back from it.
    return iron * ratio ** (2 * n) if iron and ratio < 1 else iron


@lru_cache(maxsize=256)  # most searches keep their slots
def _turn_functions(winding: Winding, width: float, angle: float) -> tuple[Array, Array, Array]:
    """Orders, complex Fourier coefficients of each phase's turn function, and what they link.

    The turn function, one turn a coil, shape (3, order), rises where conductors go in and
    falls where they come back, over the angle `width` that a slot opening or a coil side takes.
    """
    n = np.arange(1, _ORDERS_PER_SLOT * winding.slots + 1)
    starts = 2 * np.pi / winding.slots * np.arange(winding.slots)
    coil = (1 - np.exp(-1j * n * angle)) * np.sinc(n * width / 2 / np.pi)
    signs = np.array([winding.coil_signs(phase) for phase in _PHASES])
    turns = signs @ np.exp(-1j * np.outer(starts, n)) * coil / (2j * np.pi * n)
    together = turns[0] - (turns[1] + turns[2]) / 2  # balanced currents
    return n, turns, n * np.real(together * np.conj(turns[0]))


def _inductances(
    layout: Layout, field: AirgapField, i: int, radii: Array
) -> tuple[float, float, float]:
    study = layout.studies[i]
    stack, stator = float(layout.stack[i]), study.stator
    winding, paths = winding_of(study), study.winding.parallel_paths
    s = _spectrum(layout, field, i, radii)
    turns = study.winding.turns_per_coil / paths
    gap = 4 * np.pi * MU0 * stack * (s.linking * s.linked).sum() * turns**2
    return (
        float(gap),
        _slot_inductance(study, winding),
        _end_inductance(study, winding, stator.kind),
    )


def _slot_inductance(study: Study, winding: Winding) -> float:
    stator = study.stator
    if stator.kind != "slotted":
        return 0.0
    slot = slot_permeance(study)
    if slot is None or not slot.opening:
        return float("nan")
    permeance = slot.linking + slot.opening
    turns = study.winding.turns_per_coil / study.winding.parallel_paths
    return float(MU0 * stator.stack_mm * MM * permeance * turns**2 * _linking_sides(winding))


@lru_cache(maxsize=256)
def _linking_sides(winding: Winding) -> float:
    """Coil sides of a phase times those that balanced currents fill, summed over the slots."""
    a, b, c = (winding.side_counts(phase) for phase in _PHASES)
    return float((a * (a - (b + c) / 2)).sum())


def _end_inductance(study: Study, winding: Winding, kind: str) -> float:
    stator = study.stator
    if kind == "slotted":
        area, width = slot_area(study)
        if area is None:
            return float("nan")
        across, along = width / winding.layers, (stator.slot_depth_mm or 0) * MM
    else:
        across = (stator.coil_side_mm or 0) * MM
        along = (stator.winding_thickness_mm or 0) * MM
    radius = max(mean_turn(study) - 2 * stator.stack_mm * MM, 0) / (2 * np.pi)
    coil = 31.5e-6 * radius**2 / (6 * radius + 9 * along + 10 * across)
    turns = study.winding.turns_per_coil / study.winding.parallel_paths
    return float(coil * turns**2 * winding.coils)
