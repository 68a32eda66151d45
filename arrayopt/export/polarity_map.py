"""The polarity map: the whole ring at true scale, every magnet numbered, with its arrow."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from io import BytesIO
from math import ceil, degrees, floor
from pathlib import Path
from textwrap import wrap

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from arrayopt.checks.hazards import MAPPING
from arrayopt.export.files import csv_text, write_file
from arrayopt.export.map_ring import LETTERS, Places, draw_ring, draw_words, places
from arrayopt.export.pictures import INK, PALE, STYLE, drawable
from arrayopt.export.results import shown
from arrayopt.layout.carrier import CarrierSection, carrier_sections
from arrayopt.layout.members import position, rotor_members
from arrayopt.study import Study

A4 = (210.0, 297.0)  # mm, ISO 216
_MARGIN = 10.0  # mm, left free by any printer
_HEAD, _FOOT = 24.0, 46.0  # mm of a page for words and rulers
_FOOT_WORDS = 30.0  # the same without rulers
_OVERLAP = 10.0  # mm that neighbouring tiles share
_CAPTION = 8.0  # mm over an enlarged ring
_ENLARGED, _ENLARGED_PAGE = 1.5, 1.25  # zoom that is worth its room, or a page of its own
_TITLE_LETTER, _WORD_LETTER = 2.3, 1.2  # mm of one letter of title and words, on average
_TITLE_LINES = 3
_LONGEST = 16  # letters of a label that are drawn
_LEAST_WIDTH = 150.0  # mm of a sheet that is cut to its map
_RULER = 100.0  # mm
_MM_PER_INCH = 25.4


@dataclass(frozen=True)
class _View:
    """A part of a sheet that shows the ring: its box, the ring's middle, both on paper in mm."""

    box: tuple[float, float, float, float]
    middle: tuple[float, float]
    at: Places


@dataclass(frozen=True)
class _Page:
    """A sheet of paper in mm with what it shows.

    ``tiles`` is how many columns and rows an overview is cut into; ``scale`` is said and
    comes with rulers.
    """

    size: tuple[float, float]
    views: tuple[_View, ...] = ()
    name: str = ""
    scale: str = "True scale 1:1"
    rulers: bool = True
    tiles: tuple[int, int] = (0, 0)


def polarity_map(
    study: Study, *, row: int = 1, labels: Mapping[int, str] | None = None, to_scale: bool = True
) -> Figure:
    """Draw the map of one row of magnets at true scale, one sheet as large as it needs.

    Parameters
    ----------
    study : Study
    row : int
    labels : mapping of int to str, optional
        What to write beside each magnet, by its number: which measured one goes there.
    to_scale : bool
        False for a copy that will be shown at any size: it has no rulers and claims no scale.

    """
    section = carrier_sections(study)[row - 1]
    labels = _drawn(labels)
    longest = max((len(label) for label in labels.values()), default=0)
    at = places(section, surface=_surface(study), longest=longest)
    foot = _FOOT if to_scale else _FOOT_WORDS
    wide, high = max(2 * at.reach + 2 * _MARGIN, _LEAST_WIDTH), 2 * at.reach
    view = _View((0, foot, wide, high), (wide / 2, foot + at.reach), at)
    scale = "True scale 1:1" if to_scale else "Not to scale"
    page = _Page((wide, high + _HEAD + foot), (view,), scale=scale, rulers=to_scale)
    with rc_context(STYLE):
        return _sheet(study, section, page, labels)


def map_svg(
    study: Study, *, row: int = 1, labels: Mapping[int, str] | None = None, to_scale: bool = True
) -> bytes:
    """Return the map of one row of magnets as SVG; parameters as in `polarity_map`."""
    out = BytesIO()
    with rc_context(STYLE):
        polarity_map(study, row=row, labels=labels, to_scale=to_scale).savefig(
            out, format="svg", metadata={"Date": None}
        )
    return out.getvalue()


