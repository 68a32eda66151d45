"""The ring of a polarity map: magnets with arrows, signs of their poles, numbers and labels.

Lengths are mm on the paper, sizes of letters points.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import ceil, cos, degrees, pi, sin

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon

from arrayopt.export.pictures import BLUE, GREEN, GREY, INK, ORANGE
from arrayopt.layout.carrier import CarrierSection
from arrayopt.layout.members import Member, position
from arrayopt.quantities import MM

COLOURS = {"main": ORANGE, "transverse": BLUE, "oblique": GREEN}
LETTERS = {"main": "M", "transverse": "T", "oblique": "O"}
LEAST, _LARGEST = 6.0, 8.0  # points: smaller is not read in a workshop
_POINT = 25.4 / 72
_LINE = 1.05  # room that a line takes, over its size
_SIGN = 5 / 12  # mm across a sign for each point of its letter
_LARGE, _SMALL = _LARGEST * _SIGN, 6.5 * _SIGN  # mm across the signs of main magnets, of sides
_LEAST_SIGN = LEAST * _SIGN
_APART = 0.1  # mm between signs
_OFF_CIRCLE = 0.6  # mm between the stator's surface and signs
_OFF_RING, _OFF_MARK = 3.2, 1.0  # mm from print and start mark to numbers
_EM_NUMBER = 1.2  # of a space and a letter, in sizes of the letters; a digit has 0.64
_TO_LABEL = 9.5  # mm from the start of a number to that of a label
_LABEL_LETTER = 3.1  # mm of one letter of a label, at most: a bold W of 8 points


@dataclass(frozen=True)
class Sign:
    """A pole to be named: its letter, its angle from up, and whether a main magnet's."""

    letter: str
    turn: float
    main: bool


@dataclass(frozen=True)
class Places:
    """Radii at which words round a ring stand, and how large they are.

    Attributes
    ----------
    zoom : float
        Of the ring itself.
    sides, mains : tuple of float
        Radii of the signs of transverse magnets' sides and of main magnets, which take turns
        where there are several; none where signs would touch.
    side_size, main_size : float
        Across a sign.
    numbers, labels : tuple of float
        Radii at which they begin, taking turns.
    number_size, label_size : float
        Points.
    reach : float
        Radius of everything.

    """

    zoom: float
    sides: tuple[float, ...]
    mains: tuple[float, ...]
    side_size: float
    main_size: float
    numbers: tuple[float, ...]
    number_size: float
    labels: tuple[float, ...]
    label_size: float
    reach: float


def places(
    section: CarrierSection, *, surface: float, zoom: float = 1.0, longest: int = 0
) -> Places:
    """Return where signs, numbers and labels stand round a ring.

    Parameters
    ----------
    section : CarrierSection
    surface : float
        Radius of the stator's surface.
    zoom : float
        Of the ring; letters keep their size.
    longest : int
        Letters of the longest label.

    """
    count, pitch = len(section.pockets), 2 * pi / len(section.pockets)
    marked = max(y for _, y in section.start_mark.exterior.coords) * zoom
    # Signs stand on the stator's side of its surface, clear of its circle.
    way = -1 if section.outer else 1
    start = surface * zoom if section.outer else max(surface * zoom, marked)
    sides, mains, small, large = _rows_of_signs(section, start + way * _OFF_CIRCLE, way)
    outermost = section.outermost * zoom
    if section.outer:
        begin = max(outermost + _OFF_RING, marked + _OFF_MARK)
    else:
        begin = max((*sides, *mains), default=start) + large / 2 + _OFF_MARK
    # A number that is not alone in its row is as long as the longest.
    number_size, rows = _line(pitch * begin, count)
    digits = len(str(max(pocket.member.number for pocket in section.pockets)))
    long = (_EM_NUMBER + 0.64 * digits) * number_size * _POINT
    numbers = tuple(begin + row * (long + 1) for row in range(rows))
    reach, label_size = numbers[-1] + long + 1, 0.0
    labels: tuple[float, ...] = ()
    if longest:
        begin = numbers[-1] + _TO_LABEL
        label_size, rows = _line(pitch * begin, count)
        long = _LABEL_LETTER * longest * label_size / _LARGEST
        labels = tuple(begin + row * (long + 1) for row in range(rows))
        reach = labels[-1] + long
    return Places(
        zoom=zoom, sides=sides, mains=mains, side_size=small, main_size=large, numbers=numbers,
        number_size=number_size, labels=labels, label_size=label_size, reach=reach,
    )  # fmt: skip


