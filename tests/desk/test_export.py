"""Exports held against others' tools: the bagit library and its command, the prov library, hashlib and json, csv."""

import csv
import hashlib
import json
import subprocess
import sys
import zipfile
from itertools import pairwise
from pathlib import Path

import bagit
import pytest
from bags import HOSTILE, TABLE, a_bag, full_lot, payload_digests
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from prov.model import ProvDocument
from sqlalchemy import select, text
from staged import Stage
from stock import a_lot

from tracker.desk import photograph as photographing
from tracker.desk.correct import correct
from tracker.desk.export_bag import export_bag
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.dossier.tables import plain
from tracker.errors import BadRequest, Damaged
from tracker.records.models import Document, JournalEntry, Photo
from tracker.records.session import write_transaction


@pytest.fixture
def full(workspace: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A lot that went all the way."""
    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    return full_lot(workspace, tmp_path / "desk", stage)


def _json(path: Path):
    return json.loads(path.read_text(encoding="utf-8"))


@pytest.fixture
def bag(full: str, workspace: Workspace, tmp_path: Path) -> Path:
    return a_bag(workspace, tmp_path / "bag", full)


def test_the_bagit_library_takes_it(bag: Path) -> None:
    """The reference implementation of RFC 8493, from Python and as a command."""
    opened = bagit.Bag(str(bag))
    assert opened.validate()
    assert opened.version_info == (1, 0)
    assert sorted(opened.algorithms) == ["sha256", "sha512"]
    assert opened.info["Source-Organization"] == "Hollin Bench"
    assert opened.info["External-Identifier"].endswith(":L0001")
    files = [path for path in (bag / "data").rglob("*") if path.is_file()]
    assert opened.info["Payload-Oxum"] == f"{sum(path.stat().st_size for path in files)}.{len(files)}"
    ran = subprocess.run([sys.executable, "-m", "bagit", "--validate", str(bag)], capture_output=True, check=False)
    assert ran.returncode == 0, ran.stderr
    # Every tag file but the tag manifests themselves stands in both of them.
    for name in ("tagmanifest-sha256.txt", "tagmanifest-sha512.txt"):
        named = {line.split()[1] for line in (bag / name).read_text().splitlines()}
        assert named == {"bagit.txt", "bag-info.txt", "manifest-sha256.txt", "manifest-sha512.txt"}


def test_the_library_sees_one_changed_byte(bag: Path) -> None:
    """That the check above can fail at all."""
    photo = next((bag / "data" / "photos").iterdir())
    photo.write_bytes(bytes([photo.read_bytes()[0] ^ 0xFF]) + photo.read_bytes()[1:])
    assert not bagit.Bag(str(bag)).is_valid()


def test_every_file_of_the_lot_is_in_it_byte_for_byte(bag: Path, workspace: Workspace, tmp_path: Path) -> None:
    digests = payload_digests(bag)
    sources = [tmp_path / "desk" / name for name in ("lot.png", "readings.csv", "Rechnung Nº 7 (für uns).pdf")]
    for source in sources:
        assert hashlib.sha256(source.read_bytes()).hexdigest() in digests, source.name
    with workspace.read() as session:
        kept = set(session.scalars(select(Document.sha256))) | set(session.scalars(select(Photo.sha256)))
    assert kept <= set(digests)
    assert set(workspace.store.all()) <= set(digests)  # annotated picture and bench table, too
    (table,) = (bag / "data" / "bench").iterdir()
    assert table.read_text() == TABLE


def test_journal_and_rows_can_be_worked_out_again_by_hand(bag: Path) -> None:
    """With hashlib and json alone, by the README in the bag. RFC 8785 of strings and whole numbers is sorted JSON."""
    entries = [json.loads(line) for line in (bag / "data" / "journal.jsonl").read_text(encoding="utf-8").splitlines()]
    assert [entry["act"] for entry in entries] == ["receive", "document", "photograph", "bench", "decide", "fit"]
    for entry in entries:
        members = {name: entry[name] for name in ("id", "at", "operator", "act", "subject", "body", "previous_hash")}
        text = json.dumps(members, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(text.encode()).hexdigest() == entry["hash"]
    for before, after in pairwise(entries):
        assert after["previous_hash"] == before["hash"]
    records = _json(bag / "data" / "records.json")
    for entry in entries:
        public = bytes.fromhex(records["keys"][entry["signing_key"]])
        assert hashlib.sha256(public).hexdigest().startswith(entry["signing_key"])
        signed = f"lotproof journal entry {entry['hash']}".encode()
        Ed25519PublicKey.from_public_bytes(public).verify(bytes.fromhex(entry["signature"]), signed)
    assert records["head"] == {"entry": entries[-1]["id"], "hash": entries[-1]["hash"]}
    (lot,) = records["tables"]["lot"]
    text = json.dumps(lot, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    said = json.loads(entries[0]["body"])["rows"]["lot"]
    assert said["sha256"] == hashlib.sha256(f"[{text}]".encode()).hexdigest()
    assert len(records["tables"]["piece"]) == 3
    assert records["tables"]["decision"][0]["reason"] == HOSTILE


def test_inspections_and_runs_are_in_the_contract_s_words(bag: Path) -> None:
    inspections = _json(bag / "data" / "inspections.json")["inspections"]
    assert [one["piece"] for one in inspections] == ["L0001-01", "L0001-02"]
    assert {one["inspection"]["schema"] for one in inspections} == {"lotproof.inspection-piece/1"}
    (run,) = _json(bag / "data" / "runs.json")["runs"]
    assert (run["piece"], run["operator"], run["test"]) == ("L0001-02", "jonas", "current")
    assert [sample["current_a"] for sample in run["samples"]] == pytest.approx([0.0121, 0.013])
    assert [sample["clock_hz"] for sample in run["samples"]] == [1e6, 2e6]


def _relations(told: ProvDocument) -> set[tuple[str, ...]]:
    """Return every relation as (kind, first, second) in local names."""
    return {
        (record.get_type().localpart, *(value.localpart for _, value in record.formal_attributes[:2]))
        for record in told.get_records()
        if record.is_relation()
    }


def test_provenance_says_who_did_what_from_what(bag: Path) -> None:
    """Read with the prov library; written again and read back it is equal, and its own unification finds no clash."""
    text = (bag / "data" / "provenance.json").read_text(encoding="utf-8")
    told = ProvDocument.deserialize(content=text)
    assert ProvDocument.deserialize(content=told.serialize()) == told
    assert told.unified().serialize()
    assert told.get_provn().startswith("document")
    kinds = [record.get_type().localpart for record in told.get_records()]
    assert {"Entity", "Activity", "Agent", "Usage", "Generation", "Association", "Derivation"} <= set(kinds)
    types = {str(value) for record in told.get_records() for value in record.get_attribute("prov:type")}
    for act in ("receive", "photograph", "inspect", "bench", "decide", "fit", "Lot", "Piece", "Photo", "BenchRun"):
        assert f"lp:{act}" in types, act
    relations = _relations(told)
    assert ("Generation", "L0001-02", "entry-1") in relations
    assert ("Derivation", "inspection-1", "photo-1") in relations
    assert ("Generation", "B0001", "entry-4") in relations
    assert ("Usage", "entry-4", "L0001-02") in relations
    labels = {str(name) for agent in told.get_records() for name in agent.get_attribute("prov:label")}
    assert {"mira", "jonas", "Hollin Bench"} <= labels
    software = [one for one in told.get_records() if "prov:SoftwareAgent" in map(str, one.get_attribute("prov:type"))]
    assert all(one.get_attribute("lp:version") for one in software)
    assert software


def test_tables_keep_numbers_and_disarm_texts(full: str, workspace: Workspace, tmp_path: Path, lotproof) -> None:
    answer = lotproof("export", "csv", "all", "--to", tmp_path / "t", "--workspace", workspace.folder, "--json")
    assert (answer.code, answer.json["rows"]["samples"], answer.json["rows"]["pieces"]) == (0, 2, 3)
    with (tmp_path / "t" / "runs.csv").open(encoding="utf-8", newline="") as file:
        (run,) = csv.DictReader(file)
    assert run["piece"] == "L0001-02"
    with (tmp_path / "t" / "samples.csv").open(encoding="utf-8", newline="") as file:
        assert [float(row["current_a"]) for row in csv.DictReader(file)] == pytest.approx([0.0121, 0.013])
    a_lot(workspace, part="=cmd|'/C calc'!A0", seller="@sum(1)")
    lotproof("export", "csv", "L0002", "--to", tmp_path / "u", "--workspace", workspace.folder)
    with (tmp_path / "u" / "pieces.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["part"] for row in rows} == {"'=cmd|'/C calc'!A0"}
    assert {(plain(row["part"]), plain(row["seller"])) for row in rows} == {("=cmd|'/C calc'!A0", "@sum(1)")}
    # `list --csv` goes the same way.
    lotproof("list", "lots", "--csv", tmp_path / "lots.csv", "--workspace", workspace.folder)
    assert ",'@sum(1)," in (tmp_path / "lots.csv").read_text()


def test_an_exported_table_comes_in_again_as_it_was(workspace: Workspace, tmp_path: Path, lotproof) -> None:
    (tmp_path / "d.csv").write_text("seller,part,quantity\n'=Quayside,'-6522,2\n'quoted',CV6522AP,1\n")
    answer = lotproof("receive", "--from", tmp_path / "d.csv", "--workspace", workspace.folder, "--json")
    said = [(one["seller"], one["part"]) for one in answer.json["lots"]]
    assert said == [("=Quayside", "-6522"), ("'quoted'", "CV6522AP")]


def test_zip_holds_the_same_bag(full: str, workspace: Workspace, tmp_path: Path, lotproof) -> None:
    folder = ("--workspace", workspace.folder, "--json")
    answer = lotproof("export", "bag", "L0001", "--to", tmp_path / "L0001", "--zip", *folder).json
    path = Path(answer["bag"])
    assert (path.name, answer["schema"]) == ("L0001.zip", "lotproof.bag-written/1")
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        archive.extractall(tmp_path / "out")
    assert bagit.Bag(str(tmp_path / "out" / "L0001")).validate()
    assert sorted(one.name for one in path.parent.iterdir() if one.name.startswith((".", "L0001"))) == ["L0001.zip"]


def test_the_export_is_journaled(bag: Path, workspace: Workspace) -> None:
    with workspace.read() as session:
        last = session.scalars(select(JournalEntry).order_by(JournalEntry.id.desc())).first()
    assert last is not None
    said = json.loads(last.body)
    assert (last.act, last.subject, last.operator) == ("export", "L0001", "mira")
    # The digest that names a bag is that of its manifest, which anyone can work out.
    assert said["bag"] == hashlib.sha256((bag / "manifest-sha256.txt").read_bytes()).hexdigest()
    assert said["payload_files"] == len(payload_digests(bag))
    assert verify(workspace).sound


def test_nothing_is_written_over(full: str, workspace: Workspace, tmp_path: Path, lotproof) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "mine.txt").write_text("mine")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for words in (
        ("bag", "L0001", "--to", tmp_path / "there"),
        ("bag", "L0001", "--to", tmp_path / "link"),
        ("csv", "all", "--to", tmp_path / "there"),
        ("prov", "L0001", "--to", tmp_path / "there" / "mine.txt"),
    ):
        ran = lotproof("export", *words, "--workspace", workspace.folder)
        assert (ran.code, "is there already" in ran.err) == (2, True), ran.err
    assert [path.name for path in (tmp_path / "there").iterdir()] == ["mine.txt"]
    for words in (("bag", "L0009"), ("prov", "L0009"), ("csv", "L0009"), ("bag", "L0001-01")):
        ran = lotproof("export", *words, "--to", tmp_path / "new" / "x", "--workspace", workspace.folder)
        assert (ran.code, (tmp_path / "new").exists()) == (2, False), ran.err


def test_changed_evidence_is_not_handed_out(full: str, workspace: Workspace, tmp_path: Path) -> None:
    with workspace.read() as session:
        sha256 = session.scalars(select(Photo.sha256)).one()
    kept = workspace.folder / "evidence" / sha256[:2] / sha256
    kept.chmod(0o600)
    kept.write_bytes(b"something else")
    with pytest.raises(Damaged, match="has changed since it was kept"):
        export_bag(workspace, full, tmp_path / "bag", operator="mira")
    kept.unlink()
    with pytest.raises(Damaged, match="is missing"):
        export_bag(workspace, full, tmp_path / "bag", operator="mira")
    assert [path.name for path in tmp_path.iterdir() if "bag" in path.name] == []


def test_records_that_were_edited_are_not_handed_out(full: str, workspace: Workspace, tmp_path: Path) -> None:
    """A row changed behind the program's back, and then the entry's own text."""
    for statement, said in (
        ("UPDATE bench_run SET verdict = 'pass'", "bench run rows of journal entry 4"),
        ("UPDATE journal_entry SET operator = 'nobody' WHERE id = 3", "journal entry 3 was changed"),
    ):
        with write_transaction(workspace._engine) as connection:
            connection.execute(text(statement))
        with pytest.raises(Damaged, match=said):
            export_bag(workspace, full, tmp_path / "bag", operator="mira")
        assert not (tmp_path / "bag").exists()


def test_a_full_disk_leaves_nothing(full: str, workspace: Workspace, tmp_path: Path, monkeypatch) -> None:
    def full_disk(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tracker.dossier.bag.writer.os.fsync", full_disk)
    with pytest.raises(BadRequest, match="No space left"):
        export_bag(workspace, full, tmp_path / "out" / "bag", operator="mira")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_bag_whose_journal_entry_fails_is_taken_back(full, workspace, tmp_path, monkeypatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise BadRequest("The disk is full.")

    monkeypatch.setattr("tracker.journal.append", fail)
    with pytest.raises(BadRequest, match="disk is full"):
        export_bag(workspace, full, tmp_path / "out" / "bag", operator="mira")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_lot_without_anything_is_a_bag_too(workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace, quantity=1, received=1)
    bag = a_bag(workspace, tmp_path / "bag")
    assert bagit.Bag(str(bag)).validate()
    assert _json(bag / "data" / "records.json")["files"] == []


def test_other_lots_stay_out(full: str, workspace: Workspace, tmp_path: Path) -> None:
    a_lot(workspace, seller="Brightwell Brokerage", part="CV74HC245N")
    bag = a_bag(workspace, tmp_path / "bag", full)
    everything = b"".join(path.read_bytes() for path in bag.rglob("*") if path.is_file())
    assert b"Quayside Surplus" in everything
    assert b"Brightwell" not in everything


def test_a_corrected_reading_comes_along_as_a_persons_word(full: str, workspace: Workspace, tmp_path: Path) -> None:
    correct(workspace, "L0001-02", ("CV6522AP", "9120"), remark="=under the lens", operator="tess")
    correct(workspace, "L0001-02", (), operator="mira")
    bag = a_bag(workspace, tmp_path / "bag", full)
    assert bagit.Bag(str(bag)).is_valid()
    said = _json(bag / "data" / "records.json")["tables"]["reading_correction"]
    assert [(json.loads(row["lines"]), row["remark"]) for row in said] == [
        (["CV6522AP", "9120"], "=under the lens"),
        ([], None),
    ]
    told = ProvDocument.deserialize(str(next((bag / "data").rglob("*prov*.json"))))
    corrections = {
        one.identifier.localpart: dict(one.extra_attributes)
        for one in told.get_records()
        if one.identifier is not None and "reading-correction" in one.identifier.localpart
    }
    assert set(corrections) == {"reading-correction-1", "reading-correction-2"}
    whole = told.get_provn()
    assert "wasDerivedFrom(ws:inspection-3, ws:reading-correction-1" in whole
    assert 'lp:reads="CV6522AP / 9120"' in whole
    rows = list(csv.DictReader((bag / "data" / "tables" / "readings.csv").open(encoding="utf-8", newline="")))
    assert [row["text"] for row in rows if row["reader"] == "by hand" and row["line"] == "2"] == ["9120"]
    assert verify(workspace).faults == ()
