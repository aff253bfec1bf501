"""The key with which this bench signs the journal of a workspace, and what the bench remembers having signed.

Keys lie outside the workspace, in the user's configuration folder (or LOTPROOF_KEYS): who can change the records, or
has a copy of them, must not thereby be able to sign. Each workspace has a key of its own on each bench:

    KEY.pem    the private key, readable by the user alone
    KEY.json   the workspace it is for, and the newest entry this bench signed there

A lost key is no loss of evidence: entries it signed can be checked with the public key that the journal holds, and the
bench makes and announces a new one.
"""

import json
import os
import platform
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import __version__, journal
from tracker.disk import make_folder, sync_folder, unfinished
from tracker.errors import BadRequest
from tracker.journal import Head
from tracker.records.models import JournalEntry
from tracker.records.session import place_of
from tracker.signing import NotAKey, SigningKey

VARIABLE = "LOTPROOF_KEYS"


@dataclass(frozen=True, slots=True)
class BenchKey:
    """This bench's key for one workspace; `announce` is what the entry has to say of it, None if it is known there."""

    key: SigningKey
    announce: dict[str, str] | None


@dataclass(frozen=True, slots=True)
class Memory:
    """What this bench remembers of a workspace: the newest entry it signed there."""

    workspace: str
    head: Head

    def is_of(self, workspace: str) -> bool:
        """Tell whether it is of the workspace whose records have an address; who asks there makes no difference."""
        return self.workspace == workspace or place_of(self.workspace) == place_of(workspace)


def folder() -> Path:
    """Return where this bench keeps its keys."""
    named = os.environ.get(VARIABLE)
    if named:
        return Path(named)
    from platformdirs import user_config_path

    return user_config_path("lotproof", appauthor=False) / "keys"


def of_workspace(session: Session, workspace: str, *, first: bool) -> BenchKey:
    """Return this bench's key for the workspace at an address; a new one, kept already, where it has none.

    Parameters
    ----------
    session : Session
        Holds the write lock.
    first : bool
        Whether the journal is empty; whatever was at this address before is forgotten then.

    Raises
    ------
    BadRequest
        When the key cannot be kept or read.
    """
    where = folder()
    known = {} if first else _memories(where)
    names = [name for name, memory in known.items() if memory.is_of(workspace)]
    names += sorted(path.stem for path in _files(where) if path.stem not in names)
    for name in () if first else names:
        signed = select(JournalEntry.id).where(JournalEntry.signing_key == name).limit(1)
        if session.scalar(signed) is not None and (where / f"{name}.pem").exists():
            return BenchKey(_read(where / f"{name}.pem"), None)
    if first:
        _forget(where, workspace)
    key = SigningKey.new()
    _keep(where, key)
    bench = platform.node()[:100] or "unnamed"
    return BenchKey(key, {"name": key.name, "public_key": key.public_key, "bench": bench})


@dataclass(frozen=True, slots=True)
class Signed:
    """A journal entry this bench has signed, and the name of the key."""

    key: str
    head: Head


def append_signed(
    session: Session, workspace: str, *, operator: str, act: str, subject: str, body: dict[str, Any], first: bool
) -> Signed:
    """Add an entry to the journal, signed by this bench; it says which version of the program wrote it.

    Parameters
    ----------
    session : Session
        Holds the write lock.
    workspace : str
        Address of the records.
    first : bool
        Whether the journal is empty.

    Raises
    ------
    BadRequest
        When the key cannot be kept or read, or `body` holds what cannot be recorded.
    """
    bench = of_workspace(session, workspace, first=first)
    said = {**body, journal.PROGRAM: __version__}
    if bench.announce is not None:
        said["key"] = bench.announce
    entry = journal.append(session, operator=operator, act=act, subject=subject, body=said, sign=bench.key.sign)
    return Signed(bench.key.name, Head(entry.id, entry.hash))


def remember(name: str, workspace: str, head: Head) -> None:
    """Note the newest entry this bench signed; a help to `verify`, so that it cannot be noted is no failure."""
    note = {"workspace": workspace, "entry": head.entry, "hash": head.hash}
    path = folder() / f"{name}.json"
    temporary = path.with_suffix(f".{os.getpid()}.part")
    with suppress(OSError):
        temporary.write_text(json.dumps(note), encoding="utf-8")
        temporary.replace(path)


def remembered(workspace: str | None = None) -> tuple[Memory, ...]:
    """Return what this bench remembers of the workspace at an address; None: of all."""
    return tuple(one for one in _memories(folder()).values() if workspace is None or one.is_of(workspace))


def concerning(memories: Iterable[Memory], workspace: str, earlier: Mapping[str, int]) -> tuple[Memory, ...]:
    """Return what is remembered of the workspace at an address, also from where it lay before.

    Parameters
    ----------
    earlier : mapping
        From each address at which it lay before, the newest entry that came from there: what was signed later at that
        address is of the workspace that went on there.
    """
    before = {place_of(address): entry for address, entry in earlier.items()}
    return tuple(
        memory
        for memory in memories
        if memory.is_of(workspace) or memory.head.entry <= before.get(place_of(memory.workspace), 0)
    )


def put_secret(path: Path, data: bytes) -> None:
    """Write a file that its user alone may read, whole or not at all; it survives a power cut.

    Raises
    ------
    OSError
        When it cannot be written.
    """
    make_folder(path.parent, 0o700)
    with unfinished(path) as temporary:
        with os.fdopen(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    sync_folder(path.parent)


def _memories(where: Path) -> dict[str, Memory]:
    found = {}
    for path in sorted(where.glob("*.json")):
        with suppress(OSError, ValueError, KeyError, TypeError):
            said: Any = json.loads(path.read_text(encoding="utf-8"))
            found[path.stem] = Memory(str(said["workspace"]), Head(int(said["entry"]), str(said["hash"])))
    return found


def _files(where: Path) -> list[Path]:
    return list(where.glob("*.pem"))


def _forget(where: Path, workspace: str) -> None:
    """Forget a workspace that was at this address before: what was remembered of it says nothing of the new one."""
    for name, memory in _memories(where).items():
        if memory.is_of(workspace):
            with suppress(OSError):
                (where / f"{name}.json").unlink()


def _read(path: Path) -> SigningKey:
    try:
        return SigningKey.from_pem(path.read_bytes())
    except (OSError, NotAKey) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise BadRequest(
            f"The key that signs the journal, {path}, cannot be read ({why}).",
            "Put it back from a copy; or move it away, and a new key is made and announced in the journal.",
        ) from None


def _keep(where: Path, key: SigningKey) -> None:
    try:
        put_secret(where / f"{key.name}.pem", key.pem())
    except OSError as error:
        raise BadRequest(
            f"The key that signs the journal cannot be kept in {where} ({error.strerror or error}); nothing was "
            "changed.",
            f"Name another folder with {VARIABLE}.",
        ) from None
