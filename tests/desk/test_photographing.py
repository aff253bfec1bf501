"""Photos of a lot: kept, matched, recorded in one act; what a piece's suspicion then is."""

import hashlib
import json
from datetime import date

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import func, select
from staged import Stage, chip, found, picture
from stock import TODAY, a_lot

from tracker.desk import photograph as desk
from tracker.desk import swabs
from tracker.desk.assess import piece_suspicion
from tracker.desk.decide import declare_exemplar, settle
from tracker.desk.photograph import photograph
from tracker.desk.pieces import find_piece
from tracker.desk.showing import show
from tracker.desk.verify import verify
from tracker.errors import BadRequest
from tracker.judgement.weights import declared
from tracker.records.models import Finding, Inspection, JournalEntry, Photo

SANDED = found("surface-sanded", "surface")


@pytest.fixture
def stage(monkeypatch):
    one = Stage({}, [])
    monkeypatch.setattr(desk, "look", one.look)
    monkeypatch.setattr(swabs, "look", one.look)
    return one


def three(**changes):
    """Three chips in a column; keyword `n` replaces the n-th."""
    texts = ("CV6522AP", "8914")
    return [changes.get(f"chip{n}", chip(*texts, at=(20, 20 + 80 * n))) for n in range(3)]


def suspicion(workspace, label):
    with workspace.read() as session:
        return piece_suspicion(session, find_piece(session, label))


def count(workspace, model):
    with workspace.read() as session:
        return session.scalar(select(func.count()).select_from(model))


def test_one_photo_of_the_whole_lot(workspace, stage, tmp_path):
    a_lot(workspace)
    sanded = chip("CV6522AP", "8914", at=(20, 100), observations=[SANDED])
    path = stage.put(picture(tmp_path, "lot.png"), *three(chip1=sanded))
    document = photograph(workspace, "l1", [path], operator="mira", today=TODAY)
    assert [one.piece for one in document.pieces] == ["L0001-01", "L0001-02", "L0001-03"]
    assert [bool(one.findings) for one in document.pieces] == [False, True, False]
    assert document.pieces[1].suspicion > 2 * document.pieces[0].suspicion
    original = path.read_bytes()
    kept = workspace.store.read(hashlib.sha256(original).hexdigest())
    assert kept == original
    assert workspace.store.read(document.photos[0].overlay_sha256).startswith(b"\xff\xd8")
    with workspace.read() as session:
        row = session.scalars(select(Inspection).where(Inspection.part_read == "CV6522AP")).first()
        assert (row.marking, row.date_code, row.date_year, row.date_week) == ("CV6522AP / 8914", "8914", 1989, 14)
        assert json.loads(row.document)["schema"] == "lotproof.inspection-piece/1"
        finding = session.scalars(select(Finding)).one()
        assert finding.weight_db == pytest.approx(declared().weight_db("surface-sanded"), abs=0.01)
        entry = session.scalars(select(JournalEntry).order_by(JournalEntry.id.desc())).first()
        assert (entry.act, entry.subject, entry.operator) == ("photograph", "L0001", "mira")
    assert verify(workspace).faults == ()


def test_show_tells_what_siblings_read_beside_the_own_reading(workspace, stage, tmp_path, lotproof):
    a_lot(workspace)
    chips = three(chip2=chip("CV65Z2AP", "8914", at=(20, 180)))
    photograph(workspace, "L0001", [stage.put(picture(tmp_path, "lot.png"), *chips)], today=TODAY)
    shown = show(workspace, "L0001-03")
    assert shown.marking == "CV65Z2AP / 8914"
    assert [(one.text, one.pieces, one.of) for one in shown.siblings_read] == [("CV6522AP", 2, 2)]
    assert show(workspace, "L0001-01").siblings_read == ()
    said = lotproof("show", "L0001-03", "--workspace", workspace.folder).out
    assert "CV6522AP on 2 of 2" in said


def test_the_sum_in_the_records_is_the_sum_that_was_shown(workspace, stage, tmp_path):
    a_lot(workspace)
    sanded = chip("CV6522AP", "8914", observations=[SANDED], looked_for=["surface-sanded", "lettering-height-differs"])
    shown = photograph(workspace, "L0001", [stage.put(picture(tmp_path, "a.png"), sanded)], today=TODAY).pieces[0]
    now = suspicion(workspace, "L0001-01")
    assert now.probability == pytest.approx(shown.suspicion)
    assert [line.text for line in now.lines] == [line.text for line in shown.sum]
    assert sum(line.weight_db for line in now.lines) == pytest.approx(now.total_db)


