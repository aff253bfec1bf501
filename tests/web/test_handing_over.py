"""Handing over: each download is what the command makes; and finding what a word means."""

import csv
import io
import json
import re
import tempfile
import zipfile
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest
from conftest import Lotproof
from PIL import Image
from pypdf import PdfReader
from stock import a_lot
from web_pages import Pages
from web_workshop import prepared, workshop  # noqa: F401

from tracker.desk.bag_read import opened
from tracker.desk.fitting import add_machine
from tracker.desk.showing import LotShown, show
from tracker.desk.task_worker import Worker
from vision.crew import Crew


@pytest.fixture(autouse=True)
def _own_temporary_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Others make files in the system's at the same time."""
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))


@pytest.fixture
def pages(workshop: Path) -> Pages:  # noqa: F811
    return Pages(workshop)


def worked_off(pages: Pages) -> None:
    """Do what the server's worker does, here and now."""
    rows = pages.app.state.working.rows
    assert Worker(pages.app.state.workspace, rows, hands=lambda: nullcontext(Crew())).work_off()


def left_behind() -> set[str]:
    return {path.name for path in Path(tempfile.gettempdir()).glob("lotproof-made-*")}


def pdf_text(data: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(data)).pages).split())


def fetched(pages: Pages, path: str) -> Any:
    before = left_behind()
    got = pages.get(path)
    assert got.status_code == 200, got.text[:300]
    assert re.fullmatch(r'attachment; filename="[A-Za-z0-9.-]+"', got.headers["content-disposition"])
    assert left_behind() == before, "the temporary folder is gone"
    return got


def test_a_card_is_the_commands(pages: Pages, lotproof: Lotproof, workshop: Path, tmp_path: Path) -> None:  # noqa: F811
    got = fetched(pages, "/card/L0002/file?paper=letter&cells=small")
    assert got.headers["content-type"] == "application/pdf"
    assert 'filename="L0002-card.pdf"' in got.headers["content-disposition"]
    words = ("card", "L0002", "--paper", "letter", "--cells", "small", "--to", tmp_path / "c.pdf")
    assert lotproof(*words, "--workspace", workshop).code == 0
    assert pdf_text(got.content) == pdf_text((tmp_path / "c.pdf").read_bytes())
    box = PdfReader(io.BytesIO(got.content)).pages[0].mediabox
    assert (round(box.width), round(box.height)) == (612, 792), "letter, in points (ANSI/ASME Y14.1)"


def test_labels_on_a_sheet_and_one_by_one(pages: Pages, lotproof: Lotproof, workshop: Path, tmp_path: Path) -> None:  # noqa: F811
    sheet = fetched(pages, "/labels/L0002/file?sheet=70x37&start=3&columns=&paper=")
    words = ("label", "L0002", "--sheet", "70x37", "--start", "3", "--to", tmp_path / "labels")
    assert lotproof(*words, "--workspace", workshop).code == 0
    assert pdf_text(sheet.content) == pdf_text((tmp_path / "labels" / "L0002-labels.pdf").read_bytes())
    with zipfile.ZipFile(io.BytesIO(fetched(pages, "/labels/L0002/file?pictures=yes").content)) as archive:
        assert sorted(archive.namelist()) == sorted(path.name for path in (tmp_path / "labels").glob("*.png"))
        assert archive.read("L0002-01.png") == (tmp_path / "labels" / "L0002-01.png").read_bytes()
    one = fetched(pages, "/labels/l2-3/file?pictures=yes")
    assert one.headers["content-type"] == "image/png"
    assert Image.open(io.BytesIO(one.content)).width == 472, "40 mm at 300 dpi"


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("sheet=other", "There is no sheet &#39;other&#39;."),
        ("start=999", "The first place is 999."),
        ("start=x", "Give a whole number."),
        ("width=wide", "Give a length in mm."),
        ("width=nan", "negative or no number"),
        ("paper=a0", "There is no such paper."),
        ("columns=0", "Give columns and rows of 1 or more."),
        ("width=900", "The labels do not fit"),
    ],
)
def test_a_sheet_that_cannot_be(pages: Pages, query: str, said: str) -> None:
    before = left_behind()
    answer = pages.get(f"/labels/L0002/file?{query}")
    assert answer.status_code == 422
    assert said in answer.text
    name, _, typed = query.partition("=")  # what was typed stands in its field still
    assert name == "sheet" or typed == "a0" or f'name="{name}" type="text" value="{typed}"' in answer.text
    assert left_behind() == before


def test_tables_are_the_commands(pages: Pages, lotproof: Lotproof, workshop: Path, tmp_path: Path) -> None:  # noqa: F811
    got = fetched(pages, "/export/L0001/tables")
    assert lotproof("export", "csv", "L0001", "--to", tmp_path / "t", "--workspace", workshop).code == 0
    with zipfile.ZipFile(io.BytesIO(got.content)) as archive:
        assert sorted(archive.namelist()) == sorted(path.name for path in (tmp_path / "t").iterdir())
        for name in archive.namelist():
            assert archive.read(name) == (tmp_path / "t" / name).read_bytes()
        rows = list(csv.DictReader(io.StringIO(archive.read("pieces.csv").decode())))
    assert [row["piece"] for row in rows] == ["L0001-01", "L0001-02", "L0001-03"]


def test_provenance_names_lot_and_workshop(pages: Pages) -> None:
    got = fetched(pages, "/export/L0001/provenance?organization=Hollin%20Bench")
    assert 'filename="L0001-provenance.json"' in got.headers["content-disposition"]
    said = json.loads(got.content)
    assert {"entity", "activity", "agent"} <= said.keys()
    assert "Hollin Bench" in got.text
    assert "L0001-02" in got.text


