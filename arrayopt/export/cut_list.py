"""What to order: one row for every piece that can be bought, with its polarisation and packs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from math import degrees, pi, radians

import numpy as np

from arrayopt.checks.buildable import check_buildable
from arrayopt.checks.inspection import Reading, face_readings
from arrayopt.errors import ArrayoptError
from arrayopt.layout import Arcs, Blocks, Family, build_layout
from arrayopt.layout.stock import cheapest, packs, piece_angles, stock_rows, with_spares
from arrayopt.materials import MagnetGrade
from arrayopt.study import Study
from arrayopt.study.stock import StockRow


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
    tolerance_mm, angle_tolerance_deg : float
        Asked for on every size, and on the direction of polarisation.
    mass_g : float
        One piece.
    used_as : str
        Families that it serves.
    per_rotor, ordered : int
        Ordered for all motors, spares included.
    sizes : tuple of float
        Of a block its edges as in `size` [mm]; of an arc inner and outer radius [mm], span
        [deg] and length [mm].
    material : MagnetGrade
    item : str
        Of the shop list; empty where the list has none, or there is no list.
    packs, pieces_per_pack : int
        Packs to buy; 0 where there is no item.
    price : float
        Of all these packs; NaN where the list has none.

    Examples
    --------
    >>> from arrayopt import cut_list, load_study
    >>> piece = cut_list(load_study("studies/ankle/study.toml")).pieces[0]
    >>> piece.size, piece.polarisation
    ('10 x 4 x 3', 'along the last edge (3 mm), square to the other two')
    >>> f"{piece.mass_g:.2f} g each, {piece.ordered_mass_g:.1f} g of {piece.ordered}"
    '0.90 g each, 125.1 g of 139'

    What a gaussmeter should read 1 mm above its pole face, and what the grade allows.

    >>> reading = piece.readings[0]
    >>> f"{reading.expected * 1e3:.0f} mT", reading.low < reading.expected < reading.high
    ('299 mT', True)
    >>> f"{piece.section.area[0] * 1e6:.1f} mm2 by {piece.length_mm:g} mm"
    '12.0 mm2 by 10 mm'
    """

    shape: str
    size: str
    polarisation: str
    angle_deg: float
    grade: str = ""
    tolerance_mm: float = 0.0
    angle_tolerance_deg: float = 0.0
    mass_g: float = 0.0
    used_as: str = ""
    per_rotor: int = 0
    ordered: int = 0
    sizes: tuple[float, ...] = ()
    material: MagnetGrade | None = None
    item: str = ""
    packs: int = 0
    pieces_per_pack: int = 0
    price: float = float("nan")

    @property
    def ordered_mass_g(self) -> float:
        """Mass of all pieces ordered."""
        return self.mass_g * self.ordered

    @property
    def section(self) -> Blocks | Arcs:
        """The piece by itself; of a block the last edge is the thickness, the second the width."""
        if self.shape == "arc":
            inner, outer, span, _ = self.sizes
            return Arcs(*(np.array([v]) for v in (inner * 1e-3, outer * 1e-3, radians(span))))
        _, second, last = (np.array([size * 1e-3]) for size in self.sizes)
        return Blocks(-last / 2, last / 2, second)

    @property
    def length_mm(self) -> float:
        """Size square to the section: of a block its first edge, which may lie either way."""
        return self.sizes[-1] if self.shape == "arc" else self.sizes[0]

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        """What a gaussmeter reads 1 mm above the centre of each face of a loose piece."""
        assert self.material is not None
        return face_readings(
            self.section,
            length=self.length_mm * 1e-3,
            angle=radians(self.angle_deg),
            angle_tolerance=radians(self.angle_tolerance_deg),
            grade=self.material,
        )


