"""Families: which magnets of a pole pair are the same piece, and how each one is turned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Family:
    """Magnets of one shape, size and piece.

    Attributes
    ----------
    name : str
        ``main``, ``transverse``, ``oblique``, or ``oblique 36`` where a layout has
        oblique magnets of several directions.
    table : str
        Table of the study that holds its sizes.
    piece_angle : float
        Angle between polarisation and the radius, folded to 0..pi/2 [rad].
    places : tuple of int
        Positions k of its members in a pole pair; member k sits at 2 pi k/(p M).
    directions : tuple of float
        Polarisation of each member against its own outward radius [rad],
        positive towards growing angle.

    """

    name: str
    table: str
    piece_angle: float
    places: tuple[int, ...]
    directions: tuple[float, ...]


def magnet_families(magnets_per_pole_pair: int, *, outer: bool) -> tuple[Family, ...]:
    """Return the families of a layout with M magnets per pole pair.

    Magnet k of a pole pair is polarised at ``2 pi k/M`` from its own outward
    radius on an outer rotor (strong side inward) and at ``-2 pi k/M`` on an
    inner rotor (strong side outward), so that the direction turns by 1 + p or
    1 - p turns per turn of the ring.

    References
    ----------
    Halbach 1980, Nucl. Instrum. Methods 169:1 (from memory).

    Examples
    --------
    >>> [(f.name, f.places) for f in magnet_families(4, outer=True)]
    [('main', (0, 2)), ('transverse', (1, 3))]
    """
    M, sense = magnets_per_pole_pair, 1 if outer else -1
    members: dict[int, list[int]] = {}
    for k in range(M):
        turn = 2 * min(k, M - k)  # folded to half a turn, then to a quarter, in turns / (2 M)
        members.setdefault(min(turn, M - turn), []).append(k)
    several = len([turn for turn in members if 0 < 2 * turn < M]) > 1
    families = []
    for turn in sorted(members, key=lambda t: (t > 0, 2 * t != M, t)):
        table = "main" if turn == 0 else "transverse" if 2 * turn == M else "oblique"
        angle = np.pi * turn / M
        name = f"oblique {np.degrees(angle):.3g}" if table == "oblique" and several else table
        places = tuple(members[turn])
        directions = tuple(sense * 2 * np.pi * k / M for k in places)
        families.append(Family(name, table, angle, places, directions))
    return tuple(families)
