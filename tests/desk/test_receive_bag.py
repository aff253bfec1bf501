"""Another workshop's bag taken in: its files to the byte, its word shown and not counted."""

import hashlib
import json
from pathlib import Path

import bagit
import pytest
from bags import HOSTILE, a_bag, copy, edited, full_lot, payload_digests, zipped
from prov.model import ProvDocument
from sqlalchemy import func, select
from staged import Stage
from stock import TODAY, a_lot

from tracker.desk import photograph as photographing
from tracker.desk.arrival import Paper
from tracker.desk.assess import piece_suspicion
from tracker.desk.correct import correct
from tracker.desk.decide import settle
from tracker.desk.pieces import find_piece
from tracker.desk.receive import add_documents
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.records.models import Document, JournalEntry, Settlement


@pytest.fixture(scope="module")
def their_bag(tmp_path_factory: pytest.TempPathFactory, sqlite_template: Path) -> Path:
    """A bag of workshop A, with a settlement that would weigh much if it counted."""
    folder = tmp_path_factory.mktemp("theirs")
    copy(sqlite_template, folder / "A")
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "A") as theirs:
        stage = Stage({}, [])
        patch.setattr(photographing, "look", stage.look)
        full_lot(theirs, folder / "desk", stage)
        settle(theirs, "L0001-02", "not-genuine", "decapped; another die", operator="jonas")
        return a_bag(theirs, folder / "bag")


def _receive(lotproof, bag: Path, workspace: Path, *more: object):
    return lotproof("receive", "--bag", bag, "--workspace", workspace, "--operator", "ada", *more)


def test_it_becomes_a_lot_of_ours(their_bag: Path, workspace: Workspace, lotproof) -> None:
    a_lot(workspace)
    answer = _receive(lotproof, their_bag, workspace.folder, "--json")
    assert answer.code == 0, answer.err
    said = answer.json
    assert (said["lot"], said["pieces"][0], said["origin"]["their_lot"]) == ("L0002", "L0002-01", "L0001")
    assert said["origin"]["workshop"] == "Hollin Bench"
    head = json.loads((their_bag / "data" / "records.json").read_text())["head"]
    assert (said["origin"]["head_entry"], said["origin"]["head_hash"]) == (head["entry"], head["hash"])
    assert said["their_records"] == {"inspection": 2, "run": 1, "decision": 1, "fitting": 1, "settlement": 1}
    assert verify(workspace).sound
    with workspace.read() as session:
        kept = session.scalars(select(Document.sha256)).all()
        entry = session.scalars(select(JournalEntry).order_by(JournalEntry.id.desc())).first()
    assert set(payload_digests(their_bag)) <= set(kept) & set(workspace.store.all())
    assert entry is not None
    assert (entry.act, entry.subject, entry.operator) == ("receive", "L0002", "ada")
    said = json.loads(entry.body)
    assert said["received_from"] == "Hollin Bench as their L0001"
    assert said["their_head"] == f"entry {head['entry']}, {head['hash']}"


def test_their_word_is_shown_and_does_not_count(their_bag: Path, workspace: Workspace, lotproof, tmp_path) -> None:
    a_lot(workspace, seller="Quayside Surplus")
    with workspace.read() as session:
        before = piece_suspicion(session, find_piece(session, "L0001-02"))
    _receive(lotproof, their_bag, workspace.folder)
    with workspace.read() as session:
        # Neither the pieces that came nor others of that seller: a settlement of ours would have moved both.
        assert piece_suspicion(session, find_piece(session, "L0001-02")) == before
        assert piece_suspicion(session, find_piece(session, "L0002-02")) == before
        assert session.scalar(select(func.count()).select_from(Settlement)) == 0
    piece = lotproof("show", "L0002-02", "--workspace", workspace.folder, "--json").json
    assert piece["suspicion"] is None
    assert [one["kind"] for one in piece["theirs"]] == ["inspection", "run", "decision", "settlement"]
    assert piece["theirs"][-1]["said"] == "settled as not genuine: decapped; another die"
    screen = lotproof("show", "L0002", "--workspace", workspace.folder)
    assert "received from Hollin Bench as their L0001" in screen.out
    assert "shown as theirs; it counts for nothing" in screen.out
    assert HOSTILE in screen.out
    lotproof("dossier", "L0002", "--to", tmp_path / "d.html", "--workspace", workspace.folder)
    page = (tmp_path / "d.html").read_text(encoding="utf-8")
    assert "Hollin Bench as their L0001" in page