@dataclass(frozen=True)
class CutList:
    """Pieces to order for a number of motors, spares included.

    Attributes
    ----------
    title : str
        Of the study.
    motors : int
    spares_percent : float
    pieces : tuple of Piece
    coating : str
    flatness_mm : float
        Asked for on every flat face.
    from_list : bool
        Whether the study names a shop list.
    missed : tuple of str
        Checks that the design does not keep; `cut_list` itself judges none and leaves it empty.

    Examples
    --------
    >>> from arrayopt import cut_list, load_study
    >>> order = cut_list(load_study("studies/ankle/from-stock.toml"), motors=4)
    >>> for piece in order.pieces:
    ...     print(f"{piece.packs} packs of {piece.item}: {piece.price:.2f}")
    7 packs of demo 10x4x3: 54.60
    7 packs of demo 10x3x2: 36.40
    >>> f"{order.price:.2f}"
    '91.00'
    """

    title: str
    motors: int
    spares_percent: float
    pieces: tuple[Piece, ...]
    coating: str
    flatness_mm: float
    from_list: bool
    missed: tuple[str, ...] = ()

    @property
    def price(self) -> float:
        """Of all packs from the shop list; NaN where one of the pieces has none."""
        return sum(piece.price for piece in self.pieces)


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
        Instead of the study's number.
    spares_percent : float, optional
        Instead of the study's.

    Returns
    -------
    CutList

    Raises
    ------
    StudyError
        If magnets do not fit or the winding is unbalanced.
    ArrayoptError
        If there is no motor to order for, or spares are negative.

    Examples
    --------
    >>> from arrayopt import cut_list, load_study
    >>> order = cut_list(load_study("studies/ankle/study.toml"), motors=1, spares_percent=0)
    >>> for piece in order.pieces:
    ...     print(piece.ordered, "of", piece.size, "mm,", piece.grade, "for", piece.used_as)
    32 of 10 x 4 x 3 mm, N45H for main
    32 of 10 x 3 x 2 mm, N45H for transverse
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
    study = study.varied({"order.motors": motors, "order.spares_percent": float(spares)})
    found: dict[Piece, Piece] = {}
    on_list: dict[Piece, tuple[StockRow, ...]] = {}
    for family, shape, grades in zip(layout.families, layout.shapes, layout.grades, strict=True):
        grade, kind = grades[0], "block" if isinstance(shape, Blocks) else "arc"
        mass = float(shape.area[0]) * length * grade.density * 1e3
        for angle, count in piece_angles(family, shape=kind):
            piece = _piece(family, shape, length * 1e3, inward=kind == "arc" and angle > 90)
            key = replace(
                piece, grade=grade.name, mass_g=round(mass, 9), material=grade,
                tolerance_mm=study.order.size_tolerance_mm,
                angle_tolerance_deg=study.order.angle_tolerance_deg,
            )  # fmt: skip
            seen = found.get(key, replace(key, used_as=""))
            used = " and ".join(filter(None, (seen.used_as, family.name)))
            per_rotor = seen.per_rotor + count * study.rotor.pole_pairs * rows_along
            ordered = with_spares(study, per_rotor)
            found[key] = replace(key, used_as=used, per_rotor=per_rotor, ordered=ordered)
            on_list.setdefault(key, stock_rows(study, family.table, angle))
    pieces = tuple(_from_list(piece, on_list[key]) for key, piece in found.items())
    order = study.order
    return CutList(
        study.title, motors, spares, pieces, order.coating, order.flatness_mm, bool(study.stock),
    )  # fmt: skip


def _from_list(piece: Piece, rows: tuple[StockRow, ...]) -> Piece:
    """Name the item of the shop list that fills the order for the least money."""
    if not rows:
        return piece
    row = cheapest(rows, piece.ordered)
    number = packs(row, piece.ordered)
    price = float("nan") if row.price is None else number * row.price
    return replace(
        piece, item=row.item, packs=number, pieces_per_pack=row.pieces_per_pack, price=price
    )


def _piece(family: Family, shape: Blocks | Arcs, length: float, *, inward: bool) -> Piece:
    """Describe the piece that a family, or its arcs with north inward, consists of."""
    if isinstance(shape, Blocks):
        return _block(family, shape, length)
    # An arc turned over swaps its ends but not its inside and outside.
    return _arc(family, shape, length, inward=inward)


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
        sizes=_rounded(first, second, last),
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
        sizes=_rounded(inner * 1e3, outer * 1e3, degrees(span), length),
    )


def _rounded(*sizes: float) -> tuple[float, ...]:
    """Sizes without the noise of computing, so that like pieces are equal."""
    return tuple(round(size, 9) for size in sizes)


def _mm(value: float) -> str:
    return f"{value:.4g}" if value < 10 else f"{round(value, 3):g}"
