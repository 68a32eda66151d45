"""The polarity map: the whole ring at true scale, every magnet numbered, with its arrow."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from io import BytesIO
from math import ceil, degrees, pi
from pathlib import Path
from textwrap import fill

import numpy as np
import shapely
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle

from arrayopt.checks.hazards import MAPPING
from arrayopt.export.files import csv_text, write_file
from arrayopt.export.pictures import BLUE, GREEN, GREY, INK, ORANGE, PALE, STYLE, drawable
from arrayopt.export.results import shown
from arrayopt.layout.build import MM
from arrayopt.layout.carrier import CarrierSection, carrier_sections
from arrayopt.layout.members import Member, position, rotor_members
from arrayopt.study import Study

A4 = (210.0, 297.0)  # mm, ISO 216
_MARGIN = 10.0  # mm, left free by any printer
_HEAD, _FOOT = 24.0, 46.0  # mm of a page for words and rulers
_OVERLAP = 10.0  # mm that neighbouring tiles share
_ROOM = 15.0  # mm round the ring for numbers
_TO_LABEL = 9.5  # mm from the start of a number to that of a label
_LETTER = 3.1  # mm of one letter of a label, at most: a bold W of 8 points
_WORD_LETTER = 1.2  # mm of one letter of the words, on average
_LONGEST = 16  # letters of a label that are drawn
_RULER = 100.0  # mm
_MM_PER_INCH, _POINTS_PER_MM = 25.4, 72 / 25.4
COLOURS = {"main": ORANGE, "transverse": BLUE, "oblique": GREEN}
LETTERS = {"main": "M", "transverse": "T", "oblique": "O"}


@dataclass(frozen=True)
class _Page:
    """A sheet of paper in mm, with the point of the drawing that lies at its lower left."""

    size: tuple[float, float]
    corner: tuple[float, float]
    name: str = ""


def polarity_map(study: Study, *, row: int = 1, labels: Mapping[int, str] | None = None) -> Figure:
    """Draw the map of one row of magnets at true scale, one sheet as large as it needs.

    Parameters
    ----------
    study : Study
    row : int
    labels : mapping of int to str, optional
        What to write beside each magnet, by its number: which measured one goes there.

    """
    section = carrier_sections(study)[row - 1]
    labels = _drawn(labels)
    reach = _reach(section, labels)
    wide = max(2 * reach + 2 * _MARGIN, 150.0)
    page = _Page((wide, 2 * reach + _HEAD + _FOOT), (-wide / 2, -reach - _FOOT))
    with rc_context(STYLE):
        return _sheet(study, section, page, labels)


def map_svg(study: Study, *, row: int = 1, labels: Mapping[int, str] | None = None) -> bytes:
    """Return the map of one row of magnets as SVG; labels as in `polarity_map`."""
    out = BytesIO()
    with rc_context(STYLE):
        polarity_map(study, row=row, labels=labels).savefig(
            out, format="svg", metadata={"Date": None}
        )
    return out.getvalue()


def write_map_pdf(path: str | Path, study: Study) -> Path:
    """Write the map as PDF on A4, a page a row of magnets; larger rings on tiles."""

    def fill_in(file: Path) -> None:
        with rc_context(STYLE), PdfPages(file, metadata={"CreationDate": None}) as pages:
            for section in carrier_sections(study):
                for page in _pages(section):
                    drawing = _sheet(study, section, page)
                    pages.savefig(drawing)
                    drawing.clear()

    return write_file(path, fill_in)


def _pages(section: CarrierSection) -> Iterator[_Page]:
    """Sheets of one row: one where it fits, else an overview and tiles."""
    reach = _reach(section)
    wide, high = A4[0] - 2 * _MARGIN, A4[1] - _HEAD - _FOOT
    if 2 * reach <= min(wide, high):
        below = (high - 2 * reach) / 2 + _FOOT
        yield _Page(A4, (-A4[0] / 2, -reach - below))
        return
    columns, rows = (ceil((2 * reach - _OVERLAP) / (side - _OVERLAP)) for side in (wide, high))
    yield _Page(A4, (columns, rows), "overview")
    for i in range(rows):
        for j in range(columns):
            left = -(columns * (wide - _OVERLAP) + _OVERLAP) / 2 + j * (wide - _OVERLAP)
            low = -(rows * (high - _OVERLAP) + _OVERLAP) / 2 + (rows - 1 - i) * (high - _OVERLAP)
            yield _Page(A4, (left - _MARGIN, low - _FOOT), f"{chr(65 + j)}{i + 1}")


def _drawn(labels: Mapping[int, str] | None) -> dict[int, str]:
    """Labels as they can be drawn, long ones cut short."""
    found = {}
    for number, label in (labels or {}).items():
        short = label if len(label) <= _LONGEST else f"{label[: _LONGEST - 3]}..."
        if not drawable(short):
            short = "".join(letter if drawable(letter) else "?" for letter in short)
        found[number] = short
    return found


def _sheet(
    study: Study, section: CarrierSection, page: _Page, labels: Mapping[int, str] | None = None
) -> Figure:
    """Draw one sheet; its axes are the paper in mm."""
    wide, high = page.size
    drawing = Figure(figsize=(wide / _MM_PER_INCH, high / _MM_PER_INCH))
    paper = drawing.add_axes((0, 0, 1, 1))
    paper.set(xlim=(0, wide), ylim=(0, high))
    paper.axis("off")
    _words(paper, study, section, page, labelled=bool(labels))
    if page.name == "overview":
        _overview(drawing, section, page, surface=study.stator.surface_diameter_mm / 2)
        return drawing
    _rulers(paper, up=0.0 if page.name else _RULER)
    box = (
        0 if not page.name else _MARGIN, _FOOT, wide if not page.name else wide - 2 * _MARGIN,
        high - _HEAD - _FOOT,
    )  # fmt: skip
    view = drawing.add_axes((box[0] / wide, box[1] / high, box[2] / wide, box[3] / high))
    left, low = page.corner[0] + box[0], page.corner[1] + box[1]
    view.set(xlim=(left, left + box[2]), ylim=(low, low + box[3]))
    view.axis("off")
    _ring(view, section, surface=study.stator.surface_diameter_mm / 2)
    for pocket in section.pockets:
        _label(view, pocket.member, section, (labels or {}).get(pocket.member.number, ""))
    if page.name:
        _crop_marks(paper, box)
    return drawing


def _reach(section: CarrierSection, labels: Mapping[int, str] | None = None) -> float:
    """Radius of everything that is drawn."""
    longest = max((len(label) for label in (labels or {}).values()), default=0)
    labelled = _number_radius(section) + _TO_LABEL + _LETTER * longest if longest else 0.0
    return max(section.outermost + _ROOM, labelled)


def _ring(ax: Axes, section: CarrierSection, *, surface: float, words: bool = True) -> None:
    for radius in (section.inner_radius, section.outer_radius, *(section.steel_ring or ())):
        ax.add_patch(Circle((0, 0), radius, fill=False, ec=GREY, lw=0.5))
    ax.add_patch(Circle((0, 0), surface, fill=False, ec=GREY, lw=0.4, ls=(0, (6, 3))))
    for pocket in section.pockets:
        for part in shapely.get_parts(pocket.outline):
            ax.add_patch(Polygon(shapely.get_coordinates(part), fill=False, ec=GREY, lw=0.35))
        colour = COLOURS[pocket.member.table]
        outline = shapely.get_coordinates(pocket.magnet)
        ax.add_patch(Polygon(outline, fc=colour, ec=INK, lw=0.5, alpha=0.6))
        if words:
            _arrow(ax, pocket.member, pocket.magnet)
            _number(ax, pocket.member, section)
    ax.add_patch(
        Polygon(shapely.get_coordinates(section.start_mark), fc=INK, ec="none", clip_on=True)
    )
    for x, y in (((-3, 3), (0, 0)), ((0, 0), (-3, 3))):
        ax.plot(x, y, color=INK, lw=0.5)


def _arrow(ax: Axes, member: Member, magnet: shapely.Polygon) -> None:
    """Draw the polarisation from S to N through the magnet's middle."""
    x, y = (v / MM for v in position(member))
    turn = member.polarisation + pi / 2
    direction = np.array([np.cos(turn), np.sin(turn)])
    reach = shapely.get_coordinates(magnet) @ direction
    size = 0.8 * float(reach.max() - reach.min())
    u, v = (float(part) * size / 2 for part in direction)
    drawn = ax.annotate(
        "", (x + u, y + v), (x - u, y - v), annotation_clip=True,
        arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 0.9, "shrinkA": 0, "shrinkB": 0,
                    "mutation_scale": min(2.2 * size, 9)},
    )  # fmt: skip
    if drawn.arrow_patch is not None:
        drawn.arrow_patch.set_clip_box(ax.bbox)  # an arrow must not leave its tile


