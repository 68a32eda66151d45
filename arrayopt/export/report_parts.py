"""What a report is made of, before it becomes a page or a print."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Text:
    """A paragraph; `plain` keeps its line ends and spaces."""

    words: str
    plain: bool = False


@dataclass(frozen=True)
class Items:
    """A list; `warn` marks cautions."""

    lines: tuple[str, ...]
    warn: bool = False


@dataclass(frozen=True)
class Table:
    """Cells in rows, numbers to the right; a header cell may have line ends."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""


@dataclass(frozen=True)
class Picture:
    """An SVG with words for those who do not see it."""

    svg: bytes
    words: str


Block = Text | Items | Table | Picture


@dataclass(frozen=True)
class Section:
    """A heading with what stands under it."""

    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Report:
    """A whole report."""

    title: str
    subtitle: str
    sections: tuple[Section, ...]
