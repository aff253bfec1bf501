"""Correcting a reading on the piece's page: good, wrong, hostile, sent twice, two tabs, and taken back."""

import html
import re
from pathlib import Path
from typing import Any

import pytest
from stock import TODAY
from web_pages import Pages
from web_workshop import prepared, workshop  # noqa: F401

from tracker.desk.log import in_words, read_log
from tracker.desk.showing import PieceShown, show
from tracker.desk.verify import verify

HOSTILE = "<img src=x onerror=alert(1)>"
PIECE = "L0001-02"
PAGE = f"/pieces/{PIECE}"


@pytest.fixture
def pages(workshop: Path) -> Pages:  # noqa: F811
    """Give the pages of the workshop, on the day its lots arrived."""
    return Pages(workshop, today=TODAY)


def shown(pages: Pages) -> PieceShown:
    found = show(pages.app.state.workspace, PIECE)
    assert isinstance(found, PieceShown)
    return found


def typed(text: str) -> str:
    """Return what stands in the field for the lines."""
    found = re.search(r'<textarea id="f-lines"[^>]*>([^<]*)</textarea>', text)
    assert found is not None
    return html.unescape(found[1]).removeprefix("\n")


def form(pages: Pages, lines: str, **more: Any) -> dict[str, Any]:
    """Return the form as the page has it, with what is typed into it."""
    text = pages.text(PAGE)
    hidden = dict(re.findall(r'type="hidden" name="(once|seen|photo|role)" value="([^"]*)"', text))
    assert set(hidden) == {"once", "seen", "photo", "role"}
    return {**hidden, "lines": lines, **more}


def send(pages: Pages, values: dict[str, Any]) -> Any:
    return pages.post(f"{PAGE}/correct", values)


def test_the_form_has_what_is_read_now(pages: Pages) -> None:
    text = pages.text(PAGE)
    assert typed(text).split("\n") == (shown(pages).marking or "").split(" / ")
    assert '<details class="correct" id="correct">' in text
    assert '<details class="correct" id="correct" open>' in pages.text(f"{PAGE}/correct")


def test_a_corrected_reading_is_told_with_who_said_so_and_what_was_read(pages: Pages) -> None:
    before = shown(pages)
    answer = send(pages, form(pages, "CV6522AP\r\n\r\n 9120 \r\n", remark="under the lens"))
    assert (answer.status_code, answer.headers["location"]) == (303, f"{PAGE}#main")
    now = shown(pages)
    assert now.marking == "CV6522AP / 9120"
    assert now.summary.date_code == "9120"
    assert now.corrected is not None
    text = pages.text(PAGE)
    assert "reads CV6522AP / 9120, corrected by hand." in text
    assert "<b>Corrected by hand</b> by Ida Brandt" in text
    assert f'The readers read <span class="marking">{before.marking}</span>' in text
    assert "under the lens" in text
    assert "by hand <span" in text
    assert "reading corrected by hand" in text
    assert typed(text) == "CV6522AP\n9120"
    for view in ("/lots/L0001", "/lots/L0001?view=table"):
        assert "9120" in pages.text(view)
        assert pages.text(view).count('<span class="quiet">by hand</span>') == 1
    assert PIECE in pages.text("/recall?marking=9120")
    (entry,) = read_log(pages.app.state.workspace, limit=1).entries
    assert (entry.act, entry.operator) == ("correct", "Ida Brandt")
    said = in_words(entry).split("; ")
    assert {"reads: CV6522AP / 9120", f"instead of: {before.marking}", "remark: under the lens"} <= set(said)
    assert verify(pages.app.state.workspace).faults == ()


def test_it_is_taken_back(pages: Pages) -> None:
    before = shown(pages)
    send(pages, form(pages, "AB1234"))
    assert shown(pages).summary.part_read != before.summary.part_read
    answer = send(pages, form(pages, "AB1234", as_read="yes"))
    assert answer.status_code == 303
    after = shown(pages)
    assert (after.marking, after.findings, after.sum, after.corrected) == (
        before.marking,
        before.findings,
        before.sum,
        None,
    )
    text = pages.text(PAGE)
    assert "as the readers read it" in text
    assert "corrected reading given back to the readers" in text
    assert "Take the correction back" not in text


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("", "It is not said what the marking reads."),
        ("A\n" * 13, "The marking has 13 lines"),
        ("A" * 101, "longer than 100 characters"),
        ("CV\x0065", "characters that do not print"),
        ("CV6522AP / 9120", "a slash that stands alone"),
    ],
)
def test_what_cannot_be_comes_back_as_typed(pages: Pages, lines: str, said: str) -> None:
    before = read_log(pages.app.state.workspace).found
    answer = send(pages, form(pages, lines, remark="typed with care"))
    assert answer.status_code == 422
    assert answer.text.index(said) < answer.text.index("<h1>")
    assert 'id="correct" open' in answer.text
    assert 'aria-invalid="true" aria-describedby="w-lines h-lines"' in answer.text
    assert typed(answer.text).replace("\ufffd", "\x00") == lines.strip()
    assert 'value="typed with care"' in answer.text
    assert read_log(pages.app.state.workspace).found == before


def test_the_same_reading_is_refused(pages: Pages) -> None:
    answer = send(pages, form(pages, "\n".join((shown(pages).marking or "").split(" / "))))
    assert answer.status_code == 422
    assert "already" in answer.text


def test_hostile_texts_are_only_text(pages: Pages) -> None:
    answer = send(pages, form(pages, f"{HOSTILE}\n</textarea><script>", remark=f"'\"{HOSTILE}"))
    assert answer.status_code == 303
    for path in (PAGE, f"{PAGE}/correct", "/log", "/lots/L0001"):
        text = pages.text(path)
        assert "<img src=x" not in text
        assert "</textarea><script>" not in text
    assert typed(pages.text(PAGE)) == f"{HOSTILE}\n</textarea><script>"


def test_sent_twice_it_is_recorded_once(pages: Pages) -> None:
    before = read_log(pages.app.state.workspace).found
    values = form(pages, "CV6522AP\n9120")
    assert [send(pages, values).status_code for _ in range(2)] == [303, 303]
    assert read_log(pages.app.state.workspace).found == before + 1


def test_the_second_of_two_tabs_is_told_first(pages: Pages) -> None:
    first, second = form(pages, "CV6522AP\n9120"), form(pages, "CV6522AP\n9121", remark="looked twice")
    assert send(pages, first).status_code == 303
    answer = send(pages, second)
    assert answer.status_code == 409
    assert "reading corrected by hand" in answer.text
    assert "CV6522AP / 9120" in answer.text
    assert typed(answer.text) == "CV6522AP\n9121"
    assert "Record it all the same" in answer.text
    assert shown(pages).marking == "CV6522AP / 9120"
    newer = dict(re.findall(r'type="hidden" name="(once|seen|photo|role)" value="([^"]*)"', answer.text))
    assert send(pages, {**second, **newer}).status_code == 303
    assert shown(pages).marking == "CV6522AP / 9121"


def test_a_form_of_a_foreign_page_changes_nothing(pages: Pages) -> None:
    values = {**form(pages, "CV6522AP\n9120"), "token": "another"}
    answer = pages.client.post(f"{PAGE}/correct", data=values)
    assert answer.status_code == 403
    assert shown(pages).corrected is None
