"""What is said of an arriving lot, as typed: every field checked before anything is recorded."""

import os
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path

from tracker.desk import fields as typed
from tracker.errors import BadRequest

SOURCE_KINDS = ("authorised", "broker", "marketplace", "own-pull", "donor", "unknown")
_SOURCE_ALSO = {
    "authorised-distributor": "authorised",
    "authorized-distributor": "authorised",
    "authorized": "authorised",
}
CONDITIONS = ("new", "old-stock", "pulled", "refurbished", "unknown")
DOCUMENT_KINDS = ("invoice", "certificate", "listing", "packing-list", "letter", "other")
MOST_PIECES = 10_000
"""Pieces in one lot; our own bound, against slips of the finger."""
FIRST_DAY = date(1960, 1, 1)
"""No chip was sold before; integrated circuits came to market in the early 1960s (from memory)."""


@dataclass(frozen=True, slots=True)
class Paper:
    """A document to keep: its kind and where it lies; `name` where it is called otherwise than the file there."""

    kind: str
    path: Path
    name: str | None = None

    @property
    def called(self) -> str:
        """What it is called."""
        return self.path.name if self.name is None else self.name


@dataclass(frozen=True, slots=True)
class Arrival:
    """One arriving lot as checked: what the seller claims and what came."""

    seller: str
    part: str
    quantity: int
    received: int
    arrived: date
    source: str = "unknown"
    condition: str = "unknown"
    order: str | None = None
    line: int | None = None
    maker: str | None = None
    grade: str | None = None
    price: str | None = None
    currency: str | None = None
    claim_by: date | None = None
    remark: str | None = None
    documents: tuple[Paper, ...] = ()
    row: int | None = None
    """Its row in a delivery's file, to be named in an error."""


FIELDS = tuple(field.name for field in fields(Arrival) if field.name not in ("documents", "row"))
REQUIRED = ("seller", "part", "quantity")
_WORDS = {
    "part": "claimed part",
    "maker": "claimed maker",
    "grade": "claimed grade",
    "order": "order reference",
    "quantity": "quantity ordered",
    "received": "quantity received",
}
_LIMITS = {"part": 100, "maker": 100, "grade": 60, "remark": 2000}


def check_field(name: str, text: str, *, today: date) -> object:
    """Return the value of one field of an arrival, typed as text.

    Raises
    ------
    BadRequest
        When it is not acceptable; the message names the field in plain words.
    """
    if name == "source":
        return typed.one_of(_SOURCE_ALSO.get("-".join(text.lower().split()), text), "source kind", SOURCE_KINDS)
    if name == "condition":
        return typed.one_of(text, "condition", CONDITIONS)
    if name in ("quantity", "received"):
        return typed.whole_number(text, _WORDS[name], 1, MOST_PIECES)
    if name == "line":
        return typed.whole_number(text, "line of the order", 1, 9999)
    if name in ("arrived", "claim_by"):
        return _day(name, text, today)
    if name == "price":
        return typed.money(text, "price")
    if name == "currency":
        return typed.currency(text, "currency")
    return typed.one_line(text, _WORDS.get(name, name), _LIMITS.get(name, 200))


def _day(name: str, text: str, today: date) -> date:
    words = "arrival date" if name == "arrived" else "claim deadline"
    value = typed.day(text, words)
    if value < FIRST_DAY:
        raise BadRequest(f"The {words} is {value}, before any chip was sold.", "Check the year.")
    if name == "arrived" and value > today:
        raise BadRequest(f"The arrival date is {value}, and today is {today}.", "A lot is logged once it is here.")
    return value


def check_arrival(
    values: Mapping[str, str], papers: Sequence[Paper] = (), *, today: date, row: int | None = None
) -> Arrival:
    """Return an arrival from what was typed; empty texts count as not given.

    Raises
    ------
    FieldProblems
        Naming every field that is missing or wrong.
    """
    problems: list[tuple[str, BadRequest]] = []
    good: dict[str, object] = {}
    given = {name: text for name, text in values.items() if text.strip()}
    for name in REQUIRED:
        if name not in given:
            problems.append((name, BadRequest(f"The {_WORDS.get(name, name)} is missing.")))
    for name, text in given.items():
        try:
            good[name] = check_field(name, text, today=today)
        except BadRequest as error:
            problems.append((name, error))
    if "price" in good and "currency" not in given:
        problems.append(("currency", BadRequest("There is a price without a currency.", "Add it, such as EUR.")))
    for paper in papers:
        try:
            check_paper(paper)
        except BadRequest as error:
            problems.append((paper.kind, error))
    if problems:
        raise FieldProblems(problems)
    good.setdefault("received", good["quantity"])
    good.setdefault("arrived", today)
    return Arrival(**good, documents=tuple(papers), row=row)  # type: ignore[arg-type]


class FieldProblems(BadRequest):
    """Several fields are wrong; `problems` holds each field's name and error."""

    def __init__(self, problems: Sequence[tuple[str, BadRequest]]) -> None:
        self.problems = tuple(problems)
        errors = [error for _, error in problems]
        advice = f"{errors[0].advice} " if len(errors) == 1 else ""
        super().__init__(" ".join(error.what for error in errors), f"{advice}Nothing was recorded.")


def paper(text: str) -> Paper:
    """Return the document named as KIND=PATH.

    Raises
    ------
    BadRequest
        When it is written otherwise or the kind is unknown.
    """
    kind, equals, path = text.partition("=")
    if not equals or not path.strip():
        raise BadRequest(f"The document '{text[:60]}' is not KIND=PATH.", "Write it like invoice=papers/invoice.pdf.")
    return Paper(typed.one_of(kind, "kind of the document", DOCUMENT_KINDS), Path(path).expanduser())


def check_paper(paper: Paper) -> None:
    """Check that a document can be kept.

    Raises
    ------
    BadRequest
        When it is missing, empty, unreadable or no plain file.
    """
    shown = paper.path if paper.name is None else paper.name
    try:
        found = paper.path.stat()
    except (OSError, ValueError):
        raise BadRequest(f"There is no file {shown}.", "Check its path.") from None
    if not stat.S_ISREG(found.st_mode):
        kind = "a folder" if stat.S_ISDIR(found.st_mode) else "not a plain file"
        raise BadRequest(f"{shown} is {kind}.", "Name the file itself.")
    if found.st_size == 0:
        raise BadRequest(f"The file {shown} is empty.", "Check that it was saved.")
    if not os.access(paper.path, os.R_OK):
        raise BadRequest(f"The file {shown} cannot be read.", "Check its permissions.")