def test_from_workshop_to_workshop_the_files_stay_the_same(their_bag, workspace, tmp_path, lotproof) -> None:
    """A to B to C: every payload file of A's bag is in B's to the byte, and B's in C's records."""
    _receive(lotproof, zipped(their_bag, tmp_path / "a.zip"), workspace.folder)
    second = a_bag(workspace, tmp_path / "b", "L0001")
    assert bagit.Bag(str(second)).validate()
    assert set(payload_digests(their_bag)) <= set(payload_digests(second))
    told = ProvDocument.deserialize(content=(second / "data" / "provenance.json").read_text())
    derived = [one for one in told.get_records() if one.get_type().localpart == "Derivation"]
    pairs = {tuple(value.uri for _, value in one.formal_attributes[:2]) for one in derived}
    theirs = json.loads((their_bag / "data" / "records.json").read_text())["workshop_id"][:16]
    ours = json.loads((second / "data" / "records.json").read_text())["workshop_id"][:16]
    assert (f"urn:lotproof:workshop:{ours}:L0001", f"urn:lotproof:workshop:{theirs}:L0001") in pairs
    answer = _receive(lotproof, second, tmp_path / "C", "--json")
    assert answer.code == 0, answer.err
    shown = lotproof("show", "L0001-02", "--workspace", tmp_path / "C", "--json").json
    assert shown["theirs"][-1]["said"] == "by Hollin Bench: settled as not genuine: decapped; another die"
    with Workspace.open(tmp_path / "C") as third:
        assert set(payload_digests(their_bag)) <= set(third.store.all())
        assert verify(third).sound


def test_a_bag_is_taken_in_once(their_bag: Path, workspace: Workspace, tmp_path: Path, lotproof) -> None:
    assert _receive(lotproof, their_bag, workspace.folder).code == 0
    again = _receive(lotproof, zipped(their_bag, tmp_path / "other name.zip"), workspace.folder)
    assert (again.code, "was taken in before, as L0001" in again.err) == (2, True), again.err
    more = _receive(lotproof, their_bag, workspace.folder, "--again", "--json")
    assert (more.code, more.json["lot"]) == (0, "L0002")
    assert "Their L0001 is here already as L0001" in more.err


def test_our_own_bag_is_not_another_workshop_s(workspace: Workspace, tmp_path: Path, lotproof) -> None:
    a_lot(workspace)
    bag = a_bag(workspace, tmp_path / "bag")
    own = _receive(lotproof, bag, workspace.folder)
    assert (own.code, "this workshop's own L0001" in own.err) == (2, True), own.err


def test_what_is_ours_to_say(their_bag: Path, workspace: Workspace, lotproof) -> None:
    ours = ("--seller", "Hollin Bench", "--source", "broker", "--order", "H-1", "--price", "12", "--currency", "EUR")
    said = _receive(lotproof, their_bag, workspace.folder, *ours, "--json").json
    assert (said["seller"], said["source"], said["part"]) == ("Hollin Bench", "broker", "CV6522AP")
    for words in (("--part", "CV1"), ("--quantity", "2"), ("--document", "invoice=x"), ("--from", "x.csv")):
        ran = _receive(lotproof, their_bag, workspace.folder, *words, "--again")
        assert (ran.code, "--bag" in ran.err) == (2, True), ran.err
    ran = _receive(lotproof, their_bag, workspace.folder, "--seller", "hollin bench", "--order", "H-1", "--again")
    assert (ran.code, "is here already as L0001" in ran.err) == (2, True), ran.err
    assert lotproof("receive", "--again", "--workspace", workspace.folder).code == 2


