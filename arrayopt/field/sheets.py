"""Magnets as charged rectangles that stand along the shaft, and the field of these.

A magnet of one polarisation along its cross-section is a prism whose sides carry magnetic
charge, and a charged rectangle has a closed form. So blocks and arcs are the same code.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from arrayopt.layout.shapes import Arcs, Shapes
from arrayopt.quantities import Array

FINE = 2e-4  # sag of a chord that stands for an arc, over the magnet's thickness
_LEAST = 1e-24  # m2
_FAR_CHORD = 0.1  # rad, of arcs far away


@dataclass(frozen=True)
class Sheets:
    """Charged rectangles that stand along the shaft, from z = -half to half.

    Start and end have shape (2, sheet) [m]; charge is per length along the shaft [T m].
    """

    start: Array
    end: Array
    charge: Array
    half: float

    def some(self, part: slice) -> Sheets:
        """Return some of the sheets."""
        return Sheets(self.start[:, part], self.end[:, part], self.charge[part], self.half)

    def reflected(self, radius: float, half: float) -> Sheets:
        """Image in an iron cylinder: every charge with its sign turned at the inverse point."""
        start, end = (radius**2 * at / (at**2).sum(axis=0) for at in (self.start, self.end))
        return Sheets(start, end, -self.charge, min(self.half, half))


def magnet_sheets(
    shape: Shapes, turn: float, J: Array, half: float, *, pieces: int, sag: float | None
) -> Sheets:
    """Charged sides of one magnet turned about the shaft; charge is J along the normal.

    Arcs are chords of a sag over the thickness, or coarse ones where none is given.
    """
    corners = _outline(shape, sag)
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
    return Sheets(start, start + step, charge, half)


def _outline(shape: Shapes, sag: float | None) -> Array:
    """Corners of the section anticlockwise, shape (2, corner); arcs as chords."""
    lo, hi = float(shape.lo[0]), float(shape.hi[0])
    if not isinstance(shape, Arcs):
        w = float(shape.width[0]) / 2
        return np.array([[lo, hi, hi, lo], [-w, -w, w, w]])
    span = float(shape.span[0])
    chord = _FAR_CHORD if sag is None else np.sqrt(8 * sag * (hi - lo) / hi)
    n = int(np.ceil(span / chord)) + 1
    turn = np.linspace(-span / 2, span / 2, n + 1)
    # Outer chords touch the arc from outside, so that no point inside is left out.
    r = np.concatenate([np.full(n + 1, hi / np.cos(span / n / 2)), np.full(n + 1, lo)])
    turn = np.concatenate([turn, turn[::-1]])
    return np.array([r * np.cos(turn), r * np.sin(turn)])


def joined(parts: list[Sheets]) -> list[Sheets]:
    """Sheets of one length in one."""
    joined = []
    for half in sorted({part.half for part in parts}):
        same = [part for part in parts if part.half == half]
        start, end = (
            np.concatenate([getattr(part, side) for part in same], axis=1)
            for side in ("start", "end")
        )
        joined.append(Sheets(start, end, np.concatenate([p.charge for p in same]), half))
    return joined


def field_along(sheets: Sheets, points: Array, z: Array, m: Array) -> Array:
    """Sum of charged rectangles' fields along m, at points (2, point), shape (point, height)."""
    terms = _terms(sheets, points, z)
    normal = (terms.e[0] * m[1] - terms.e[1] * m[0]) * terms.q
    straight = (terms.e * m[:, None]).sum(axis=0) * terms.q
    return np.asarray(
        np.einsum("s,spk->pk", straight, terms.along) + np.einsum("s,spk->pk", normal, terms.across)
    )


def sheet_fields(sheets: Sheets, points: Array, z: Array) -> Array:
    """Field of each charged rectangle, shape (3, sheet, point, height) [T].

    Parameters
    ----------
    sheets : Sheets
    points : ndarray, shape (2, point)
        Across the shaft [m].
    z : ndarray, shape (height,) or (point, height)
        Along the shaft [m].

    """
    terms = _terms(sheets, points, z)
    along, across = terms.q[:, None, None] * terms.along, terms.q[:, None, None] * terms.across
    e = terms.e[:, :, None, None]
    up = terms.q[:, None, None] * _upward(sheets.half, terms, z)
    return np.stack([e[0] * along - e[1] * across, e[1] * along + e[0] * across, up])


class _Terms(NamedTuple):
    """Directions of rectangles, their density over 4 pi, and their field over that density.

    Distances in the section along (near, far) and across (away) have shape (sheet, point, 1),
    the field's parts along and across each rectangle (sheet, point, height).
    """

    e: Array
    q: Array
    near: Array
    far: Array
    away: Array
    along: Array
    across: Array


def _terms(sheets: Sheets, points: Array, z: Array) -> _Terms:
    """Return what the field is made of.

    Across a rectangle of density q it is ``q/4pi sum +-atan(U Z/(w r))``, along it
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
    q = sheets.charge / length / (4 * np.pi)
    return _Terms(
        e, q, near, far, away, np.log(ratio * rho1 / rho2), np.sign(w)[..., None] * across
    )


def _upward(half: float, terms: _Terms, z: Array) -> Array:
    """Field along the shaft: ``sum +-asinh(U/sqrt(w^2 + Z^2))`` over the corners, over q."""
    ratio = np.ones(1)
    for Z, sign in ((half - z, 1), (half + z, -1)):
        rho = terms.away**2 + Z**2 + _LEAST  # in line with an edge both corners go to zero
        top = _beyond(terms.far, np.sqrt(terms.far**2 + rho), rho)
        low = _beyond(terms.near, np.sqrt(terms.near**2 + rho), rho)
        ratio = ratio * (top / low) ** sign
    return np.asarray(np.log(ratio))


def _beyond(Z: Array, r: Array, rho2: Array) -> Array:
    """Z + r, without cancellation where Z is negative: beyond the rectangle's end."""
    both = np.abs(Z) + r
    return np.asarray(np.where(Z >= 0, both, rho2 / both))
