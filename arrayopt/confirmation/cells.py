"""Half a slot pitch and half a pole: the parts that a motor is put together from, and their meshes.

Angles count from a slot's middle on the stator, from a main magnet's axis on the rotor.
Lengths in this module are in mm; meshes leave it in metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, degrees, hypot, pi, sin
from typing import Any

import numpy as np

from arrayopt.confirmation.library import meshing, occ
from arrayopt.confirmation.windings import coils_beside
from arrayopt.errors import ArrayoptError
from arrayopt.layout import Layout
from arrayopt.layout.shapes import Arcs
from arrayopt.quantities import MM, Array
from arrayopt.study import Study
from arrayopt.study.coils import winding_radii_mm

_NEAR, _FAR = 0.3, 0.7  # of the free gap: circles between which the field is a series
_FINE = 2.0  # of edges along the gap, over the layer between them and the iron or magnets
_SHARE = 60  # of a pole, at which edges along a thin gap need not be finer
_GRADING = 0.5
_GATE = "gate"  # a slot's mouth, until it is air like any other
_CORNER = 0.1  # of the tips' elements, at the corners of a slot's mouth
_SAME, _NOTHING = 1e-5, 1e-6  # mm of radii, mm2 of area
_NO_MESH = (
    "finite elements: the mesher failed ({}); parts that just touch, or slivers between them, are "
    "hard to mesh: change a size by a hundredth of a millimetre, or try --mesh 0.8"
)


@dataclass(frozen=True)
class Cell:
    """Mesh of one part, from angle 0 to ``span``.

    Attributes
    ----------
    points : ndarray, shape (point, 2)
        [m].
    triangles : ndarray of int, shape (triangle, 3)
    regions : tuple of str
        Region of each triangle.
    arcs : ndarray of int, shape (arc, 2)
        Edges that lie on circles about the shaft.
    circles : tuple of str
        Name of the circle of each: ``gap``, ``far``, or its radius.
    span : float
        [rad].

    """

    points: Array
    triangles: Array
    regions: tuple[str, ...]
    arcs: Array
    circles: tuple[str, ...]
    span: float


@dataclass(frozen=True)
class Gap:
    """Radii between which the airgap's field is a series [m]: on the stator's side, the rotor's."""

    stator: float
    rotor: float


def free_gap(study: Study, layout: Layout) -> Gap:
    """Place the two circles in what the winding leaves of the gap."""
    near, far = float(layout.surface_radius[0]), float(layout.gap_radius[0])
    if study.stator.kind == "smooth":
        near += layout.sign * (study.stator.winding_thickness_mm or 0) * MM
    return Gap(near + _NEAR * (far - near), near + _FAR * (far - near))


def half_slot(study: Study, gap: Gap, *, size: float) -> Cell:
    """Mesh half a slot pitch of the stator, from a slot's middle to a tooth's.

    Parameters
    ----------
    study : Study
        Completed (`completed`).
    gap : Gap
    size : float
        Scale of the mesh.

    """
    faces = _slotted(study, size) if study.stator.kind == "slotted" else _in_gap(study, size)
    surface, span = stator_edge(study), pi / study.stator.slots
    step = _step(study, gap.stator / MM, abs(gap.stator / MM - surface), size)
    faces.append(_named(_annular(surface, gap.stator / MM, 0, span), "gap", step))
    circles = {"gap": gap.stator / MM, "far": _stator_end(study)}
    return _meshed(faces, circles, span, step)


def half_pole(layout: Layout, gap: Gap, *, size: float) -> Cell:
    """Mesh half a pole of the rotor from a main magnet's axis, half a pole pair where poles differ.

    Magnets are regions named by their place: ``magnet0``, ``magnet1``, ...
    """
    study, sign, near = layout.studies[0], layout.sign, gap.rotor / MM
    M, p = layout.magnets_per_pole_pair, int(layout.pole_pairs[0])
    span = half_pole_angle(layout)
    pole, ring = pi * near / p, study.rotor.steel_ring_mm
    back = float(layout.ring_radius[0]) / MM
    end = back + sign * (ring or min(0.15 * pole, 0.3 * back))
    whole = space = _annular(near, back if ring else end, 0, span)
    faces = []
    for family, shape in zip(layout.families, layout.shapes, strict=True):
        for k in family.places:
            angle = 2 * pi * k / (p * M)
            if angle > span + 1e-9:
                continue
            low, high = float(shape.lo[0]) / MM, float(shape.hi[0]) / MM
            if isinstance(shape, Arcs):
                half = float(shape.span[0]) / 2
                face = _annular(low, high, angle - half, angle + half)
            else:
                face = _turned(_rectangle(low, high, float(shape.width[0]) / MM), angle)
            fine = size * min(pole / 5, (high - low) / 2)
            faces.append(_named(face * whole, f"magnet{k}", fine))
            space = space - face
    if sum(abs(face.mass) for face in space.faces) > _NOTHING:
        faces.append(_named(space, "air", size * pole / 4))
    if ring:
        iron = _annular(back, end, 0, span)
        faces.append(_named(iron, "ring", size * max(ring / 2, pole / 10)))
    layer = abs(float(layout.gap_radius[0]) / MM - near)
    return _meshed(faces, {"gap": near, "far": end}, span, _step(study, near, layer, size))


