"""What a backup says of itself, in `backup.json`, and holding a backup against it.

backup.json        this manifest: head of the journal, every table with rows and digest, digests of the next two
evidence.sha256    a line for each file, as `sha256sum -c` reads it
records.sqlite     the records, whatever database they came from
evidence/ab/ab...  the files
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tracker import journal
from tracker.desk.carry_rows import TableSum, Tell
from tracker.errors import BadRequest, Damaged

MANIFEST, LIST, RECORDS, EVIDENCE = "backup.json", "evidence.sha256", "records.sqlite", "evidence"
SCHEMA = "lotproof.backup/1"
LEFT_OUT = (
    "the keys that sign the journal (in each bench's LOTPROOF_KEYS or configuration folder)",
    "what waits in the work list, and readings in the spool that no run recorded",
    "made pictures, which come again by themselves",
    "workspace.toml: addresses, and any password in them",
)
"""What a backup does not hold, in words."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds.

    Attributes
    ----------
    made_at : str
        UTC, RFC 3339.
    program, revision : str
        Version of the program and of the records' schema.
    source : str
        The records it was made from, without a password.
    head : Head
    tables : dict
    records_sha256, list_sha256 : str
        Of the two files.
    files, size_bytes : int
        Of the evidence.
    """

    made_at: str
    program: str
    revision: str
    source: str
    head: journal.Head
    tables: dict[str, TableSum]
    records_sha256: str
    list_sha256: str
    files: int
    size_bytes: int

    def text(self) -> str:
        """Return it as `backup.json` holds it."""
        document = {"schema": SCHEMA, **asdict(self), "left_out": list(LEFT_OUT)}
        return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def listed(named: Mapping[str, int]) -> str:
    """Return the list of evidence files as `sha256sum` writes it."""
    return "".join(f"{sha256}  {EVIDENCE}/{sha256[:2]}/{sha256}\n" for sha256 in sorted(named))


def read(folder: Path) -> Manifest:
    """Return the manifest of a backup.

    Raises
    ------
    BadRequest
        When the folder is no backup, or one of a later kind.
    Damaged
        When the manifest cannot be read.
    """
    try:
        said: Any = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        raise BadRequest(f"{folder} is no backup: it holds no {MANIFEST}.", "Name the backup itself.") from None
    except (OSError, ValueError) as error:
        raise Damaged(f"{folder / MANIFEST} cannot be read ({error}).", "Take another backup.") from None
    if not isinstance(said, dict) or said.get("schema") != SCHEMA:
        raise BadRequest(f"{folder} is no backup that this version knows.", "Update Lotproof, or name another.")
    try:
        return Manifest(
            **{name: str(said[name]) for name in ("made_at", "program", "revision", "source")},
            head=journal.Head(int(said["head"]["entry"]), str(said["head"]["hash"])),
            tables={str(name): TableSum(int(one["rows"]), str(one["sha256"])) for name, one in said["tables"].items()},
            records_sha256=str(said["records_sha256"]),
            list_sha256=str(said["list_sha256"]),
            files=int(said["files"]),
            size_bytes=int(said["size_bytes"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError):
        raise Damaged(f"{folder / MANIFEST} is not whole.", "Take another backup.") from None


def check(folder: Path, manifest: Manifest, tell: Tell) -> None:
    """Hash every file of a backup.

    Raises
    ------
    Damaged
        When one is missing or has changed; the first is named.
    """
    for name, wanted in ((RECORDS, manifest.records_sha256), (LIST, manifest.list_sha256)):
        _expect(folder / name, wanted)
    lines = (folder / LIST).read_text(encoding="utf-8").splitlines()
    if len(lines) != manifest.files:
        raise Damaged(f"{folder / LIST} names {len(lines)} files, and the backup had {manifest.files}.", _ANOTHER)
    for done, line in enumerate(lines, 1):
        sha256, _, name = line.partition("  ")
        if name != f"{EVIDENCE}/{sha256[:2]}/{sha256}" or "/" in sha256 or ".." in sha256:
            raise Damaged(f"{folder / LIST} has the line '{line[:100]}'.", _ANOTHER)
        _expect(folder / name, sha256)
        tell("Checking the backup", done, len(lines))


_ANOTHER = "Nothing was restored. Take another backup."


def _expect(path: Path, sha256: str) -> None:
    try:
        found = digest(path)
    except OSError as error:
        raise Damaged(f"{path} cannot be read ({error.strerror or error}).", _ANOTHER) from None
    if found != sha256:
        raise Damaged(f"{path} has changed since the backup was made.", _ANOTHER)


def digest(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
