"""The dossier: everything in it, nothing fetched, both forms saying the same."""

import base64
import hashlib
import io
import re
from html.parser import HTMLParser

import pytest
from PIL import Image
from pypdf import PdfReader
from staged import Stage, chip, found, picture
from stock import TODAY, a_lot

from tracker.desk import photograph as photographing
from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.decide import decide
from tracker.desk.fitting import fit
from tracker.desk.photograph import photograph

HOSTILE = '<script>alert("x")</script> & #eval("1") *bold* $x$'


@pytest.fixture
def full(workspace, tmp_path, monkeypatch):
    """A lot that went all the way."""
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    a_lot(workspace, maker="Corvane", remark=HOSTILE, order="Q-7")
    sanded = chip("CV6522AP", "8914", at=(20, 100), observations=[found("surface-sanded", "surface")])
    path = stage.put(picture(tmp_path, "lot.png"), chip("CV6522AP", "8914"), sanded)
    photograph(workspace, "L0001", [path], operator="mira", today=TODAY)
    request = CurrentRequest(pairs=("1 MHz=12.1 mA", "2 MHz=13.0 mA"), u="0.2 mA")
    run_current(workspace, "L0001-02", request, operator="jonas")
    decide(workspace, ["L0001-02"], "reject", reason="draws too much", operator="jonas")
    fit(workspace, "L0001-01", "Laboratory counter Tellmark 220", "U12", operator="mira")
    return path


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.text, self.addresses, self.tags, self.open, self.wrong = [], [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [value for name, value in attrs if name in ("src", "href", "action", "data")]
        if tag not in ("meta", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data):
        self.text.append(data)


def _html(path):
    page = _Page()
    page.feed(path.read_text(encoding="utf-8"))
    return page, " ".join(" ".join(page.text).split())


def _write(lotproof, workspace, what, to):
    ran = lotproof("dossier", what, "--to", to, "--workspace", workspace.folder, "--json")
    assert ran.code == 0, ran.err
    return ran.json["files"]


def test_the_page_stands_alone(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0001", tmp_path / "out.html")
    page, _ = _html(tmp_path / "out.html")
    assert page.wrong == []
    assert page.open == []
    assert "script" not in page.tags
    assert "link" not in page.tags
    assert all(address.startswith(("data:image/jpeg;base64,", "#")) for address in page.addresses)
    assert "url(" not in (tmp_path / "out.html").read_text(encoding="utf-8")
    for address in page.addresses:
        if address.startswith("data:"):
            Image.open(io.BytesIO(base64.b64decode(address.partition(",")[2]))).load()


def test_both_forms_say_everything(full, workspace, tmp_path, lotproof):
    files = _write(lotproof, workspace, "L0001", tmp_path / "both")
    assert [name.rsplit("/", 1)[1] for name in files] == ["L0001.html", "L0001.pdf"]
    _, page = _html(tmp_path / "both" / "L0001.html")
    reader = PdfReader(tmp_path / "both" / "L0001.pdf")
    paper = re.sub(r"[\s\u200b]+", "", "".join(sheet.extract_text() for sheet in reader.pages))
    head = lotproof("log", "--workspace", workspace.folder, "--json").json["entries"][-1]["hash"]
    said = [
        "Quayside Surplus",
        "Q-7",
        "CV6522AP",
        "surface-sanded was seen.",
        "+17.8 db",
        "together: suspicion",
        "JCGM 106",
        "draws too much",
        "Laboratory counter Tellmark 220",
        hashlib.sha256(full.read_bytes()).hexdigest(),
        head,
        "A suspicion is not a proof",
        "Local rules and licensed practice have the last word.",
        HOSTILE,
    ]
    for words in said:
        assert words in page, words
        # Hyphens and line ends of the typesetter are not the dossier's.
        assert re.sub(r"\s+", "", words) in paper, words
    assert sum(len(sheet.images) for sheet in reader.pages) >= 3


def test_a_piece_s_dossier_leaves_its_siblings_out(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0001-01", tmp_path / "one.html")
    _, page = _html(tmp_path / "one.html")
    assert "Dossier of piece L0001-01" in page
    assert "Laboratory counter Tellmark 220" in page
    assert "draws too much" not in page


def test_the_sum_on_the_page_adds_up(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0001-02", tmp_path / "one.html")
    _, page = _html(tmp_path / "one.html")
    part = page.partition("How the suspicion adds up")[2].partition("together")[0]
    *lines, total = [float(number) for number in re.findall(r"([+-]\d+\.\d) db", part)]
    assert sum(lines) == pytest.approx(total, abs=0.05 * len(lines) + 0.05)


def test_the_record_of_a_lot_without_photos_is_a_dossier_too(workspace, tmp_path, lotproof):
    a_lot(workspace)
    files = _write(lotproof, workspace, "L0001", tmp_path)
    _, page = _html(tmp_path / "L0001.html")
    assert "Not photographed." in page
    assert len(PdfReader(files[1]).pages) >= 1


def test_wrong_requests(workspace, tmp_path, lotproof):
    a_lot(workspace)
    (tmp_path / "file").write_text("x")
    for what, to, said in [
        ("L0009", tmp_path / "a.html", "no lot L0009"),
        ("L0001", tmp_path / "a.docx", "cannot be written as a.docx"),
        ("L0001", tmp_path / "file" / "a.html", "cannot be written"),
    ]:
        ran = lotproof("dossier", what, "--to", to, "--workspace", workspace.folder)
        assert (ran.code, said in ran.err) == (2, True), ran.err
