"""What saturating iron costs: teeth and yoke as a network, the ring by its fundamental.

The field itself is computed with infinitely permeable iron. Here the iron's own
magnetisation curve tells by how much that is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout import Layout
from arrayopt.layout.build import MM
from arrayopt.layout.shapes import Array
from arrayopt.machine.copper import slot_area
from arrayopt.machine.winding import Winding, winding_of
from arrayopt.materials import MU0, Steel
from arrayopt.study.models import Study

_POSITIONS = 8  # of the rotor over a sixth of an electrical turn, after which phases swap
_ORDERS_PER_TOOTH = 15
_STEPS, _ACCURATE = 60, 1e-6
_HALVINGS = 40
_ANGLES = np.linspace(0, np.pi, 97)


@dataclass(frozen=True)
class Saturation:
    """Teeth and yoke at one current, by the network, for one design.

    Attributes
    ----------
    tooth, yoke : float
        Peak flux density that unsaturated iron would have [T]; yoke NaN without its size.
    loss : float
        Share of flux linkage (at no current) or of torque that saturation takes.

    """

    tooth: float
    yoke: float
    loss: float


def stator_saturation(layout: Layout, field: AirgapField, *, current: float) -> Saturation:
    """Solve the magnetic network of teeth and yoke for the first design of a layout.

    Each tooth is one potential on the stator's surface. The field between them and the
    rotor is linear and exact (every space order of a surface potential, with or without
    a steel ring); slots leak; teeth and yoke follow the sheet's curve.

    Parameters
    ----------
    layout, field
        Of a slotted stator whose slot depth is given.
    current : float
        Amplitude of the phase current [A], in phase with the back-EMF.

    References
    ----------
    Nodal network solved by Newton's method (derived).

    """
    net = _network(layout, field)
    free = _solved(net, current=current, iron=None)
    true = _solved(net, current=current, iron=net.steel)
    ideal, real = (net.output(root, current) for root in (free, true))
    yoke = float(np.abs(_yoke_flux(free)).max() / net.yoke_area)
    return Saturation(
        tooth=float(np.abs(free).max() / net.tooth_area), yoke=yoke, loss=1 - real / ideal
    )


def ring_loss(field: AirgapField) -> Array:
    """Share of the airgap's fundamental that the steel ring's saturation takes, (design,).

    The ring's flux drives a magnetic potential along it by its curve. The fundamental
    of that potential weakens the field at ring and stator; bisection finds the flux at
    which all agree (derived). 0 without a ring.
    """
    layout, irons = field.layout, field.irons
    if not irons.ring_iron.any():
        return np.zeros(len(layout))
    n, ring = field.turns, layout.ring_radius
    waves = field.ring * ring / n / layout.ring_thickness
    steels = [s.steel(s.rotor.ring_steel) for s in layout.studies]
    phase = np.outer(_ANGLES, field.orders)
    shape = np.sin(phase) @ waves  # flux density along the ring, unsaturated

    def potential(scale: Array) -> Array:
        H = np.array([s.field_at(b) for s, b in zip(steels, (shape * scale).T, strict=True)]).T
        first = 2 / np.pi * np.trapezoid(H * np.sin(_ANGLES)[:, None], _ANGLES, axis=0)
        return np.asarray(np.abs(first) * ring / n[0])

    near, far = np.minimum(irons.stator, ring), np.maximum(irons.stator, ring)
    q = (near / far) ** n[0]
    inside = (1 + irons.stator_iron * q**2) / (1 - irons.stator_iron * q**2)
    own = MU0 * n[0] / ring * (inside + 1)  # leaks out on the far side too
    across = MU0 * n[0] / irons.stator * (1 + irons.stator_iron) * q
    across = across / (1 - irons.stator_iron * q**2)
    first = np.abs(field.ring[0])
    low, high = np.zeros(len(layout)), np.ones(len(layout))
    for _ in range(_HALVINGS):
        scale = (low + high) / 2
        more = first * (1 - scale) > own * potential(scale)
        low, high = np.where(more, scale, low), np.where(more, high, scale)
    return np.asarray(np.minimum(across * potential(low) / np.abs(field.surface[0]), 1))


@dataclass(frozen=True)
class _Network:
    """One period of the stator; arrays over its teeth, or (position, tooth)."""

    steel: Steel
    magnet: Array
    drive: Array
    linkage: Array
    axis: Array
    permeance: Array
    tooth_area: float
    tooth_length: float
    yoke_area: float
    yoke_length: float

    def output(self, root: Array, current: float) -> float:
        """Mean linkage along d without current, mean torque per pole pair with it."""
        phases = root @ self.linkage.T
        along = 2 / 3 * (phases * np.exp(-1j * self.axis)).sum(axis=1)
        return float(along.real.mean()) * (current or 1.0)


def _network(layout: Layout, field: AirgapField) -> _Network:
    study = layout.studies[0]
    stator, winding = study.stator, winding_of(study)
    Q, p = stator.slots, study.rotor.pole_pairs
    teeth = Q // gcd(Q, p)
    radius, stack = float(layout.surface_radius[0]), float(layout.stack[0])
    centre = 2 * np.pi / Q * (np.arange(teeth) + 0.5)
    turn_function = np.array([_tooth_turns(winding, phase)[:teeth] for phase in "ABC"])
    zeta = np.angle(turn_function[0] @ np.exp(1j * p * centre))
    electrical = zeta + np.pi / 3 * np.arange(_POSITIONS) / _POSITIONS
    n, waves = field.turns[:, 0], field.surface[:, 0]
    flux = stack * radius * waves * 2 * np.sin(n * np.pi / Q) / n
    phase = n * (centre[None, :, None] - electrical[:, None, None] / p)
    axis = electrical[:, None] - zeta - 2 * np.pi / 3 * np.arange(3)
    turns = study.winding.turns_per_coil / study.winding.parallel_paths
    core = stack * stator.stacking_factor * float(field.overlap[0])
    depth = ((stator.slot_depth_mm or np.nan) + study.tooth_tip_mm) * MM
    yoke = (stator.yoke_mm or np.nan) * MM
    middle = radius - (depth + yoke / 2) * (1 if layout.outer else -1)
    return _Network(
        steel=study.steel(stator.sheet),
        magnet=np.cos(phase) @ flux,
        drive=-np.sin(axis) @ turn_function * turns,
        linkage=turn_function,
        axis=axis,
        permeance=_permeance(layout, field, study, teeth),
        tooth_area=(stator.tooth_width_mm or np.nan) * MM * core,
        tooth_length=depth,
        yoke_area=yoke * core,
        yoke_length=2 * np.pi * middle / Q,
    )


def _tooth_turns(winding: Winding, phase: str) -> Array:
    """Count turns of a phase round each tooth, one a coil, (tooth,); tooth j follows slot j."""
    starts = winding.coil_signs(phase)
    return np.asarray(sum(np.roll(starts, k) for k in range(winding.coil_span)))


def _permeance(layout: Layout, field: AirgapField, study: Study, teeth: int) -> Array:
    """Flux that leaves each tooth per potential of each tooth: gap and slots, (tooth, tooth)."""
    Q, irons = study.stator.slots, field.irons
    pitch = 2 * np.pi / Q
    opening = (study.stator.slot_opening_mm or 0) * MM / float(layout.surface_radius[0])
    v = np.arange(1, _ORDERS_PER_TOOTH * Q + 1)
    sign = 1 if layout.outer else -1
    back = irons.ring_iron[0] * (irons.stator[0] / irons.ring[0]) ** (2 * sign * v)
    weight = pitch / (2 * np.pi) * np.sinc(v * pitch / 2 / np.pi) * np.sinc(v * opening / 2 / np.pi)
    strength = 2 * np.pi * MU0 * layout.stack[0] * Q * v * (1 + back) / (1 - back) * weight**2
    both = np.bincount(v % Q, strength, Q) + np.bincount(-v % Q, strength, Q)
    gap: Array = both[:: Q // teeth]  # a period's waves repeat
    k = np.arange(teeth)
    area, width = slot_area(study)
    depth = (area or np.nan) / width
    opening_mm = study.stator.slot_opening_mm
    tip = study.tooth_tip_mm / opening_mm if opening_mm else 0.0  # a closed slot's bridge is full
    leak = MU0 * float(layout.stack[0]) * (depth / (2 * width) + tip)
    slots = leak * (2 - 2 * np.cos(2 * np.pi * k / teeth))
    first = np.fft.ifft(gap + slots).real
    return np.asarray(first[(k[:, None] - k) % teeth])


def _yoke_flux(root: Array) -> Array:
    """Flux in the yoke from each tooth to the next, its mean zero, shape (position, tooth)."""
    along = -np.cumsum(root, axis=1)
    return np.asarray(along - along.mean(axis=1, keepdims=True))


def _drop(net: _Network, root: Array, iron: Steel) -> Array:
    """Magnetic potential that teeth and yoke take, (position, tooth)."""
    tooth = net.tooth_length * iron.field_at(root / net.tooth_area)
    if np.isnan(net.yoke_area):
        return tooth
    along = net.yoke_length * iron.field_at(_yoke_flux(root) / net.yoke_area)
    potential = -np.cumsum(np.roll(along, 1, axis=1), axis=1)
    return np.asarray(tooth - (potential - potential.mean(axis=1, keepdims=True)))


def _solved(net: _Network, *, current: float, iron: Steel | None) -> Array:
    """Flux at the root of each tooth, shape (position, tooth) [Wb]."""
    V = net.drive * current
    root = net.magnet + V @ net.permeance.T
    if iron is None:
        return root
    teeth = root.shape[1]
    scale = np.abs(root).max() * 1e-6
    # Differences of the drop give the Jacobian: it is linear in pieces, like the curve.
    best = _residual(net, V, current, iron)
    for _ in range(_STEPS):
        root = net.magnet + V @ net.permeance.T
        drop = _drop(net, root, iron)
        slope = np.stack(
            [(_drop(net, root + scale * row, iron) - drop) / scale for row in np.eye(teeth)], axis=2
        )
        jacobian = np.eye(teeth) + slope @ net.permeance
        step = np.linalg.solve(jacobian, best[..., None])[..., 0]
        factor = np.ones((len(V), 1))
        for _ in range(12):
            tried = _residual(net, V - factor * step, current, iron)
            worse = np.linalg.norm(tried, axis=1) > np.linalg.norm(best, axis=1)
            if not worse.any():
                break
            factor[worse] /= 2
        V, best = V - factor * step, tried
        if np.abs(best).max() <= _ACCURATE * np.abs(V).max():
            break
    return net.magnet + V @ net.permeance.T


def _residual(net: _Network, V: Array, current: float, iron: Steel) -> Array:
    root = net.magnet + V @ net.permeance.T
    return np.asarray(V - net.drive * current + _drop(net, root, iron))
