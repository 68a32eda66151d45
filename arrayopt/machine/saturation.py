"""What saturating iron costs: teeth and yoke as a network, the ring by its fundamental.

The field itself is computed with infinitely permeable iron. Here the iron's own
magnetisation curve tells by how much that is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.field import AirgapField
from arrayopt.layout import Layout
from arrayopt.machine.copper import slot_width_at
from arrayopt.machine.slot import slot_permeance
from arrayopt.machine.winding import Winding, winding_of
from arrayopt.materials import Steel
from arrayopt.quantities import MM, MU0, Array
from arrayopt.study.models import Study

_POSITIONS = 8  # of the rotor over a sixth of an electrical turn, after which phases swap
_ORDERS_PER_TOOTH = 15
_NODES = 3  # of a tooth: left tip, middle, right tip
_STEPS, _HALVED, _ACCURATE = 60, 12, 1e-6
_HEIGHT_WEIGHTS = (1 / 6, 4 / 6, 1 / 6)  # Simpson's rule from a tooth's root to its top
_NARROW = 1e-4  # T, step of the curve's slope
_HALVINGS = 40
_ANGLES = np.linspace(0, np.pi, 97)


@dataclass(frozen=True)
class Saturation:
    """Teeth and yoke at one current, by the network, for one design.

    Attributes
    ----------
    tooth, tip, yoke : float
        Peak flux density that unsaturated iron would have [T]; a tip's where it leaves its
        tooth; yoke NaN without its size.
    loss : float
        Share of flux linkage (at no current) or of torque that saturation takes.

    """

    tooth: float
    tip: float
    yoke: float
    loss: float


def stator_saturation(layout: Layout, field: AirgapField, *, current: float) -> Saturation:
    """Solve the magnetic network of teeth and yoke for the first design of a layout.

    Each tooth carries three potentials on the stator's surface: its middle and its two
    tips. The field between them and the rotor is linear and exact (every space order of a
    surface potential, with or without a steel ring); slots and openings leak; teeth, tips
    and yoke follow the sheet's curve.

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
    drive = current * np.repeat(net.drive, _NODES, axis=1)
    free, true = net.flux(drive), net.flux(_potentials(net, drive))
    ideal, real = (net.output(flux, current) for flux in (free, true))
    density = np.abs(free / net.area)
    tooth, tip, yoke = (density[:, part].max(initial=0.0) for part in net.parts)
    if layout.studies[0].stator.yoke_mm is None:
        yoke = np.nan
    return Saturation(float(tooth), float(tip), float(yoke), 1 - real / ideal)


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
    """One period of the stator of q teeth: 3 q surface nodes, tooth by tooth.

    Attributes
    ----------
    magnet, drive : ndarray, shape (position, element), (position, tooth)
        Flux of the magnets through each element; potential per ampere round each tooth.
    permeance : ndarray, shape (element, node)
        Flux through each element per potential of each node.
    shared : ndarray, shape (node, element)
        Which elements' potential each node gives up.
    area, length : ndarray, shape (element,)
        Elements are q teeth at three heights, from root to top, 2 q tips and, where its
        size is known, q pieces of yoke.
    linkage, axis : ndarray, shape (phase, tooth), (position, phase)
        Turns round each tooth; electrical angle of each phase from the magnets.
    air : tuple of float
        Slot and gaps between sheets beside a tooth at three heights, over its iron.

    """

    steel: Steel
    magnet: Array
    drive: Array
    permeance: Array
    shared: Array
    area: Array
    length: Array
    linkage: Array
    axis: Array
    air: tuple[float, float, float]

    @property
    def beside(self) -> list[tuple[slice, float]]:
        """Elements that share a section of air beside their iron, over that of the iron."""
        q = self.linkage.shape[1]
        heights = [(slice(i * q, (i + 1) * q), air) for i, air in enumerate(self.air)]
        return [*heights, (slice(3 * q, None), 0.0)]

    @property
    def parts(self) -> tuple[slice, slice, slice]:
        """Teeth, tips and yoke among the elements."""
        q = self.linkage.shape[1]
        return slice(0, 3 * q), slice(3 * q, 5 * q), slice(5 * q, 6 * q)

    def flux(self, potential: Array) -> Array:
        """Flux through the elements, shape (position, element) [Wb]."""
        return np.asarray(self.magnet + potential @ self.permeance.T)

    def output(self, flux: Array, current: float) -> float:
        """Mean linkage along d without current, mean torque per pole pair with it."""
        q = self.linkage.shape[1]
        phases = flux[:, q : 2 * q] @ self.linkage.T
        along = 2 / 3 * (phases * np.exp(-1j * self.axis)).sum(axis=1)
        return float(along.real.mean()) * (current or 1.0)


