"""A person corrects a reading: what follows from the text is judged anew, and nothing else; nothing is lost."""

import json

import pytest
from sqlalchemy import func, select, text
from staged import Stage, chip, found, picture
from stock import TODAY, a_lot

from tracker.desk import photograph as desk
from tracker.desk import swabs
from tracker.desk.correct import LONGEST_LINE, MOST_LINES, correct
from tracker.desk.facts import kept_document, top_inspections
from tracker.desk.photograph import Meanwhile, photograph
from tracker.desk.pieces import find_lot, find_piece
from tracker.desk.recall import Wanted, recall
from tracker.desk.rejudge import BY_HAND
from tracker.desk.showing import show
from tracker.desk.since import SaidSince, said_since, seen_now
from tracker.desk.verify import verify
from tracker.errors import BadRequest
from tracker.records.models import Inspection, JournalEntry, ReadingCorrection
from tracker.records.session import write_transaction

SANDED = found("surface-sanded", "surface")
RIGHT = ("CV6522AP", "8914")


@pytest.fixture
def stage(monkeypatch):
    one = Stage({}, [])
    monkeypatch.setattr(desk, "look", one.look)
    monkeypatch.setattr(swabs, "look", one.look)
    return one


def three(**changes):
    """Three chips in a column; keyword `n` replaces the n-th."""
    return [changes.get(f"chip{n}", chip(*RIGHT, at=(20, 20 + 80 * n))) for n in range(3)]


def misread(**more):
    """A chip whose date code was misread, so that it differs from its siblings'."""
    return chip("CV6522AP", "7302", at=(20, 180), **more)


@pytest.fixture
def lot(workspace, stage, tmp_path):
    """A lot of three in one photo; the third was misread."""
    a_lot(workspace)
    path = stage.put(picture(tmp_path, "lot.png"), *three(chip2=misread(observations=[SANDED])))
    photograph(workspace, "L0001", [path], operator="mira", today=TODAY)
    return path


def document(workspace, label):
    with workspace.read() as session:
        piece = find_piece(session, label)
        return kept_document(top_inspections(session, [piece])[piece.id])


def count(workspace, model):
    with workspace.read() as session:
        return session.scalar(select(func.count()).select_from(model))


def codes(one):
    return {finding.code for finding in one.piece.findings}


def test_what_follows_from_the_text_is_judged_anew_and_the_rest_stays(workspace, lot):
    before = document(workspace, "L0001-03")
    assert {"date-codes-differ", "surface-sanded"} <= codes(before)
    answer = correct(workspace, "l1-3", RIGHT, remark="under the lens", operator="tess", today=TODAY)
    now = document(workspace, "L0001-03")
    assert codes(now) == {"surface-sanded"}
    assert (now.piece.marking, now.piece.part, now.piece.date_codes[0].year) == ("CV6522AP / 8914", "CV6522AP", 1989)
    assert now.piece.suspicion < before.piece.suspicion
    assert now.piece.outline == before.piece.outline
    assert [line.outline for line in now.piece.lines] == [line.outline for line in before.piece.lines]
    assert [line.readers for line in now.piece.lines] == [
        {"rapidocr": "CV6522AP", BY_HAND: "CV6522AP"},
        {"rapidocr": "7302", BY_HAND: "8914"},
    ]
    assert {line.confidence for line in now.piece.lines} == {1.0}
    assert now.piece.as_read == before.piece.lines
    assert (answer.before.lines, answer.now.lines, answer.as_read) == (
        ("CV6522AP", "7302"),
        RIGHT,
        ("CV6522AP", "7302"),
    )
    assert answer.now.suspicion < answer.before.suspicion
    assert answer.now.suspicion == show(workspace, "L0001-03").summary.suspicion
    assert verify(workspace).faults == ()


def test_the_act_and_its_rows(workspace, lot):
    correct(workspace, "L0001-03", RIGHT, remark="under the lens", operator="tess", today=TODAY)
    with workspace.read() as session:
        row = session.scalars(select(ReadingCorrection)).one()
        entry = session.get_one(JournalEntry, row.entry_id)
        newest = session.scalars(select(Inspection).order_by(Inspection.id.desc())).first()
    assert (json.loads(row.lines), row.chip, row.remark) == (list(RIGHT), 2, "under the lens")
    assert (entry.act, entry.subject, entry.operator) == ("correct", "L0001-03", "tess")
    said = json.loads(entry.body)
    assert (said["reads"], said["instead_of"]) == ("CV6522AP / 8914", "CV6522AP / 7302")
    assert newest.entry_id == entry.id
    assert [(f.code, f.family) for f in show(workspace, "L0001-03").findings] == [("surface-sanded", "surface")]


