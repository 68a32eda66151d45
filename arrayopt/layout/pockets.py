"""Pockets in the printed carrier: where they are open, what their corners need, batch by batch.

Print in front of or behind a pocket that would be thinner than a printed wall is left out, so the
pocket is open there; a skin and a backing that the study asks for stay. One pocket is described
in the frame of `arrayopt.layout.shapes`, arrays of shape (design,), metres; areas are closed
forms, so that a search pays next to nothing for them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arrayopt.layout.build import Layout
from arrayopt.layout.shapes import LEAST_RADIUS, Arcs
from arrayopt.quantities import MM, Array

SLIVER = 0.2e-3  # m; print thinner than this is not made whatever rotor.wall_mm says
_BEHIND_RELIEF = 0.4e-3  # m of print that must be left behind a corner's relief
_RELIEF_SHARE = 0.4  # of a pocket's half width: two reliefs at a face leave print between them
_TOLERANCE = 1e-9  # m, of sizes that are compared
_WIDEST = np.sin(np.radians(60))  # half of an opening over the radius of the circle it meets


@dataclass(frozen=True)
class Ring:
    """Inner and outer radius of the print round the magnets, its edges at gap and back [m].

    The floor reaches under a steel ring, which stands on it. Arrays have shape (design,).
    """

    lo: Array
    hi: Array
    gap_side: Array
    back: Array
    floor_lo: Array
    floor_hi: Array


@dataclass(frozen=True)
class Pockets:
    """Pockets of one family, in the frame of a magnet at angle zero; arrays (design,).

    Attributes
    ----------
    arc : bool
        Faces are circles about the shaft, else flat.
    sign : int
        1 where the gap is on the shaft's side, as on an outer rotor, else -1.
    gap_face, back_face : ndarray
        Distance of the pocket's faces from the shaft, where closed [m].
    half : ndarray
        Blocks: half of the pocket's width [m]. Arcs: half of the magnet's span [rad].
    clearance : ndarray
        Pocket larger than the magnet, each side [m].
    ring : Ring
        The print that they are cut out of.
    front, behind : ndarray
        Print towards the gap and at the back, at its thinnest [m]; lips are as thick as it.
    gap_narrower, back_narrower : ndarray
        By which the opening on that side is narrower than the pocket, each side [m]; NaN where
        print closes it.
    gap_relief, back_relief : ndarray
        Radius of the reliefs at the two corners of that face [m]; 0 where there are none.

    """

    arc: bool
    sign: int
    gap_face: Array
    back_face: Array
    half: Array
    clearance: Array
    ring: Ring
    front: Array
    behind: Array
    gap_narrower: Array
    back_narrower: Array
    gap_relief: Array
    back_relief: Array

    @property
    def closed(self) -> Array:
        """Whether print is all over the gap's side."""
        return np.asarray(np.isnan(self.gap_narrower))

    @property
    def lipped(self) -> Array:
        """Whether print is on the gap's side only in lips."""
        return np.asarray(self.gap_narrower > 0)

    @property
    def backed(self) -> Array:
        """Whether print is all over the back."""
        return np.asarray(np.isnan(self.back_narrower))

    @property
    def area(self) -> Array:
        """Area that is cut out of the ring of print [m2]."""
        at_gap = self._corner(self.gap_relief, self.gap_face, beyond=self.sign < 0)
        at_back = self._corner(self.back_relief, self.back_face, beyond=self.sign > 0)
        return np.asarray(self._section(moment=False) + 2 * (at_gap + at_back))

    @property
    def second_moment(self) -> Array:
        """Polar second moment of that area about the shaft [m4]."""
        moment = self._section(moment=True)
        for radius, face, side in (
            (self.gap_relief, self.gap_face, -self.sign),
            (self.back_relief, self.back_face, self.sign),
        ):
            # So small that it counts as standing in its centroid, 4/(3 pi) radii off its edge.
            across = 0.0 if self.arc else self.half - radius
            square = (face + side * 4 / (3 * np.pi) * radius) ** 2 + across**2
            moment = moment + 2 * self._corner(radius, face, beyond=side > 0) * square
        return np.asarray(moment)

    def _section(self, *, moment: bool) -> Array:
        """Integrate over pocket and openings, signed: what sticks out of the print is not cut."""
        total = self._within(self.back_face, 0.0, moment) - self._within(self.gap_face, 0.0, moment)
        for narrower, face, circle, side in (
            (self.gap_narrower, self.gap_face, self.ring.gap_side, -1),
            (self.back_narrower, self.back_face, self.ring.back, 1),
        ):
            opened = ~np.isnan(narrower)
            if opened.any():
                n = np.where(opened, narrower, 0.0)
                neck = self._to_circle(circle, n, moment) - self._within(face, n, moment)
                total = total + np.where(opened, side * neck, 0.0)
        return np.asarray(self.sign * total)

    def _within(self, face: Array, narrower: Array | float, moment: bool) -> Array:
        """Integral over what lies between the shaft and a face, some narrower than the pocket."""
        if self.arc:
            return self._to_circle(face, narrower, moment)
        h = self.half - narrower
        return np.asarray(2 * h * face * ((face**2 + h**2) / 3 if moment else 1))

    def _to_circle(self, radius: Array, narrower: Array | float, moment: bool) -> Array:
        """Integral over what lies between the shaft and a circle about it."""
        if not self.arc:
            # Integrals over y of x = sqrt(r2 - y2), and of x3/3 + x y2 = r2 x - 2 x3/3.
            h = self.half - narrower
            x = np.sqrt(np.maximum(radius**2 - h**2, 0))
            area = h * x + radius**2 * np.arcsin(np.minimum(h / radius, 1))
            return np.asarray(radius**2 * area / 2 - h * x**3 / 3 if moment else area)
        # Sides parallel to the radius at a distance d beyond it reach to the angle asin(d/r).
        d = self.clearance - narrower
        beyond = np.arcsin(np.clip(d / radius, -1, 1))
        x = np.sqrt(np.maximum(radius**2 - d**2, 0))
        if moment:
            return np.asarray(radius**4 / 2 * (self.half + beyond) + d / 2 * (x**3 / 3 + d**2 * x))
        return np.asarray(radius**2 * (self.half + beyond) + d * x)

    def _corner(self, radius: Array, face: Array, *, beyond: bool) -> Array:
        """Area of the relief at one corner: a disc centred on the face, its part in the print."""
        if not self.arc:
            return np.asarray(np.pi / 2 * radius**2)
        within = (
            radius**2 * np.arccos(radius / (2 * face))
            + 2 * face**2 * np.arcsin(radius / (2 * face))
            - radius / 2 * np.sqrt(4 * face**2 - radius**2)
        )
        return np.asarray(np.pi * radius**2 - within if beyond else within)


