"""Pockets in the printed carrier: where they are open, what their corners need, batch by batch.

Print in front of or behind a pocket that would be thinner than a printed wall is left out, so the
pocket is open there; a skin that the study asks for stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from arrayopt.layout.build import MM, Layout
from arrayopt.layout.shapes import Arcs, Array, Shapes

SLIVER = 0.2e-3  # m; print thinner than this is not made whatever rotor.wall_mm says
_BEHIND_RELIEF = 0.4e-3  # m of print that must be left behind a corner's relief
_HAIR = 2e-7  # m
_PAST = 1e-3  # of a radius, by which open pockets reach past the print's edge


@dataclass(frozen=True)
class Ring:
    """Inner and outer radius of the print round the magnets, and its edge at the gap [m].

    Arrays have shape (design,).
    """

    lo: Array
    hi: Array
    gap_side: Array


@dataclass(frozen=True)
class Pockets:
    """Pockets of one family, in the frame of a magnet at angle zero; arrays (design,).

    Attributes
    ----------
    body : ndarray of shapely polygons
        The magnet with its clearance, carried on through sides that are open all over.
    mouth : ndarray of shapely polygons
        Opening between lips; of no area where there is none.
    near, far : ndarray
        Faces of the pocket towards the shaft and away from it, where closed [m].
    front, behind : ndarray
        Print towards the gap and at the back, at its thinnest [m]; lips are as thick as it.
    closed, lipped, backed : ndarray of bool
        Whether print is all over the gap's side, only in lips, and all over the back.
    gap_relief, back_relief : ndarray of bool
        Whether the two corners towards the gap, and those at the back, have a relief.

    """

    body: NDArray[np.object_]
    mouth: NDArray[np.object_]
    near: Array
    far: Array
    front: Array
    behind: Array
    closed: Array
    lipped: Array
    backed: Array
    gap_relief: Array
    back_relief: Array


def carrier_ring(layout: Layout) -> Ring:
    """Return the ring of print from the skin on the gap side to the backing or steel ring."""
    skin = layout.column(lambda s: s.carrier.skin_mm) * MM
    backing = layout.column(lambda s: s.carrier.backing_mm) * MM
    sign = 1 if layout.outer else -1
    gap_side = layout.gap_radius - sign * skin
    back = layout.ring_radius + sign * np.where(layout.ring_thickness > 0, 0, backing)
    return Ring(np.maximum(np.minimum(gap_side, back), 0), np.maximum(gap_side, back), gap_side)


def family_pockets(layout: Layout, ring: Ring, family: int) -> Pockets:
    """Return the pockets of a family of every design of a batch."""
    shape, c = layout.shapes[family], layout.clearance
    near, far = shape.lo - c, shape.hi + c
    # Print between the pocket and either edge of the ring, at its thinnest.
    inside, outside = near - ring.lo, ring.hi - _reach(shape, far, c)
    front, behind = (inside, outside) if layout.outer else (outside, inside)
    least = np.maximum(layout.column(lambda s: s.rotor.wall_mm) * MM, SLIVER)
    skin = layout.column(lambda s: s.carrier.skin_mm) * MM
    lip = layout.column(lambda s: s.carrier.lip_mm or 0.0) * MM
    # A skin is as the study has it, however thin; set-back magnets have print before them.
    closed = (skin > 0) & ((lip == 0) | (front > skin + _HAIR))
    open_gap, open_back = ((front < least) | (skin > 0)) & ~closed, behind < least
    wide_gap = open_gap & (lip == 0)
    low, high = (wide_gap, open_back) if layout.outer else (open_back, wide_gap)
    body = shape.outlines(
        lo=np.where(low, _below(shape, ring.lo, c), near),
        hi=np.where(high, ring.hi * (1 + _PAST), far),
        widen=c,
    )
    room = layout.column(lambda s: s.carrier.corner_relief_mm) * MM
    some = room > 0
    return Pockets(
        body=body,
        mouth=_mouths(layout, shape, ring, near=near, far=far, where=open_gap & ~wide_gap),
        near=near,
        far=far,
        front=front,
        behind=behind,
        closed=~open_gap,
        lipped=open_gap & ~wide_gap,
        backed=~open_back,
        gap_relief=some & ~open_gap & (front >= room + _BEHIND_RELIEF),
        back_relief=some & ~open_back & (behind >= room + _BEHIND_RELIEF),
    )


def _mouths(
    layout: Layout, shape: Shapes, ring: Ring, *, near: Array, far: Array, where: Array
) -> NDArray[np.object_]:
    """Return openings between lips; of no depth where there are none."""
    lip = layout.column(lambda s: s.carrier.lip_mm or 0.0) * MM
    # They share a hair's breadth with the pocket, whose curved face is chords of another length.
    lo = _below(shape, ring.lo, layout.clearance) if layout.outer else far - _HAIR
    hi = near + _HAIR if layout.outer else ring.hi * (1 + _PAST)
    lo, hi = np.where(where, lo, near), np.where(where, hi, near)
    return shape.outlines(lo=lo, hi=hi, widen=layout.clearance - lip)


def _reach(shape: Shapes, far: Array, clearance: Array) -> Array:
    """Farthest point of a pocket from the shaft."""
    if isinstance(shape, Arcs):
        return far
    return np.asarray(np.hypot(far, shape.width / 2 + clearance))


def _below(shape: Shapes, radius: Array, clearance: Array) -> Array:
    """Face of a pocket that reaches past a circle inside it over the whole width."""
    if isinstance(shape, Arcs):
        return np.asarray(radius * (1 - _PAST))
    half = shape.width / 2 + clearance
    return np.asarray(np.sqrt(np.maximum(radius**2 - half**2, 0)) * (1 - _PAST))