def test_as_read_restores_everything(workspace, lot):
    before = document(workspace, "L0001-03")
    correct(workspace, "L0001-03", ("AB1234", "9999", "X"), operator="tess", today=TODAY)
    assert document(workspace, "L0001-03").piece != before.piece
    answer = correct(workspace, "L0001-03", (), operator="mira", today=TODAY)
    assert document(workspace, "L0001-03") == before
    assert answer.supersedes is not None
    assert answer.supersedes.startswith("AB1234 / 9999 / X (")
    assert not answer.by_hand
    with pytest.raises(BadRequest, match="Nobody corrected"):
        correct(workspace, "L0001-03", ())
    assert count(workspace, ReadingCorrection) == 2


def test_a_line_nobody_read_has_the_place_of_the_whole_top(workspace, lot):
    correct(workspace, "L0001-03", ("KESTREL", "CV6522AP", "8914"), today=TODAY)
    piece = document(workspace, "L0001-03").piece
    assert [line.outline == piece.outline for line in piece.lines] == [True, False, False]
    assert piece.lines[0].readers == {BY_HAND: "KESTREL"}
    assert len(piece.print_places) == 2


def test_siblings_are_held_against_the_corrected_text(workspace, lot):
    """Two of three now have another date code, so the third is the odd one."""
    correct(workspace, "L0001-01", ("CV6522AP", "7302"), today=TODAY)
    assert "date-codes-differ" in codes(document(workspace, "L0001-02"))
    assert "date-codes-differ" not in codes(document(workspace, "L0001-03"))
    answer = correct(workspace, "L0001-01", (), today=TODAY)
    assert "date-codes-differ" not in codes(document(workspace, "L0001-02"))
    assert any("L0001-02, L0001-03 changed" in note for note in answer.notes)


def test_another_photo_of_the_lot_leaves_the_corrected_reading(workspace, stage, tmp_path):
    a_lot(workspace, quantity=4, received=4)
    path = stage.put(picture(tmp_path, "three.png"), *three(chip2=misread()))
    photograph(workspace, "L0001", [path], today=TODAY)
    correct(workspace, "L0001-03", RIGHT, operator="tess", today=TODAY)
    fourth = stage.put(picture(tmp_path, "four.png", shade=91), chip("CV6522AP", "9120"))
    answer = photograph(workspace, "L0001", [fourth], today=TODAY)
    assert [one.piece for one in answer.pieces] == ["L0001-04"]
    assert document(workspace, "L0001-03").piece.marking == "CV6522AP / 8914"
    assert "date-codes-differ" not in codes(document(workspace, "L0001-03"))
    assert "date-codes-differ" in codes(document(workspace, "L0001-04"))
    assert verify(workspace).faults == ()


def test_a_sibling_recorded_anew_keeps_its_corrected_reading(workspace, stage, tmp_path):
    """The photo that is looked at again shows the misread text still; the findings on it change all the same."""
    a_lot(workspace, quantity=5, received=5)
    path = stage.put(picture(tmp_path, "three.png"), *three(chip2=misread()))
    photograph(workspace, "L0001", [path], today=TODAY)
    correct(workspace, "L0001-03", RIGHT, operator="tess", today=TODAY)
    correct(workspace, "L0001-01", ("CV6522AP", "9120"), operator="tess", today=TODAY)
    more = [chip("CV6522AP", "9120", at=(20, 20)), chip("CV6522AP", "9120", at=(20, 100))]
    photograph(workspace, "L0001", [stage.put(picture(tmp_path, "more.png", shade=91), *more)], today=TODAY)
    third = document(workspace, "L0001-03")
    assert third.piece.marking == "CV6522AP / 8914"
    assert "date-codes-differ" in codes(third)
    assert third.piece.as_read is not None
    assert [line.text for line in third.piece.as_read] == ["CV6522AP", "7302"]
    assert "date-codes-differ" not in codes(document(workspace, "L0001-01"))


def test_the_same_photo_sent_again_keeps_the_corrected_reading(workspace, stage, lot):
    correct(workspace, "L0001-03", RIGHT, operator="tess", today=TODAY)
    every = ["L0001-01", "L0001-02", "L0001-03"]
    answer = photograph(workspace, "L0001", [lot], piece=every, today=TODAY)
    assert answer.pieces[2].marking == "CV6522AP / 8914"
    assert any("as corrected by hand; the readers read CV6522AP / 7302" in note for note in answer.notes)
    assert document(workspace, "L0001-03").piece.marking == "CV6522AP / 8914"
    correct(workspace, "L0001-03", (), today=TODAY)
    answer = photograph(workspace, "L0001", [lot], piece=every, today=TODAY)
    assert answer.pieces[2].marking == "CV6522AP / 7302"


