"""Field outside: of a rotor's magnets without iron, of loose pieces, columns and discs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from magpylib.core import magnet_cylinder_diametral_Hfield

from arrayopt.field.magnet import free_field
from arrayopt.field.sheets import FINE, Sheets, joined, magnet_sheets, sheet_fields
from arrayopt.layout import Layout
from arrayopt.layout.shapes import Blocks, Shapes, gauss_points
from arrayopt.materials import MagnetGrade
from arrayopt.quantities import Array

_LOOSE_POINTS = 8  # Gauss points a side for the mean field in a loose piece
_CHUNK = 1 << 18  # field values worked on at once


def rotor_fields(layout: Layout, points: Array) -> Array:
    """Field of each magnet of a rotor of one design, with no iron near.

    Magnets have their remanence at 20 C and no recoil, which reads a few percent high.

    Parameters
    ----------
    layout : Layout
        A batch of one.
    points : ndarray, shape (3, point)
        Cartesian, z along the shaft from the middle of the magnets, a magnet's axis on x [m].

    Returns
    -------
    ndarray, shape (3, magnet, point)
        [T]; magnets anticlockwise round the ring, row by row from below.

    """
    return rotor_sheets(layout).fields(points)


@dataclass(frozen=True)
class RotorSheets:
    """Charged sheets of all magnets of a rotor, made once for fields at many points.

    Attributes
    ----------
    rows : tuple of (float, tuple of _Gathered)
        Height of each row's middle [m], and its magnets; with them what a stator mirrors.

    """

    rows: tuple[tuple[float, tuple[_Gathered, ...]], ...]

    def fields(self, points: Array) -> Array:
        """Field of each magnet at points (3, point), shape (3, magnet, point) [T]."""
        found = []
        for height, groups in self.rows:
            field, *images = (_each(one, points[:2], points[2] - height) for one in groups)
            for image in images:
                field += image
            found.append(field)
        return np.concatenate(found, axis=1)


def rotor_sheets(layout: Layout, *, on_stator: bool = False) -> RotorSheets:
    """Return the charged sheets of a rotor of one design, with no iron near or on its stator.

    A stator of iron inside the rotor mirrors each magnet (exact for a long one in two
    dimensions), which holds for points outside its surface.

    Parameters
    ----------
    layout : Layout
        A batch of one.
    on_stator : bool
        Add what the stator mirrors.

    """
    rows, length = layout.studies[0].rotor.skew_steps, float(layout.length[0])
    count = int(layout.pole_pairs[0]) * layout.magnets_per_pole_pair
    length /= rows
    step = np.radians(layout.studies[0].rotor.skew_step_deg)
    found = []
    for row in range(rows):
        middle = row - (rows - 1) / 2
        magnets = []
        for k in range(count):
            turn = 2 * np.pi * k / count + middle * step
            family, b = layout.family_at(k), layout.direction_at(k) + turn
            J = layout.grades[family][0].remanence * np.array([np.cos(b), np.sin(b)])
            shape = layout.shapes[family]
            magnets.append(magnet_sheets(shape, turn, J, length / 2, pieces=1, sag=None))
        groups = [_gathered(magnets)]
        if on_stator:
            surface, half = float(layout.surface_radius[0]), float(layout.stack[0]) / 2 / rows
            groups.append(_gathered([magnet.reflected(surface, half) for magnet in magnets]))
        found.append((middle * length, tuple(groups)))
    return RotorSheets(tuple(found))


class _Gathered(NamedTuple):
    """Sheets of some magnets of one length in one, and which magnet each is of."""

    sheets: Sheets
    owner: Array
    number: int


def _gathered(magnets: list[Sheets]) -> _Gathered:
    owner = np.repeat(np.arange(len(magnets)), [len(m.charge) for m in magnets])
    return _Gathered(joined(magnets)[0], owner, len(magnets))


def _each(magnets: _Gathered, points: Array, z: Array) -> Array:
    """Field of each of some magnets, shape (3, magnet, point)."""
    sheets, owner, number = magnets
    found = np.zeros((3, number, points.shape[1]))
    step = max(_CHUNK // points.shape[1], 1)
    for at in range(0, len(owner), step):
        B = sheet_fields(sheets.some(slice(at, at + step)), points, z[:, None])[..., 0]
        for axis in range(3):
            np.add.at(found[axis], owner[at : at + step], B[axis])
    return found


def loose_polarisation(
    shape: Shapes, *, length: Array, grade: MagnetGrade, angle: float
) -> tuple[float, float]:
    """Polarisation of a loose piece at 20 C along and across its radius [T].

    Its own field takes some of it: ``J = Br + (mu_r - 1) mu0 H`` with H the mean over the
    piece, one value of J throughout.

    Parameters
    ----------
    shape : Blocks or Arcs
        A batch of one.
    length : ndarray, shape (1,)
        [m].
    grade : MagnetGrade
    angle : float
        Of the polarisation against the outward radius [rad].

    """
    x, y, weight = shape.cross_points(_LOOSE_POINTS)
    t, v = gauss_points(_LOOSE_POINTS)
    n = len(t)
    points = np.stack(
        [np.repeat(x, n, axis=1), np.repeat(y, n, axis=1), np.tile(length[0] / 2 * t, x.size)[None]]
    )
    share = np.repeat(weight, n, axis=1) * np.tile(v / 2, x.size)
    mean = (free_field(shape, length=length, points=points) * share[None]).sum(axis=(1, 2))
    # The field of a piece that is even about its radius lies along its polarisation's parts.
    factors = 1 / (1 - (grade.recoil_permeability - 1) * np.array([mean[0].real, mean[1].imag]))
    J = grade.remanence * np.array([np.cos(angle), np.sin(angle)]) * factors
    return float(J[0]), float(J[1])


def loose_field(shape: Shapes, *, length: float, J: tuple[float, float], points: Array) -> Array:
    """Field of a loose piece in its own frame, shape (3, point) [T].

    Parameters
    ----------
    shape : Blocks or Arcs
        A batch of one.
    length : float
        [m].
    J : tuple of float
        Polarisation along x, its outward radius, and y [T].
    points : ndarray, shape (3, point)
        z from the middle of its length [m].

    """
    magnet = magnet_sheets(shape, 0.0, np.array(J), length / 2, pieces=1, sag=FINE)
    return np.asarray(_each(_gathered([magnet]), points[:2], points[2])[:, 0])


def column_field(
    *, side: float, width: float, height: float, polarisation: float, distance: Array
) -> Array:
    """Field on the axis of a column polarised along its height, above its end face [T].

    Parameters
    ----------
    side, width, height : float
        [m].
    polarisation : float
        [T].
    distance : ndarray, shape (point,)
        From the end face [m].

    """
    block = Blocks(np.array([0.0]), np.array([height]), np.array([width]))
    points = np.stack([height + distance, 0 * distance, 0 * distance])
    return np.asarray(loose_field(block, length=side, J=(polarisation, 0.0), points=points)[0])


def disc_field(*, diameter: float, thickness: float, polarisation: float, points: Array) -> Array:
    """Field of a disc polarised across, along x, shape (3, point) [T].

    Parameters
    ----------
    diameter, thickness : float
        [m].
    polarisation : float
        [T].
    points : ndarray, shape (3, point)
        From the disc's middle, z along its axis; outside of the disc [m].

    """
    radius = diameter / 2
    r, turn = np.hypot(points[0], points[1]), np.arctan2(points[1], points[0])
    half = np.full_like(r, thickness / diameter)
    radial, tangential, axial = polarisation * np.asarray(
        magnet_cylinder_diametral_Hfield(half, r / radius, points[2] / radius, turn)
    )
    c, s = np.cos(turn), np.sin(turn)
    return np.stack([radial * c - tangential * s, radial * s + tangential * c, axial])
