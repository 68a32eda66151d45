"""What every single magnet adds to the airgap field, and what it adds when it is a little off.

A perfect ring has waves of whole pole pairs only. Magnets that differ or sit askew add all
others, so here every wave of a turn counts and every magnet has a row of its own. The field
is linear in the polarisation and, over the distances of tolerances, in places and sizes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft

from arrayopt.field.ends import end_shares
from arrayopt.field.free import axial_nodes, radius_at_ring
from arrayopt.field.iron import EndShares
from arrayopt.field.kernel import AirgapField
from arrayopt.field.magnet import free_field
from arrayopt.layout import Arcs, Blocks, Layout
from arrayopt.layout.members import Member, rotor_members
from arrayopt.layout.shapes import Shapes
from arrayopt.quantities import Array

# How one magnet may be off; each with the unit that its response is per.
DEVIATIONS = (
    "along",  # polarisation along its own direction, over what it should be
    "across",  # polarisation a quarter turn anticlockwise of that, over the same
    "radial",  # place, outwards [m]
    "tangential",  # place, anticlockwise [m]
    "turn",  # body and polarisation about the magnet's middle, anticlockwise [rad]
    "thickness",  # sizes about the magnet's middle [m]
    "width",
    "length",
)
_FINITE = ("radial", "turn", "thickness", "width", "length")  # found by differences
_DIGITS = 16.0  # natural digits of sums over the points of a circle
_STEP = 0.01  # of the distance to the circle: differences are then good to 2e-5
_OFF_RING = 2e-3  # of the magnets' radius: nearer rings are read there and scaled back


@dataclass(frozen=True)
class MemberField:
    """Waves of every magnet of one rotor; complex: ``B(angle) = Re sum b_n exp(i n angle)``.

    Attributes
    ----------
    members : tuple of Member
        By number; angles count anticlockwise from magnet 1.
    waves : ndarray of int, shape (wave,)
        Per turn, from 1.
    surface : ndarray of complex, shape (member, deviation, wave)
        Radial flux density at the stator's surface with irons and slots, stack mean, by unit
        of each of `DEVIATIONS` [T, T/rad, T/m].
    seen : ndarray of complex, shape (member, deviation, wave)
        Radius times flux density as the winding sees it [T m, ...].
    ring_parts : ndarray of complex, shape (4, wave)
        What a steel ring adds to `surface` by a metre of movement along the axis of magnet 1
        and square to it, and of oval shape, ``cos 2 angle`` and ``sin 2 angle`` outwards [T/m].

    """

    members: tuple[Member, ...]
    waves: NDArray[np.int64]
    surface: Array
    seen: Array
    ring_parts: Array

    @cached_property
    def perfect(self) -> Array:
        """Surface waves of the rotor as designed, shape (wave,) [T]."""
        return np.asarray(self.surface[:, 0].sum(axis=0))

    @cached_property
    def perfect_seen(self) -> Array:
        """The same as the winding sees them [T m]."""
        return np.asarray(self.seen[:, 0].sum(axis=0))

    @cached_property
    def angles(self) -> Array:
        """Where the magnets sit, shape (member,) [rad]."""
        return np.array([member.angle for member in self.members])


class _Circle(NamedTuple):
    """A cylinder round the shaft, heights on it and their weights (sum 1)."""

    radius: float
    heights: Array
    weights: Array


def member_field(field: AirgapField, *, waves: int, winding: Array) -> MemberField:
    """Compute the waves of every magnet, and how each kind of deviation changes them.

    A magnet that deviates leaves the polarisation of the others as it was: recoil answers by
    a few percent of the deviation (`settled_polarisation`). Tilt along the shaft and axial
    shifts are odd in height and cancel in the mean over the stack.

    Parameters
    ----------
    field : AirgapField
        Of one design.
    waves : int
        Most waves per turn.
    winding : ndarray, shape (radius, 2)
        Radii at which the winding sees the field [m] and their weights (sum 1).

    Returns
    -------
    MemberField

    """
    layout, n = field.layout, np.arange(1, waves + 1)
    members = rotor_members(layout.studies[0])
    owner = _owners(layout, members)
    surface, seen = zip(
        *(_with_irons(field, f, n, winding) for f in range(len(layout.families))), strict=True
    )
    # Each row of a skewed rotor is its share of the stack; rows' ends are taken as one magnet's.
    J = field.polarisation[:, 0] / layout.studies[0].rotor.skew_steps
    by_surface = _placed(members, owner, [b * j for b, j in zip(surface, J, strict=True)], n)
    by_seen = (
        by_surface * layout.surface_radius[0]
        if layout.studies[0].stator.kind == "slotted"
        else _placed(members, owner, [b * j for b, j in zip(seen, J, strict=True)], n)
    )
    return MemberField(members, n, by_surface, by_seen, _ring_parts(field, members, n))


def probe_waves(field: AirgapField, *, radius: float, height: float, waves: int) -> Array:
    """Compute the waves of every magnet where a probe runs round the rotor.

    Irons reflect them in two dimensions: a steel ring behind the magnets, and the stator if the
    field has one of iron, as smooth as it is opposite a tooth. The mean of a single magnet's
    field round the circle, which leaves by its ends, counts without irons only: near them it is
    small, and unlike a wave not reflected.

    Parameters
    ----------
    field : AirgapField
        Of one design; with a stator that is ironless for a rotor by itself.
    radius, height : float
        Of the circle, and above the middle of the magnets [m].
    waves : int
        Most waves per turn.

    Returns
    -------
    ndarray of complex, shape (member, deviation, 1 + wave)
        Radial flux density as in `MemberField.surface`, the mean before the waves [T, T/rad,
        T/m].

    """
    layout, n = field.layout, np.arange(waves + 1)
    members = rotor_members(layout.studies[0])
    rows = layout.studies[0].rotor.skew_steps
    length = layout.length / rows
    found = np.empty((len(members), len(DEVIATIONS), waves + 1), dtype=complex)
    for row in range(rows):
        # Rows follow each other from the floor up; each is a short rotor of its own.
        above = np.array([height - (row - (rows - 1) / 2) * float(length[0])])
        circle = _Circle(radius, above, np.ones(1))
        parts = [
            _at_probe(field, shape, length, circle, n) * J
            for shape, J in zip(layout.shapes, field.polarisation[:, 0], strict=True)
        ]
        here = tuple(member for member in members if member.row == row + 1)
        placed = _placed(here, _owners(layout, here), parts, n)
        found[[i for i, member in enumerate(members) if member.row == row + 1]] = placed
    return found


def _at_probe(
    field: AirgapField, shape: Shapes, length: Array, circle: _Circle, n: NDArray[np.int64]
) -> Array:
    """Responses of one magnet at a probe, shape (kind, response, wave)."""
    layout, irons = field.layout, field.irons

    def free(radius: float) -> Array:
        at = circle._replace(radius=radius)
        return _free_responses(shape, length, at, int(n[-1]), first=0)

    near, radius = free(circle.radius), np.array([circle.radius])
    if not (irons.stator_iron[0] or irons.ring_iron[0]):
        return near
    at_stator, at_ring = np.zeros((2, *near.shape), dtype=complex)
    if irons.stator_iron[0]:
        irons = replace(irons, stator=layout.surface_radius)
        at_stator = free(float(layout.surface_radius[0]))
    if irons.ring_iron[0]:
        read = float(radius_at_ring(layout, least=_OFF_RING)[0])
        back = (read / float(layout.ring_radius[0])) ** (layout.sign * n + 1)
        at_ring = free(read) * back
    waves = n[1:, None]
    on_irons = irons.surface_fields(at_stator[..., 1:, None], at_ring[..., 1:, None], waves)
    near[..., 1:] += irons.reflected(*on_irons, waves, radius)[0][..., 0]
    near[..., 0] = 0
    return near


def _with_irons(
    field: AirgapField, family: int, n: NDArray[np.int64], winding: Array
) -> tuple[Array, Array]:
    """Responses of one family's magnet at the surface, and as the winding sees them.

    Shape (kind, response, wave): kinds radial and tangential polarisation of one tesla.
    """
    layout, irons, shape = field.layout, field.irons, field.layout.shapes[family]
    waves, order = len(n), n[:, None]
    stator = float(irons.stator[0])
    apart = np.abs(layout.gap_radius - irons.stator)
    stack = tuple(a[0] for a in axial_nodes(layout, layout.stack, apart))
    free = _free_responses(shape, layout.length, _Circle(stator, *stack), waves)
    at_ring, ends = np.zeros_like(free), None
    if irons.ring_iron[0]:
        radius = radius_at_ring(layout, least=_OFF_RING)
        shared = axial_nodes(
            layout,
            np.minimum(layout.length, layout.stack),
            np.abs(radius - (layout.outer_radius if layout.outer else layout.inner_radius)),
        )
        circle = _Circle(float(radius[0]), *(a[0] for a in shared))
        back = float(radius[0] / layout.ring_radius[0])
        at_ring = _free_responses(shape, layout.length, circle, waves)
        at_ring = at_ring * back ** (layout.sign * n + 1)
        ends = EndShares(
            *(
                getattr(end_shares(layout, irons, order), one.name)[family]
                for one in fields(EndShares)
            )
        )
    overlap = field.overlap[0]
    on_stator, on_ring = irons.surface_fields(
        free[..., None] / overlap, at_ring[..., None], order, ends
    )
    shift = stator / layout.surface_radius[0]
    surface = on_stator[..., 0] * overlap * shift
    if layout.studies[0].stator.kind == "slotted":
        return surface, surface
    seen = np.zeros_like(surface)
    for radius, weight in winding:
        near = _free_responses(shape, layout.length, _Circle(float(radius), *stack), waves)
        iron = irons.reflected(on_stator * overlap, on_ring * overlap, order, radius)[0]
        seen += weight * radius * (near + iron[..., 0])
    return surface, seen


def _free_responses(
    shape: Shapes, length: Array, circle: _Circle, waves: int, *, first: int = 1
) -> Array:
    """Waves of one magnet of one tesla at angle zero, and their changes; free space.

    Returns
    -------
    ndarray of complex, shape (2, 6, wave)
        Polarised outwards, and anticlockwise; as it is, then by unit of each of `_FINITE`.

    """
    r = circle.radius
    apart = float(max(shape.inner_radius[0] - r, r - shape.outer_radius[0], 1e-4 * r))
    half = next_fast_len(max(waves, int(waves + _DIGITS * r / apart) // 2) + 1, real=True)
    turn = np.pi * np.arange(half + 1) / half
    step = _STEP * apart

    def radial(shape: Shapes, length: Array, out: float = 0.0, angle: float = 0.0) -> Array:
        """Radial flux density of a magnet moved and turned, shape (2, point)."""
        middle = float(shape.lo[0] + shape.hi[0]) / 2
        c, s = np.cos(turn), np.sin(turn)
        x, y = r * c - out - middle, r * s
        ca, sa = np.cos(angle), np.sin(angle)
        z = np.broadcast_to(circle.heights, (len(turn), len(circle.heights)))
        flat = np.stack([ca * x + sa * y + middle, ca * y - sa * x])
        points = np.concatenate([np.repeat(flat[..., None], z.shape[1], axis=2), z[None]])
        B = free_field(shape, length=length, points=points.reshape(3, 1, -1))
        Bx, By = B.reshape(2, *z.shape) @ circle.weights
        Bx, By = ca * Bx - sa * By, sa * Bx + ca * By
        B = c * Bx + s * By
        return np.array([B.real, B.imag])

    def slope(plus: Array, minus: Array) -> Array:
        return np.asarray((plus - minus) / (2 * step))

    grown = [
        slope(
            radial(*_grown(shape, length, name, step)), radial(*_grown(shape, length, name, -step))
        )
        for name in ("thickness", "width", "length")
    ]
    moved = slope(radial(shape, length, out=step), radial(shape, length, out=-step))
    lever = float(shape.thickness[0] + shape.width[0]) / 2
    turned = slope(
        radial(shape, length, angle=step / lever), radial(shape, length, angle=-step / lever)
    )
    kept = np.stack([radial(shape, length), moved, turned * lever, *grown], axis=1)
    # Of radial polarisation the field is even in angle, of tangential odd; turning changes that.
    even = np.array(
        [[True, True, False, True, True, True], [False, False, True, False, False, False]]
    )
    found = _waves_of_halves(kept, even)
    found[..., 0] /= 2  # of the mean there are no two halves
    return np.asarray(found[..., first : waves + 1])


def _waves_of_halves(values: Array, even: Array) -> Array:
    """Waves of functions given on half a circle, each even or odd in angle."""
    sign = np.where(even, 1.0, -1.0)[..., None]
    whole = np.concatenate([values, sign * values[..., -2:0:-1]], axis=-1)
    return np.asarray(rfft(whole, axis=-1) * 2 / whole.shape[-1])


def _grown(shape: Shapes, length: Array, size: str, by: float) -> tuple[Shapes, Array]:
    """Return a magnet with one size changed about its middle."""
    if size == "length":
        return shape, length + by
    if size == "thickness":
        lo, hi = shape.lo - by / 2, shape.hi + by / 2
        return (
            Arcs(lo, hi, shape.span) if isinstance(shape, Arcs) else Blocks(lo, hi, shape.width)
        ), length
    if isinstance(shape, Arcs):
        return Arcs(shape.lo, shape.hi, shape.span + 2 * by / (shape.lo + shape.hi)), length
    return Blocks(shape.lo, shape.hi, shape.width + by), length


def _owners(layout: Layout, members: tuple[Member, ...]) -> NDArray[np.int64]:
    """Return the index of each member's family."""
    return np.array([layout.family_at(member.place) for member in members])