def test_the_next_photo_takes_the_next_pieces(workspace, stage, tmp_path):
    a_lot(workspace)
    one = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"))
    two = stage.put(picture(tmp_path, "b.png", shade=40), chip("CV6522AP"), chip("CV6522AP", at=(20, 100)))
    photograph(workspace, "L0001", [one], today=TODAY)
    later = photograph(workspace, "L0001", [two], today=TODAY)
    assert [piece.piece for piece in later.pieces] == ["L0001-02", "L0001-03"]
    bottoms = stage.put(picture(tmp_path, "c.png", shade=60), chip())
    assert photograph(workspace, "L0001", [bottoms], role="bottom", today=TODAY).pieces[0].piece == "L0001-01"


def test_a_label_in_view_says_which_piece(workspace, stage, tmp_path):
    a_lot(workspace)
    path = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP", label="L0001-03"))
    (piece,) = photograph(workspace, "L0001", [path], today=TODAY).pieces
    assert (piece.piece, piece.matched_by) == ("L0001-03", "label in view")


def test_naming_the_piece_corrects_an_earlier_match(workspace, stage, tmp_path):
    a_lot(workspace)
    path = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP", observations=[SANDED]))
    photograph(workspace, "L0001", [path], today=TODAY)
    accused = suspicion(workspace, "L0001-01").probability
    again = photograph(workspace, "L0001", [path], piece=["L0001-02"], today=TODAY)
    assert again.photos[0].already
    assert suspicion(workspace, "L0001-02").probability == pytest.approx(accused)
    assert [line.kind for line in suspicion(workspace, "L0001-01").lines] == ["prior"]
    assert (count(workspace, Photo), count(workspace, Inspection)) == (1, 2)
    assert verify(workspace).faults == ()


def test_more_chips_than_pieces_and_none_at_all_are_said(workspace, stage, tmp_path):
    a_lot(workspace, quantity=2, received=2)
    many = photograph(workspace, "L0001", [stage.put(picture(tmp_path, "a.png"), *three())], today=TODAY)
    assert (len(many.pieces), len(many.unmatched)) == (2, 1)
    assert "1 chip in view is not recorded" in " ".join(many.notes)
    empty = photograph(workspace, "L0001", [stage.put(picture(tmp_path, "b.png", shade=20))], today=TODAY)
    assert empty.pieces == ()
    assert "No chip was found in b.png" in empty.notes[0]