def write_map_pdf(path: str | Path, study: Study) -> Path:
    """Write the map as PDF on A4, a row of magnets after the other.

    Small rings have an enlarged copy below or on the next page; large ones are cut into tiles.
    """

    def fill_in(file: Path) -> None:
        with rc_context(STYLE), PdfPages(file, metadata={"CreationDate": None}) as pages:
            for section in carrier_sections(study):
                for page in _pages(section, surface=_surface(study)):
                    drawing = _sheet(study, section, page)
                    pages.savefig(drawing)
                    drawing.clear()

    return write_file(path, fill_in)


def _surface(study: Study) -> float:
    return study.stator.surface_diameter_mm / 2


def _pages(section: CarrierSection, *, surface: float) -> Iterator[_Page]:
    """Sheets of one row: one where it fits, with an enlarged copy, else an overview and tiles."""
    at = places(section, surface=surface)
    wide, high = A4[0] - 2 * _MARGIN, A4[1] - _HEAD - _FOOT
    if 2 * at.reach > min(wide, high):
        yield from _tiles(at, wide, high)
        return
    across, top = A4[0] / 2, A4[1] - _HEAD
    below = high - 2 * at.reach - _CAPTION
    zoomed = _enlarged(section, surface, min(below, wide))
    if zoomed is not None and zoomed.zoom >= _ENLARGED:
        whole = _View((0, top - 2 * at.reach, A4[0], 2 * at.reach), (across, top - at.reach), at)
        copy = _View((0, _FOOT, A4[0], below), (across, _FOOT + below / 2), zoomed)
        yield _Page(A4, (whole, copy), scale="Upper ring at true scale 1:1")
        return
    yield _Page(A4, (_View((0, _FOOT, A4[0], high), (across, _FOOT + high / 2), at),))
    high = A4[1] - _HEAD - _FOOT_WORDS - _CAPTION
    zoomed = _enlarged(section, surface, min(high, wide))
    if zoomed is not None and zoomed.zoom >= _ENLARGED_PAGE:
        view = _View((0, _FOOT_WORDS, A4[0], high), (across, _FOOT_WORDS + high / 2), zoomed)
        yield _Page(A4, (view,), "enlarged", "Not to scale", rulers=False)


def _enlarged(section: CarrierSection, surface: float, room: float) -> Places | None:
    """Return the places round the largest ring that fits, in tenths of its size."""
    for tenths in range(floor(10 * room / 2 / section.outermost), 10, -1):
        at = places(section, surface=surface, zoom=tenths / 10)
        if 2 * at.reach <= room:
            return at
    return None


def _tiles(at: Places, wide: float, high: float) -> Iterator[_Page]:
    columns, rows = (ceil((2 * at.reach - _OVERLAP) / (side - _OVERLAP)) for side in (wide, high))
    yield _Page(A4, (), "overview", "Not to scale", rulers=False, tiles=(columns, rows))
    for i in range(rows):
        for j in range(columns):
            x, y = _corner(columns, rows, j, i)
            box = (_MARGIN, _FOOT, wide, high)
            view = _View(box, (_MARGIN - x, _FOOT - y), at)
            yield _Page(A4, (view,), f"{chr(65 + j)}{i + 1}")


def _corner(columns: int, rows: int, column: int, row: int) -> tuple[float, float]:
    """Lower left corner of a tile from the ring's middle."""
    wide, high = A4[0] - 2 * _MARGIN - _OVERLAP, A4[1] - _HEAD - _FOOT - _OVERLAP
    left, low = (-(count * side + _OVERLAP) / 2 for count, side in ((columns, wide), (rows, high)))
    return left + column * wide, low + (rows - 1 - row) * high


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
    if page.tiles[0]:
        _overview(drawing, section, page.tiles, surface=_surface(study))
    if page.rulers:
        _rulers(paper, up=0.0 if page.name else _RULER)
    for view in page.views:
        left, low, width, height = view.box
        ax = drawing.add_axes((left / wide, low / high, width / wide, height / high))
        left, low = left - view.middle[0], low - view.middle[1]
        ax.set(xlim=(left, left + width), ylim=(low, low + height))
        ax.axis("off")
        draw_ring(ax, section, surface=_surface(study), zoom=view.at.zoom)
        draw_words(ax, section, view.at, labels)
        if view.at.zoom > 1:
            paper.text(
                wide / 2, view.middle[1] + view.at.reach + _CAPTION / 3, ha="center", fontsize=8,
                weight="bold", s=f"Enlarged {view.at.zoom:g} times, not to scale: to read only",
            )  # fmt: skip
        elif page.rulers and page.name:
            _crop_marks(paper, view.box)
    return drawing


