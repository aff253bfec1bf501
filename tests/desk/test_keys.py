"""The key a bench signs with: made once, kept outside the workspace, found again, replaced when it is lost."""

import json
import shutil
import stat
from pathlib import Path

import pytest
from sqlalchemy import select, text
from sqlalchemy.engine import make_url
from stock import a_lot

from tracker.desk import keys
from tracker.desk.dossier import write_dossier
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import JournalEntry
from tracker.records.session import place_of, write_transaction


@pytest.fixture
def kept_in(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Give the folder of this bench's keys."""
    monkeypatch.setenv("LOTPROOF_KEYS", str(tmp_path / "keys"))
    return tmp_path / "keys"


def signers(workspace: Workspace) -> list[str | None]:
    """Return which key signed each entry."""
    with workspace.read() as session:
        return list(session.scalars(select(JournalEntry.signing_key).order_by(JournalEntry.id)))


def test_one_key_for_all_entries_and_only_the_user_may_read_it(workspace: Workspace, kept_in: Path) -> None:
    a_lot(workspace)
    a_lot(workspace, part="CV74HC245N")
    (pem,) = kept_in.glob("*.pem")
    assert signers(workspace) == [pem.stem, pem.stem]
    assert stat.S_IMODE(pem.stat().st_mode) == 0o600
    assert workspace.folder not in pem.parents
    assert b"PRIVATE" not in b"".join(path.read_bytes() for path in workspace.folder.rglob("*") if path.is_file())


def test_an_act_that_says_nothing_makes_no_key(workspace: Workspace, kept_in: Path) -> None:
    with workspace.act("mira", "note", ""):
        pass
    assert not list(kept_in.glob("*"))


def test_a_lost_key_is_replaced_and_what_it_signed_still_counts(workspace: Workspace, kept_in: Path) -> None:
    a_lot(workspace)
    shutil.rmtree(kept_in)
    a_lot(workspace, part="CV74HC245N")
    first, second = signers(workspace)
    assert first != second
    report = verify(workspace)
    assert report.sound
    assert [(key.name, key.since, key.entries) for key in report.keys] == [(first, 1, 1), (second, 2, 1)]


def test_a_moved_workspace_keeps_its_key(tmp_path: Path, sqlite_template: Path, kept_in: Path) -> None:
    shutil.copytree(sqlite_template, tmp_path / "here")
    with Workspace.open(tmp_path / "here") as workspace:
        a_lot(workspace)
    shutil.move(tmp_path / "here", tmp_path / "there")
    with Workspace.open(tmp_path / "there") as workspace:
        a_lot(workspace, part="CV74HC245N")
        assert len(set(signers(workspace))) == 1
        assert verify(workspace).sound


def test_who_asks_the_database_and_how_makes_no_other_workspace(
    postgres_database: str, tmp_path: Path, kept_in: Path
) -> None:
    """With a password or without, as another user, and as earlier versions noted it: the same records."""
    bare = make_url(postgres_database)
    folder = tmp_path / "w"
    folder.mkdir()

    def asked_with(password: str | None) -> Workspace:
        address = bare.set(password=password).render_as_string(hide_password=False)
        (folder / "workspace.toml").write_text(f'database = "{address}"\n')
        return Workspace.open(folder, create=True)

    with asked_with("hidden-word") as workspace:
        a_lot(workspace)
        (mine,) = keys.remembered()
        assert "hidden-word" not in mine.workspace
        url = workspace.url
    (note,) = kept_in.glob("*.json")
    starred = bare.set(drivername="postgresql+psycopg", password="***").render_as_string(hide_password=False)
    for noted in (mine.workspace, starred):
        note.write_text(json.dumps({**json.loads(note.read_text()), "workspace": noted}))
        with asked_with(None) as workspace:
            assert workspace.url == url
            assert [one.head for one in keys.remembered(workspace.url)] == [mine.head]
            checked = [rung.checked for rung in verify(workspace).rungs if rung.name == "signatures"]
            assert checked == [2]  # the entry, and what this bench remembers
    other = bare.set(username="somebody", port=5432).render_as_string()
    assert place_of(other) == place_of(url)
    assert place_of(bare.set(database="another").render_as_string()) != place_of(url)


def test_a_new_workspace_in_an_old_place_has_its_own_key(tmp_path: Path, sqlite_template: Path, kept_in: Path) -> None:
    names = []
    for _ in range(2):
        shutil.rmtree(tmp_path / "here", ignore_errors=True)
        shutil.copytree(sqlite_template, tmp_path / "here")
        with Workspace.open(tmp_path / "here") as workspace:
            a_lot(workspace)
            assert verify(workspace).sound
            names += signers(workspace)
    assert len(set(names)) == 2


def test_a_key_that_cannot_be_kept_changes_nothing(
    workspace: Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a file").write_text("in the way")
    monkeypatch.setenv("LOTPROOF_KEYS", str(tmp_path / "a file" / "keys"))
    with pytest.raises(BadRequest, match=r"cannot be kept in .*nothing was changed"):
        a_lot(workspace)
    assert signers(workspace) == []


def test_a_damaged_key_is_named(workspace: Workspace, kept_in: Path) -> None:
    a_lot(workspace)
    (pem,) = kept_in.glob("*.pem")
    pem.write_bytes(b"torn")
    with pytest.raises(BadRequest, match="cannot be read") as refused:
        a_lot(workspace, part="CV74HC245N")
    assert "move it away" in (refused.value.advice or "")
    pem.unlink()
    a_lot(workspace, part="CV74HC245N")
    assert verify(workspace).sound


@pytest.mark.parametrize("note", ["", "[]", '{"workspace": 1}', "\0"])
def test_a_damaged_memory_is_no_obstacle(workspace: Workspace, kept_in: Path, note: str) -> None:
    a_lot(workspace)
    (memory,) = kept_in.glob("*.json")
    memory.write_text(note)
    a_lot(workspace, part="CV74HC245N")
    assert len(set(signers(workspace))) == 1
    assert keys.remembered(workspace.url)[0].head.entry == 2
    assert verify(workspace).sound


def test_entries_from_before_signing_are_noticed_and_later_ones_must_be_signed(workspace: Workspace) -> None:
    a_lot(workspace)
    a_lot(workspace, part="CV74HC245N")
    with write_transaction(workspace._engine) as connection:
        connection.execute(text("UPDATE journal_entry SET signature = NULL, signing_key = NULL"))
    shutil.rmtree(keys.folder())
    a_lot(workspace, part="CV6522AP")
    report = verify(workspace)
    assert report.sound
    assert [(notice.code, notice.subject) for notice in report.notices] == [("before-signing", "entry 2")]
    assert [key.since for key in report.keys] == [3]


def test_verify_prints_who_signed(workspace: Workspace, lotproof) -> None:  # type: ignore[no-untyped-def]
    a_lot(workspace)
    shown = lotproof("verify", "--workspace", workspace.folder)
    assert shown.code == 0
    assert "Signed: 1 entry since entry 1 with key" in shown.out
    (key,) = json.loads(lotproof("verify", "--workspace", workspace.folder, "--json").out)["keys"]
    assert (key["since"], key["entries"]) == (1, 1)


def test_a_dossier_names_the_key_that_signed_its_head(workspace: Workspace, kept_in: Path, tmp_path: Path) -> None:
    a_lot(workspace)
    write_dossier(workspace, "L0001", tmp_path / "dossier.html")
    (pem,) = kept_in.glob("*.pem")
    text = (tmp_path / "dossier.html").read_text(encoding="utf-8")
    assert f"signed with key {pem.stem}" in text
    assert signers(workspace)[-1] == pem.stem
