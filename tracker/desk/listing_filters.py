"""What the rows of a list must have, and their order: checked and applied to rows that are at hand."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import date
from typing import Any

from tracker.desk.fields import folded
from tracker.desk.rows import Row
from tracker.errors import BadRequest, NoSuch


@dataclass(frozen=True, slots=True)
class Filters:
    """What a row must have; texts are compared in any case. `part` and `name` need only be contained."""

    lot: str | None = None
    piece: str | None = None
    seller: str | None = None
    source: str | None = None
    part: str | None = None
    disposition: str | None = None
    machine: str | None = None
    name: str | None = None
    test: str | None = None
    verdict: str | None = None
    since: date | None = None
    suspicion: float | None = None
    having: str | None = None
    """Of lots: some piece has this disposition."""


def ordered(rows: Iterable[Any], tests: Sequence[Callable[[Any], bool]], key: str | None, reverse: bool) -> list[Any]:
    """Return the rows that pass, by a column, earlier ones first among equal values; rows without a value come last.

    Parameters
    ----------
    key : str or None
        None: as they come, which is by number.
    """
    passed = [row for row in rows if all(test(row) for test in tests)]
    if key is None:
        return passed[::-1] if reverse else passed
    present = sorted((row for row in passed if getattr(row, key) is not None), key=_by(key), reverse=reverse)
    return [*present, *(row for row in passed if getattr(row, key) is None)]


def _by(column: str) -> Callable[[Any], Any]:
    def key(row: Any) -> Any:
        value = getattr(row, column)
        return value.casefold() if isinstance(value, str) else value

    return key


def must_pass(what: str, columns: Sequence[str], filters: Filters) -> list[Callable[[Row], bool]]:
    """Return what a row must pass.

    Raises
    ------
    BadRequest
        When the list cannot be filtered so.
    """
    tests = []
    for name, wanted in ((field.name, getattr(filters, field.name)) for field in fields(filters)):
        if wanted is None:
            continue
        where = {"since": next((one for one in ("arrived", "last_arrival", "since", "at") if one in columns), "")}
        column = wanted if name == "having" else where.get(name, name)
        if column not in columns:
            flag = "min-suspicion" if name == "suspicion" else name
            raise BadRequest(f"{what} cannot be filtered with --{flag}.", f"Their columns: {', '.join(columns)}.")
        tests.append(_test(name, column, wanted))
    return tests


def _test(name: str, column: str, wanted: Any) -> Callable[[Row], bool]:
    if name == "since":
        return lambda row: str(getattr(row, column) or "")[:10] >= wanted.isoformat()
    if name == "suspicion":
        return lambda row: getattr(row, column) is not None and getattr(row, column) >= wanted
    if name == "having":
        return lambda row: getattr(row, column) > 0
    text = folded(str(wanted))
    if name in ("part", "name"):
        return lambda row: text in f"{getattr(row, column)} {getattr(row, 'part_read', None) or ''}".casefold()
    return lambda row: str(getattr(row, column) or "").casefold() == text


def no_such_row(what: str, label: str) -> NoSuch:
    """Return what is said of a row that a list should go on after, and that is not there."""
    shown = "".join(letter if letter.isprintable() else "?" for letter in label.strip()[:60])
    return NoSuch(f"The list of {what} cannot go on after '{shown}': it has no such row.", "Leave --after out.")