def test_another_photo_of_a_corrected_piece_says_so(workspace, stage, lot, tmp_path):
    correct(workspace, "L0001-03", RIGHT, operator="tess", today=TODAY)
    closer = stage.put(picture(tmp_path, "closer.png", shade=91), chip("CV6522AP", "73O2"))
    answer = photograph(workspace, "L0001", [closer], piece=["L0001-03"], today=TODAY)
    (note,) = [note for note in answer.notes if "corrected by hand" in note]
    assert "CV6522AP / 8914 in lot.png" in note
    assert "read as CV6522AP / 73O2" in note
    assert document(workspace, "L0001-03").piece.marking == "CV6522AP / 73O2"
    with pytest.raises(BadRequest, match=r"No photo 'none\.png'"):
        correct(workspace, "L0001-03", RIGHT, photo="none.png")
    answer = correct(workspace, "L0001-03", ("CV6522AP", "8915"), photo="lot.png", today=TODAY)
    assert document(workspace, "L0001-03").photo == "lot.png"
    assert any("Until now closer.png told" in note for note in answer.notes)


def test_a_chip_said_to_be_another_piece_takes_no_correction_along(workspace, stage, lot):
    correct(workspace, "L0001-03", RIGHT, today=TODAY)
    photograph(workspace, "L0001", [lot], piece=["L0001-03", "L0001-02", "L0001-01"], today=TODAY)
    assert document(workspace, "L0001-01").piece.marking == "CV6522AP / 7302"
    assert document(workspace, "L0001-03").piece.as_read is None


def test_who_corrects_while_photos_are_looked_at_is_not_overwritten(workspace, stage, lot, tmp_path, monkeypatch):
    def look(*photos, **more):
        correct(workspace, "L0001-03", RIGHT, operator="tess", today=TODAY)
        return stage.look(*photos, **more)

    monkeypatch.setattr(desk, "look", look)
    closer = stage.put(picture(tmp_path, "closer.png", shade=91), *three())
    with pytest.raises(Meanwhile, match="corrected a reading"):
        photograph(workspace, "L0001", [closer], piece=["L0001-01..03"], today=TODAY)


def test_recall_finds_the_corrected_marking(workspace, lot):
    correct(workspace, "L0001-03", ("CV6522AP", "6644"), today=TODAY)
    found = recall(workspace, Wanted(marking="ap / 6644"))
    assert [one.piece for one in found.loose] == ["L0001-03"]


def test_told_to_who_comes_later(workspace, lot):
    with workspace.read() as session:
        entry = seen_now(session)
    correct(workspace, "L0001-01", ("CV6522AP", "7302"), remark="lens", operator="tess", today=TODAY)
    (event,) = said_since(workspace, "L0001-01", entry)
    assert (event.operator, event.what, event.why) == ("tess", "reading corrected by hand", "CV6522AP / 7302 (lens)")
    (beside,) = said_since(workspace, "L0001-02", entry)
    assert beside.what == "judged anew beside a sibling whose reading was corrected"
    with pytest.raises(SaidSince, match="reading corrected by hand"):
        correct(workspace, "L0001-01", RIGHT, seen=entry)
    assert count(workspace, ReadingCorrection) == 1


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["CV6522AP", "7302"], "already"),
        (["A"] * (MOST_LINES + 1), "13 lines"),
        (["A" * (LONGEST_LINE + 1)], "longer than 100"),
        (["CV6522AP", " "], "empty"),
        (["CV\x00"], "do not print"),
        (["CV6522AP\n8914"], "do not print"),
        (["CV\u202e6522"], "do not print"),
        (["CV6522AP / 8914"], "slash"),
    ],
)
def test_what_cannot_be_a_marking_is_refused_and_changes_nothing(workspace, lot, lines, said):
    before = count(workspace, JournalEntry)
    with pytest.raises(BadRequest, match=said):
        correct(workspace, "L0001-03", lines)
    assert count(workspace, JournalEntry) == before


def test_a_piece_without_a_photo_is_refused(workspace):
    a_lot(workspace)
    with pytest.raises(BadRequest, match="No photo shows the top of L0001-01"):
        correct(workspace, "L0001-01", RIGHT)


def test_an_underside_or_a_swabbed_top_is_no_marking_to_correct(workspace, stage, tmp_path):
    a_lot(workspace)
    photograph(workspace, "L0001", [stage.put(picture(tmp_path, "under.png"), *three())], role="bottom", today=TODAY)
    with pytest.raises(BadRequest, match="No photo shows the top"):
        correct(workspace, "L0001-01", RIGHT)
    with workspace.read() as session:
        assert find_lot(session, "L0001").pieces