def test_a_bag_is_made_once_on_the_work_list_and_journaled(pages: Pages, tmp_path: Path) -> None:
    form = {"organization": "Hollin Bench", "once": "one"}
    first, second = pages.post("/export/L0001", form), pages.post("/export/L0001", form)
    assert first.headers["location"] == second.headers["location"] == "/work/W0001"
    worked_off(pages)
    got = pages.get("/work/W0001/file")
    assert got.headers["content-disposition"].startswith("attachment")
    (tmp_path / "bag.zip").write_bytes(got.content)
    with opened(tmp_path / "bag.zip") as foreign:
        assert (foreign.records.lot, foreign.workshop) == ("L0001", "Hollin Bench")
    assert "export" in pages.text("/log?label=L0001")


@pytest.mark.parametrize("form", ["html", "pdf"])
def test_a_dossier_leaves_out_what_was_ticked(pages: Pages, form: str) -> None:
    answer = pages.post("/dossier/l2", {"form": form, "without": ["prices", "operators"]})
    assert answer.headers["location"] == "/work/W0001"
    worked_off(pages)
    got = pages.get("/work/W0001/file")
    assert got.headers["content-disposition"] == f'attachment; filename="L0002-dossier.{form}"'
    assert not got.headers["content-type"].startswith("text/html"), "no browser may take it for a page of ours"
    text = pdf_text(got.content) if form == "pdf" else got.text
    assert "12.50" not in text
    assert "mira" not in text.lower()
    assert "KM4417" in text


def test_a_dossier_that_cannot_be(pages: Pages) -> None:
    for form, said in (({"form": "exe"}, "The form is"), ({"form": "pdf", "without": "all"}, "part to leave out")):
        answer = pages.post("/dossier/L0002", form)
        assert answer.status_code == 422
        assert said in answer.text


@pytest.mark.parametrize("page", ["dossier", "export", "card", "labels"])
def test_what_is_not_there_is_handed_to_nobody(pages: Pages, page: str) -> None:
    for label in ("L0999", "L0001-99", "..%2f..%2fetc", "M0001", "%3Cscript%3E"):
        answer = pages.get(f"/{page}/{label}")
        assert answer.status_code == 404, label
        assert "<script>" not in answer.text
    assert pages.get(f"/{page}/l1").status_code == 200
    assert "L0001" in pages.text(f"/{page}/L0001-02")


def test_papers_come_later(pages: Pages) -> None:
    files = [("document-certificate", ("cert.pdf", b"%PDF")), ("document-letter", ("l.txt", b"dear"))]
    form = {"once": "one"}
    for _ in range(2):
        assert pages.post("/lots/L0002/papers", form, files=files).headers["location"] == "/lots/L0002"
    found = show(pages.app.state.workspace, "L0002")
    assert isinstance(found, LotShown)
    assert [(one.kind, one.name) for one in found.documents] == [("certificate", "cert.pdf"), ("letter", "l.txt")]
    assert pages.post("/lots/L0002/papers").status_code == 422
    assert "is empty" in pages.post("/lots/L0002/papers", files=[("document-other", ("e.txt", b""))]).text


@pytest.mark.parametrize(
    ("what", "place"),
    [
        ("L0001-02", "/pieces/L0001-02"),
        ("l1-2", "/pieces/L0001-02"),
        ("  L 1 / 2 ", "/pieces/L0001-02"),
        ("1-2", "/pieces/L0001-02"),
        ("L0001–02", "/pieces/L0001-02"),
        ("#l2", "/lots/L0002"),
        ("m-1", "/machines/M0001"),
        ("b0001", "/runs/B0001"),
        ("w7", "/work/W0007"),
        ("tellmark", "/machines/M0001"),
        ("FENWRIGHT", "/sellers/Fenwright%20Components"),
        ("F-22", "/lots/L0002"),
        ("", "/lots"),
    ],
)
def test_find_goes_straight_there(pages: Pages, what: str, place: str) -> None:
    answer = pages.client.get("/find", params={"what": what}, headers={"accept": "text/html"})
    assert (answer.status_code, answer.headers["location"]) == (303, place)


def test_find_lists_what_may_be_meant(pages: Pages) -> None:
    text = pages.text("/find?what=CV6522")
    assert '<a href="/lots/L0001"' in text
    assert '<a href="/pieces/L0001-01"' in text
    assert '<a href="/pieces/L0001-02"' in text
    date_code = pages.text("/find?what=8914")
    assert "CV6522AP / 8914" in date_code


def test_find_knows_letters_of_any_alphabet_and_slashes(pages: Pages) -> None:
    a_lot(pages.app.state.workspace, seller="Über A/B")
    add_machine(pages.app.state.workspace, "Ölpumpe <b>")
    add_machine(pages.app.state.workspace, "Ölwaage")
    assert pages.get("/find?what=über").headers["location"] == "/sellers/%C3%9Cber%20A%2FB"
    assert "Über A/B" in pages.text("/sellers/%C3%9Cber%20A%2FB")
    text = pages.text("/find?what=öl")
    assert "Ölpumpe &lt;b&gt;" in text
    assert "M0003" in text


@pytest.mark.parametrize("what", ["L0999", "nothing of the kind", "%", "_", '"><script>x', "x"])
def test_find_finds_nothing(pages: Pages, what: str) -> None:
    answer = pages.client.get("/find", params={"what": what}, headers={"accept": "text/html"})
    assert answer.status_code == 200
    assert "Nothing is called" in answer.text
    assert "<script>x" not in answer.text