def _words(
    ax: Axes, study: Study, section: CarrierSection, page: _Page, *, labelled: bool = False
) -> None:
    """Write title and legend, each on as many lines as it takes."""
    high, room = page.size[1], page.size[0] - 2 * _MARGIN
    rows = study.rotor.skew_steps
    which = f", row {section.row} of {rows} from the floor" if rows > 1 else ""
    if section.row > 1:
        angle = (section.row - 1) * study.rotor.skew_step_deg
        which += f", turned {angle:g}° anticlockwise against row 1"
    sheet = f" - {page.name}" if page.name else ""
    title = _title(study.title, int(room / _TITLE_LETTER))
    ax.text(_MARGIN, high - 8, "\n".join([*title, f"Polarity map{which}{sheet}"]), fontsize=9.5,
            va="top", parse_math=False, linespacing=1.15)  # fmt: skip
    legend = _legend(section, page, rows=rows, labelled=labelled)
    letters = int((room - 4) / _WORD_LETTER)
    lines = [*wrap(legend, letters), *wrap(" ".join(MAPPING), letters)]
    foot = _FOOT if page.rulers else _FOOT_WORDS
    ax.text(_MARGIN + 4, foot - 3, "\n".join(lines), fontsize=6.5, va="top", linespacing=1.35)


def _title(title: str, letters: int) -> list[str]:
    """Return the lines of a title; one that is too long keeps its beginning and its end."""
    if not drawable(title):
        return []
    lines = wrap(title, letters)
    if len(lines) > _TITLE_LINES:
        last = wrap(title[::-1], letters - 4)[0][::-1]  # as many whole words as fit
        lines = [*lines[: _TITLE_LINES - 1], f"... {last}"]
    return lines


def _legend(section: CarrierSection, page: _Page, *, rows: int, labelled: bool) -> str:
    """Say what a sheet shows, and nothing that it does not show."""
    tables = dict.fromkeys(pocket.member.table for pocket in section.pockets)
    families = ", ".join(f"{LETTERS[table]} {table}" for table in tables)
    words = [f"{page.scale}, seen from the open side of the carrier; {families}."]
    if page.views:
        words.append(
            "Arrows point to north. At the gap a large N or S names the pole of a main magnet "
            "that faces the stator"
            + (", small ones the poles of a transverse magnet's two sides."
               if any(view.at.sides for view in page.views) else ".")
        )  # fmt: skip
    lowest = " of row 1" if rows > 1 else ""
    words.append(f"The triangle is the start mark at magnet 1{lowest}. Dashed: stator surface.")
    if labelled:
        words.append("Outermost in bold: which of the measured magnets goes there.")
    if not page.rulers and page.name:
        words.append("Lay magnets only on the sheet at true scale.")
    elif not page.rulers:
        words.append("To lay magnets on, print polarity-map.pdf at 100 % (actual size).")
    return " ".join(words)


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


def _overview(
    drawing: Figure, section: CarrierSection, tiles: tuple[int, int], *, surface: float
) -> None:
    """Draw the ring small, with the tiles that it is cut into."""
    wide, high = A4[0] - 2 * _MARGIN, A4[1] - _HEAD - _FOOT
    view = drawing.add_axes(
        (_MARGIN / A4[0], _FOOT / A4[1], wide / A4[0], high / A4[1]), aspect="equal"
    )
    view.axis("off")
    draw_ring(view, section, surface=surface)
    for i in range(tiles[1]):
        for j in range(tiles[0]):
            x, y = _corner(*tiles, j, i)
            view.add_patch(Rectangle((x, y), wide, high, fill=False, ec=INK, lw=0.7))
            view.text(x + wide / 2, y + high / 2, f"{chr(65 + j)}{i + 1}", fontsize=14,
                      ha="center", va="center")  # fmt: skip
    x, y = _corner(*tiles, 0, tiles[1] - 1)
    view.set(xlim=(x - 5, 5 - x), ylim=(y - 5, 5 - y))


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