def _placed(
    members: tuple[Member, ...],
    owner: NDArray[np.int64],
    parts: list[Array],
    n: NDArray[np.int64],
) -> Array:
    """Turn one magnet's responses to every member's place; shape (member, deviation, wave)."""
    found = np.empty((len(members), len(DEVIATIONS), len(n)), dtype=complex)
    for f, part in enumerate(parts):
        here = np.flatnonzero(owner == f)
        angle = np.array([members[i].angle for i in here])
        b = np.array([members[i].direction for i in here])
        own = np.stack([np.cos(b), np.sin(b)], axis=1)
        across = np.stack([-np.sin(b), np.cos(b)], axis=1)
        along = np.einsum("mk,kdn->dmn", own, part)
        base, out, turned, *grown = along
        # A magnet moved sideways is one turned about the shaft, and back about its middle.
        sideways = (-1j * n * base - turned) / members[here[0]].centre_radius
        rows_of = [base, across @ part[:, 0], out, sideways, turned, *grown]
        turn = np.exp(-1j * np.outer(angle, n))
        found[here] = np.stack(rows_of, axis=1) * turn[:, None, :]
    return found


def _ring_parts(field: AirgapField, members: tuple[Member, ...], n: NDArray[np.int64]) -> Array:
    """Waves at the stator's surface that a moved or oval steel ring adds, shape (4, wave).

    The ring's surface moved outwards by ``d(angle)`` among the field B there leaves it at the
    potential ``d B/mu0``, which the stator's surface feels as ``2 q/(1 - q^2)`` of each wave,
    ``q = (near/far)^n`` (derived as in `magnetic_pull`).
    """
    parts = np.zeros((4, len(n)), dtype=complex)
    layout, irons = field.layout, field.irons
    if not irons.ring_iron[0]:
        return parts
    # Series of the kernel count from the axis of a main magnet at place 0; magnet 1 is another.
    first = members[0].place * 2 * np.pi / (layout.pole_pairs[0] * layout.magnets_per_pole_pair)
    at_ring = np.zeros(2 * n[-1] + 4, dtype=complex)  # of waves -N-1 to N+2, from -N-1
    zero = n[-1] + 1
    for wave, B in zip(field.turns[:, 0], field.ring[:, 0], strict=True):
        if wave <= n[-1]:
            value = B / 2 * np.exp(1j * wave * first)
            at_ring[zero + wave], at_ring[zero - wave] = value, np.conj(value)
    near, far = sorted((float(irons.stator[0]), float(irons.ring[0])))
    q = (near / far) ** n
    si = irons.stator_iron[0]
    felt = n / irons.stator[0] * (1 + si) * q / (1 - si * q**2) * -layout.sign
    felt = felt * field.overlap[0] * irons.stator[0] / layout.surface_radius[0]
    for k in (1, 2):
        up, down = at_ring[zero + n - k], _ahead(at_ring, zero + n + k)
        for quarter in (0, 1):
            d = np.exp(1j * np.pi / 2 * quarter)  # cos(k a), then sin(k a): (d' e^ika + d e^-ika)/2
            parts[2 * (k - 1) + quarter] = felt * (np.conj(d) * up + d * down)
    return parts


def _ahead(values: Array, places: Array) -> Array:
    return np.where(places < len(values), values[np.minimum(places, len(values) - 1)], 0)
