"""The report as page and print: what it says, escaping, a real browser, no network, A4."""

import re
from html.parser import HTMLParser

import pypdfium2
import pytest
from browsers import CHROMIUM, browser
from makers import make_study
from shop import HEADER, PAIRS, shopping

from arrayopt.errors import ArrayoptError
from arrayopt.evaluation import evaluate
from arrayopt.export import report as module
from arrayopt.export.bench import bench_rows
from arrayopt.export.report import found_of, report
from arrayopt.export.report_page import report_page
from arrayopt.export.report_parts import Items, Picture, Report, Section, Table, Text
from arrayopt.export.report_pdf import write_report_pdf
from arrayopt.study import starter_text

NASTY = (
    "</title></pre><script>document.title='owned'</script><img src=x onerror=alert(1)>&amp;#$\\*"
)
HEADINGS = [
    "The job", "Summary", "The array", "The machine", "Checks", "Beside plain alternating layouts",
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
    words = str(told)
    for part in (
        "Flux linkage", "Hardest", "0.5 mT", "implanted", "along the last edge", "magpylib",
        "Local codes", "Back-EMF at 1000 rpm", "From the shop list", "not on the list",
    ):  # fmt: skip
        assert part in words, part
    names = [block.words for section in told.sections for block in section.blocks
             if isinstance(block, Picture)]  # fmt: skip
    assert len(names) == 9


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