def test_verify_names_a_changed_correction(workspace, lot):
    correct(workspace, "L0001-03", RIGHT, today=TODAY)
    with write_transaction(workspace._engine) as connection:
        connection.execute(text("UPDATE reading_correction SET lines = :lines"), {"lines": '["CV6522AP", "8915"]'})
    report = verify(workspace)
    assert any(
        "reading_correction" in fault.message or "reading correction" in fault.message for fault in report.faults
    )


def test_the_command_says_what_changed(workspace, lot, lotproof):
    at = ("--workspace", workspace.folder, "--operator", "tess")
    ran = lotproof("correct", "L0001-03", "--reads", "CV6522AP", "--reads", "8914", "--remark", "under the lens", *at)
    assert ran.code == 0, ran.err
    assert ran.out.splitlines()[:5] == [
        "L0001-03  corrected by hand in lot.png",
        "  marking    CV6522AP / 8914 (was CV6522AP / 7302)",
        "  part       CV6522AP",
        "  date code  8914 (was 7302)",
        "  findings   surface-sanded (was surface-sanded, date-before-part, date-codes-differ)",
    ]
    assert "  readers    CV6522AP / 7302" in ran.out
    shown = lotproof("show", "L0001-03", "--workspace", workspace.folder).out
    assert "by hand in lot.png by tess, " in shown
    assert ": under the lens" in shown
    assert "CV6522AP / 7302" in shown
    log = lotproof("log", "L0001-03", "--workspace", workspace.folder, "--json").json["entries"][-1]
    assert (log["act"], log["operator"]) == ("correct", "tess")
    back = lotproof("correct", "L0001-03", "--as-read", *at)
    assert back.out.splitlines()[0] == "L0001-03  as read in lot.png"
    assert "  supersedes CV6522AP / 8914 (" in back.out
    assert lotproof("show", "L0001-03", "--workspace", workspace.folder, "--json").json["corrected"] is None


def test_the_commands_document(workspace, lot, lotproof):
    at = ("--workspace", workspace.folder, "--operator", "tess", "--json")
    said = lotproof("correct", "L0001-03", "--photo", "lot.png", "--reads", "CV6522AP", "--reads", "8914", *at).json
    assert said["schema"] == "lotproof.correction/1"
    assert (said["piece"], said["photo"], said["by_hand"]) == ("L0001-03", "lot.png", True)
    assert (said["before"]["date_code"], said["now"]["date_code"]) == ("7302", "8914")
    assert said["now"]["suspicion"] < said["before"]["suspicion"]
    assert said["as_read"] == ["CV6522AP", "7302"]
    shown = lotproof("show", "L0001-03", "--workspace", workspace.folder, "--json").json
    assert shown["suspicion"] == said["now"]["suspicion"]
    assert {**shown["corrected"], "at": ""} == {
        "photo": "lot.png",
        "operator": "tess",
        "at": "",
        "remark": None,
        "as_read": ["CV6522AP", "7302"],
    }


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "not said what the marking reads"),
        (("--reads", "A", "--as-read"), "contradict"),
        (("--as-read",), "Nobody corrected"),
        (("--reads", "A", "--photo", "x\x1b[31m"), "No photo 'x?[31m'"),
        (("--reads", "\x1b[31mA"), "do not print"),
    ],
)
def test_the_command_refuses(workspace, lot, lotproof, words, said):
    ran = lotproof("correct", "L0001-03", *words, "--workspace", workspace.folder)
    assert ran.code == 2
    assert said in ran.err
    assert "\x1b" not in ran.err


def test_a_swab_leaves_the_corrected_reading(workspace, stage, lot, tmp_path):
    correct(workspace, "L0001-03", RIGHT, operator="tess", today=TODAY)
    swabbed = stage.put(picture(tmp_path, "after.png", shade=91), chip("CV6522AP"))
    photograph(workspace, "L0001", [swabbed], piece=["L0001-03"], role="after-swab", today=TODAY)
    assert document(workspace, "L0001-03").piece.marking == "CV6522AP / 8914"
    assert verify(workspace).faults == ()


def test_an_unswabbed_photo_of_another_role_says_that_it_was_read_anew(workspace, stage, lot, tmp_path):
    correct(workspace, "L0001-03", RIGHT, operator="tess", today=TODAY)
    before = stage.put(picture(tmp_path, "before.png", shade=91), chip("CV6522AP", "7302"))
    answer = photograph(workspace, "L0001", [before], piece=["L0001-03"], role="before-swab", today=TODAY)
    assert any("CV6522AP / 8914 in lot.png" in note for note in answer.notes)