def _number(ax: Axes, member: Member, section: CarrierSection) -> None:
    """Write number and family outside the ring along the radius, and the poles at the gap."""
    pitch = 2 * pi / len(section.pockets)
    turn = member.angle + pi / 2
    radius = _number_radius(section)
    text = f"{member.number} {LETTERS[member.table]}"
    _radial(ax, text, (radius, turn), room=pitch * radius, outwards=True)
    radius = section.inner_radius - 1.2 if section.outer else section.outer_radius + 2.6
    for letter, side in _poles(member, section):
        # A third of the way to the neighbours, so that all letters are as far apart.
        at, room = (radius, turn + side * pitch / 3), pitch * radius * (0.45 if side else 0.8)
        weight = "normal" if side else "bold"
        _radial(ax, letter, at, room=room, outwards=not section.outer, weight=weight)


def _number_radius(section: CarrierSection) -> float:
    # Of an inner rotor the poles stand outside too; both keep clear of the start mark.
    return section.outermost + (3.2 if section.outer else 6.2)


def _label(ax: Axes, member: Member, section: CarrierSection, text: str) -> None:
    """Write which measured magnet goes here, outside of its number."""
    radius = _number_radius(section) + _TO_LABEL
    room = 2 * pi / len(section.pockets) * radius
    at = radius, member.angle + pi / 2
    _radial(ax, text, at, room=room, outwards=True, weight="bold")


