"""The least part of a motor that repeats, and its meshes: copies of half slots and half poles.

All copies are alike to the last digit, every other one mirrored. So no tooth and no pole
differs from another, and torque has the period that slots and poles give it.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Any

import numpy as np

from arrayopt.confirmation.cells import Cell
from arrayopt.confirmation.library import meshing, ngs
from arrayopt.confirmation.windings import coil_sides
from arrayopt.layout import Layout
from arrayopt.machine import winding_of
from arrayopt.quantities import Array

_CURVED = 3  # order that arcs are followed by
_ON = 1e-8  # m, off a side


@dataclass(frozen=True)
class Sector:
    """Part of a motor from a slot's middle over some slots.

    Attributes
    ----------
    teeth : int
    span : float
        [rad].
    sign : int
        Of the field in the next sector against this one: -1 where poles alternate between them.
    copies : int
        Sectors of a motor.

    """

    teeth: int
    span: float
    sign: int
    copies: int

    @property
    def closed(self) -> bool:
        """Whether it is the whole motor."""
        return self.copies == 1


def sector_of(layout: Layout) -> Sector:
    """Return the least part that repeats, with one sign or the other."""
    study, Q = layout.studies[0], layout.studies[0].stator.slots
    teeth, sign = winding_of(study).period, 1
    if layout.magnets_per_pole_pair % 2 == 0 and teeth % 2 == 0:
        half = coil_sides(study)[: 2 * (teeth // 2)]
        other = coil_sides(study)[2 * (teeth // 2) : 2 * teeth]
        if np.array_equal(half, -other):
            teeth, sign = teeth // 2, -1
    return Sector(teeth, 2 * pi * teeth / Q, sign, Q // teeth)


@dataclass(frozen=True)
class Mesh:
    """Mesh of one side of the airgap.

    Attributes
    ----------
    mesh : ngsolve.Mesh
        Curved along circles; regions as in the cell, those of ``slot`` and ``magnet``
        numbered by half slot and place.
    radii : dict of str to float
        Circles of the mesh [m].
    slaves : frozenset of int
        Points on the sector's last side, where they are not those of its first.
    copy, element : ndarray of int
        Of each triangle: which copy of the cell, and which triangle of it.

    """

    mesh: Any
    radii: dict[str, float]
    slaves: frozenset[int]
    copy: Array
    element: Array
    _deformation: Any


def repeated(cell: Cell, sector: Sector, *, pieces: int = 0) -> Mesh:
    """Put copies of a cell side by side, every other one mirrored, until the sector is full.

    Parameters
    ----------
    cell : Cell
    sector : Sector
    pieces : int
        Magnets over two copies; 0 on the stator.

    """
    copies = round(sector.span / cell.span)
    points, ids = _points(cell, copies, closed=sector.closed)
    mesh = meshing.Mesh(dim=2)
    mesh.AddPoints(np.ascontiguousarray(np.c_[points, np.zeros(len(points))]))
    regions, circles = np.array(cell.regions), np.array(cell.circles)
    groups: dict[str, list[tuple[int, Array]]] = {}
    for name in sorted(set(cell.regions)):
        for copy in range(copies):
            group = groups.setdefault(_region(name, copy, pieces), [])
            group.append((copy, np.flatnonzero(regions == name)))
    which: list[Array] = []
    for region, parts in groups.items():
        corners = []
        for copy, elements in parts:
            triangles = ids[copy][cell.triangles[elements]]
            corners.append(triangles[:, [0, 2, 1]] if copy % 2 else triangles)
            which.append(np.array([np.full(len(elements), copy), elements]))
        data = np.ascontiguousarray(np.concatenate(corners), dtype=np.int32)
        mesh.AddElements(dim=2, index=mesh.AddRegion(region, 2), data=data)
    radii = {}
    for name in sorted(set(cell.circles)):
        arcs = np.concatenate([ids[copy][cell.arcs[circles == name]] for copy in range(copies)])
        data = np.ascontiguousarray(arcs, dtype=np.int32)
        mesh.AddElements(dim=1, index=mesh.AddRegion(name, 1), data=data)
        radii[name] = float(np.hypot(*points[arcs[0, 0]]))
    slaves = []
    if not sector.closed:
        first, last = _sides(cell)[0], _sides(cell)[copies % 2]
        for one, other in zip(ids[0][first], ids[copies - 1][last], strict=True):
            slaves.append(int(other))
            mesh.AddPointIdentification(_id(one), _id(other), 1)
    solid = ngs.Mesh(mesh)
    deformation = _curved(solid, radii)
    copy, element = np.concatenate(which, axis=1)
    return Mesh(solid, radii, frozenset(slaves), copy, element, deformation)


def _id(point: int) -> Any:
    return meshing.PointId(int(point) + 1)


def _region(name: str, copy: int, pieces: int) -> str:
    if name == "slot":
        return f"slot{copy}"
    if name.startswith("magnet"):
        place = int(name.removeprefix("magnet"))
        return f"magnet{(copy + copy % 2) // 2 * pieces + (-place if copy % 2 else place)}"
    return name


def _sides(cell: Cell) -> tuple[Array, Array]:
    """Points at angle 0 and at the cell's end, from the shaft outwards."""
    radius = np.hypot(*cell.points.T)
    angle = np.arctan2(cell.points[:, 1], cell.points[:, 0])
    on = (np.flatnonzero(np.abs(angle - a) * radius < _ON) for a in (0.0, cell.span))
    first, last = (side[np.argsort(radius[side])] for side in on)
    return first, last


def _points(cell: Cell, copies: int, *, closed: bool) -> tuple[Array, list[Array]]:
    """Points of all copies, those that neighbours share once, and their numbers in each copy."""
    radius = np.hypot(*cell.points.T)
    angle = np.arctan2(cell.points[:, 1], cell.points[:, 0])
    sides = _sides(cell)
    inside = np.setdiff1d(np.arange(len(radius)), np.concatenate(sides))
    found: list[Array] = []
    count = 0

    def new(points: Array, angles: Array) -> Array:
        nonlocal count
        found.append(np.array([radius[points] * np.cos(angles), radius[points] * np.sin(angles)]))
        count += len(points)
        return np.arange(count - len(points), count)

    first = shared = new(sides[0], np.zeros(len(sides[0])))
    ids = []
    for copy in range(copies):
        mirrored = copy % 2
        numbers = np.empty(len(radius), dtype=int)
        numbers[sides[mirrored]] = shared
        numbers[inside] = new(
            inside, (copy + mirrored) * cell.span + (-1) ** mirrored * angle[inside]
        )
        end = sides[1 - mirrored]
        last = closed and copy == copies - 1
        shared = first if last else new(end, np.full(len(end), (copy + 1) * cell.span))
        numbers[end] = shared
        ids.append(numbers)
    return np.concatenate(found, axis=1).T, ids


def _curved(mesh: Any, radii: dict[str, float]) -> Any:
    """Move edges along circles onto them; the displacement must live as long as the mesh."""
    displacement = ngs.GridFunction(ngs.VectorH1(mesh, order=_CURVED))
    grow = mesh.BoundaryCF(radii, default=1.0) / ngs.sqrt(ngs.x**2 + ngs.y**2) - 1
    displacement.Set(
        ngs.CF((grow * ngs.x, grow * ngs.y)), definedon=mesh.Boundaries("|".join(radii))
    )
    mesh.SetDeformation(displacement)
    return displacement
