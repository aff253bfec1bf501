"""Photographing from the pages: what is sent is safe, looked at in its turn, and told; the unusable is refused."""

import io
import json
import shutil
import struct
import zlib
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from staged import Stage, chip, found, picture
from stock import a_lot
from web_pages import Pages

from tracker.desk import photograph as photographing
from tracker.desk import uploads
from tracker.desk.task import Task
from tracker.desk.task_worker import Worker
from tracker.desk.tasks import ask_export
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.web import working
from tracker.web.settings import Limits
from vision.crew import Crew

PAGE = "/lots/L0001/photograph"
JSON = {"accept": "application/json"}


@pytest.fixture
def stage(monkeypatch: pytest.MonkeyPatch) -> Stage:
    one = Stage({}, [])
    monkeypatch.setattr(photographing, "look", one.look)
    return one


@pytest.fixture
def shop(sqlite_template: Path, tmp_path: Path) -> Path:
    shutil.copytree(sqlite_template, tmp_path / "shop")
    with Workspace.open(tmp_path / "shop") as workspace:
        a_lot(workspace)
    return tmp_path / "shop"


@pytest.fixture
def pages(shop: Path) -> Pages:
    return Pages(shop)


def worked_off(pages: Pages) -> list[Task]:
    """Do what the server's worker does, here and now; return all tasks, the oldest first."""
    rows = pages.app.state.working.rows
    assert Worker(pages.app.state.workspace, rows, hands=lambda: nullcontext(Crew())).work_off()
    return list(rows.every())


def png(stage: Stage, folder: Path, shade: int, *chips: Any) -> bytes:
    return stage.put(picture(folder, f"{shade}.png", shade=shade), *chips or (chip("CV6522AP", "8914"),)).read_bytes()


def sent(pages: Pages, *files: tuple[str, bytes], headers: dict[str, str] | None = None, **form: str) -> Any:
    return pages.post(PAGE, form, files=[("photos", one) for one in files], headers=headers or {})


def as_browsers_send_nothing(pages: Pages) -> str:
    """Send the form with both file fields empty, byte for byte as browsers do (HTML standard, multipart/form-data)."""
    fields = f'Content-Disposition: form-data; name="token"\r\n\r\n{pages.token}\r\n--x\r\n'
    empty = (
        'Content-Disposition: form-data; name="photos"; filename=""\r\nContent-Type: application/octet-stream\r\n\r\n'
    )
    body = f"--x\r\n{fields}{empty}\r\n--x\r\n{empty}\r\n--x--\r\n"
    headers = {"content-type": "multipart/form-data; boundary=x", "accept": "text/html"}
    answer = pages.client.post(PAGE, content=body.encode(), headers=headers)
    assert answer.status_code == 422
    return str(answer.text)