def _poles(member: Member, section: CarrierSection) -> tuple[tuple[str, int], ...]:
    """Poles of a magnet as seen from the gap, each with its side, 1 for anticlockwise."""
    match member.north:
        case "in" | "out":
            facing = "in" if section.outer else "out"
            return (("N" if member.north == facing else "S", 0),)
        case "anticlockwise":
            return (("N", 1), ("S", -1))
        case "clockwise":
            return (("S", 1), ("N", -1))
    return ()  # an oblique magnet's are at its corners; the arrow tells


def _radial(
    ax: Axes, text: str, at: tuple[float, float], *, room: float, outwards: bool,
    weight: str = "normal",
) -> None:  # fmt: skip
    """Write along the radius, never upside down, as large as room along the circle allows."""
    radius, turn = at[0], degrees(at[1])
    upright = -90 <= (turn + 180) % 360 - 180 <= 90
    ax.text(
        radius * np.cos(at[1]), radius * np.sin(at[1]), text,
        fontsize=float(np.clip(0.8 * room * _POINTS_PER_MM, 2.5, 8.0)),
        rotation=turn if upright else turn + 180, rotation_mode="anchor", va="center",
        ha="left" if upright == outwards else "right", clip_on=True, weight=weight,
        parse_math=False,
    )  # fmt: skip


def _words(
    ax: Axes, study: Study, section: CarrierSection, page: _Page, *, labelled: bool = False
) -> None:
    high = page.size[1]
    tables = dict.fromkeys(pocket.member.table for pocket in section.pockets)
    legend = ", ".join(f"{LETTERS[t]} {t}" for t in tables)
    rows = study.rotor.skew_steps
    which = f", row {section.row} of {rows} from the floor" if rows > 1 else ""
    if section.row > 1:
        angle = (section.row - 1) * study.rotor.skew_step_deg
        which += f", turned {angle:g} deg anticlockwise against row 1"
    sheet = f" - {page.name}" if page.name else ""
    scale = "Not to scale" if page.name == "overview" else "True scale 1:1"
    lowest = " of row 1" if rows > 1 else ""
    title, most = drawable(study.title), int((page.size[0] - 2 * _MARGIN) / 2.3)
    if len(title) > most:
        title = f"{title[: most - 3]}...\n"
    ax.text(_MARGIN, high - 8, f"{title}Polarity map{which}{sheet}", fontsize=10, va="top",
            parse_math=False, linespacing=1.3)  # fmt: skip
    letters = int((page.size[0] - 2 * _MARGIN - 4) / _WORD_LETTER)
    ax.text(
        _MARGIN + 4, _FOOT - 3,
        fill(f"{scale}, seen from the open side of the carrier; {legend}. {_LEGEND}{lowest}. "
             f"Dashed: stator surface.{_LABELS if labelled else ''}", letters)
        + "\n" + fill(" ".join(MAPPING), letters),
        fontsize=6.5, va="top", linespacing=1.35,
    )  # fmt: skip


