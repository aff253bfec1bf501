"""Holding the journal against itself: the chain, entry by entry, and the signatures."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from tracker import signing
from tracker.errors import BadRequest
from tracker.journal import CLOCK_SLACK_S, FIRST_PREVIOUS, Entry, behind_s, body_of, entry_hash


@dataclass(frozen=True, slots=True)
class BrokenLink:
    """One place where the chain does not hold."""

    entry: int
    code: str
    message: str


def verify_chain(entries: Iterable[Entry]) -> Iterator[BrokenLink]:
    """Walk the entries in order of id and yield every place where the chain does not hold."""
    chain = Chain()
    for entry in entries:
        yield from chain.broken(entry, body_of(entry))


@dataclass(slots=True)
class Chain:
    """Holds each entry against the one before it; the members are what is known of the last one seen."""

    number: int = 0
    previous: str = FIRST_PREVIOUS
    latest: str = ""

    def broken(self, entry: Entry, body: Mapping[str, Any]) -> Iterator[BrokenLink]:
        """Yield what is wrong with the next entry, whose parsed body is `body`."""
        first, last = self.number + 1, entry.id - 1
        if first <= last:
            names = f"{first}" if first == last else f"{first} to {last}"
            yield BrokenLink(first, "entry-removed", f"Journal entry {names} is missing.")
        elif entry.previous_hash != self.previous:
            yield BrokenLink(
                entry.id, "link-broken", f"Journal entry {entry.id} does not follow from the one before it."
            )
        if _hash_of(entry) != entry.hash:
            yield BrokenLink(entry.id, "entry-edited", f"Journal entry {entry.id} was changed after it was written.")
        if _went_back(self.latest, entry, body):
            message = f"Journal entry {entry.id} says {entry.at}, before the entry it follows ({self.latest})."
            yield BrokenLink(entry.id, "clock-back", message)
        self.number, self.previous, self.latest = entry.id, entry.hash, entry.at


def _went_back(latest: str, entry: Entry, body: Mapping[str, Any]) -> bool:
    """Tell whether an entry claims to be older than the one before it, and did not say so when it was written."""
    try:
        now = datetime.fromisoformat(entry.at)
        return bool(latest) and behind_s(latest, now) > CLOCK_SLACK_S and "clock_behind_s" not in body
    except (ValueError, TypeError):  # SQLite lets anybody put bytes where a text was
        return False  # an instant that is none was edited, which the hash shows


@dataclass(frozen=True, slots=True)
class Signed:
    """A signature that is still to be held against its hash."""

    entry: int
    key: str
    public_key: str
    hash: str
    signature: str

    @property
    def claim(self) -> tuple[str, str, str]:
        """What `signing.all_hold` takes."""
        return self.public_key, self.hash, self.signature

    @property
    def wrong(self) -> BrokenLink:
        """What is to be said where it does not hold."""
        message = (
            f"The signature of journal entry {self.entry} does not fit it: the entry, or what comes before "
            "it, was written anew by somebody without the key."
        )
        return BrokenLink(self.entry, "signature-wrong", message)


class SignatureCheck:
    """Checks signatures entry by entry, in order.

    Parameters
    ----------
    known : mapping of str to str, optional
        Public keys by name, where the entries that announce them need not be there; no other key counts then.

    Attributes
    ----------
    keys : dict
        By name, every key an entry announced, or that is known and was used.
    """

    def __init__(self, known: Mapping[str, str] | None = None) -> None:
        self.keys: dict[str, KeySeen] = {}
        self._known = known

    def broken(self, entry: Entry) -> BrokenLink | None:
        """Return what is wrong with one entry's signature, or None; entries before the first key may have none."""
        found = self.look(entry, body_of(entry))
        if isinstance(found, Signed):
            return self.held(found, signing.holds(*found.claim))
        return found

    def look(self, entry: Entry, body: Mapping[str, Any]) -> "BrokenLink | Signed | None":
        """Return what can be said without arithmetic: a fault, None, or the signature that is to be held."""
        number = entry.id
        if entry.signature is None or entry.signing_key is None:
            if not self.keys:
                return None
            since = min(key.since for key in self.keys.values())
            message = f"Journal entry {number} is not signed, though the journal is signed since entry {since}."
            return BrokenLink(number, "not-signed", message)
        self._announced(entry, body)
        key = self.keys.get(entry.signing_key)
        if key is None:
            message = f"Journal entry {number} is signed with key {entry.signing_key}, which no entry announces."
            return BrokenLink(number, "key-unknown", message)
        return Signed(number, key.name, key.public_key, entry.hash, entry.signature)

    def held(self, signed: Signed, holds: bool) -> BrokenLink | None:
        """Take note of whether a signature holds, and return what is to be said of it."""
        if not holds:
            return signed.wrong
        key = self.keys[signed.key]
        self.keys[key.name] = replace(key, entries=key.entries + 1)
        return None

    def _announced(self, entry: Entry, body: Mapping[str, Any]) -> None:
        name = entry.signing_key
        if name is None or name in self.keys:
            return
        said = body.get("key")
        public = said.get("public_key") if isinstance(said, dict) else None
        if self._known is not None:
            public = self._known.get(name)
        if isinstance(public, str) and _is_named(public, name):
            bench = str(said.get("bench", "")) if isinstance(said, dict) else ""
            self.keys[name] = KeySeen(name, public, bench, entry.id, 0)


def _is_named(public_key: str, name: str) -> bool:
    try:
        return signing.key_name(public_key) == name
    except ValueError:
        return False


@dataclass(frozen=True, slots=True)
class KeySeen:
    """A key that signs the journal: where it was announced, and how many entries it signed rightly."""

    name: str
    public_key: str
    bench: str
    since: int
    entries: int


def _hash_of(entry: Entry) -> str | None:
    try:
        return entry_hash(
            id=entry.id,
            at=entry.at,
            operator=entry.operator,
            act=entry.act,
            subject=entry.subject,
            body=entry.body,
            previous_hash=entry.previous_hash,
        )
    except BadRequest:
        return None
