"""Field inside the magnets point by point: every magnet of the ring and its images in the iron.

A magnet of one polarisation along its cross-section is a prism whose sides carry magnetic
charge, and a charged rectangle has a closed form. So blocks and arcs are the same code, and
an iron cylinder is the same charges turned outside in.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.field.kernel import AirgapField
from arrayopt.layout import Layout
from arrayopt.layout.shapes import Arcs, Array, Shapes

# Points through the section, across half of it, and along half the length. Against two and
# a half times as many each way: percentiles of the reverse field within 0.4 %, the share of
# volume beyond a limit within 0.001 where it is under 5 %, and within 0.005 elsewhere (0.02
# where a steel ring makes half of a magnet alike).
THROUGH, ACROSS, ALONG = 24, 16, 6
# Magnets this many places away or nearer have their field, and that of their first images,
# computed at every point; the rest is smooth there and read from a coarse grid. Against
# everything at every point: 2e-4 T at most.
_NEAR = 2
_COARSE = 6  # points a side
_SAG = 2e-4  # of a chord that stands for an arc, over the magnet's thickness
_FAR_CHORD = 0.1  # rad, of arcs far away
_IMAGE_PIECES = 5  # sheets for one flat side's image, which is curved
_IMAGE_REST, _MOST_LEVELS = 1e-3, 60  # images between two irons: what may be left, how many
_CHUNK = 1 << 15  # field values worked on at once: they then stay in the processor's cache


@dataclass(frozen=True)
class FieldInside:
    """Field in one member of a family, in the frame that has this magnet at angle zero.

    Attributes
    ----------
    x, y : ndarray, shape (through, across)
        Points of the cross-section [m]; x runs away from the shaft.
    z : ndarray, shape (height,)
        Heights from the middle, first, to the end of the magnet, last [m].
    weight : ndarray, shape (through, across, height)
        Share of the magnet's volume that a point stands for; adds up to 1. Middle and
        end have none, they are there to be looked at.
    direction : float
        Angle of the polarisation against the magnet's own radius [rad].
    along : ndarray, shape (through, across, height)
        mu0 H along the polarisation [T]; negative is a reverse field.

    """

    x: Array
    y: Array
    z: Array
    weight: Array
    direction: float
    along: Array


@dataclass(frozen=True)
class _Sheets:
    """Charged rectangles that stand along the shaft, from z = -half to half.

    Start and end have shape (2, sheet) [m]; charge is per length along the shaft [T m].
    """

    start: Array
    end: Array
    charge: Array
    half: float

    def some(self, part: slice) -> _Sheets:
        """Return some of the sheets."""
        return _Sheets(self.start[:, part], self.end[:, part], self.charge[part], self.half)

    def reflected(self, radius: float, half: float) -> _Sheets:
        """Image in an iron cylinder: every charge with its sign turned at the inverse point."""
        start, end = (radius**2 * at / (at**2).sum(axis=0) for at in (self.start, self.end))
        return _Sheets(start, end, -self.charge, min(self.half, half))


def field_inside(
    layout: Layout,
    field: AirgapField,
    family: int,
    *,
    through: int = THROUGH,
    across: int = ACROSS,
    along: int = ALONG,
) -> FieldInside:
    """Return the field in one magnet of a layout of one design, at its settled polarisation.

    Rows of a skewed rotor are taken as one magnet. Iron ends where the shorter of stack
    and magnets ends, and has its images there.

    Parameters
    ----------
    layout, field
        A batch of one.
    family : int
        Place of the family in the layout.
    through, across, along : int
        Points through the section, across half of it, and along half the length.

    References
    ----------
    Field of a charged rectangle: textbook integral of Coulomb's law (derived). Images in
    a cylinder: inversion, exact in two dimensions (derived), between two of them repeated;
    along the shaft they are as long as the magnet, exact for a flat long iron only.

    """
    shape, place = layout.shapes[family], layout.families[family].places[0]
    direction = layout.families[family].directions[0]
    z, z_weight = _heights(float(layout.length[0]), float(shape.thickness[0]), along)
    u, v = (2 * np.arange(n) + 1 - n for n in (through, 2 * across))
    # Points crowd towards the faces, where the field changes fast.
    s, t = np.sin(np.pi / 2 * u / through), np.sin(np.pi / 4 * v / across)
    mirrored = abs(np.sin(2 * direction)) < 1e-9  # then the field along m is even in y
    kept = t[across:] if mirrored else t
    x, y = _points(shape, s, kept)
    near, far = _sources(layout, field, place)
    m = np.array([np.cos(direction), np.sin(direction)])
    values = _along(near, x, y, z, m)
    if far:
        node = np.sin(np.pi / 2 * (2 * np.arange(_COARSE) + 1 - _COARSE) / _COARSE)
        low, high = kept[0], kept[-1]
        side = (low + high) / 2 + (high - low) / 2 * node
        coarse = _along(far, *_points(shape, node, side), z, m)
        values += np.einsum("ia,jb,abk->ijk", polynomial(node, s), polynomial(side, kept), coarse)
    if mirrored:
        x, y = np.hstack([x[:, ::-1], x]), np.hstack([-y[:, ::-1], y])
        values = np.concatenate([values[:, ::-1], values], axis=1)
    section = np.outer(_cells(through), _cells(2 * across))
    if isinstance(shape, Arcs):
        section = section * np.hypot(x, y)
    weight = (section / section.sum())[..., None] * z_weight
    return FieldInside(x, y, z, weight, direction, values)


def _cells(n: int) -> Array:
    """Widths of the cells round points that crowd towards both ends."""
    return np.diff(np.sin(np.pi * (np.arange(n + 1) / n - 0.5)))


def _heights(length: float, thickness: float, n: int) -> tuple[Array, Array]:
    """Gauss points that crowd towards the end, with middle and end at no weight; weights."""
    u, w = np.polynomial.legendre.leggauss(n)
    deep = np.arcsinh(length / 2 / thickness)
    t = deep * (1 - u) / 2
    z = length / 2 - thickness * np.sinh(t)
    weight = w * np.cosh(t)
    ends = [0.0]
    return (
        np.concatenate([ends, z, [length / 2]]),
        np.concatenate([ends, weight / weight.sum(), ends]),
    )


def _points(shape: Shapes, s: Array, t: Array) -> tuple[Array, Array]:
    """Points of the section from shares -1 to 1 of its thickness and of its width."""
    lo, hi = float(shape.lo[0]), float(shape.hi[0])
    depth = ((lo + hi) / 2 + (hi - lo) / 2 * s)[:, None]
    if isinstance(shape, Arcs):
        turn = float(shape.span[0]) / 2 * t
        return depth * np.cos(turn), depth * np.sin(turn)
    x, y = np.broadcast_arrays(depth, float(shape.width[0]) / 2 * t)
    return x, y


def _sources(layout: Layout, field: AirgapField, place: int) -> tuple[list[_Sheets], list[_Sheets]]:
    """Every magnet of the ring and its images, seen from the magnet at a place: near, far."""
    M = layout.magnets_per_pole_pair
    count = int(layout.pole_pairs[0]) * M
    sense = 1 if layout.outer else -1
    owner = {k: i for i, family in enumerate(layout.families) for k in family.places}
    half = float(layout.length[0]) / 2
    near: list[_Sheets] = []
    far: list[_Sheets] = []
    for offset in range(-((count - 1) // 2), count // 2 + 1):
        k, turn = place + offset, 2 * np.pi * offset / count
        source = owner[k % M]
        b = sense * 2 * np.pi * k / M + turn
        J = float(field.polarisation[source, 0]) * np.array([np.cos(b), np.sin(b)])
        close = abs(offset) <= _NEAR
        magnet = _magnet(layout.shapes[source], turn, J, half, pieces=1, fine=close)
        (near if close else far).append(magnet)
        pieces = _IMAGE_PIECES if close else 2
        magnet = _magnet(layout.shapes[source], turn, J, half, pieces=pieces, fine=close)
        first, rest = _images(magnet, layout, field)
        (near if close else far).extend(first)
        far.extend(rest)
    return _joined(near), _joined(far)


def _images(
    magnet: _Sheets, layout: Layout, field: AirgapField
) -> tuple[list[_Sheets], list[_Sheets]]:
    """Images of a magnet in each iron, and images of these in the other one."""
    irons = field.irons
    stator = (float(irons.stator[0]), float(layout.stack[0]) / 2)
    ring = (float(irons.ring[0]), magnet.half)
    there = [
        iron for iron, present in ((stator, irons.stator_iron[0]), (ring, irons.ring_iron[0]))
        if present
    ]  # fmt: skip
    first = [magnet.reflected(*iron) for iron in there]
    if len(there) < 2:
        return first, []
    # Every reflection takes a harmonic down by the ratio of the radii to its order.
    fall = int(layout.pole_pairs[0]) * abs(np.log(stator[0] / ring[0]))
    levels = min(int(np.ceil(-np.log(_IMAGE_REST) / fall)), _MOST_LEVELS)
    rest, latest = [], first
    for _ in range(levels):
        # The two always belong to different irons, each to be seen next by the other.
        there = there[::-1]
        latest = [image.reflected(*iron) for image, iron in zip(latest, there, strict=True)]
        rest += latest
    return first, rest


def _magnet(
    shape: Shapes, turn: float, J: Array, half: float, *, pieces: int, fine: bool
) -> _Sheets:
    """Charged sides of one magnet turned about the shaft; charge is J along the normal."""
    corners = _outline(shape, fine=fine)
    lengths = np.hypot(*np.diff(corners, axis=1, append=corners[:, :1]))
    c, s = np.cos(turn), np.sin(turn)
    corners = np.array([[c, -s], [s, c]]) @ corners
    after = np.roll(corners, -1, axis=1)
    # Long flat sides are cut where they are to be bent by an image.
    cuts = np.where(lengths > lengths.max() / pieces, pieces, 1)
    index = np.repeat(np.arange(len(cuts)), cuts)
    share = np.concatenate([np.arange(n) / n for n in cuts])
    step = (after - corners)[:, index] / cuts[index]
    start = corners[:, index] + (after - corners)[:, index] * share
    charge = J[0] * step[1] - J[1] * step[0]
    return _Sheets(start, start + step, charge, half)


def _outline(shape: Shapes, *, fine: bool) -> Array:
    """Corners of the section anticlockwise, shape (2, corner); arcs as chords."""
    lo, hi = float(shape.lo[0]), float(shape.hi[0])
    if not isinstance(shape, Arcs):
        w = float(shape.width[0]) / 2
        return np.array([[lo, hi, hi, lo], [-w, -w, w, w]])
    span = float(shape.span[0])
    chord = np.sqrt(8 * _SAG * (hi - lo) / hi) if fine else _FAR_CHORD
    n = int(np.ceil(span / chord)) + 1
    turn = np.linspace(-span / 2, span / 2, n + 1)
    # Outer chords touch the arc from outside, so that no point inside is left out.
    r = np.concatenate([np.full(n + 1, hi / np.cos(span / n / 2)), np.full(n + 1, lo)])
    turn = np.concatenate([turn, turn[::-1]])
    return np.array([r * np.cos(turn), r * np.sin(turn)])


def _joined(parts: list[_Sheets]) -> list[_Sheets]:
    """Sheets of one length in one."""
    joined = []
    for half in sorted({part.half for part in parts}):
        same = [part for part in parts if part.half == half]
        start, end = (
            np.concatenate([getattr(part, side) for part in same], axis=1)
            for side in ("start", "end")
        )
        joined.append(_Sheets(start, end, np.concatenate([p.charge for p in same]), half))
    return joined


def _along(sources: list[_Sheets], x: Array, y: Array, z: Array, m: Array) -> Array:
    """Field along a direction at all points and heights, shape (*x.shape, height) [T]."""
    points = np.array([x.ravel(), y.ravel()])
    total = np.zeros((points.shape[1], len(z)))
    for sheets in sources:
        step = max(_CHUNK // total.size, 1)
        for i in range(0, len(sheets.charge), step):
            total += _sheet_field(sheets.some(slice(i, i + step)), points, z, m)
    return total.reshape(*x.shape, len(z))


def _sheet_field(sheets: _Sheets, points: Array, z: Array, m: Array) -> Array:
    """Sum of charged rectangles' fields along m, shape (point, height).

    Across a rectangle of density q the field is ``q/4pi sum +-atan(U Z/(w r))``, along it
    ``q/4pi sum +-asinh(Z/rho)`` over its corners, with U, Z the distances to a corner,
    w that to its plane, rho that to the edge and r that to the corner itself.
    """
    length = np.hypot(*(sheets.end - sheets.start))
    e = (sheets.end - sheets.start) / length
    from_start = points[:, None, :] - sheets.start[:, :, None]
    U1 = -(from_start * e[:, :, None]).sum(axis=0)
    U2 = U1 + length[:, None]
    w = e[0][:, None] * from_start[1] - e[1][:, None] * from_start[0]
    away = np.abs(w)[..., None]
    near, far = U1[..., None], U2[..., None]
    rho1, rho2 = near**2 + away**2, far**2 + away**2  # squared
    across, ratio = np.zeros(1), np.ones(1)
    for Z in (sheets.half - z, sheets.half + z):
        r1, r2 = np.sqrt(rho1 + Z**2), np.sqrt(rho2 + Z**2)
        # Angles of two corners add up by the product of complex numbers, under half a turn.
        across = across + np.arctan2(
            far * Z * away * r1 - near * Z * away * r2, away**2 * r1 * r2 + far * near * Z**2
        )
        ratio = ratio * _beyond(Z, r2, rho2) / _beyond(Z, r1, rho1)
    tangent = np.log(ratio * rho1 / rho2)
    q = sheets.charge / length / (4 * np.pi)
    normal = (e[0] * m[1] - e[1] * m[0]) * q
    straight = (e * m[:, None]).sum(axis=0) * q
    return np.asarray(
        np.einsum("s,spk->pk", straight, tangent)
        + np.einsum("sp,spk->pk", normal[:, None] * np.sign(w), across)
    )


def _beyond(Z: Array, r: Array, rho2: Array) -> Array:
    """Z + r, without cancellation where a height is beyond the rectangle's end."""
    return np.asarray(np.where(Z >= 0, Z + r, rho2 / (r - Z)))


def polynomial(nodes: Array, at: Array) -> Array:
    """Values at points from values at nodes, by the polynomial through them, (point, node)."""
    apart = nodes[:, None] - nodes + np.eye(len(nodes))
    away = (at[:, None] - nodes)[:, None, :]
    itself = np.eye(len(nodes), dtype=bool)
    return np.asarray(np.where(itself, 1.0, away / apart).prod(axis=2))
