"""The evidence of a workspace carried into another store: what is there is left, and every file is hashed there."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import chain

from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk.carry_rows import Tell
from tracker.desk.journal_walk import blocks
from tracker.errors import BadRequest, Damaged
from tracker.evidence import EvidenceStore

HANDS = 8
"""Files on their way at once: a bucket makes each wait for several answers. Our own choice."""
_AT_ONCE = 64
_LEFT = re.compile(r"unfinished-[0-9a-f]{16}")


def files_on_record(session: Session) -> dict[str, int]:
    """Return every file that the journal names: its SHA-256 and its size in bytes."""
    named: dict[str, int] = {}
    for entry in chain.from_iterable(blocks(session)):
        files = journal.body_of(entry).get("files")
        named.update({str(sha256): int(size) for sha256, size in files.items()} if isinstance(files, dict) else {})
    return named


def copy_files(source: EvidenceStore, target: EvidenceStore, named: Mapping[str, int], tell: Tell) -> int:
    """Carry over the files that are not there yet; return how many those were.

    Raises
    ------
    BadRequest
        When the target holds files of something else, or one of the stores cannot be used.
    Damaged
        When a file at the source is missing or has changed.
    """
    there = set(target.all())
    if there - named.keys():
        raise BadRequest(
            f"The evidence store {target.url} holds files of something else.", "Name one that is new or empty."
        )
    wanted = sorted(named.keys() - there)

    def carry(sha256: str) -> None:
        with source.open(sha256) as file:
            kept = target.keep(file)
        if kept.sha256 != sha256:
            target.remove(kept.sha256)
            raise Damaged(
                f"The evidence file {sha256} has changed since it was kept.",
                "Bring it back from a backup, then begin again; `lotproof verify` gives the whole list.",
            )

    _each(carry, wanted, "Copying evidence", tell)
    return len(wanted)


def check_files(
    store: EvidenceStore, named: Mapping[str, int], tell: Tell, advice: str = "Remove it there, then go on."
) -> None:
    """Hash every file in a store; `advice` is for one that is not what it is called.

    Raises
    ------
    Damaged
        When one is missing or is not what it is called.
    """

    def check(sha256: str) -> None:
        try:
            found, size = store.digest(sha256)
        except OSError as error:
            raise Damaged(
                f"The evidence file {sha256} cannot be read ({error.strerror or error}).", "Run the same command again."
            ) from error
        if (found, size) != (sha256, named[sha256]):
            raise Damaged(f"The evidence file {sha256} in {store.url} is not what it should be.", advice)

    _each(check, sorted(named), "Hashing evidence", tell)


def clear_unfinished(store: EvidenceStore) -> None:
    """Remove what a copy that was killed left beside the files."""
    for name in list(store.strays()):
        if not _LEFT.fullmatch(name):
            raise BadRequest(
                f"The evidence store {store.url} holds something else: {name}.",
                "If that is nobody's, remove it there; otherwise name a place that is new or empty.",
            )
        store.remove(name)


def _each(do: Callable[[str], None], names: Sequence[str], what: str, tell: Tell) -> None:
    """Do something with every file, some at once; the first fault ends it."""
    done = 0
    with ThreadPoolExecutor(HANDS) as pool:
        for some in _parts(names):
            for _ in pool.map(do, some):
                done += 1
            tell(what, done, len(names))


def _parts(names: Sequence[str]) -> Iterator[Sequence[str]]:
    for start in range(0, len(names), _AT_ONCE):
        yield names[start : start + _AT_ONCE]
