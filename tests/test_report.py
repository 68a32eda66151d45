"""The report as page and print: what it says, escaping, a real browser, no network, A4."""

import re
import tomllib
from dataclasses import replace
from html.parser import HTMLParser

import pypdfium2
import pytest
from browsers import CHROMIUM, browser
from makers import make_study
from picture_words import ASCII_UNITS
from shop import HEADER, PAIRS, shopping

from arrayopt.errors import ArrayoptError
from arrayopt.evaluation import evaluate
from arrayopt.export import report as module
from arrayopt.export.polarity_map import map_svg
from arrayopt.export.reading_tables import bench_rows
from arrayopt.export.report import magnets_and_grades, report
from arrayopt.export.report_found import found_of
from arrayopt.export.report_page import report_page
from arrayopt.export.report_parts import (
    Items,
    Picture,
    Report,
    Section,
    Table,
    Text,
    with_code,
)
from arrayopt.export.report_pdf import write_report_pdf
from arrayopt.study import starter_text

NASTY = (
    "</title></pre><script>document.title='owned'</script><img src=x onerror=alert(1)>&amp;#$\\*"
)
HEADINGS = [
    "Summary", "The job", "Checks", "The array", "The machine", "Beside plain alternating layouts",
    "Order", "Polarity map", "Assembly", "Staying together", "Stray field", "Tolerances",
    "Driver data", "Expected bench readings", "Cautions", "The study and versions",
]  # fmt: skip


@pytest.fixture(scope="module")
def found():
    """Everything about the starter study; its title, a comment and a shop's item are hostile."""
    rows = f'{HEADER}"{NASTY[:70]}",block,12,5,3,thickness,N42SH,9,20\n'
    return found_of(shopping(rows, f"# {NASTY}\n{PAIRS}", values={"title": NASTY}))


@pytest.fixture(scope="module")
def told(found):
    return report(found)


@pytest.fixture(scope="module")
def page(told):
    return report_page(told)


class Elements(HTMLParser):
    """Tags, ids, links and headings of a page."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.ids, self.links, self.headings, self.inside = [], [], [], [], None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.inside = tag
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name in ("src", "href", "xlink:href", "action"):
                self.links.append(value)
            assert not name.startswith("on")

    def handle_data(self, data):
        if self.inside == "h2" and data.strip():
            self.headings.append(data)


def test_page_has_every_section_and_only_itself(page):
    elements = Elements(page)
    assert elements.headings == HEADINGS
    assert "script" not in elements.tags
    assert "iframe" not in elements.tags
    assert "img" not in elements.tags
    assert all(link.startswith(("#", "data:")) for link in elements.links)
    assert len(set(elements.ids)) == len(elements.ids)
    assert not re.search(r"url\((?!#)", page)
    assert "default-src 'none'" in page


def test_hostile_words_are_escaped(page, told):
    assert NASTY not in page
    assert page.count("&lt;script&gt;document.title=") >= 3  # title, heading and the study
    assert told.title == NASTY


def test_limits_missed_anywhere_are_in_the_summary():
    """Strength's checks count as those of the figures do; loose walls and rows are told."""
    study = make_study(
        pole_pairs=10, kind="slotted",
        values={"strength.safety_factor": 20.0, "strength.bonded_share": 0.05,
                "rotor.steel_ring_mm": 1.5, "rotor.wall_mm": 0.4},
    )  # fmt: skip
    found = found_of(study)
    told = str([part(found) for part in (module._summary, module._map, module._order)])
    assert "LIMITS MISSED:" in told
    assert "main magnets, glue" in told
    assert "stand on the floor alone" in told
    assert "DOES NOT KEEP ITS LIMITS" in told


def test_links_of_pictures_are_their_own(page):
    names = re.findall(r'\bid="(p\d+-[^"]+)"', page)
    used = re.findall(r'(?:url\(#|href="#)(p\d+-[^")]+)', page)
    assert used
    assert set(used) <= set(names)