def test_foreign_text_comes_out_harmless(their_bag: Path, tmp_path: Path, lotproof) -> None:
    """Control characters of a screen, in the one text that no journal entry vouches for: the workshop's name."""
    bag = copy(their_bag, tmp_path / "bag")
    info = (bag / "bag-info.txt").read_text()
    (bag / "bag-info.txt").write_text(info.replace("Hollin Bench", "Hol\x1b[2Jlin \u202eBench"))
    edited(bag, "runs.json", lambda value: value)
    assert _receive(lotproof, bag, tmp_path / "w").code == 0
    screen = lotproof("show", "L0001", "--workspace", tmp_path / "w")
    assert "\x1b[2J" not in screen.out
    assert "\u202e" not in screen.out
    assert "Hol?[2Jlin ?Bench" in screen.out


NAMES = [
    "CON.pdf",
    "=cmd('C calc')!A0.csv",
    "line\nbreak.pdf",
    "e\u0301le\u0300ve.pdf",
    "\u202efdp.exe",
    " -rf",
    ".hidden",
    "..pdf",
    "a.b.c.tar.gz",
    "図面.pdf",
    "x" * 250 + ".pdf",
    "a\\b:c*?.pdf",
    "Plan (2).PDF",
    "plan (2).pdf",
    "%2e%2e%2fpasswd",
    "data",
    "\x1b[2J.txt",
    "~root",
    "trailing.",
    "percent % quote ' \" $(id)",
]


def test_hostile_file_names_go_through_and_stay_known(workspace: Workspace, tmp_path: Path, lotproof) -> None:
    """Names as file systems take them: in the bag they are plain, in the records they are still told apart."""
    a_lot(workspace)
    (tmp_path / "papers").mkdir()
    for number, name in enumerate(NAMES):
        (tmp_path / "papers" / name).write_bytes(b"paper %d" % number)
        add_documents(workspace, "L0001", [Paper("other", tmp_path / "papers" / name)], operator="mira")
    bag = a_bag(workspace, tmp_path / "bag")
    assert bagit.Bag(str(bag)).validate()
    files = [path.relative_to(bag).as_posix() for path in (bag / "data" / "documents").iterdir()]
    assert len(files) == len(NAMES)
    assert all(path.isascii() and " " not in path and "%" not in path for path in files)
    assert _receive(lotproof, zipped(bag, tmp_path / "bag.zip"), tmp_path / "w").code == 0
    shown = lotproof("show", "L0001", "--workspace", tmp_path / "w", "--json").json
    papers = {one["name"]: one["sha256"] for one in shown["documents"] if one["kind"] == "theirs: other"}
    assert len(papers) == len(NAMES)
    assert "図面.pdf" in papers
    assert all(name.isprintable() for name in papers)
    assert set(papers.values()) == {hashlib.sha256(b"paper %d" % number).hexdigest() for number in range(len(NAMES))}


def test_arrival_is_today_and_their_claim_window_is_not_ours(their_bag: Path, tmp_path: Path, lotproof) -> None:
    said = _receive(lotproof, their_bag, tmp_path / "w", "--arrived", TODAY.isoformat(), "--json")
    assert said.code == 2  # TODAY of the invented lots lies ahead
    said = _receive(lotproof, their_bag, tmp_path / "w", "--json")
    assert (said.code, said.json["claim_by"]) == (0, None)


def test_their_corrected_readings_are_shown_as_theirs(
    tmp_path: Path, sqlite_template: Path, workspace: Workspace, lotproof, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy(sqlite_template, tmp_path / "A")
    with Workspace.open(tmp_path / "A") as theirs:
        stage = Stage({}, [])
        monkeypatch.setattr(photographing, "look", stage.look)
        full_lot(theirs, tmp_path / "desk", stage)
        correct(theirs, "L0001-02", ("CV6522AP", "9120"), remark="under the lens", operator="jonas")
        correct(theirs, "L0001-02", (), operator="jonas")
        bag = a_bag(theirs, tmp_path / "bag")
    answer = _receive(lotproof, bag, workspace.folder, "--json")
    assert answer.code == 0, answer.err
    assert answer.json["their_records"]["correction"] == 2
    said = lotproof("show", "L0001-02", "--json", "--workspace", workspace.folder).json["theirs"]
    assert [(one["operator"], one["said"]) for one in said if one["kind"] == "correction"] == [
        ("jonas", "reading corrected by hand: CV6522AP / 9120 (under the lens)"),
        ("jonas", "corrected reading given back to the readers"),
    ]
    assert verify(workspace).sound