_LEGEND = (
    "Arrows point to north; letters at the gap name the pole that faces the stator, or those of a "
    "transverse magnet's two sides. The triangle is the start mark at magnet 1"
)

_LABELS = " Outermost in bold: which of the measured magnets goes there."


def _rulers(ax: Axes, *, up: float) -> None:
    """Draw rulers to be measured on the print: across, and up at the edge where there is room."""
    x, y = _MARGIN, _MARGIN
    for length, along, aside in ((_RULER, (1, 0), (0, 1)), (up, (0, 1), (1, 0))):
        ends = np.array([(x, y), (x + along[0] * length, y + along[1] * length)])
        ax.plot(*ends.T, color=INK, lw=0.6)
        for step in range(0, int(length) + 1, 10):
            tick = 2.5 if step % 50 == 0 else 1.5
            foot = np.array([x + along[0] * step, y + along[1] * step])
            ax.plot(*np.array([foot, foot + tick * np.array(aside)]).T, color=INK, lw=0.6)
    both = "across and up" if up else "across"
    marks = "" if up else (
        f" Crop marks stand {A4[0] - 2 * _MARGIN:g} mm across and {A4[1] - _HEAD - _FOOT:g} mm up."
    )  # fmt: skip
    ax.text(
        x + 4, y + 4, f"Measure this: if it is not {_RULER:.1f} mm {both}, print at 100 % "
        f"(actual size).{marks}", fontsize=6.5,
    )  # fmt: skip


def _crop_marks(ax: Axes, box: tuple[float, float, float, float]) -> None:
    left, low, wide, high = box
    ax.add_patch(Rectangle((left, low), wide, high, fill=False, ec=PALE, lw=0.4))
    for x in (left, left + wide):
        for y in (low, low + high):
            ax.plot([x - 3, x + 3], [y, y], color=INK, lw=0.5)
            ax.plot([x, x], [y - 3, y + 3], color=INK, lw=0.5)
    ax.text(left + wide, low + high + 1, f"tiles share {_OVERLAP:g} mm: lay mark on mark",
            fontsize=6, ha="right")  # fmt: skip


def _overview(drawing: Figure, section: CarrierSection, page: _Page, *, surface: float) -> None:
    """Draw the ring small, with the tiles that it is cut into."""
    columns, rows = (int(n) for n in page.corner)
    wide, high = A4[0] - 2 * _MARGIN, A4[1] - _HEAD - _FOOT
    view = drawing.add_axes(
        (_MARGIN / A4[0], _FOOT / A4[1], wide / A4[0], high / A4[1]), aspect="equal"
    )
    view.axis("off")
    _ring(view, section, surface=surface, words=False)
    x0 = -(columns * (wide - _OVERLAP) + _OVERLAP) / 2
    y0 = -(rows * (high - _OVERLAP) + _OVERLAP) / 2
    for i in range(rows):
        for j in range(columns):
            x, y = x0 + j * (wide - _OVERLAP), y0 + (rows - 1 - i) * (high - _OVERLAP)
            view.add_patch(Rectangle((x, y), wide, high, fill=False, ec=INK, lw=0.7))
            view.text(x + wide / 2, y + high / 2, f"{chr(65 + j)}{i + 1}", fontsize=14,
                      ha="center", va="center")  # fmt: skip
    view.set(
        xlim=(x0 - 5, -x0 + 5), ylim=(y0 - 5, -y0 + 5)
    )  # fmt: skip


def positions(study: Study) -> list[dict[str, object]]:
    """Return number, place and polarisation of every magnet; y along the axis of magnet 1."""
    rows: list[dict[str, object]] = []
    for member in rotor_members(study):
        x, y = position(member)
        rows.append(
            {
                "number": member.number,
                "row": member.row,
                "family": member.family,
                "angle_deg": shown(degrees(member.angle) % 360),
                "polarisation_deg": shown(degrees(member.polarisation)),
                "centre_radius_mm": shown(member.centre_radius, 1e3),
                "x_mm": shown(x, 1e3),
                "y_mm": shown(y, 1e3),
                "north": member.north,
            }
        )
    return rows


def positions_csv(study: Study) -> str:
    """Return the positions as CSV."""
    rows = positions(study)
    return csv_text(list(rows[0]), [list(row.values()) for row in rows])
