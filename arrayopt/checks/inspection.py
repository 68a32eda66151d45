"""What a gaussmeter reads on a single loose piece, face by face."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from arrayopt.field.stray import loose_field, loose_polarisation
from arrayopt.layout import Arcs, Blocks
from arrayopt.layout.shapes import Shapes
from arrayopt.materials import MagnetGrade
from arrayopt.quantities import Array

READ_ABOVE = 1e-3  # m above the face: sensing element of the probe
_NOTHING = 1e-9  # of the remanence, or of a sine: rounding


@dataclass(frozen=True)
class Reading:
    """Flux density out of a face, 1 mm above its centre [T].

    Attributes
    ----------
    face : str
    expected, low, high : float
        With the remanence that the study counts on; least and most with the grade's range and
        a direction of polarisation within tolerance. Positive is north.
    opposite : float
        Sign of the reading on the opposite face against this one; 0 where that has its own row.

    """

    face: str
    expected: float
    low: float
    high: float
    opposite: int


def face_readings(
    shape: Shapes,
    *,
    length: float,
    angle: float,
    angle_tolerance: float,
    grade: MagnetGrade,
    distance: float = READ_ABOVE,
) -> tuple[Reading, ...]:
    """Compute what a loose piece at 20 C must read.

    Parameters
    ----------
    shape : Blocks or Arcs
        A batch of one; of a block the thickness is the edge that `angle` counts from.
    length : float
        Square to the section [m].
    angle, angle_tolerance : float
        Of the polarisation from the outward radius towards growing angle [rad].
    grade : MagnetGrade
    distance : float
        Of the probe above the middle of the face [m].

    """
    if isinstance(shape, Arcs):
        faces = _arc_faces(shape, length, distance, angle)
    else:
        faces = _block_faces(shape, length, distance)
    points = np.array([face.at for face in faces]).T
    normals = np.array([face.normal for face in faces]).T

    def levels(turn: float) -> Array:
        J = loose_polarisation(
            shape, length=np.array([length]), grade=grade, angle=angle + turn * angle_tolerance
        )
        field = loose_field(shape, length=length, J=J, points=points)
        return np.asarray((field * normals).sum(axis=0)) / grade.remanence

    unit = np.array([levels(turn) for turn in (0, -1, 1)])
    unit[np.abs(unit) < _NOTHING] = 0.0
    span = np.concatenate([unit * grade.remanence_min, unit * grade.remanence_max])
    expected, low, high = unit[0] * grade.remanence, span.min(axis=0), span.max(axis=0)
    if isinstance(shape, Blocks):
        # The direction may lean towards the first edge as well.
        most = grade.remanence_max * np.sin(angle_tolerance)
        stood = Blocks(np.array([-length / 2]), np.array([length / 2]), shape.width)
        at = np.array([[length / 2 + distance], [0.0], [0.0]])
        lean = loose_field(stood, length=float(shape.thickness[0]), J=(most, 0.0), points=at)
        low[-1], high[-1] = -float(lean[0, 0]), float(lean[0, 0])
    return tuple(
        Reading(face.name, float(B), float(lo), float(hi), face.opposite)
        for face, B, lo, hi in zip(faces, expected, low, high, strict=True)
    )


class _Face(NamedTuple):
    name: str
    at: Array
    normal: Array
    opposite: int


def _block_faces(shape: Blocks, length: float, distance: float) -> list[_Face]:
    """Faces square to the last, second and first edge of the piece as it is ordered."""
    middle = float(shape.lo[0] + shape.hi[0]) / 2
    sizes = float(shape.thickness[0]), float(shape.width[0]), length
    axes = np.eye(3)
    centre = np.array([middle, 0.0, 0.0])
    names = ("last", "second", "first")
    return [
        _Face(f"square to the {name} edge", centre + (size / 2 + distance) * axis, axis, -1)
        for name, size, axis in zip(names, sizes, axes, strict=True)
    ]


def _arc_faces(shape: Arcs, length: float, distance: float, angle: float) -> list[_Face]:
    """Faces of an arc; turned end for end it swaps its flat sides, so they have no names."""
    lo, hi, half = float(shape.lo[0]), float(shape.hi[0]), float(shape.span[0]) / 2
    middle = (lo + hi) / 2
    out = np.array([1.0, 0, 0])
    faces = [
        _Face("outer", (hi + distance) * out, out, 0),
        _Face("inner", (lo - distance) * out, -out, 0),
    ]
    opposite = 0
    if abs(np.sin(angle)) < _NOTHING:
        opposite = 1
    elif abs(np.cos(angle)) < _NOTHING:
        opposite = -1
    sides = {1: "either flat side"} if opposite else {1: "one flat side", -1: "other flat side"}
    for turn, name in sides.items():
        normal = np.array([-np.sin(half), turn * np.cos(half), 0])
        flat = middle * np.array([np.cos(half), turn * np.sin(half), 0])
        faces.append(_Face(name, flat + distance * normal, normal, opposite))
    end = np.array([middle, 0, length / 2 + distance])
    return [*faces, _Face("end", end, np.array([0, 0, 1.0]), 1)]