def test_report_says_what_the_builder_needs(told):
    words = str(told).replace("\\xa0", " ")
    for part in (
        "Flux linkage", "Hardest", "0.5 mT", "implanted", "along the last edge", "magpylib",
        "Local codes", "Back-EMF at 1000 rpm", "From the shop list", "not on the list",
    ):  # fmt: skip
        assert part in words, part
    names = [block.words for section in told.sections for block in section.blocks
             if isinstance(block, Picture)]  # fmt: skip
    assert len(names) == 9


def words_of(block):
    """All words of a block but those that keep the spaces of a terminal."""
    match block:
        case Text(plain=False):
            return [block.words]
        case Items():
            return list(block.lines)
        case Table():
            columns = [i for i, title in enumerate(block.header) if title != "Item"]
            return [*block.header, block.caption, *(row[i] for row in block.rows for i in columns)]
    return []


def test_report_prints_units(found, told):
    """As signs, each on the line of its number; the study stays as its file has it."""
    for section in told.sections[:-1]:
        for block in section.blocks:
            for words in words_of(block):
                assert not ASCII_UNITS.search(words), (section.heading, words)
                assert not re.search(r"\d (mm|N m|°C|g|A|V|T|%)\b", words), (section.heading, words)
    assert told.sections[-1].blocks[-1] == Text(found.study.text, plain=True)


def test_summary_begins_with_the_verdict(found, told):
    summary = told.sections[0]
    assert summary.heading == "Summary"
    assert isinstance(summary.blocks[0], Items if found.order.missed else Text)
    kept = replace(found, order=replace(found.order, missed=()))
    assert module._summary(kept)[0] == Text("All limits are kept.", strong=True)
    missed = replace(found, order=replace(found.order, missed=("slot fill",)))
    assert module._summary(missed)[0] == Items(("LIMITS MISSED: slot fill.",), warn=True)


def test_grades_of_all_magnets_are_told():
    # exact
    study = make_study(magnets_per_pole_pair=8, thickness=3.0)
    alike = magnets_and_grades(study)
    assert alike.count("N42SH") == 1
    assert alike.endswith("mm, N42SH")
    mixed = study.with_values({"rotor.main.grade": "N48H"})
    parts = magnets_and_grades(mixed).split(", ")
    assert [part.split()[0] for part in parts] == ["main", "transverse", "oblique"]
    assert [part.split()[-1] for part in parts] == ["N48H", "N42SH", "N42SH"]


def test_notes_and_snippets_keep_their_form(told):
    (tolerances,) = [s for s in told.sections if s.heading == "Tolerances"]
    items = [line for b in tolerances.blocks if isinstance(b, Items) for line in b.lines]
    assert not any("tolerance.limits" in line or line.startswith("*") for line in items)
    texts = [b for b in tolerances.blocks if isinstance(b, Text)]
    assert any(b.words.startswith("* half the grade's range") for b in texts)
    (snippet,) = [b.words for b in texts if b.plain]
    assert snippet.splitlines()[0] == "[tolerance.limits]"
    assert list(tomllib.loads(snippet)["tolerance"]["limits"]) == ["torque_constant_percent"]


def test_commands_are_code(page, tmp_path):
    assert "<code>arrayopt " in page
    outside = re.sub(r"<pre>.*?</pre>", "", page, flags=re.S)
    assert "`" not in outside
    parts = with_code("`a <b>` and a single ` stay")
    assert parts == [("a <b>", True), (" and a single ` stay", False)]
    blocks = (Text("run `x <y>`"), Items(("`z`",)), Table(("a",), (("`w`",),)))
    small = Report("t", "s", (Section("h", blocks),))
    assert "<code>x &lt;y&gt;</code>" in report_page(small)
    document = pypdfium2.PdfDocument(write_report_pdf(tmp_path / "r.pdf", small))
    try:
        text = document[0].get_textpage().get_text_bounded()
    finally:
        document.close()
    assert "x <y>" in text
    assert "`" not in text


def letters(page):
    """Size and lower edge of every letter of a page of a PDF [pt]."""
    words = page.get_textpage()
    return [
        (chr(pypdfium2.raw.FPDFText_GetUnicode(words, i)),
         pypdfium2.raw.FPDFText_GetFontSize(words, i), words.get_charbox(i)[1])
        for i in range(words.count_chars())
    ]  # fmt: skip