def _network(layout: Layout, field: AirgapField) -> _Network:
    study = layout.studies[0]
    stator, winding = study.stator, winding_of(study)
    Q, p = stator.slots, study.rotor.pole_pairs
    teeth = winding.period
    radius = float(layout.surface_radius[0])
    centre = 2 * np.pi / Q * (np.arange(teeth) + 0.5)
    turns = study.winding.turns_per_coil / study.winding.parallel_paths
    linkage = np.array([_tooth_turns(winding, phase)[:teeth] for phase in "ABC"])
    zeta = np.angle(linkage[0] @ np.exp(1j * p * centre))
    electrical = zeta + np.pi / 3 * np.arange(_POSITIONS) / _POSITIONS
    axis = electrical[:, None] - zeta - 2 * np.pi / 3 * np.arange(3)

    edges = _edges(study, radius)
    nodes = np.stack([_node_flux(layout, field, centre, electrical, edge) for edge in edges])
    nodes = nodes.transpose(1, 2, 0).reshape(_POSITIONS, -1)
    # Sheets share no flux along the shaft: those beside the magnets, and what leaks there.
    stack, slot = float(layout.stack[0] * field.overlap[0]), slot_permeance(study)
    assert slot is not None
    gap = _gap_permeance(layout, field, centre, edges)
    gap += _between_teeth(teeth, 2, 0, slot.opening * MU0 * stack)
    levels = [gap + _between_teeth(teeth, 1, 1, c * MU0 * stack) for c in slot.crossing]
    whole, tips, along, shared = _elements(teeth, with_yoke=stator.yoke_mm is not None)

    core = stack * stator.stacking_factor
    depth, tip = (stator.slot_depth_mm or np.nan) * MM, study.tooth_tip_mm * MM
    overhang = (edges[2][1] - edges[2][0]) * radius
    yoke = (stator.yoke_mm or 0) * MM
    middle = radius - (depth + tip + yoke / 2) * layout.sign
    counts = [teeth, teeth, teeth, 2 * teeth, len(along)]
    width = (stator.tooth_width_mm or np.nan) * MM
    lengths = [w * depth + end for w, end in zip(_HEIGHT_WEIGHTS, (0, 0, tip), strict=True)]
    return _Network(
        steel=study.steel(stator.sheet),
        magnet=nodes @ np.concatenate([whole, whole, whole, tips, along]).T,
        drive=-np.sin(axis) @ linkage * turns,
        permeance=np.concatenate([*(whole @ p for p in levels), tips @ gap, along @ levels[0]]),
        shared=shared,
        area=core * np.repeat([width, width, width, tip, yoke], counts),
        length=np.repeat([*lengths, overhang, 2 * np.pi * middle / Q], counts),
        linkage=linkage,
        axis=axis,
        air=_air_beside(study),
    )


def _air_beside(study: Study) -> tuple[float, float, float]:
    """Air beside a tooth over its iron, from its root to its top."""
    depth, width = (study.stator.slot_depth_mm or 0) * MM, (study.stator.tooth_width_mm or 0) * MM
    root, middle, top = (
        (slot_width_at(study, depth * share) + width) / (width * study.stator.stacking_factor) - 1
        for share in (1.0, 0.5, 0.0)
    )
    return root, middle, top


def _tooth_turns(winding: Winding, phase: str) -> Array:
    """Count turns of a phase round each tooth, one a coil, (tooth,); tooth j follows slot j."""
    starts = winding.coil_signs(phase)
    return np.asarray(sum(np.roll(starts, k) for k in range(winding.coil_span)))


def _edges(study: Study, radius: float) -> list[tuple[float, float]]:
    """Angles from a tooth's middle between which each of its nodes lies [rad]."""
    half = np.pi / study.stator.slots
    iron = half - (study.stator.slot_opening_mm or 0) * MM / radius / 2
    tooth = min((study.stator.tooth_width_mm or np.nan) * MM / radius / 2, iron)
    return [(-iron, -tooth), (-tooth, tooth), (tooth, iron)]


def _node_flux(
    layout: Layout, field: AirgapField, centre: Array, electrical: Array, edge: tuple[float, float]
) -> Array:
    """Magnets' flux into one node of every tooth, shape (position, tooth) [Wb].

    Tips also take what enters the opening beside them.
    """
    pitch = np.pi / layout.studies[0].stator.slots
    low, high = edge
    low, high = (-pitch if high < 0 else low), (pitch if low > 0 else high)
    n, waves, p = field.turns[:, 0], field.surface[:, 0], int(layout.pole_pairs[0])
    width, middle = high - low, (high + low) / 2
    flux = layout.stack[0] * layout.surface_radius[0] * waves * 2 * np.sin(n * width / 2) / n
    phase = n * (centre[None, :, None] + middle - electrical[:, None, None] / p)
    return np.asarray(np.cos(phase) @ flux)


