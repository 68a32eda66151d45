"""True arcs in outlines: runs of chords that lie on a known circle become arcs again."""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot, tan

import numpy as np

from arrayopt.layout.carrier import Round
from arrayopt.quantities import Array

# x, y and bulge of the way to the next: tan(angle/4), positive anticlockwise, 0 for a line.
Vertex = tuple[float, float, float]

_OFF = 1e-6  # mm


def with_arcs(outline: Sequence[tuple[float, float]], circles: Sequence[Round]) -> list[Vertex]:
    """Return a closed outline with one vertex a line or arc.

    Parameters
    ----------
    outline : sequence of (x, y)
        Without the first point again at the end [mm].
    circles : sequence of Round
        Circles that its curved parts were made of, as chords between points on them; where a
        line cuts a chord, a point may lie as far inside as chords do.

    Examples
    --------
    >>> import numpy as np
    >>> turn = np.radians(np.arange(0, 360, 5))
    >>> disc = list(zip(2 * np.cos(turn), 2 * np.sin(turn)))
    >>> np.round(with_arcs(disc, [Round(0, 0, 2, turn[1])]), 9) + 0.0
    array([[ 2.,  0.,  1.],
           [-2.,  0.,  1.]])
    """
    points = np.asarray(outline, dtype=float)
    owner = _owners(points, circles)
    starts = np.flatnonzero((owner != np.roll(owner, 1)) | (owner < 0))
    if not len(starts):
        # One circle all round is two halves.
        starts = np.array([0, len(points) // 2])
    points, found = _snapped(points, owner, circles), []
    for first, following in zip(starts, np.roll(starts, -1), strict=True):
        (x, y), last = points[first], following + (len(points) if following <= first else 0)
        bulge = 0.0
        if owner[first] >= 0:
            circle = circles[owner[first]]
            run = points[np.arange(first, last + 1) % len(points)] - (circle.x, circle.y)
            bulge = tan(float(_turn(run)) / 4)
        found.append((float(x), float(y), bulge))
    return found


def _owners(points: Array, circles: Sequence[Round]) -> Array:
    """Index of the circle that the way from each point to the next is a chord of; else -1."""
    owner = np.full(len(points), -1)
    ahead = np.roll(points, -1, axis=0)
    for i, circle in enumerate(circles):
        slack = circle.radius * (1 - np.cos(circle.chord / 2)) * 1.01 + _OFF
        near = True
        for place in (points, ahead, (points + ahead) / 2):
            inside = circle.radius - np.hypot(place[:, 0] - circle.x, place[:, 1] - circle.y)
            near = near & (inside >= -_OFF) & (inside <= slack)
        owner[(owner < 0) & near] = i
    return owner


def _snapped(points: Array, owner: Array, circles: Sequence[Round]) -> Array:
    """Move ends of arcs from the chords, where cutting left them, out to their circles."""
    moved = points.copy()
    # Twice, for a point on two circles that cross nearly square.
    for side in (owner, np.roll(owner, 1)) * 2:
        for i in range(len(points)):
            if side[i] >= 0:
                circle = circles[side[i]]
                spoke = moved[i] - (circle.x, circle.y)
                moved[i] = (circle.x, circle.y) + spoke * (circle.radius / np.hypot(*spoke))
    return moved


def _turn(run: Array) -> float:
    """Angle about the origin that a run of points goes round."""
    angle = np.unwrap(np.arctan2(run[:, 1], run[:, 0]))
    return float(angle[-1] - angle[0])


def svg_path(vertices: Sequence[Vertex]) -> str:
    """Return an outline as data of an SVG path; y runs down there."""
    x, y, _ = vertices[0]
    words = [f"M{x:.4f},{-y:.4f}"]
    ends = [*vertices[1:], vertices[0]]
    for (x0, y0, bulge), (x1, y1, _) in zip(vertices, ends, strict=True):
        if bulge:
            radius = hypot(x1 - x0, y1 - y0) * (1 + bulge**2) / (4 * abs(bulge))
            flags = f"{int(abs(bulge) > 1)} {int(bulge < 0)}"
            words.append(f"A{radius:.4f} {radius:.4f} 0 {flags} {x1:.4f},{-y1:.4f}")
        else:
            words.append(f"L{x1:.4f},{-y1:.4f}")
    return " ".join((*words, "Z"))
