"""The potential on circles as waves, and the energy of the air that they bound.

Between two circles in the airgap the field is a series in closed form, so that the rotor turns
by a phase of each wave: nothing is meshed anew, and torque is the exact derivative of energy.
Beyond the outermost circle a wave of n per turn goes on into free space.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from typing import Any

import numpy as np

from arrayopt.confirmation.cells import Gap
from arrayopt.confirmation.library import ngs
from arrayopt.confirmation.sector import Mesh, Sector
from arrayopt.quantities import MU0, Array

_POINTS = 12  # Gauss points along an edge
_SHORTEST = 5.0  # phase of the shortest wave over an edge [rad]; see the convergence tests
_APART = 300.0  # exponents past this are nothing


@dataclass(frozen=True)
class Trace:
    """How unknowns on a circle make waves.

    Attributes
    ----------
    unknowns : ndarray of int, shape (unknown,)
    waves : ndarray of complex, shape (wave, unknown)
        ``2/span`` times the integral of each unknown's shape and ``exp(i n angle)``: the
        wave is ``real(c) cos(n angle) + imag(c) sin(n angle)``.

    """

    unknowns: Array
    waves: Array


def wave_numbers(mesh: Mesh, sector: Sector, circle: str) -> Array:
    """Waves per turn that fit the sector and that the edges along a circle can follow."""
    arcs = sum(element.mat == circle for element in mesh.mesh.Elements(ngs.BND))
    base = 2 * pi / sector.span
    count = int(_SHORTEST * arcs / sector.span / base) + 1
    first = 0.5 if sector.sign < 0 else 0.0
    return base * (np.arange(count) + first)


def trace_on(mesh: Mesh, space: Any, sector: Sector, circle: str, numbers: Array) -> Trace:
    """Return the waves of a space's unknowns on a circle."""
    x, weight = np.polynomial.legendre.leggauss(_POINTS)
    x, weight = (x + 1) / 2, weight / 2
    at = np.array([vertex.point for vertex in mesh.mesh.vertices])
    angles, steps, shapes, members = [], [], [], []
    for element in space.Elements(ngs.BND):
        if element.mat != circle:
            continue
        # An edge's first corner is where x is 1. Arcs are displaced along the radius only, so
        # that angles are those of the chord.
        one, other = (vertex.nr for vertex in element.vertices)
        chord = np.outer(x, at[one]) + np.outer(1 - x, at[other])
        turn = np.arctan2(chord[:, 1], chord[:, 0]) % (2 * pi)
        if turn.max() - turn.min() > pi:
            turn[turn > pi] -= 2 * pi
        along = at[one] - at[other]
        step = np.abs(chord[:, 0] * along[1] - chord[:, 1] * along[0]) / (chord**2).sum(axis=1)
        finite = space.GetFE(element)
        shape = np.array([list(finite.CalcShape(one_x)) for one_x in x])
        for corner, number in enumerate((one, other)):
            if number in mesh.slaves:
                shape[:, corner] *= sector.sign
        angles.append(turn)
        steps.append(weight * step)
        shapes.append(shape)
        members.append(list(element.dofs))
    unknowns, place = np.unique(np.array(members), return_inverse=True)
    value = np.zeros((len(angles) * _POINTS, len(unknowns)))
    rows = np.arange(len(value)).reshape(len(angles), _POINTS, 1)
    columns = place.reshape(len(angles), 1, -1)
    np.add.at(value, (rows, columns), np.array(shapes) * np.array(steps)[..., None])
    turned = np.exp(1j * np.outer(numbers, np.concatenate(angles)))
    return Trace(unknowns, 2 / sector.span * (turned @ value))


@dataclass(frozen=True)
class Air:
    """Energy of the air between the gap's circles, per length, by waves.

    ``own/2 (|s|^2 + |r|^2) - crossed real(conj(s) r)`` for waves s on the stator's side and
    r on the rotor's, both in one frame; shape (wave,) [A/Wb m].
    """

    numbers: Array
    own: Array
    crossed: Array


def air_between(gap: Gap, sector: Sector, numbers: Array) -> Air:
    """Solve Laplace's equation between two circles (separation of variables, derived)."""
    apart = abs(np.log(gap.rotor / gap.stator))
    x = numbers * apart
    scale = sector.span / (2 * MU0)
    safe = np.where(x > 0, np.minimum(x, _APART), 1.0)
    still = scale / 2 / apart  # of the mean potential, which has no wave
    own = np.where(x > 0, scale * numbers / np.tanh(safe), still)
    crossed = np.where(x > 0, scale * numbers / np.sinh(safe), still)
    return Air(numbers, own, crossed)


def air_beyond(sector: Sector, numbers: Array, *, grounded: bool) -> Array:
    """Energy of free space past a circle over half of each wave's square, shape (wave,).

    Parameters
    ----------
    sector : Sector
    numbers : ndarray
    grounded : bool
        Fix the mean potential there, where nothing else does: it has no field.

    """
    energy = sector.span / (2 * MU0) * numbers
    return np.where(numbers == 0, energy[-1] if grounded else 0.0, energy)