def _gap_permeance(
    layout: Layout, field: AirgapField, centre: Array, edges: list[tuple[float, float]]
) -> Array:
    """Flux that leaves each node into the gap per potential of each node, (node, node)."""
    study, irons = layout.studies[0], field.irons
    Q = study.stator.slots
    repeats = Q // len(centre)
    v = np.arange(repeats, _ORDERS_PER_TOOTH * Q + 1, repeats)  # a period's waves alone
    half, iron = np.pi / Q, edges[2][1]
    ramp = np.sinc(v * (half - iron) / np.pi)  # potential changes evenly over an opening
    ends = [
        (np.exp(1j * v * half) * ramp, np.exp(-1j * v * edges[0][1])),
        (np.exp(-1j * v * edges[1][0]), np.exp(-1j * v * edges[1][1])),
        (np.exp(-1j * v * edges[2][0]), np.exp(-1j * v * half) * ramp),
    ]
    windows = np.array([start - end for start, end in ends]) / (2j * np.pi * v)
    W = (windows[None] * np.exp(-1j * v * centre[:, None, None])).reshape(-1, len(v))
    back = irons.ring_iron[0] * (irons.stator[0] / irons.ring[0]) ** (2 * layout.sign * v)
    stack = float(layout.stack[0] * field.overlap[0])
    strength = 4 * np.pi * MU0 * stack * repeats * v * (1 + back) / (1 - back)
    return np.asarray(np.real((W * strength) @ W.conj().T))


def _between_teeth(teeth: int, node: int, after: int, permeance: float) -> Array:
    """Flux that leaves each node for one of the next tooth's, (node, node)."""
    leak = np.zeros((_NODES * teeth, _NODES * teeth))
    for j in range(teeth):
        between = np.zeros(len(leak))
        between[_NODES * j + node] += 1
        between[_NODES * ((j + 1) % teeth) + after] -= 1
        leak += permeance * np.outer(between, between)
    return leak


def _elements(teeth: int, *, with_yoke: bool) -> tuple[Array, Array, Array, Array]:
    """Return nodes in each tooth, tip and piece of yoke, and which potentials nodes give up.

    Shapes (tooth, node), (tip, node), (yoke, node) and (node, element).
    """
    one = np.eye(teeth)
    whole = np.kron(one, [[1, 1, 1]])
    tips = np.kron(one, [[1, 0, 0], [0, 0, 1]])
    shared = [whole.T] * len(_HEIGHT_WEIGHTS) + [tips.T]
    along = np.zeros((0, _NODES * teeth))
    if with_yoke:
        balance = one - 1 / teeth  # the mean flux round the yoke is zero
        along = -balance @ np.tril(np.ones((teeth, teeth))) @ whole
        # Potential falls along the yoke from tooth to tooth.
        shared.append(whole.T @ balance @ np.tril(np.ones((teeth, teeth)), -1))
    return whole, tips, along, np.concatenate(shared, axis=1)


def _drops(net: _Network, flux: Array) -> tuple[Array, Array]:
    """Potential along each element and its slope over flux, (position, element)."""
    density = flux / net.area
    H, slope = np.empty_like(density), np.empty_like(density)
    for part, air in net.beside:
        H[:, part], slope[:, part] = _field_and_slope(net.steel, density[:, part], air)
    tip = net.parts[1]
    # Flux gathers along a tip from its end: Simpson's rule over a linear rise.
    half, rising = _field_and_slope(net.steel, density[:, tip] / 2, 0.0)
    H[:, tip] = (4 * half + H[:, tip]) / 6
    slope[:, tip] = (2 * rising + slope[:, tip]) / 6
    return H * net.length, slope * net.length / net.area


def _field_and_slope(iron: Steel, density: Array, air: float) -> tuple[Array, Array]:
    """Field and its slope over flux density."""
    more, less = (iron.field_at(density + step, air=air) for step in (_NARROW, -_NARROW))
    return iron.field_at(density, air=air), np.asarray((more - less) / (2 * _NARROW))


def _potentials(net: _Network, drive: Array) -> Array:
    """Solve for the nodes' potentials by damped Newton steps, (position, node) [A]."""
    V = drive
    drop, slope = _drops(net, net.flux(V))
    rest = V - drive + drop @ net.shared.T
    for _ in range(_STEPS):
        jacobian = np.eye(V.shape[1]) + (net.shared * slope[:, None, :]) @ net.permeance
        step = np.linalg.solve(jacobian, rest[..., None])[..., 0]
        factor = np.ones((len(V), 1))
        for _ in range(_HALVED):
            tried = V - factor * step
            drop, slope = _drops(net, net.flux(tried))
            left = tried - drive + drop @ net.shared.T
            worse = np.linalg.norm(left, axis=1) > np.linalg.norm(rest, axis=1)
            if not worse.any():
                break
            factor[worse] /= 2
        V, rest = tried, left
        if np.abs(rest).max() <= _ACCURATE * max(np.abs(V).max(), 1e-9):
            return V
    return np.full_like(V, np.nan)  # no figure rather than a wrong one
