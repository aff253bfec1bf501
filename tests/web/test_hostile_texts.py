"""Markup in everything that people, sellers, files and readers may bring: pages show it, and nothing comes of it."""

import shutil
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from staged import Stage, chip, found, picture
from stock import TODAY, a_lot
from web_pages import Pages

from tracker.desk import photograph as photographing
from tracker.desk.arrival import Paper
from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.bench_entry import Typed
from tracker.desk.correct import correct
from tracker.desk.decide import decide, declare_exemplar, settle
from tracker.desk.fitting import fit, unfit
from tracker.desk.photograph import photograph
from tracker.desk.receive import add_documents
from tracker.desk.workspace import Workspace

EVIL = "\"'><x-evil onclick=a></script><script>b()</script>{{7*1911917}}${7*1911917}{%x%}"
NAME = "\"'><x-evil onclick=a>{{7*1911917}}.png"  # a file's name has no slash
READ = "<x-evil onclick=a>"
REAL = {"lot": "L0001", "piece": "L0001-02", "machine": "M0001", "run": "B0001", "label": "L0001-02", "test": "current",
        "subject": "L0001-02", "seller": "x", "n": "0", "word": "x", "inspection": "1", "sha256": "0" * 64}  # fmt: skip


class Seen(HTMLParser):
    """What a browser makes of a page: its elements with attributes, its text, its forms."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.forms: list[tuple[dict[str, str | None], list[dict[str, str | None]]]] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.elements.append((tag, given))
        if tag == "form":
            self.forms.append((given, []))
        elif tag in ("input", "select", "textarea", "button") and self.forms and given.get("name"):
            self.forms[-1][1].append({**given, "tag": tag})

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def _harmless(page: str, where: str) -> Seen:
    seen = Seen(page)
    for tag, given in seen.elements:
        assert tag != "x-evil", where
        assert tag != "script" or given.get("src", "").startswith("/static/"), (where, given)
        assert not [name for name in given if name.startswith("on") or name == "style"], (where, tag, given)
        for name in ("href", "src", "action", "formaction"):
            to = given.get(name) or "/"
            assert to.startswith(("/", "#", "?")), (where, tag, to)
            assert not to.startswith(("//", "/\\")), (where, tag, to)
    assert "13383419" not in "".join(seen.words), where  # what a template would work out
    return seen


@pytest.fixture(scope="module")
def hostile(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    """Give the pages of a workshop in which everything that can hold text holds markup."""
    folder = tmp_path_factory.mktemp("hostile")
    shutil.copytree(sqlite_template, folder / "w")
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "w") as workspace:
        stage = Stage({}, [])
        patch.setattr(photographing, "look", stage.look)
        _fill(workspace, folder, stage)
    pages = Pages(folder / "w", operator=EVIL)
    yield pages
    pages.close()


def _fill(workspace: Workspace, folder: Path, stage: Stage) -> None:
    more = {"seller": EVIL, "part": EVIL, "maker": EVIL, "grade": EVIL[:60], "remark": EVIL, "order": EVIL}
    a_lot(workspace, **more, claim_by=TODAY)
    (folder / NAME).write_bytes(b"%PDF-1.4 an invoice")
    add_documents(workspace, "L0001", [Paper("invoice", folder / NAME)], operator=EVIL)
    (folder / NAME).unlink()
    odd = found("surface-sanded", "surface")
    chips = (chip(READ, "8914"), chip(READ, "8914", at=(20, 100), observations=[odd]), chip(READ, at=(20, 200)))
    photograph(workspace, "L0001", [stage.put(picture(folder, NAME), *chips)], operator=EVIL, today=TODAY)
    correct(workspace, "L0001-02", (EVIL, "8914"), remark=EVIL, operator=EVIL, today=TODAY)
    typed = Typed("5 V", "23 C", EVIL, EVIL, EVIL)
    request = CurrentRequest(currents=("96 mA",), limit="10 mA", limit_source=EVIL, typed=typed)
    run_current(workspace, "L0001-02", request, operator=EVIL)
    decide(workspace, ["L0001-02"], "reject", reason=EVIL, operator=EVIL)
    fit(workspace, "L0001-01", EVIL, EVIL[:60], owner=EVIL, reason=EVIL, operator=EVIL)
    fit(workspace, "L0001-01", "M0001", "U2", move=True, reason=EVIL, operator=EVIL)
    unfit(workspace, "L0001-01", reason=EVIL, operator=EVIL)
    fit(workspace, "L0001-01", "M0001", "U3", reason=EVIL, operator=EVIL)
    settle(workspace, "L0001-03", "genuine", EVIL, operator=EVIL)
    declare_exemplar(workspace, "L0001-03", EVIL, operator=EVIL)


def _addresses(pages: Pages) -> list[tuple[str, list[str]]]:
    """Return every page that can be got, with the names it asks for in its address."""
    found = []
    for path, methods in pages.app.openapi()["paths"].items():
        if path.startswith("/api/") or "get" not in methods or path == "/work/events":  # a stream has no end
            continue
        asked = methods["get"].get("parameters", [])
        for one in asked:
            if one["in"] == "path":
                path = path.replace(f"{{{one['name']}}}", REAL.get(one["name"], "x"))
        found.append((path, [one["name"] for one in asked if one["in"] == "query"]))
    return found


def _is_page(answer: Any) -> bool:
    return str(answer.headers.get("content-type", "")).startswith("text/html")


def test_what_is_stored_makes_nothing_in_any_page(hostile: Pages) -> None:
    shown = 0
    for path, names in _addresses(hostile):
        plain = {"piece": REAL["piece"], "lot": REAL["lot"]}
        for asked in ({}, {name: plain[name] for name in names if name in plain}):
            answer = hostile.get(path, params=asked)
            assert answer.status_code < 500, path
            if _is_page(answer):
                shown += "x-evil" in "".join(_harmless(answer.text, path).words)
    assert shown >= 10  # it is there, as text


def test_what_is_asked_makes_nothing_in_any_page(hostile: Pages) -> None:
    for path, names in _addresses(hostile):
        for asked in ({name: EVIL} for name in names):
            answer = hostile.get(path, params=asked)
            assert answer.status_code < 500, (path, asked)
            assert answer.headers.get("location", "/").startswith("/"), (path, asked)
            if _is_page(answer):
                _harmless(answer.text, f"{path} {asked}")
    for path in ("/lots/", "/pieces/", "/runs/", "/machines/", "/sellers/", "/bench/current/", "/work/", "/find/"):
        answer = hostile.client.get(f"{path}%3Cx-evil%20onclick=a%3E", headers={"accept": "text/html"})
        assert answer.status_code in (404, 405, 422), path
        _harmless(answer.text, path)


def test_what_is_typed_makes_nothing_when_the_form_is_shown_again(hostile: Pages) -> None:
    sent = 0
    for path, names in _addresses(hostile):
        asked = {name: REAL[name] for name in names if name == "piece"}
        page = hostile.get(path, params=asked)
        if page.status_code != 200 or not _is_page(page):
            continue
        for form, fields in _harmless(page.text, path).forms:
            if (form.get("method") or "").lower() != "post":
                continue
            again = hostile.post(form.get("action") or path, {one["name"]: _typed(one) for one in fields})
            assert again.status_code < 500, (path, form)
            assert again.headers.get("location", "/").startswith("/"), (path, form)
            if _is_page(again):
                _harmless(again.text, f"POST {path}")
            sent += 1
    assert sent >= 10


def _typed(field: dict[str, str | None]) -> str:
    """Return markup for a field that a person types into; what the page itself put there stays."""
    kept = field.get("type") in ("hidden", "radio", "checkbox", "submit") or field["tag"] == "button"
    return str(field.get("value") or "") if kept else EVIL


@pytest.mark.parametrize("mark", ["\u202e", "\u200f", "\u2066", "\u200b", "\x00", "\x1b", "\ufeff"])
def test_marks_that_turn_text_around_are_refused(mark: str, hostile: Pages) -> None:
    text = f"CV65{mark}22AP"
    for path, sent in (
        ("lots", {"seller": text, "part": "X1", "quantity": 1}),
        ("lots", {"seller": "X", "part": text, "quantity": 1}),
        ("lots", {"seller": "X", "part": "X1", "quantity": 1, "remark": text}),
        ("pieces/fit", {"piece": "L0001-03", "into": text, "at": "U9"}),
        ("pieces/decide", {"pieces": ["L0001-03"], "decision": "accept", "reason": text}),
    ):
        assert hostile.client.post(f"/api/{path}", json=sent).status_code == 422, (path, sent)
