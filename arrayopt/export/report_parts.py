"""What a report is made of, before it becomes a page or a print."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from arrayopt.export.typeset import typeset, unit_sign


@dataclass(frozen=True)
class Text:
    """A paragraph; `plain` keeps its line ends and spaces, `strong` stands out."""

    words: str
    plain: bool = False
    strong: bool = False


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


def typeset_block(block: Block) -> Block:
    """Return a block with its units as they are printed; names of a shop's items stay."""
    match block:
        case Text():
            return replace(block, words=typeset(block.words))
        case Items():
            return replace(block, lines=tuple(map(typeset, block.lines)))
        case Table():
            rows = tuple(
                tuple(_cell(title, cell) for title, cell in zip(block.header, row, strict=True))
                for row in block.rows
            )
            header = tuple(map(typeset, block.header))
            return Table(header, rows, typeset(block.caption))
        case Picture():
            return replace(block, words=typeset(block.words))


def _cell(title: str, cell: str) -> str:
    return {"Unit": unit_sign(cell), "Item": cell}.get(title, typeset(cell))


_CODE = re.compile(r"`([^`\n]+)`")


def with_code(words: str) -> list[tuple[str, bool]]:
    """Return words in parts, each with whether it stood between backticks.

    Examples
    --------
    >>> with_code("run `arrayopt check` first")
    [('run ', False), ('arrayopt check', True), (' first', False)]
    """
    parts = [(part, i % 2 == 1) for i, part in enumerate(_CODE.split(words))]
    return [part for part in parts if part[0]]
