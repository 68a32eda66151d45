"""A report as one HTML file that needs nothing else: no network, no scripts."""

from __future__ import annotations

import re
from importlib import resources

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from arrayopt.export.report_parts import Items, Picture, Report, Table, Text, with_code
from arrayopt.export.text_tables import numeric

_IDS = re.compile(r'(\bid="|href="#|url\(#)')


def report_page(report: Report) -> str:
    """Return a report as HTML; all words are escaped."""
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["kind"] = lambda block: _KINDS[type(block)]
    environment.filters["columns"] = _columns
    environment.filters["marked"] = _marked
    template = (resources.files("arrayopt.export") / "report.html").read_text(encoding="utf-8")
    return environment.from_string(template).render(report=report, drawn=_Drawn())


_KINDS = {Text: "text", Items: "items", Table: "table", Picture: "picture"}


_SHORT = 22  # letters of a cell that is not to be broken


def _columns(table: Table) -> list[str]:
    """Class of each column: numbers to the right, short words kept on a line."""

    def kind(cells: tuple[str, ...]) -> str:
        if numeric(cells):
            return "n"
        return "k" if max(map(len, cells)) <= _SHORT else ""

    return [kind(column) for column in zip(*table.rows, strict=True)]


def _marked(words: str) -> Markup:
    """Words as HTML, what stands between backticks as code."""
    parts = (Markup("<code>{}</code>" if code else "{}").format(part)
             for part, code in with_code(words))  # fmt: skip
    return Markup("").join(parts)


class _Drawn:
    """Pictures inline, the names inside of each made its own."""

    def __init__(self) -> None:
        self.count = 0

    def __call__(self, picture: Picture) -> Markup:
        self.count += 1
        text = picture.svg.decode("utf-8")
        text = text[text.index("<svg") :]
        # What matplotlib drew holds no words of the user's but as shapes of letters.
        text = _IDS.sub(rf"\g<1>p{self.count}-", text)
        words = Markup.escape(picture.words)
        return Markup(text.replace("<svg", f'<svg role="img" aria-label="{words}"', 1))