def _step(study: Study, radius: float, layer: float, size: float) -> float:
    """Length of edges along the gap [mm]."""
    return size * max(_FINE * layer, pi * radius / study.rotor.pole_pairs / _SHARE)


def half_pole_angle(layout: Layout) -> float:
    """Angle of the rotor's part [rad]."""
    alike = layout.magnets_per_pole_pair % 2 == 0
    return pi / int(layout.pole_pairs[0]) / (2 if alike else 1)


def _slotted(study: Study, size: float) -> list[Any]:
    """Tooth, tip and yoke, slot and opening."""
    stator, span = study.stator, pi / study.stator.slots
    inward = -study.rotor.sign
    surface = stator.surface_diameter_mm / 2
    top = surface + inward * study.tooth_tip_mm
    floor = top + inward * (stator.slot_depth_mm or 0)
    back = floor + inward * (stator.yoke_mm or 0)
    low, high = 0.5 * min(surface, back), 1.1 * max(surface, back)
    tooth = _turned(_rectangle(low, high, stator.tooth_width_mm or 0), span)
    below, mouth = _annular(top, floor, 0, span), _annular(surface, top, 0, span)
    width = (stator.tooth_width_mm or 0) * size
    faces = [
        _named(below * tooth, "tooth", width / 2.5),
        _named(_annular(floor, back, 0, span), "yoke", width / 2),
        _named(below - tooth, "slot", size * min(width / size, (stator.slot_depth_mm or 0) / 3)),
    ]
    opening = stator.slot_opening_mm or 0.0
    fine = size * max(opening / 3, 0.3 * study.tooth_tip_mm)
    tip = mouth
    if opening:
        # Open slots are as wide as the teeth leave them.
        gate = mouth * _rectangle(low, high, opening) - tooth
        faces.append(_named(gate, _GATE, fine))
        tip = mouth - gate
    faces.append(_named(tip * tooth, "tooth", min(fine, width / 2.5)))
    shoe = tip - tooth
    if sum(abs(face.mass) for face in shoe.faces) > _NOTHING:
        faces.append(_named(shoe, "tip", min(fine, width / 2.5)))
    return faces


def _in_gap(study: Study, size: float) -> list[Any]:
    """Winding of a smooth or ironless stator, with the yoke behind it."""
    stator, span = study.stator, pi / study.stator.slots
    outward = study.rotor.sign
    surface = stator.surface_diameter_mm / 2
    thick, (inner, outer) = stator.winding_thickness_mm or 0.0, winding_radii_mm(study)
    near, far = (inner, outer) if outward > 0 else (outer, inner)
    # Straight sides as wide at their middle; they fit where the winding is narrowest.
    side = (stator.coil_side_mm or 0.0) / ((near + far) / 2)
    if not coils_beside(study):
        side /= 2
    fine = size * min(thick, span * surface / 4)
    faces = [_named(_annular(near, far, 0, side), "slot", fine)]
    if span - side > 1e-6:
        faces.append(_named(_annular(near, far, side, span), "air", fine))
    if stator.kind == "ironless":
        faces.append(_named(_annular(_stator_end(study), near, 0, span), "air", 2 * fine))
    elif stator.yoke_mm:
        iron = _annular(_stator_end(study), near, 0, span)
        faces.append(_named(iron, "yoke", size * stator.yoke_mm / 2))
    return faces


def stator_edge(study: Study) -> float:
    """Radius of iron or winding that faces the gap [mm]."""
    stator, outward = study.stator, study.rotor.sign
    thick = stator.winding_thickness_mm or 0.0 if stator.kind == "smooth" else 0.0
    return stator.surface_diameter_mm / 2 + outward * thick


