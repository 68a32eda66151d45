"""A report as PDF on A4, typeset by typst from the same sections as the page."""

from __future__ import annotations

import json
import tempfile
from importlib import resources
from pathlib import Path
from typing import Any

import matplotlib
import typst

from arrayopt.export.files import write_file
from arrayopt.export.report_parts import Items, Picture, Report, Table, Text, with_code
from arrayopt.export.text_tables import numeric


def write_report_pdf(path: str | Path, report: Report) -> Path:
    """Write a report as PDF; words are data to the typesetter, never its markup."""
    template = (resources.files("arrayopt.export") / "report.typ").read_text(encoding="utf-8")
    fonts = Path(matplotlib.get_data_path()) / "fonts" / "ttf"

    def fill_in(file: Path) -> None:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (folder / "report.typ").write_text(template, encoding="utf-8")
            content = _content(report, folder)
            (folder / "report.json").write_text(json.dumps(content), encoding="utf-8")
            made = typst.compile(
                str(folder / "report.typ"), root=name, font_paths=[str(fonts)],
                ignore_system_fonts=True, timestamp=0,
            )  # fmt: skip
            file.write_bytes(made)

    return write_file(path, fill_in)


_WIDE = 34  # letters of a line from which on a column is broken if a table is too wide


def _longest(cell: str) -> int:
    return max(map(len, cell.split("\n")))


def _content(report: Report, folder: Path) -> dict[str, Any]:
    """Return a report as plain data, its pictures written into a folder."""
    pictures = 0

    def block(one: Any) -> dict[str, Any]:
        nonlocal pictures
        match one:
            case Text():
                if one.plain:
                    return {"kind": "plain", "words": one.words}
                return {"kind": "text", "parts": with_code(one.words), "strong": one.strong}
            case Items():
                lines = list(map(with_code, one.lines))
                return {"kind": "warn" if one.warn else "items", "lines": lines}
            case Table():
                right = [numeric(column) for column in zip(*one.rows, strict=True)]
                wide = [
                    max(map(_longest, column)) > _WIDE for column in zip(*one.rows, strict=True)
                ]
                rows = [list(map(with_code, row)) for row in one.rows]
                return {"kind": "table", "header": one.header, "rows": rows,
                        "caption": one.caption, "right": right, "wide": wide}  # fmt: skip
            case Picture():
                pictures += 1
                file = f"picture-{pictures}.svg"
                (folder / file).write_bytes(one.svg)
                return {"kind": "picture", "file": file, "words": one.words}
        raise TypeError(type(one))

    return {
        "title": report.title,
        "subtitle": report.subtitle,
        "sections": [
            {"heading": section.heading, "blocks": [block(one) for one in section.blocks]}
            for section in report.sections
        ],
    }
