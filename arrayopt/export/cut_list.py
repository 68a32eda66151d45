"""What to order: one row for every piece that can be bought, with its polarisation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, cos, degrees, pi

from arrayopt.errors import ArrayoptError
from arrayopt.evaluation import check_buildable
from arrayopt.layout import Arcs, Blocks, Family, build_layout
from arrayopt.study import Study


@dataclass(frozen=True)
class Piece:
    """One kind of magnet to order.

    Attributes
    ----------
    shape : str
        ``block`` or ``arc``.
    size : str
        Dimensions in mm; of a block the edge along the polarisation, or nearest to it, last.
    polarisation : str
        Direction relative to the piece's own edges, in words.
    angle_deg : float
        Blocks: from the last edge towards the second. Arcs: from the outward radius
        through the middle.
    grade : str
    tolerance_mm : float
        Asked for on every size.
    mass_g : float
        One piece.
    used_as : str
        Families that it serves.
    per_rotor, ordered : int
        Ordered for all motors, spares included.

    """

    shape: str
    size: str
    polarisation: str
    angle_deg: float
    grade: str = ""
    tolerance_mm: float = 0.0
    mass_g: float = 0.0
    used_as: str = ""
    per_rotor: int = 0
    ordered: int = 0

    @property
    def ordered_mass_g(self) -> float:
        """Mass of all pieces ordered."""
        return self.mass_g * self.ordered


@dataclass(frozen=True)
class CutList:
    """Pieces to order for a number of motors, spares included."""

    title: str
    motors: int
    spares_percent: float
    pieces: tuple[Piece, ...]


def cut_list(
    study: Study, *, motors: int | None = None, spares_percent: float | None = None
) -> CutList:
    """Return the pieces to order for a number of motors.

    Pieces that differ only by how they are turned are one row. An arc may be turned end
    for end but not inside out, so arcs with north outward and inward are rows of their own.

    Parameters
    ----------
    study : Study
    motors : int, optional
    spares_percent : float, optional
        Each instead of the study's.

    """
    motors = study.order.motors if motors is None else motors
    spares = study.order.spares_percent if spares_percent is None else spares_percent
    if motors < 1 or not spares >= 0:
        raise ArrayoptError(
            f"an order needs at least 1 motor and no negative spares; got {motors} and {spares:g} %"
        )
    check_buildable(study)
    layout = build_layout(study)
    # A skewed rotor has its magnets in rows along the shaft.
    rows_along = study.rotor.skew_steps
    length = float(layout.length[0]) / rows_along
    rows: dict[Piece, Piece] = {}
    for family, shape, grades in zip(layout.families, layout.shapes, layout.grades, strict=True):
        grade = grades[0]
        mass = float(shape.area[0]) * length * grade.density * 1e3
        for count, piece in _pieces(family, shape, length * 1e3):
            key = replace(
                piece, grade=grade.name, mass_g=round(mass, 9),
                tolerance_mm=study.order.size_tolerance_mm,
            )  # fmt: skip
            seen = rows.get(key, replace(key, used_as=""))
            used = " and ".join(filter(None, (seen.used_as, family.name)))
            per_rotor = seen.per_rotor + count * study.rotor.pole_pairs * rows_along
            ordered = ceil(round(per_rotor * motors * (1 + spares / 100), 6))
            rows[key] = replace(key, used_as=used, per_rotor=per_rotor, ordered=ordered)
    return CutList(study.title, motors, spares, tuple(rows.values()))


def _pieces(family: Family, shape: Blocks | Arcs, length: float) -> list[tuple[int, Piece]]:
    """Return count a pole pair and description of the pieces that a family consists of."""
    if isinstance(shape, Blocks):
        return [(len(family.places), _block(family, shape, length))]
    # An arc turned over swaps its ends but not its inside and outside.
    outward = [cos(direction) for direction in family.directions]
    inside_out = sum(c < -1e-9 for c in outward)
    parts = [(len(outward) - inside_out, False), (inside_out, True)]
    return [(n, _arc(family, shape, length, inward=inward)) for n, inward in parts if n]


def _block(family: Family, shape: Blocks, length: float) -> Piece:
    """Describe a block; as is common practice the edge along its polarisation comes last."""
    last, other = float(shape.thickness[0]) * 1e3, float(shape.width[0]) * 1e3
    angle = round(degrees(family.piece_angle), 6)
    if angle > 45 or (angle == 45 and other < last):
        last, other, angle = other, last, round(90 - angle, 6)
    if angle == 0:
        first, second = sorted((length, other), reverse=True)
        words = f"along the last edge ({_mm(last)} mm), square to the other two"
    else:
        first, second = length, other
        words = (
            f"{angle:.4g} deg from the last edge ({_mm(last)} mm) towards the second "
            f"({_mm(second)} mm), square to the first"
        )
    return Piece(
        shape="block",
        size=f"{_mm(first)} x {_mm(second)} x {_mm(last)}",
        polarisation=words,
        angle_deg=angle,
    )


def _arc(family: Family, shape: Arcs, length: float, *, inward: bool) -> Piece:
    angle = degrees(pi - family.piece_angle if inward else family.piece_angle)
    if round(family.piece_angle, 9) == 0:
        side = "inner" if inward else "outer"
        words = f"straight along the radius through its middle, north on the {side} face"
    elif round(family.piece_angle, 9) == round(pi / 2, 9):
        words = "straight across, from one flat side to the other, not along the length"
    else:
        words = f"straight, {angle:.4g} deg from the outward radius through its middle"
    inner, outer, span = float(shape.lo[0]), float(shape.hi[0]), float(shape.span[0])
    return Piece(
        shape="arc",
        size=(
            f"inner radius {_mm(inner * 1e3)}, outer radius {_mm(outer * 1e3)}, "
            f"{degrees(span):.4g} deg, length {_mm(length)}"
        ),
        polarisation=f"{words}; parallel, not radial",
        angle_deg=round(angle, 6),
    )


def _mm(value: float) -> str:
    return f"{value:.4g}" if value < 10 else f"{round(value, 3):g}"