def _stator_end(study: Study) -> float:
    """Radius at which the stator's mesh ends, away from the gap [mm]."""
    stator, inward = study.stator, -study.rotor.sign
    depth = stator.yoke_mm or 0.0
    if stator.kind == "slotted":
        depth += study.tooth_tip_mm + (stator.slot_depth_mm or 0.0)
    elif stator.kind == "ironless":
        depth = 1.3 * (stator.winding_thickness_mm or 0.0)
    return stator.surface_diameter_mm / 2 + inward * depth


def _point(radius: float, angle: float) -> Any:
    return occ.Pnt(radius * cos(angle), radius * sin(angle), 0)


def _annular(one: float, other: float, start: float, end: float) -> Any:
    """Face between two radii and two angles."""
    inner, outer, middle = min(one, other), max(one, other), (start + end) / 2
    return occ.Face(
        occ.Wire(
            [
                occ.Segment(_point(inner, start), _point(outer, start)),
                occ.ArcOfCircle(_point(outer, start), _point(outer, middle), _point(outer, end)),
                occ.Segment(_point(outer, end), _point(inner, end)),
                occ.ArcOfCircle(_point(inner, end), _point(inner, middle), _point(inner, start)),
            ]
        )
    )


def _rectangle(low: float, high: float, width: float) -> Any:
    """Face from x = low to high, as wide on either side of the x axis."""
    return occ.WorkPlane().MoveTo(low, -width / 2).Rectangle(high - low, width).Face()


def _turned(face: Any, angle: float) -> Any:
    return face.Rotate(occ.Axis((0, 0, 0), occ.Z), degrees(angle))


def _named(face: Any, name: str, size: float) -> Any:
    face.faces.name, face.faces.maxh = name, size
    return face


def _meshed(faces: list[Any], circles: dict[str, float], span: float, fine: float) -> Cell:
    """Mesh faces that touch; circles by name and radius, ``gap`` in steps of ``fine``."""
    shape = occ.Glue(faces)
    _sharpen(shape)
    for edge in shape.edges:
        middle = edge.Value(sum(edge.parameter_interval) / 2)
        radii = [hypot(q.x, q.y) for q in (edge.start, middle, edge.end)]
        edge.name = _STRAIGHT
        if max(radii) - min(radii) < _SAME:
            names = [name for name, r in circles.items() if abs(r - radii[0]) < 1e-6]
            edge.name = names[0] if names else f"circle {radii[0]:.6f}"
            if edge.name == "gap":
                edge.maxh = fine
    largest = max(circles.values()) * span
    try:
        mesh = occ.OCCGeometry(shape, dim=2).GenerateMesh(maxh=largest, grading=_GRADING)
    except meshing.NgException as fault:
        raise ArrayoptError(_NO_MESH.format(fault)) from None
    triangles, edges = mesh.Elements2D().NumPy(), mesh.Elements1D().NumPy()
    meshed = {mesh.GetMaterial(int(i)) for i in set(triangles["index"].tolist())}
    if missing := sorted({face.name for face in shape.faces} - meshed):
        raise ArrayoptError(_NO_MESH.format(f"nothing in {', '.join(missing)}"))
    names = mesh.GetRegionNames(dim=1)
    kinds = np.array([names[int(i) - 1] for i in edges["index"]])
    round_ones = kinds != _STRAIGHT
    return Cell(
        points=np.array(mesh.Coordinates())[:, :2] * MM,
        triangles=triangles["nodes"][:, :3].astype(int) - 1,
        regions=tuple(mesh.GetMaterial(int(i)) for i in triangles["index"]),
        arcs=edges["nodes"][round_ones, :2].astype(int) - 1,
        circles=tuple(str(name) for name in kinds[round_ones]),
        span=span,
    )


def _sharpen(shape: Any) -> None:
    """Make the mesh fine at the corners of a slot's mouth, whose field small cogging hangs on."""
    gates = [face for face in shape.faces if face.name == _GATE]
    corners = {_rounded(vertex) for gate in gates for vertex in gate.vertices}
    for tip in (face for face in shape.faces if face.name in ("tip", "tooth")):
        for vertex in tip.vertices:
            if _rounded(vertex) in corners:
                vertex.maxh = _CORNER * tip.maxh
    for gate in gates:
        gate.name = "air"


def _rounded(vertex: Any) -> tuple[float, float]:
    return round(vertex.p[0], 6), round(vertex.p[1], 6)


_STRAIGHT = "straight"