def signs(section: CarrierSection) -> list[Sign]:
    """Poles as seen from the gap: of main magnets, and of transverse ones their two sides."""
    pitch = 2 * pi / len(section.pockets)
    found = []
    for member in (pocket.member for pocket in section.pockets):
        for letter, side in _poles(member, outer=section.outer):
            # A third of the way to the neighbours, so that all letters are as far apart.
            found.append(Sign(letter, member.angle + side * pitch / 3, main=not side))
    return found


def draw_ring(ax: Axes, section: CarrierSection, *, surface: float, zoom: float = 1.0) -> None:
    """Draw print, stator surface, magnets and start mark, without words."""
    for radius in (section.inner_radius, section.outer_radius, *(section.steel_ring or ())):
        ax.add_patch(Circle((0, 0), radius * zoom, fill=False, ec=GREY, lw=0.5))
    ax.add_patch(Circle((0, 0), surface * zoom, fill=False, ec=GREY, lw=0.4, ls=(0, (6, 3))))
    for pocket in section.pockets:
        for part in shapely.get_parts(pocket.outline):
            outline = shapely.get_coordinates(part) * zoom
            ax.add_patch(Polygon(outline, fill=False, ec=GREY, lw=0.35))
        outline = shapely.get_coordinates(pocket.magnet) * zoom
        colour = COLOURS[pocket.member.table]
        ax.add_patch(Polygon(outline, fc=colour, ec=INK, lw=0.5, alpha=0.6))
    mark = shapely.get_coordinates(section.start_mark) * zoom
    ax.add_patch(Polygon(mark, fc=INK, ec="none", clip_on=True))
    for x, y in (((-3, 3), (0, 0)), ((0, 0), (-3, 3))):
        ax.plot(x, y, color=INK, lw=0.5)


def draw_words(
    ax: Axes, section: CarrierSection, at: Places, labels: Mapping[int, str] | None = None
) -> None:
    """Draw arrows, signs of the poles, numbers and labels."""
    for pocket in section.pockets:
        _arrow(ax, pocket.member, pocket.magnet, at.zoom)
    for main, radii, size in ((True, at.mains, at.main_size), (False, at.sides, at.side_size)):
        own = [sign for sign in signs(section) if sign.main == main]
        for sign, radius in zip(own, _in_turn(radii, len(own)), strict=False):
            _sign(ax, sign, radius, size)
    members = [pocket.member for pocket in section.pockets]
    for member, radius in zip(members, _in_turn(at.numbers, len(members)), strict=True):
        first = member.number == min(other.number for other in members)
        _radial(
            ax, f"{member.number} {LETTERS[member.table]}", radius, member.angle,
            size=at.number_size, weight="bold" if first else "normal",
        )  # fmt: skip
    for member, radius in zip(members, _in_turn(at.labels, len(members)), strict=False):
        label = (labels or {}).get(member.number, "")
        _radial(ax, label, radius, member.angle, size=at.label_size, weight="bold")


def _in_turn(radii: tuple[float, ...], count: int) -> list[float]:
    return [radii[i % len(radii)] for i in range(count)] if radii else []


def _line(room: float, count: int) -> tuple[float, int]:
    """Size of words along the radius that have room between them, and rows that they need."""
    size = float(np.clip(room / _POINT / _LINE, LEAST, _LARGEST))
    return size, _turns(LEAST * _POINT * _LINE / room, count)


def _turns(need: float, count: int) -> int:
    """Rows that take turns round a ring, the last beside the first in another one."""
    rows = max(ceil(need - 1e-9), 1)
    while rows > 1 and count % rows == 1:
        rows += 1
    return rows


