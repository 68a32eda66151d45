"""The two magnet shapes, each as a batch of designs, in the frame of a magnet at angle zero.

Lengths are in metres; x runs along the magnet's outward radius, y along the
circumference. ``lo`` and ``hi`` are the faces nearer to and farther from the shaft.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

from arrayopt.quantities import Array

LEAST_RADIUS = 1e-6  # m; magnets that reach the shaft's centre are a fault of their own
_SIDE_POINTS = 65  # points along each curved side of an arc's polygon


@cache
def gauss_points(count: int) -> tuple[Array, Array]:
    """Gauss-Legendre points and weights on -1..1, found once; not to be changed in place."""
    points, weights = np.polynomial.legendre.leggauss(count)
    points.flags.writeable = weights.flags.writeable = False
    return points, weights


@dataclass(frozen=True)
class _Sections:
    """What both shapes share: faces at lo and hi, shape (design,) each [m]."""

    lo: Array
    hi: Array

    @property
    def thickness(self) -> Array:
        """Size along the radius [m]."""
        return self.hi - self.lo

    @property
    def inner_radius(self) -> Array:
        """Distance of the nearest point from the shaft [m]."""
        return self.lo


@dataclass(frozen=True)
class Blocks(_Sections):
    """Rectangles: faces at x = lo and x = hi, shape (design,) each [m]."""

    width: Array

    @property
    def area(self) -> Array:
        """Area of the cross-section [m2]."""
        return np.asarray(self.width * self.thickness)

    @property
    def outer_radius(self) -> Array:
        """Distance of the outer corners from the shaft [m]."""
        return np.hypot(self.hi, self.width / 2)

    @property
    def second_moment(self) -> Array:
        """Polar second moment of area about the shaft [m4]."""
        centre = (self.lo + self.hi) / 2
        return np.asarray(self.area * (centre**2 + (self.width**2 + self.thickness**2) / 12))

    def half_angle(self, *, clearance: Array) -> Array:
        """Half of the angle that the section, grown by a clearance, spans at the shaft [rad]."""
        near = np.maximum(self.lo - clearance, LEAST_RADIUS)
        return np.asarray(np.arctan2(self.width / 2 + clearance, near))

    @cached_property
    def polygons(self) -> NDArray[np.object_]:
        """Cross-sections as shapely polygons."""
        return self.outlines(lo=self.lo, hi=self.hi, widen=np.zeros_like(self.lo))

    def outlines(self, *, lo: Array, hi: Array, widen: Array) -> NDArray[np.object_]:
        """Return sections between other faces, their sides moved outwards, as polygons."""
        half = np.maximum(self.width / 2 + widen, 0)
        return np.asarray(shapely.box(lo, -half, hi, half))

    def cross_points(self, n: int) -> tuple[Array, Array, Array]:
        """Return Gauss points x, y and weights (sum 1) over the section, (design, n*n)."""
        u, w = gauss_points(n)
        u, w = u / 2, w / 2
        x = (self.lo + self.hi)[:, None] / 2 + self.thickness[:, None] * np.repeat(u, n)
        y = self.width[:, None] * np.tile(u, n)
        return x, y, np.broadcast_to(np.outer(w, w).ravel(), x.shape)


@dataclass(frozen=True)
class Arcs(_Sections):
    """Ring segments from radius lo to hi with radial sides, shape (design,) each [m, rad]."""

    span: Array

    @property
    def width(self) -> Array:
        """Size along the circumference at mid-thickness [m]."""
        return np.asarray(self.span * (self.lo + self.hi) / 2)

    @property
    def area(self) -> Array:
        """Area of the cross-section [m2]."""
        return np.asarray(self.width * self.thickness)

    @property
    def outer_radius(self) -> Array:
        """Outer radius [m]."""
        return self.hi

    @property
    def second_moment(self) -> Array:
        """Polar second moment of area about the shaft [m4]."""
        return np.asarray(self.span * (self.hi**4 - self.lo**4) / 4)

    def half_angle(self, *, clearance: Array) -> Array:
        """Half of the angle that the section, grown by a clearance, spans at the shaft [rad]."""
        near = np.maximum(self.lo - clearance, LEAST_RADIUS)
        return np.asarray(self.span / 2 + clearance / near)

    @cached_property
    def polygons(self) -> NDArray[np.object_]:
        """Cross-sections as shapely polygons; corners exact, curved sides as fine chords."""
        turn = self.span[:, None] * np.linspace(-0.5, 0.5, _SIDE_POINTS)
        c, s = np.cos(turn), np.sin(turn)
        x = np.hstack([self.hi[:, None] * c, self.lo[:, None] * c[:, ::-1]])
        y = np.hstack([self.hi[:, None] * s, self.lo[:, None] * s[:, ::-1]])
        return np.asarray(shapely.polygons(np.stack([x, y], axis=-1)))

    def outlines(self, *, lo: Array, hi: Array, widen: Array) -> NDArray[np.object_]:
        """Return sections between other radii, their sides moved outwards, as polygons."""
        # The sides stay straight and parallel to the radial ones.
        sides = [np.arcsin(np.clip(widen / np.maximum(r, LEAST_RADIUS), -1, 1)) for r in (lo, hi)]
        low, high = (np.maximum(self.span / 2 + side, 0) for side in sides)
        share = np.linspace(-1, 1, _SIDE_POINTS)
        outer, inner = high[:, None] * share, low[:, None] * share[::-1]
        x = np.hstack([hi[:, None] * np.cos(outer), lo[:, None] * np.cos(inner)])
        y = np.hstack([hi[:, None] * np.sin(outer), lo[:, None] * np.sin(inner)])
        return np.asarray(shapely.polygons(np.stack([x, y], axis=-1)))

    def cross_points(self, n: int) -> tuple[Array, Array, Array]:
        """Return Gauss points x, y and weights (sum 1) over the section, (design, n*n)."""
        u, w = gauss_points(n)
        u, w = u / 2, w / 2
        r = (self.lo + self.hi)[:, None] / 2 + self.thickness[:, None] * np.repeat(u, n)
        turn = self.span[:, None] * np.tile(u, n)
        weight = np.outer(w, w).ravel() * r
        return r * np.cos(turn), r * np.sin(turn), weight / weight.sum(axis=1, keepdims=True)


Shapes = Blocks | Arcs


def pocket_polygons(shape: Shapes, *, clearance: Array) -> NDArray[np.object_]:
    """Return cross-sections grown by a clearance on every side, corners square."""
    return shape.outlines(lo=shape.lo - clearance, hi=shape.hi + clearance, widen=clearance)