def carrier_ring(layout: Layout) -> Ring:
    """Return the ring of print from the skin on the gap side to the backing or steel ring."""
    skin = layout.column(lambda s: s.carrier.skin_mm) * MM
    backing = layout.column(lambda s: s.carrier.backing_mm) * MM
    sign = layout.sign
    gap_side = layout.gap_radius - sign * skin
    back = layout.ring_radius + sign * np.where(layout.ring_thickness > 0, 0, backing)
    gap_side, back = np.maximum(gap_side, 0), np.maximum(back, 0)
    lo, hi = np.minimum(gap_side, back), np.maximum(gap_side, back)
    under = np.maximum(layout.ring_radius + sign * layout.ring_thickness, 0)
    ringed = layout.ring_thickness > 0
    return Ring(
        lo, hi, gap_side, back,
        floor_lo=np.where(ringed, np.minimum(lo, under), lo),
        floor_hi=np.where(ringed, np.maximum(hi, under), hi),
    )  # fmt: skip


def family_pockets(layout: Layout, ring: Ring, family: int) -> Pockets:
    """Return the pockets of a family of every design of a batch.

    What is left out goes over the pocket's whole width, but behind flat magnets on a steel
    ring round the shaft, where the print grows thicker to both sides, only where it is thin.
    """
    shape, c = layout.shapes[family], layout.clearance
    arc, sign = isinstance(shape, Arcs), layout.sign
    near, far = np.maximum(shape.lo - c, LEAST_RADIUS), shape.hi + c
    gap_face, back_face = (near, far) if layout.outer else (far, near)
    half = np.asarray(shape.span / 2 if isinstance(shape, Arcs) else shape.width / 2 + c)
    # Print between the pocket and either edge of the ring: a flat face is nearest to the shaft
    # in its middle and farthest at its corners.
    inside, outside = near - ring.lo, ring.hi - (far if arc else np.hypot(far, half))
    front, behind = (inside, outside) if layout.outer else (outside, inside)
    least = np.maximum(layout.column(lambda s: s.rotor.wall_mm) * MM, SLIVER)
    skin = layout.column(lambda s: s.carrier.skin_mm) * MM
    lip = layout.column(lambda s: s.carrier.lip_mm or 0.0) * MM
    # Skin and backing are as the study has them, however thin; set-back magnets have print
    # before them.
    closed = np.where(
        skin > 0, (lip == 0) | (front > skin + _TOLERANCE), front >= least - _TOLERANCE
    )
    ringed = layout.ring_thickness > 0
    backed = np.where(ringed, behind >= least - _TOLERANCE, behind > _TOLERANCE)
    gap_narrower = np.where(closed, np.nan, np.where(skin > 0, lip, 0.0))
    back_narrower = np.where(backed, np.nan, 0.0)
    if not arc:
        reach = _WIDEST * ring.back
        if not layout.outer:
            thin = np.sqrt(np.maximum((ring.back + least) ** 2 - back_face**2, 0))
            reach = np.minimum(reach, np.maximum(thin, SLIVER))
        gap_narrower = np.maximum(gap_narrower, half - _WIDEST * ring.gap_side)
        back_narrower = np.maximum(back_narrower, half - reach)
    relief = layout.column(lambda s: s.carrier.corner_relief_mm) * MM
    room = relief + _BEHIND_RELIEF - _TOLERANCE
    at_gap, at_back = (
        np.where(np.isnan(narrower) & (print_left >= room),
                 np.minimum(relief, _RELIEF_SHARE * (half * face if arc else half)), 0.0)
        for narrower, print_left, face in (
            (gap_narrower, front, gap_face), (back_narrower, behind, back_face),
        )
    )  # fmt: skip
    return Pockets(
        arc=arc, sign=sign, gap_face=gap_face, back_face=back_face, half=half, clearance=c,
        ring=ring, front=front, behind=behind, gap_narrower=gap_narrower,
        back_narrower=back_narrower, gap_relief=at_gap, back_relief=at_back,
    )  # fmt: skip
