"""The dossier: everything in it, nothing fetched, both forms saying the same."""

import hashlib
import io
import re
from datetime import UTC, datetime

import pytest
from dossier_pages import every_byte, page, paper, pictures, squeezed
from handed_over import HOSTILE, MACHINE, OWNER, PRICE, whole_story
from PIL import Image
from pypdf import PdfReader
from staged import Stage, chip, picture
from stock import TODAY, a_lot

from tracker.desk import photograph as photographing
from tracker.desk.correct import correct
from tracker.desk.dossier import write_dossier
from tracker.desk.photograph import photograph

NOW = datetime(2031, 4, 5, 12, 30, tzinfo=UTC)


@pytest.fixture
def stage(monkeypatch):
    """What photos show is staged."""
    made = Stage({}, [])
    monkeypatch.setattr(photographing, "look", made.look)
    return made


@pytest.fixture
def full(workspace, tmp_path, stage):
    """A lot that went all the way."""
    return whole_story(workspace, tmp_path, stage)


def _write(lotproof, workspace, what, to, *words):
    ran = lotproof("dossier", what, "--to", to, "--workspace", workspace.folder, "--json", *words)
    assert ran.code == 0, ran.err
    return ran.json["files"]


def test_the_page_stands_alone(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0002", tmp_path / "out.html")
    shown = page(tmp_path / "out.html")
    assert shown.wrong == []
    assert shown.open == []
    assert not {"script", "link", "iframe", "object", "embed", "form"} & set(shown.tags)
    inside = ("data:image/jpeg;base64,", "data:image/svg+xml;base64,", "#")
    assert all(address.startswith(inside) for address in shown.addresses)
    text = (tmp_path / "out.html").read_text(encoding="utf-8")
    assert "url(" not in text
    assert "@import" not in text
    seen = pictures(shown)
    assert {kind for kind, _ in seen} == {"image/jpeg", "image/svg+xml"}
    for kind, data in seen:
        if kind == "image/jpeg":
            Image.open(io.BytesIO(data)).load()
        else:
            assert b"<script" not in data
            assert not re.search(rb'href="(?!#)', data)


def test_links_lead_to_pieces_of_the_page(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0002", tmp_path / "out.html")
    shown = page(tmp_path / "out.html")
    places = {value for _, name, value in shown.attributes if name == "id"}
    assert {one[1:] for one in shown.addresses if one.startswith("#")} == places


def test_both_forms_say_everything(full, workspace, tmp_path, lotproof):
    files = _write(lotproof, workspace, "L0002", tmp_path / "both")
    assert [name.rsplit("/", 1)[1] for name in files] == ["L0002.html", "L0002.pdf"]
    read, printed = page(tmp_path / "both" / "L0002.html").said, paper(tmp_path / "both" / "L0002.pdf")
    entries = lotproof("log", "--workspace", workspace.folder, "--json").json["entries"]
    said = [
        "Of 3 pieces: 1 rejected, 1 fitted, 1 open.",
        "2 of 3 photographed; 4 bench tests:",
        "L0002-02 rejected: draws too much.",
        "Quayside Surplus",
        "Q-7",
        PRICE,
        "CV6522AP",
        "surface-sanded was seen.",
        "+17.8 db",
        "together: suspicion",
        "JCGM 106",
        "guard band",
        "Supply current against clock",
        "Clocks tried, and the ceiling they speak for",
        "Temperature against time, and the rise that fits it",
        "the workshop's own",
        "time constant",
        "with the blue lead",
        "0.20 mA",
        "draws too much",
        MACHINE,
        OWNER,
        "U12",
        "L0001-01, exemplar, known good",
        "L0002-02, this piece",
        "L0002-01, sibling",
        hashlib.sha256(full.read_bytes()).hexdigest(),
        entries[-1]["hash"],
        "A suspicion is not a proof",
        "Local rules and licensed practice have the last word.",
        HOSTILE,
    ]
    for words in said:
        assert words in read, words
        # Hyphens and line ends of the typesetter are not the dossier's.
        assert squeezed(words) in printed, words
    assert "Left out" not in read
    reader = PdfReader(tmp_path / "both" / "L0002.pdf")
    assert sum(len(sheet.images) for sheet in reader.pages) >= 3 + 6


def test_claim_and_reading_stand_side_by_side(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0002-02", tmp_path / "one.html")
    shown = page(tmp_path / "one.html")
    rows = {row["what"]: row for row in shown.table("what", "claimed", "read or known", "stands")}
    assert rows["part"] == {"what": "part", "claimed": "CV6522AP", "read or known": "CV6522AP", "stands": "✓ agrees"}
    assert rows["maker"]["claimed"] == "Corvane"
    assert rows["date code"]["read or known"].startswith("8914 (1989 week 14")
    findings = shown.table("mark", "what was found", "measured", "compared with", "weight that day")
    assert [(row["mark"], row["what was found"]) for row in findings][:1] == [("1", "surface-sanded was seen.")]
    assert findings[0]["measured"] == "3.1 of the short side"
    assert findings[0]["compared with"] == "1 of the short side"


def test_the_numbers_of_every_test_are_there(full, workspace, tmp_path, lotproof):
    """Current at 2 MHz from its readings; the soak's rise and time constant are those it was made from."""
    _write(lotproof, workspace, "L0002-02", tmp_path / "two.html")
    facts = page(tmp_path / "two.html").facts()
    assert facts["measured"].endswith("at 1 MHz") or facts["measured"].endswith("at 2 MHz")
    assert facts["meets the limit"].startswith("with a probability of")
    assert facts["straight line"] == "11.20 ± 0.45 mA without clock, and 900 ± 280 µA more a MHz"
    _write(lotproof, workspace, "L0002-01", tmp_path / "one.html")
    facts = page(tmp_path / "one.html").facts()
    rise, tau = (float(facts[name].split()[0]) for name in ("final rise above ambient", "time constant"))
    assert rise == pytest.approx(20, abs=0.1)
    assert tau == pytest.approx(480, abs=3)
    assert facts["grade"].startswith("2 MHz")
    assert float(facts["ceiling"].split()[0]) == pytest.approx(2.5, abs=0.5)


def test_every_file_is_named_by_its_hash(full, workspace, tmp_path, lotproof):
    table = tmp_path / "readings.csv"
    table.write_text("clock_hz,current_a\n1e6,0.012\n2e6,0.013\n", encoding="utf-8")
    paper_ = tmp_path / "invoice.txt"
    paper_.write_text("Invoice", encoding="utf-8")
    for words in (
        ["bench", "current", "L0002-03", "--from", table, "--u", "0.2 mA"],
        ["document", "L0002", f"invoice={paper_}"],
    ):
        ran = lotproof(*words, "--workspace", workspace.folder, "--operator", "mira")
        if ran.code != 0:
            pytest.fail(ran.err)
    _write(lotproof, workspace, "L0002", tmp_path / "out.html")
    rows = page(tmp_path / "out.html").table("kind", "name", "size", "SHA-256")
    kept = {row["name"]: row for row in rows if row["kind"] != "annotated"}
    for path in (full, table, paper_):
        assert kept[path.name]["SHA-256"] == hashlib.sha256(path.read_bytes()).hexdigest()
        assert kept[path.name]["size"] == f"{path.stat().st_size:,} B"
    assert kept["readings.csv"]["kind"] == "readings of B0005"


def test_a_piece_s_dossier_leaves_its_siblings_out(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0002-01", tmp_path / "one.html")
    said = page(tmp_path / "one.html").said
    assert "Dossier of piece L0002-01" in said
    assert MACHINE in said
    assert "draws too much" not in said


def test_the_sum_on_the_page_adds_up(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0002-02", tmp_path / "one.html")
    *lines, total = page(tmp_path / "one.html").table("weight", "genuine | not", "because of")
    weights = [float(row["weight"].removesuffix(" db")) for row in lines]
    assert sum(weights) == pytest.approx(float(total["weight"].removesuffix(" db")), abs=0.05 * len(lines) + 0.05)
    assert total["because of"].startswith("together: suspicion")


def test_plates_show_piece_sibling_and_exemplar_at_one_scale(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0002-02", tmp_path / "one.html")
    shown = page(tmp_path / "one.html")
    captions = [value for tag, name, value in shown.attributes if (tag, name) == ("img", "alt")]
    sizes = {
        caption: Image.open(io.BytesIO(data)).size for caption, (kind, data) in _captioned(shown) if "jpeg" in kind
    }
    for what in ("the tops at one scale", "surface"):
        named = [f"L0002-02, this piece: {what}", f"L0002-01, sibling: {what}"]
        named.append(f"L0001-01, exemplar, known good: {what}")
        assert all(name in captions for name in named)
        # All staged chips are 100 by 40: the body is 900 pixels long and 8 % of its short side is shown around it.
        assert {sizes[name] for name in named} == {(900 + 2 * 29, 360 + 2 * 29)}


def _captioned(shown):
    captions = [value for tag, name, value in shown.attributes if (tag, name) == ("img", "alt")]
    return zip(captions, pictures(shown), strict=True)


def test_a_lot_shows_plates_only_where_something_was_found(full, workspace, tmp_path, lotproof):
    _write(lotproof, workspace, "L0002", tmp_path / "lot.html")
    shown = page(tmp_path / "lot.html")
    captions = [value for tag, name, value in shown.attributes if (tag, name) == ("img", "alt")]
    assert "L0002-02, this piece: surface" in captions
    assert "L0002-01, this piece: surface" not in captions


@pytest.mark.parametrize("what", ["L0001", "L0001-02"])
def test_the_record_of_a_lot_without_photos_is_a_dossier_too(workspace, tmp_path, lotproof, what):
    a_lot(workspace)
    files = _write(lotproof, workspace, what, tmp_path)
    said = page(tmp_path / f"{what}.html").said
    assert "Not photographed." in said
    assert "no bench test" in said
    assert len(PdfReader(files[1]).pages) >= 1


def test_a_piece_that_reads_nothing_is_a_dossier_too(workspace, tmp_path, lotproof, stage):
    a_lot(workspace)
    path = stage.put(picture(tmp_path, "blank.png"), chip())
    photograph(workspace, "L0001", [path], piece=["L0001-02"], operator="mira", today=TODAY)
    files = _write(lotproof, workspace, "L0001-02", tmp_path / "out")
    shown = page(tmp_path / "out" / "L0001-02.html")
    assert "not read" in shown.said
    assert "There was nothing to compare it with." in shown.said
    assert len(PdfReader(files[1]).pages) >= 2


def test_a_lot_of_a_hundred_is_a_table_and_then_sheets(workspace, tmp_path, lotproof, stage):
    a_lot(workspace, quantity=100, received=100)
    path = stage.put(picture(tmp_path, "some.png"), chip("CV6522AP", "8914"), chip("CV6522AP", "8914", at=(20, 100)))
    photograph(workspace, "L0001", [path], operator="mira", today=TODAY)
    files = _write(lotproof, workspace, "L0001", tmp_path / "out")
    shown = page(tmp_path / "out" / "L0001.html")
    rows = shown.table("piece", "reads", "suspicion", "bench tests", "stands")
    assert [row["piece"] for row in rows] == [f"L0001-{n:02d}" for n in range(1, 101)]
    assert [row["reads"] for row in rows[:3]] == ["CV6522AP / 8914", "CV6522AP / 8914", "not photographed"]
    reader = PdfReader(files[1])
    assert len(reader.pages) <= 50  # three brief sheets a page
    first = squeezed(reader.pages[0].extract_text())
    assert "L0001-02" in first
    assert [one.title for one in _outline(reader)][:3] == ["Dossier of lot L0001", "The pieces", "Pictures"]


def _outline(reader):
    def flat(entries):
        for one in entries:
            if isinstance(one, list):
                yield from flat(one)
            else:
                yield one

    return list(flat(reader.outline))


def test_the_pdf_is_archival_and_accessible(full, workspace, tmp_path):
    """What ISO 19005-2 and ISO 14289-1 ask for and can be seen here: the claim, fonts inside, tags, language, title."""
    write_dossier(workspace, "L0002", tmp_path / "out.pdf", now=NOW)
    reader = PdfReader(tmp_path / "out.pdf")
    claims = reader.trailer["/Root"]["/Metadata"].get_data().decode()
    assert "<pdfaid:part>2</pdfaid:part>" in claims
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in claims
    assert "<pdfuaid:part>1</pdfuaid:part>" in claims
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert root["/OutputIntents"]
    assert reader.metadata.title == "Dossier of lot L0002"
    assert reader.metadata.creation_date == NOW
    fonts = {str(font): font for sheet in reader.pages for font in _fonts(sheet)}
    assert len(fonts) >= 2
    for font in fonts.values():
        inside = font["/DescendantFonts"][0].get_object()["/FontDescriptor"]
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(inside)
        assert "/ToUnicode" in font


def _fonts(sheet):
    return [font.get_object() for font in sheet["/Resources"].get("/Font", {}).values()]


def test_same_records_same_time_same_bytes(full, workspace, tmp_path):
    for name in ("a", "b"):
        write_dossier(workspace, "L0002", tmp_path / name, now=NOW)
    for form in ("html", "pdf"):
        one, other = ((tmp_path / name / f"L0002.{form}").read_bytes() for name in ("a", "b"))
        assert one == other, form


def test_hidden_places_hold_nothing_of_the_workplace(full, workspace, tmp_path):
    """Neither form tells where it was made: no paths, no login."""
    write_dossier(workspace, "L0002", tmp_path / "out", now=NOW)
    everything = every_byte(tmp_path / "out" / "L0002.pdf") + (tmp_path / "out" / "L0002.html").read_bytes()
    for word in (str(tmp_path), str(workspace.folder), "lotproof-", "/tmp/"):
        assert word.encode() not in everything, word


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


def test_a_reading_corrected_by_hand_is_told_from_one_of_the_readers(full, workspace, tmp_path, lotproof):
    correct(workspace, "L0002-02", ("CV6522AP", "9120", HOSTILE[:90]), remark=HOSTILE, operator="tess")
    _write(lotproof, workspace, "L0002-02", tmp_path / "out.html")
    _write(lotproof, workspace, "L0002-02", tmp_path / "out.pdf")
    shown = page(tmp_path / "out.html")
    assert shown.wrong == []
    printed = paper(tmp_path / "out.pdf")
    for said in ("Corrected by hand by tess on ", "The readers read CV6522AP / 8914", "by hand: 9120"):
        assert said in shown.said, said
        assert squeezed(said) in printed, said
    assert "script" not in shown.tags
    _write(lotproof, workspace, "L0002", tmp_path / "lot.html")
    _write(lotproof, workspace, "L0002", tmp_path / "lot.pdf")
    assert "CV6522AP / 9120 / " in page(tmp_path / "lot.html").said
    assert squeezed("(corrected by hand)") in paper(tmp_path / "lot.pdf")
    assert "(corrected by hand)" in page(tmp_path / "lot.html").said