def test_nothing_is_recorded_when_no_chip_can_be_a_piece(workspace, stage, tmp_path):
    a_lot(workspace, quantity=1, received=1)
    photograph(workspace, "L0001", [stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"))], today=TODAY)
    before = count(workspace, JournalEntry)
    with pytest.raises(BadRequest, match="None of the chips"):
        photograph(workspace, "L0001", [stage.put(picture(tmp_path, "b.png", shade=20), chip("X"))], today=TODAY)
    assert count(workspace, JournalEntry) == before


def test_the_claim_is_checked_against_the_reading(workspace, stage, tmp_path):
    a_lot(workspace, condition="new", arrived=date(2031, 4, 2))
    chips = [
        chip("CV6502AP", "2914"),
        chip("CV6522AP", "7914", at=(20, 100)),
        chip("CV6522AP", "8914", at=(20, 180)),
    ]
    pieces = photograph(workspace, "L0001", [stage.put(picture(tmp_path, "a.png"), *chips)], today=TODAY).pieces
    codes = [{finding.code for finding in piece.findings} for piece in pieces]
    assert "marking-other-part" in codes[0]
    assert "date-before-part" in codes[1]  # the invented CV6522 is of 1986 and later
    assert codes[2] == {"date-too-old-for-new"}


def test_a_listing_picture_is_kept_and_matched_to_nothing(workspace, stage, tmp_path):
    a_lot(workspace)
    path = stage.put(picture(tmp_path, "seller.png"), chip("CV6522AP"))
    document = photograph(workspace, "L0001", [path], role="listing", today=TODAY)
    assert (document.pieces, len(document.unmatched)) == ((), 1)
    with workspace.read() as session:
        assert session.scalars(select(Photo)).one().role == "listing"


def test_a_listing_picture_used_for_another_lot_speaks_against_the_pieces(workspace, stage, tmp_path):
    a_lot(workspace, order="A-1")
    a_lot(workspace, order="A-2")
    path = stage.put(picture(tmp_path, "seller.png"), chip("CV6522AP"))
    photograph(workspace, "L0001", [path], role="listing", today=TODAY)
    assert all(line.code != "picture-reused" for line in suspicion(workspace, "L0001-01").lines)
    photograph(workspace, "L0002", [path], role="listing", today=TODAY)
    line = next(line for line in suspicion(workspace, "L0002-01").lines if line.code == "picture-reused")
    assert "L0001" in line.text
    assert line.weight_db == pytest.approx(declared().weight_db("picture-reused"))


def test_a_listing_picture_saved_anew_is_recognised(workspace, stage, tmp_path):
    a_lot(workspace, order="A-1")
    a_lot(workspace, order="A-2")
    patches = np.random.default_rng(7).integers(0, 255, (8, 10, 3), dtype=np.uint8)
    scene = Image.fromarray(patches).resize((400, 300))
    scene.save(tmp_path / "a.png")
    scene.resize((260, 195)).save(tmp_path / "b.jpg", quality=70)
    photograph(workspace, "L0001", [stage.put(tmp_path / "a.png")], role="listing", today=TODAY)
    document = photograph(workspace, "L0002", [stage.put(tmp_path / "b.jpg")], role="listing", today=TODAY)
    assert any("nearly the same as a.png of L0001" in note for note in document.notes)


def test_one_picture_under_two_names_is_refused(workspace, stage, tmp_path):
    a_lot(workspace)
    one, two = picture(tmp_path, "a.png"), picture(tmp_path, "b.png")
    stage.put(one, chip("CV6522AP"))
    with pytest.raises(BadRequest, match="the same picture as"):
        photograph(workspace, "L0001", [one, two], today=TODAY)


def lose(workspace, path):
    """Take the file of a kept photo away, as a broken disk does."""
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    kept = workspace.folder / "evidence" / digest[:2] / digest
    kept.chmod(0o600)
    kept.unlink()
    return digest


def test_a_lost_file_of_one_lot_does_not_stop_another_and_the_file_brings_it_back(workspace, stage, tmp_path):
    a_lot(workspace, seller="Fennimore Components", source="authorised")
    a_lot(workspace)
    good = stage.put(picture(tmp_path, "good.png", shade=30), *three())
    photograph(workspace, "L0001", [good], today=TODAY)
    declare_exemplar(workspace, "L0001-02", grounds="from the distributor", operator="mira")
    digest = lose(workspace, good)
    document = photograph(workspace, "L0002", [stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"))], today=TODAY)
    assert [one.piece for one in document.pieces] == ["L0002-01"]
    (note,) = (note for note in document.notes if "good.png of L0001" in note)
    assert "missing or changed" in note
    assert {fault.code for fault in verify(workspace).faults} == {"file-missing"}
    again = photograph(workspace, "L0001", [good], piece=["L0001-01..03"], today=TODAY)
    assert again.photos[0].already
    assert any("missing from the evidence and is back" in note for note in again.notes)
    assert workspace.store.read(digest) == good.read_bytes()
    assert verify(workspace).faults == ()


def test_a_lost_earlier_photo_of_the_lot_is_named_and_left_out(workspace, stage, tmp_path):
    a_lot(workspace)
    first = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"))
    photograph(workspace, "L0001", [first], today=TODAY)
    lose(workspace, first)
    second = stage.put(picture(tmp_path, "b.png", shade=40), chip("CV6522AP"))
    document = photograph(workspace, "L0001", [second], today=TODAY)
    assert stage.asked[-1] == (["b.png"], [])
    assert any("Not compared with a.png of L0001" in note for note in document.notes)


def test_a_lost_listing_picture_does_not_stop_another_lot(workspace, stage, tmp_path):
    a_lot(workspace, order="A-1")
    a_lot(workspace, order="A-2")
    first = stage.put(picture(tmp_path, "a.png"))
    photograph(workspace, "L0001", [first], role="listing", today=TODAY)
    lose(workspace, first)
    second = stage.put(picture(tmp_path, "b.png", shade=40))
    document = photograph(workspace, "L0002", [second], role="listing", today=TODAY)
    assert any("Not compared with a.png of L0001" in note for note in document.notes)


def test_exemplars_of_the_same_part_are_cut_out_and_looked_at_beside(workspace, stage, tmp_path):
    a_lot(workspace, seller="Fennimore Components", source="authorised")
    a_lot(workspace)
    photograph(workspace, "L0001", [stage.put(picture(tmp_path, "good.png", shade=30), *three())], today=TODAY)
    declare_exemplar(workspace, "L0001-02", grounds="from the distributor", operator="mira")
    document = photograph(workspace, "L0002", [stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"))], today=TODAY)
    assert stage.asked[-1] == (["a.png"], ["exemplar L0001-02"])
    with workspace.read() as session:
        last = session.scalars(select(Inspection).order_by(Inspection.id.desc())).first()
        assert json.loads(last.document)["compared_with"] == ["exemplar L0001-02"]
    assert document.pieces[0].piece == "L0002-01"


def test_earlier_siblings_are_looked_at_again_and_superseded_where_that_changes_them(workspace, stage, tmp_path):
    a_lot(workspace)
    first = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP", "8914"))
    photograph(workspace, "L0001", [first], today=TODAY)
    calm = suspicion(workspace, "L0001-01").probability
    stage.put(first, chip("CV6522AP", "8914", observations=[found("lettering-height-differs", "lettering")]))
    second = stage.put(picture(tmp_path, "b.png", shade=40), chip("CV6522AP", "8914"))
    document = photograph(workspace, "L0001", [second], today=TODAY)
    assert [(piece.piece, piece.again) for piece in document.pieces] == [("L0001-01", True), ("L0001-02", False)]
    assert suspicion(workspace, "L0001-01").probability > calm
    assert verify(workspace).faults == ()


def test_after_a_swab_each_piece_has_its_own_photo_before_it_or_is_named(workspace, stage, tmp_path, monkeypatch):
    """A piece without a photo before the swab is held against its top; one without any is named."""
    held = []
    monkeypatch.setattr(swabs, "swab", lambda before, after: held.append(before.lines[0].text) or ())
    a_lot(workspace)
    tops = stage.put(picture(tmp_path, "tops.png", shade=10), chip("TOP-01"), chip("TOP-02", at=(20, 100)))
    photograph(workspace, "L0001", [tops], piece=["L0001-01..02"], today=TODAY)
    before = stage.put(picture(tmp_path, "before.png", shade=20), chip("BEFORE-01"))
    photograph(workspace, "L0001", [before], role="before-swab", piece=["L0001-01"], today=TODAY)
    after = stage.put(picture(tmp_path, "after.png", shade=30), *three())
    document = photograph(workspace, "L0001", [after], role="after-swab", piece=["L0001-01..03"], today=TODAY)
    assert sorted(held) == ["BEFORE-01", "TOP-02"]
    assert any("No photo shows L0001-03 before the swab" in note for note in document.notes)


def test_a_swab_pair_is_compared_with_itself(workspace, stage, tmp_path, monkeypatch):
    a_lot(workspace)
    seen = []

    def compare(before, after):
        seen.append((before.lines[0].text, after.lines[0].text))
        return (found("swab-mark-loss", "surface"),)

    monkeypatch.setattr(swabs, "swab", compare)
    before = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP"))
    photograph(workspace, "L0001", [before], role="before-swab", piece=["L0001-02"], today=TODAY)
    after = stage.put(picture(tmp_path, "b.png", shade=40), chip("CV65"))
    (piece,) = photograph(workspace, "L0001", [after], role="after-swab", piece=["L0001-02"], today=TODAY).pieces
    assert seen == [("CV6522AP", "CV65")]
    assert [finding.code for finding in piece.findings] == ["swab-mark-loss"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["L0009", "{good}"], "no lot L0009"),
        (["L0001", "{good}", "--piece", "L0001-09"], "no piece L0001-09"),
        (["L0001", "{missing}"], "no file"),
        (["L0001", "{folder}"], "is a folder"),
        (["L0001", "{good}", "{text}"], "not a picture"),
    ],
)
def test_bad_requests_change_nothing(workspace, stage, monkeypatch, tmp_path, lotproof, words, said):
    from vision.inspection import inspect as really_look

    a_lot(workspace)
    if "{text}" in words:
        monkeypatch.setattr(desk, "look", really_look)
    text = tmp_path / "text.jpg"
    text.write_text("not a picture")
    places = {
        "{good}": stage.put(picture(tmp_path, "a.png"), chip("CV6522AP")),
        "{missing}": tmp_path / "none.jpg",
        "{folder}": tmp_path,
        "{text}": text,
    }
    before = (count(workspace, JournalEntry), sorted(workspace.store.all()))
    ran = lotproof("photograph", *(places.get(word, word) for word in words), "--workspace", workspace.folder)
    assert ran.code == 2
    assert said in ran.err
    assert ran.out == ""
    assert (count(workspace, JournalEntry), sorted(workspace.store.all())) == before


def test_a_settled_truth_outweighs_the_photos(workspace, stage, tmp_path):
    a_lot(workspace)
    sanded = chip("CV6522AP", observations=[SANDED])
    photograph(workspace, "L0001", [stage.put(picture(tmp_path, "a.png"), sanded)], today=TODAY)
    assert suspicion(workspace, "L0001-01").probability > 0.5
    before = suspicion(workspace, "L0001-03").probability
    settle(workspace, "L0001-01", "genuine", "the maker's own report", operator="mira")
    assert suspicion(workspace, "L0001-01").probability < 0.01
    assert suspicion(workspace, "L0001-03").probability < before  # the seller's record became better


def test_json_of_the_command(workspace, stage, tmp_path, lotproof):
    a_lot(workspace)
    path = stage.put(picture(tmp_path, "a.png"), chip("CV6522AP", observations=[SANDED]))
    ran = lotproof(
        "photograph", "L0001", path, "--workspace", workspace.folder, "--overlay", tmp_path / "out", "--json"
    )
    assert ran.code == 0
    assert ran.json["schema"] == "lotproof.photograph/1"
    assert ran.json["pieces"][0]["piece"] == "L0001-01"
    assert (tmp_path / "out" / "a-annotated.jpg").exists()