def _rows_of_signs(
    section: CarrierSection, start: float, way: int
) -> tuple[tuple[float, ...], tuple[float, ...], float, float]:
    """Radii of the signs of sides and of main magnets, and how far both go across."""
    found = signs(section)
    own = [sign.turn for sign in found if sign.main]
    mains, sides = _closest(own), _closest([sign.turn for sign in found if not sign.main])
    # In one row if both are large enough there; else those of sides stand nearer to the ring.
    middle = start + way * _LARGE / 2
    all_apart = _closest([sign.turn for sign in found]) * middle - _APART
    small = min(_SMALL, all_apart)
    large = min(_LARGE, 2 * all_apart - small)
    if sides < pi and small >= _LEAST_SIGN and large > _SMALL:
        return (middle,), (middle,), small, large
    near: tuple[float, ...] = ()
    middle = start + way * _SMALL / 2
    small = min(_SMALL, sides * middle - _APART)
    if sides < pi and small >= _LEAST_SIGN:
        near = (middle,)
        start += way * (_SMALL + 3 * _APART)
    middle = start + way * _LARGE / 2
    room = mains * middle - _APART
    large = float(np.clip(room, _LEAST_SIGN, _LARGE))
    rows = _turns((_LEAST_SIGN + _APART) / (room + _APART), len(own))
    return near, tuple(middle + way * row * (large + _APART) for row in range(rows)), small, large


def _closest(turns: list[float]) -> float:
    """Least angle between neighbours round a ring; all round for one or none."""
    at = np.sort(np.asarray(turns) % (2 * pi))
    return float(np.diff(at, append=at[0] + 2 * pi).min()) if len(at) > 1 else 2 * pi


def _poles(member: Member, *, outer: bool) -> tuple[tuple[str, int], ...]:
    """Poles of a magnet as seen from the gap, each with its side, 1 for anticlockwise."""
    match member.north:
        case "in" | "out":
            return (("N" if member.north == ("in" if outer else "out") else "S", 0),)
        case "anticlockwise":
            return (("N", 1), ("S", -1))
        case "clockwise":
            return (("S", 1), ("N", -1))
    return ()  # an oblique magnet's are at its corners; the arrow tells


def _sign(ax: Axes, sign: Sign, radius: float, size: float) -> None:
    """Draw a dark disc with N or a light one with S, upright as the sheet is."""
    ink, ground = ("white", INK) if sign.letter == "N" else (INK, "white")
    x, y = -radius * sin(sign.turn), radius * cos(sign.turn)
    ax.add_patch(Circle((x, y), size / 2 - 0.05, fc=ground, ec=INK, lw=0.5, zorder=3))
    ax.text(
        x, y, sign.letter, fontsize=size / _SIGN, color=ink, ha="center", va="center_baseline",
        weight="bold" if sign.main else "normal", clip_on=True, zorder=4,
    )  # fmt: skip


def _arrow(ax: Axes, member: Member, magnet: shapely.Polygon, zoom: float) -> None:
    """Draw the polarisation from S to N through the magnet's middle."""
    x, y = (v / MM * zoom for v in position(member))
    turn = member.polarisation + pi / 2
    direction = np.array([np.cos(turn), np.sin(turn)])
    reach = shapely.get_coordinates(magnet) @ direction * zoom
    size = 0.8 * float(reach.max() - reach.min())
    u, v = (float(part) * size / 2 for part in direction)
    drawn = ax.annotate(
        "", (x + u, y + v), (x - u, y - v), annotation_clip=True,
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 0.9, "shrinkA": 0, "shrinkB": 0,
                    "mutation_scale": min(2.2 * size, 9 * max(zoom, 1) ** 0.5)},
    )  # fmt: skip
    if drawn.arrow_patch is not None:
        drawn.arrow_patch.set_clip_box(ax.bbox)  # an arrow must not leave its tile


def _radial(ax: Axes, text: str, radius: float, angle: float, *, size: float, weight: str) -> None:
    """Write along the radius, beginning or ending there, never upside down."""
    turn = degrees(angle) + 90
    upright = -90 <= (turn + 180) % 360 - 180 <= 90
    ax.text(
        -radius * sin(angle), radius * cos(angle), text, fontsize=size, weight=weight,
        rotation=turn if upright else turn + 180, rotation_mode="anchor", va="center",
        ha="left" if upright else "right", clip_on=True, parse_math=False,
    )  # fmt: skip