def test_first_page_is_full_and_has_the_verdict(told, tmp_path):
    document = pypdfium2.PdfDocument(write_report_pdf(tmp_path / "r.pdf", told))
    try:
        text = document[0].get_textpage().get_text_bounded()
        found = letters(document[0])
    finally:
        document.close()
    verdict = told.sections[0].blocks[0]
    first = verdict.words if isinstance(verdict, Text) else verdict.lines[0]
    assert first[:20] in text.replace("\r\n", " ")
    body = [low for letter, size, low in found if letter.strip() and size > 7.5]
    assert min(body) < 842 / 2  # more than half of the page is used


@pytest.mark.parametrize(("columns", "size"), [(4, 8.0), (24, 6.8)])
def test_letters_of_tables_are_as_large_as_the_page_allows(columns, size, tmp_path):
    # exact: four short columns fit at 8 pt, twenty-four do not
    row = tuple(f"{1000 + i}" for i in range(columns))
    table = Table(tuple(f"Col {i}" for i in range(columns)), (row,))
    made = write_report_pdf(tmp_path / "r.pdf", Report("t", "s", (Section("h", (table,)),)))
    document = pypdfium2.PdfDocument(made)
    try:
        sizes = {round(s, 1) for letter, s, _ in letters(document[0]) if letter.isdigit()}
    finally:
        document.close()
    assert size in sizes
    assert (8.0 in sizes) is (size == 8.0)


def test_map_of_the_report_claims_no_scale(told, found):
    (section,) = (one for one in told.sections if one.heading == "Polarity map")
    (picture,) = (block for block in section.blocks if isinstance(block, Picture))
    assert picture.svg == map_svg(found.study, to_scale=False)
    assert picture.svg != map_svg(found.study)


def test_tables_are_whole(told):
    for section in told.sections:
        for block in section.blocks:
            if isinstance(block, Table):
                assert {len(row) for row in block.rows} == {len(block.header)}


def test_pdf_is_a4_and_says_the_same(told, tmp_path):
    document = pypdfium2.PdfDocument(write_report_pdf(tmp_path / "report.pdf", told))
    try:
        sizes = {tuple(round(v) for v in p.get_size()) for p in document}
        text = "\n".join(p.get_textpage().get_text_bounded() for p in document)
    finally:
        document.close()
    assert sizes == {(595, 842)}
    for heading in HEADINGS:
        assert heading in text
    assert "<script>document.title" in text  # words, not markup
    assert "From the shop list" in text


def test_pdf_same_bytes(told, tmp_path):
    first, second = (write_report_pdf(tmp_path / f"{i}.pdf", told).read_bytes() for i in (1, 2))
    assert first == second


@pytest.mark.parametrize(
    "words", ["#set text(1pt)", "$x$ *b* _i_ @ref <l>", "\\", '"', "\U0001f9f2 髋"]
)
def test_pdf_of_any_words(words, tmp_path):
    blocks = (
        Text(words), Text(words, plain=True), Items((words,)), Items((words,), warn=True),
        Table((words, "n"), ((words, "1"),), caption=words),
    )  # fmt: skip
    made = write_report_pdf(tmp_path / "r.pdf", Report(words, words, (Section(words, blocks),)))
    assert made.read_bytes().startswith(b"%PDF")


def test_bench_readings_by_hand(found):
    study, results = found.study, found.results
    rows, header = bench_rows(study, results)
    assert header[0] == "Reading"
    value = {row[0]: float(row[1]) for row in rows}
    resistance = float(results["resistance_cold"][0])
    assert value["Line-to-line resistance"] == pytest.approx(2e3 * resistance, rel=1e-3)
    assert value["Frequency at that speed"] == pytest.approx(1000 / 60 * 14, rel=1e-3)
    # Power in, power out: the torque of a direct current through two leads is their back-EMF's.
    emf = value["Back-EMF at 1000 rpm, peak"] / (1000 * 3.14159265 / 30)
    assert value["Holding torque for each ampere"] == pytest.approx(emf, rel=1e-3)
    assert value["Flux density over a main magnet"] > 100


