"""Every magnet of a ring and its images in stator and steel ring, as charged rectangles.

An iron cylinder is the same charges turned outside in.
"""

from __future__ import annotations

import numpy as np

from arrayopt.field.kernel import AirgapField
from arrayopt.field.sheets import FINE, Sheets, joined, magnet_sheets
from arrayopt.layout import Layout

# Magnets this many places away or nearer, and their first images, are near: their field is to
# be computed at every point. Against everything at every point: 2e-4 T at most.
_NEAR = 2
_IMAGE_PIECES = 5  # sheets for one flat side's image, which is curved
_IMAGE_REST, _MOST_LEVELS = 1e-3, 60  # images between two irons: what may be left, how many


def ring_sources(
    layout: Layout, field: AirgapField, place: int, *, itself: bool = True
) -> tuple[list[Sheets], list[Sheets]]:
    """Return every magnet of the ring and its images, seen from the magnet at a place.

    Parameters
    ----------
    layout, field
        A batch of one.
    place : int
        The magnet that sits at angle zero.
    itself : bool
        Whether that magnet is among the sources; its images always are.

    Returns
    -------
    near, far : list of Sheets
        Neighbours with their first images; all others.

    """
    count = int(layout.pole_pairs[0]) * layout.magnets_per_pole_pair
    half = float(layout.length[0]) / 2
    near: list[Sheets] = []
    far: list[Sheets] = []
    for offset in range(-((count - 1) // 2), count // 2 + 1):
        k, turn = place + offset, 2 * np.pi * offset / count
        source = layout.family_at(k)
        b = layout.direction_at(k) + turn
        J = float(field.polarisation[source, 0]) * np.array([np.cos(b), np.sin(b)])
        close = abs(offset) <= _NEAR
        magnet = magnet_sheets(
            layout.shapes[source], turn, J, half, pieces=1, sag=FINE if close else None
        )
        if itself or offset:
            (near if close else far).append(magnet)
        pieces = _IMAGE_PIECES if close else 2
        magnet = magnet_sheets(
            layout.shapes[source], turn, J, half, pieces=pieces, sag=FINE if close else None
        )
        first, rest = _images(magnet, layout, field)
        (near if close else far).extend(first)
        far.extend(rest)
    return joined(near), joined(far)


def _images(
    magnet: Sheets, layout: Layout, field: AirgapField
) -> tuple[list[Sheets], list[Sheets]]:
    """Images of a magnet in each iron, and images of these in the other one."""
    irons = field.irons
    stator = (float(irons.stator[0]), float(layout.stack[0]) / 2)
    ring = (float(irons.ring[0]), magnet.half)
    there = [
        iron for iron, present in ((stator, irons.stator_iron[0]), (ring, irons.ring_iron[0]))
        if present
    ]  # fmt: skip
    first = [magnet.reflected(*iron) for iron in there]
    if len(there) < 2:
        return first, []
    # Every reflection takes a harmonic down by the ratio of the radii to its order.
    fall = int(layout.pole_pairs[0]) * abs(np.log(stator[0] / ring[0]))
    levels = min(int(np.ceil(-np.log(_IMAGE_REST) / fall)), _MOST_LEVELS)
    rest, latest = [], first
    for _ in range(levels):
        # The two always belong to different irons, each to be seen next by the other.
        there = there[::-1]
        latest = [image.reflected(*iron) for image, iron in zip(latest, there, strict=True)]
        rest += latest
    return first, rest
