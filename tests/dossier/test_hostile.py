"""Text that wants to be markup: it comes out harmless and readable in both forms."""

import re
import shutil
from datetime import UTC, date, datetime

import pytest
from dossier_pages import page, paper, pictures, squeezed
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader
from staged import Stage, chip, found, picture

from tracker.desk import photograph as photographing
from tracker.desk.decide import decide, settle
from tracker.desk.dossier import write_dossier
from tracker.desk.fitting import fit
from tracker.desk.photograph import photograph
from tracker.desk.receive import receive
from tracker.desk.workspace import Workspace
from tracker.dossier import render
from tracker.dossier.model import Dossier, Row
from tracker.dossier.plain import breakable, drawable, visible

NOW = datetime(2031, 4, 5, 12, 30, tzinfo=UTC)
NASTY = (
    '<script>alert("1")</script>',
    "</td></table><img src=x onerror=alert(1)>",
    '#eval("panic()") #include "data.json" #{panic()}',
    "$x^2$ _a_ *b* `c` ~ @label <label> // no comment /* nor this */",
    "back\\slash \\u{202e} \\",
    "{{ 7 * 7 }} {% raw %} &lt;b&gt; &#x27;",
    "= Heading\u2029- item\u2028+ item",
    "right\u202eot-left\u202c and \u2067isolated\u2069 and \u200f",
    "nothing\u0000 bell\u0007 escape\u001b[31m",
    "漢字 ひらがな 한국어 עברית العربية 🦊 \ue000",
    "W" * 500,
    "Z\u0351\u0352\u0353algo e\u0301",
    '=HYPERLINK("http://example.org")',
)


def _dossier(*texts):
    rows = tuple(Row(f"row {number}", text) for number, text in enumerate(texts))
    return Dossier(
        title="Dossier of lot L0001", subtitle=texts[0], made_at="2031", version="0", facts=rows, pieces=(),
        pictures=(), files=(), entries=(), head="entry 1, " + "0" * 64, signed="not signed",
        methods=rows, cautions=texts, outcome=texts,
    )  # fmt: skip


@pytest.fixture
def workspace(sqlite_template, tmp_path):
    """One database is enough here: what is read from it is the same on both."""
    shutil.copytree(sqlite_template, tmp_path / "workspace")
    with Workspace.open(tmp_path / "workspace") as opened:
        yield opened


@pytest.mark.parametrize("text", NASTY, ids=range(len(NASTY)))
def test_each_is_shown_as_what_it_is(text, tmp_path):
    dossier = _dossier(text)
    (tmp_path / "a.html").write_text(render.html(dossier, {}), encoding="utf-8")
    shown = page(tmp_path / "a.html")
    assert (shown.wrong, shown.open) == ([], [])
    assert not {"script", "img", "b", "label"} & set(shown.tags)
    assert not [name for _, name, _ in shown.attributes if name.startswith("on")]
    readable = " ".join(visible(text).split())
    assert shown.said.count(readable) >= 4
    pdf = render.pdf(dossier, {}, NOW)
    assert _letters(drawable(visible(text))) in _letters(paper(pdf))


def _letters(text):
    """Right-to-left runs come out of a PDF in the order they are drawn, and marks apart from their letters."""
    return "".join(one for one in squeezed(text) if one.isascii() or one in "⟨⟩")


def test_what_is_invisible_is_spelt_out():
    assert visible("a\u202eb") == "a⟨U+202E⟩b"
    assert visible("a\u0000\u001b\ufeff\u00ad\ud800") == "a⟨U+0000⟩⟨U+001B⟩⟨U+FEFF⟩⟨U+00AD⟩⟨U+D800⟩"
    assert visible("line\r\nbreak\tand\u2029more") == "line  break and more"
    assert visible("می\u200cخواهم") == "می\u200cخواهم"  # a joiner is part of the spelling
    assert visible("plain, é, 漢") == "plain, é, 漢"


def test_what_no_font_can_draw_is_spelt_out():
    assert drawable("Ωé漢") == "Ωé⟨U+6F22⟩"


@settings(max_examples=300)
@given(st.text(max_size=60))
def test_nothing_invisible_is_left(text):
    """By the Unicode database: no control, format, surrogate or private-use character but the joiners of spelling."""
    import unicodedata

    left = {unicodedata.category(one) for one in visible(text) if one not in "\u200c\u200d"}
    assert not left & {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}


@settings(max_examples=200)
@given(st.text(st.characters(codec="ascii"), max_size=300))
def test_long_words_may_break_and_nothing_is_lost(text):
    assert breakable(text).replace("\u200b", "") == text
    assert max(map(len, re.split("[ \u200b]", breakable(text)))) <= 24


def test_a_hash_stays_in_one_piece():
    assert breakable("0123456789abcdef" * 4) == "0123456789abcdef" * 4


@settings(max_examples=25, deadline=None)
@given(st.lists(st.text(max_size=40), min_size=1, max_size=4))
def test_any_text_makes_a_pdf_and_a_page(texts):
    dossier = _dossier(*texts)
    assert render.pdf(dossier, {}, NOW).startswith(b"%PDF")
    assert "<script" not in render.html(dossier, {})


def test_long_words_stay_on_the_page(tmp_path):
    """No letter is set beyond the margin: 18 mm of A4's 210 (ISO 216)."""
    pdf = render.pdf(_dossier("W" * 500), {}, NOW)
    (tmp_path / "a.pdf").write_bytes(pdf)
    rights = []

    def visit(text, _, matrix, font, size):
        if text.strip():
            rights.append(matrix[4])

    for sheet in PdfReader(tmp_path / "a.pdf").pages:
        sheet.extract_text(visitor_text=visit)
    assert rights
    assert max(rights) < (210 - 18) / 25.4 * 72


def test_a_whole_lot_of_it(workspace, tmp_path, monkeypatch):
    """In every field that a person fills in or a photo may read."""
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    from tracker.desk.arrival import Arrival

    markup, typst = NASTY[0], '#eval("1") $x$ \\ *b*'
    arrival = Arrival(
        seller=markup, source="broker", part="<b>#x$", maker=typst[:60], grade=typst[:40], quantity=2, received=2,
        arrived=date(2031, 4, 2), order=NASTY[1], remark=f"{typst} {'W' * 400}",
    )  # fmt: skip
    receive(workspace, [arrival], operator="m<i>ra #x")
    altered = chip("<b>#x$", "#eval", "\u202e漢", observations=[found("surface-sanded", "surface")])
    path = stage.put(picture(tmp_path, "a<b>#eval$.png"), altered, chip("`", at=(20, 100)))
    photograph(workspace, "L0001", [path], operator=typst[:40], today=date(2031, 4, 2))
    decide(workspace, ["L0001-01"], "reject", reason=typst, operator=markup)
    settle(workspace, "L0001-02", "genuine", markup, operator="mira")
    fit(workspace, "L0001-02", typst, "U<1>", owner=markup, operator="mira")
    html, pdf = write_dossier(workspace, "L0001", tmp_path / "out", now=NOW).files
    shown, printed = page(html), paper(pdf)
    assert (shown.wrong, shown.open) == ([], [])
    assert not {"script", "b"} & set(shown.tags)
    assert len(pictures(shown)) >= 3
    for text in (markup, "<b>#x$", typst, "m<i>ra #x", "U<1>", "a<b>#eval$.png", "⟨U+202E⟩"):
        assert text in shown.said, text
        assert squeezed(text) in printed, text