def bomb(width: int, height: int) -> bytes:
    """Return a small PNG that says it has so many pixels (PNG specification, chunks IHDR, IDAT, IEND)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def test_the_page_asks_for_photos_with_the_phones_camera(pages: Pages) -> None:
    page = pages.text(PAGE)
    assert 'type="file" accept="image/*" capture="environment" multiple' in page
    assert "No piece has a photo of its top yet." in page
    assert 'enctype="multipart/form-data"' in page
    assert pages.get("/lots/L0009/photograph").status_code == 404
    assert pages.get("/lots/..%2f..%2fetc/photograph").status_code == 404
    named = pages.text(f'{PAGE}?piece=L0001-02"><script>&role=bottom')
    assert 'value="L0001-02&#34;&gt;&lt;script&gt;"' in named
    assert 'value="bottom" checked' in named


def test_photos_are_sent_looked_at_and_shown(pages: Pages, stage: Stage, tmp_path: Path) -> None:
    sanded = chip("CV6522AP", "8914", observations=[found("surface-sanded", "surface")])
    stranger = chip("CV6522AP", at=(200, 200), label="L0002-01")
    files = [("a.png", png(stage, tmp_path, 60, sanded, stranger)), ("b.png", png(stage, tmp_path, 70))]
    answer = sent(pages, *files, role="top")
    assert (answer.status_code, answer.headers["location"]) == (303, "/work/W0001")
    waiting = pages.text("/work/W0001")
    assert '<noscript><meta http-equiv="refresh" content="3"></noscript>' in waiting
    assert "0 of 2 done" in waiting
    (task,) = worked_off(pages)
    assert (task.state, task.operator) == ("done", "Ida Brandt")
    done = pages.text("/work/W0001")
    assert "refresh" not in done
    assert 'href="/pieces/L0001-01"' in done
    assert "CV6522AP / 8914" in done
    assert "surface-sanded was seen." in done
    assert "Not recorded:" in done
    assert 'href="/pieces/L0001-02"' in pages.text("/work")
    assert "Without a photo of its top: L0001-03." in pages.text(PAGE)
    assert verify(pages.app.state.workspace).sound


def test_some_files_of_a_request_are_refused_and_the_others_taken(pages: Pages, stage: Stage, tmp_path: Path) -> None:
    good = png(stage, tmp_path, 60)
    cut = io.BytesIO()
    Image.effect_noise((300, 200), 60).save(cut, "JPEG")
    answer = sent(
        pages,
        ("notes.txt", b"these are no pixels"),
        ("good.png", good),
        ("cut.jpg", cut.getvalue()[:-2000]),
        ("bomb.png", bomb(60000, 60000)),
        ("page.svg", b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>"),
        ("empty.jpg", b""),
    )
    assert answer.headers["location"] == "/work/W0001"
    page = pages.text("/work/W0001")
    for said in (
        "&#39;notes.txt&#39; is not a picture.",
        "&#39;cut.jpg&#39; is damaged or cut short",
        "&#39;bomb.png&#39; has 60000 x 60000 pixels, over the limit of 107 million.",
        "&#39;page.svg&#39; is not a picture.",
        "&#39;empty.jpg&#39; is empty.",
    ):
        assert f"Not taken: {said}" in page
    (task,) = worked_off(pages)
    assert [one.name for one in task.photos] == ["good.png"]


def test_a_form_without_a_usable_photo_comes_back_with_what_was_typed(pages: Pages) -> None:
    answer = sent(pages, ("a.jpg", b"x"), ("b.jpg", b"y"), role="bottom", pieces="L0001-02")
    assert answer.status_code == 422
    for said in ("None of the 2 files can be used.", "&#39;a.jpg&#39; is not", 'value="L0001-02"', '"bottom" checked'):
        assert said in answer.text
    assert "No photo was sent." in as_browsers_send_nothing(pages)
    wrong = sent(pages, ("a.jpg", b"x"), pieces="L0002-01")
    assert (wrong.status_code, "There is no lot L0002" in wrong.text) == (422, True)
    assert sent(pages, ("a.jpg", b"x"), role="portrait").status_code == 422
    assert list(pages.app.state.working.rows.every()) == []


def test_too_much_at_once_is_refused_while_it_comes_in(shop: Path, stage: Stage, tmp_path: Path) -> None:
    pages = Pages(shop, limits=Limits(photos=50_000))
    answer = sent(pages, ("a.png", bytes(60_000)))
    assert (answer.status_code, "more than one request may carry" in answer.text) == (413, True)
    assert sent(pages, ("a.png", png(stage, tmp_path, 60))).status_code == 303


def test_more_photos_than_are_taken_at_once_are_named(
    pages: Pages, stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert Limits().files >= uploads.MOST_PHOTOS + 2  # one more can be named, and an empty field counts as a file
    monkeypatch.setattr(uploads, "MOST_PHOTOS", 1)
    sent(pages, ("a.png", png(stage, tmp_path, 60)), ("b.png", png(stage, tmp_path, 70)))
    assert "Not taken: &#39;b.png&#39; is one too many." in pages.text("/work/W0001")


def test_a_foreign_form_is_refused(pages: Pages, stage: Stage, tmp_path: Path) -> None:
    photo = ("photos", ("a.png", png(stage, tmp_path, 60)))
    assert pages.client.post(PAGE, files=[photo]).status_code == 403
    assert pages.client.post(PAGE, files=[photo], headers={"x-lotproof-token": "guess"}).status_code == 403
    assert pages.client.post("/work/W0001/cancel").status_code == 403
    assert list(pages.app.state.working.rows.every()) == []


@pytest.mark.parametrize(
    "name", ["../../w.png", "<img src=x onerror=alert(1)>.png", "a\u202egnp.exe", 'a".png', "𓀀.png"]
)
def test_hostile_names_are_only_shown(pages: Pages, stage: Stage, tmp_path: Path, shop: Path, name: str) -> None:
    before = {one for one in shop.parent.rglob("*.png") if one.is_file()}
    data = png(stage, tmp_path, 60)
    assert sent(pages, (name, data)).status_code == 303
    (task,) = worked_off(pages)
    assert task.state == "done"
    page = pages.text("/work/W0001")
    assert "<img src=x" not in page
    assert "\u202e" not in page
    assert {one for one in shop.parent.rglob("*.png") if one.is_file()} - before == {tmp_path / "60.png"} - before


def test_scripts_get_an_answer_at_once_with_what_would_help(pages: Pages) -> None:
    out = io.BytesIO()
    Image.new("RGB", (400, 300), (255, 255, 255)).save(out, "PNG")
    answer = sent(pages, ("white.png", out.getvalue()), ("b.png", b"x"), headers=JSON).json()
    assert (answer["schema"], answer["task"]) == ("lotproof.photos-taken/1", "W0001")
    assert any("move the lamp to the side" in said for said in answer["taken"][0]["warnings"])
    assert [one["what"] for one in answer["refused"]] == ["'b.png' is not a picture."]
    assert "move the lamp to the side" in answer["html"]
    wrong = sent(pages, ("b.png", b"x"), headers=JSON)
    assert (wrong.status_code, wrong.json()["what"]) == (422, "'b.png' is not a picture.")


def test_named_pieces_are_what_is_in_view(pages: Pages, stage: Stage, tmp_path: Path) -> None:
    sent(pages, ("a.png", png(stage, tmp_path, 60)), pieces="l1-3")
    worked_off(pages)
    assert 'href="/pieces/L0001-03"' in pages.text("/work/W0001")


def test_cancel_and_try_again_are_buttons(pages: Pages, stage: Stage, tmp_path: Path) -> None:
    sent(pages, ("a.png", png(stage, tmp_path, 60)))
    assert 'action="/work/W0001/cancel"' in pages.text("/work")
    assert pages.post("/work/W0001/cancel").headers["location"] == "/work/W0001"
    page = pages.text("/work/W0001")
    assert "W0001 is cancelled." in page
    assert 'action="/work/W0001/retry"' in page
    assert pages.post("/work/W0001/cancel").status_code == 422
    pages.post("/work/W0001/retry")
    assert [one.state for one in worked_off(pages)] == ["done"]
    for path in ("/work/W0009", "/work/x", "/work/W0001/file", "/work/..%2fW0001"):
        assert pages.get(path).status_code == 404


def test_what_was_made_is_saved_from_the_list(pages: Pages) -> None:
    ask_export(pages.app.state.workspace, pages.app.state.working.rows, "L0001")
    worked_off(pages)
    assert 'href="/work/W0001/file"' in pages.text("/work")
    answer = pages.get("/work/W0001/file")
    assert (answer.content[:2], answer.headers["content-type"]) == (b"PK", "application/zip")
    assert answer.headers["content-disposition"].startswith('attachment; filename="L0001-bag-')


def test_changes_are_told_as_events(pages: Pages, stage: Stage, tmp_path: Path) -> None:
    """The stream ends by itself once the server is about to end; until then it would go on."""
    sent(pages, ("a<b>.png", png(stage, tmp_path, 60)))
    listed = pages.app.state.working
    mark = listed.rows.mark()
    worked_off(pages)
    told: list[dict[str, str]] = []
    changed = listed.rows.changed_since

    def then_end(since: int) -> Any:
        found = changed(since)
        listed.ending.set()
        return found

    listed.rows.changed_since = then_end
    answer = pages.client.get(f"/work/events?since={mark}")
    assert answer.headers["content-type"].startswith("text/event-stream")
    for block in answer.text.split("\n\n"):
        told += [json.loads(line[6:]) for line in block.splitlines() if line.startswith("data: ")]
    assert [(one["task"], one["said"]) for one in told] == [("W0001", "W0001 Photo of L0001: done: L0001-01")]
    assert "a<b>" not in answer.text
    assert '<tr data-task="W0001">' in told[0]["html"]


def test_only_so_many_pages_are_told_of_changes(pages: Pages, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(working, "MOST_FOLLOWERS", 1)
    with pages.app.state.working.followed():
        assert pages.get("/work/events").status_code == 503
    pages.app.state.working.ending.set()
    assert pages.get("/work/events").status_code == 200


def test_a_damaged_list_is_said_where_it_is_needed_and_nowhere_else(shop: Path) -> None:
    (shop / "work").mkdir()
    (shop / "work" / "list.sqlite").write_bytes(b"no database" * 1000)
    pages = Pages(shop)
    with pages.client:  # with its worker, as served
        assert pages.get("/").status_code == 200
        answer = pages.get("/work")
        assert (answer.status_code, "work list" in answer.text) == (503, True)