def test_bench_readings_of_a_delta():
    star = make_study(pole_pairs=14, kind="slotted")
    delta = star.with_values({"winding.connection": "delta"})
    (a, _), (b, _) = (bench_rows(s, evaluate(s)) for s in (star, delta))
    assert float(a[1][1]) / float(b[1][1]) == pytest.approx(3, rel=1e-3)


def test_unfinished_report_writes_nothing(told, tmp_path, monkeypatch):
    monkeypatch.setattr("arrayopt.export.report_pdf.typst.compile", lambda *_, **__: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_report_pdf(tmp_path / "r.pdf", told)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("no_pictures")
def test_report_without_a_search(run, tmp_path):
    path = tmp_path / "a <b> & $HOME.toml"
    path.write_text(starter_text().split("\n[search]")[0], encoding="utf-8")
    folder = tmp_path / "o<i>"
    code, out, err = run("report", path, "--out", folder, "--motors", 4, "--spares", 10)
    assert code == 0
    assert re.findall(r"^\d\. .*", out, re.M) == [
        "1. Figures",
        "2. Beside plain alternating layouts",
        "3. Cut list of the study's own design",
        "4. Assembly",
        "5. Staying together",
        "6. Stray field",
        "7. Tolerances",
        "8. Driver data",
    ]
    assert "For 4 motors with 10 % spares" in out
    assert (folder / "report.txt").read_text("utf-8").split() == out.split()
    assert "The search" not in (folder / "report.html").read_text("utf-8")
    line, last = err.splitlines()
    assert last == f"all on one page: {folder / 'report.html'}"
    assert set(line.split(": ")[1].split(", ")) == {p.name for p in folder.iterdir()}
    code, _, err = run("report", path, "--out", tmp_path / "p", "--choose", "least-rotor-mass")
    assert code == 2
    assert "the study has no [search]; leave it out" in err


def test_no_choice_without_a_search_in_python():
    with pytest.raises(ArrayoptError):
        found_of(make_study(pole_pairs=14), motors=0)


# Chromium is no package of Python's; where the machine has none these have nothing to look with.
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")


@pytest.fixture(scope="module")
def opened(page, tmp_path_factory):
    """The page in a browser that has no network, with what its console says."""
    path = tmp_path_factory.mktemp("page") / "a <b> & 'c' #1.html"
    path.write_text(page, encoding="utf-8")
    with browser() as chromium:
        yield chromium, path.as_uri()


def visit(chromium, address, **kind):
    context = chromium.new_context(offline=True, **kind)
    shown = context.new_page()
    said, asked = [], []
    shown.on("console", lambda message: said.append(message.text))
    shown.on("pageerror", lambda fault: said.append(str(fault)))
    shown.on("request", lambda request: asked.append(request.url))
    shown.goto(address)
    return shown, said, asked


@needs_browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [380, 1200])
def test_browser_has_nothing_to_complain_of(opened, width, scheme):
    chromium, address = opened
    shown, said, asked = visit(
        chromium, address, viewport={"width": width, "height": 800}, color_scheme=scheme
    )
    assert said == []
    assert [url for url in asked if not url.startswith("data:")] == [address]
    assert shown.evaluate("document.documentElement.scrollWidth") <= width
    assert shown.title() == NASTY
    assert shown.evaluate("document.scripts.length") == 0
    colours = shown.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (sum(map(int, re.findall(r"\d+", colours)[:3])) < 200) == (scheme == "dark")
    # Everything wider than the page scrolls in its own box.
    wide = shown.evaluate(
        "[...document.querySelectorAll('body *')].filter(e => !e.closest('.scroll, pre, svg') && "
        "e.getBoundingClientRect().right > innerWidth + 1).map(e => e.tagName)"
    )
    assert wide == []
    shown.context.close()


@needs_browser
def test_browser_prints_on_a4(opened, tmp_path):
    chromium, address = opened
    shown, _, _ = visit(chromium, address)
    shown.pdf(path=tmp_path / "print.pdf", prefer_css_page_size=True)
    document = pypdfium2.PdfDocument(tmp_path / "print.pdf")
    try:
        assert {tuple(round(v) for v in p.get_size()) for p in document} == {(595, 842)}
        assert 5 <= len(document) <= 25
    finally:
        document.close()
    shown.context.close()
