"""What was typed to get a list, turned into filters; words that no row can have are refused, not answered with none."""

from dataclasses import dataclass
from datetime import date

from tracker.desk.arrival import check_field
from tracker.desk.fields import day, one_of
from tracker.desk.listing import Filters, Listing, list_rows
from tracker.desk.pieces import find_lot, find_machine, plain_label
from tracker.desk.recall import find_seller
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.knowledge.bench_tests import bench_tests

DISPOSITIONS = ("open", "accepted", "quarantined", "rejected", "returned", "fitted")
VERDICTS = ("pass", "fail", "undecided")
TESTS = (*bench_tests(), "power")
"""Those of pieces, and what is measured of machines alone."""


@dataclass(frozen=True, slots=True)
class Asked:
    """Filters as typed, None where nothing was; `min_suspicion` is '0.3' or '30 %'."""

    lot: str | None = None
    seller: str | None = None
    source: str | None = None
    part: str | None = None
    disposition: str | None = None
    machine: str | None = None
    name: str | None = None
    test: str | None = None
    verdict: str | None = None
    since: str | None = None
    min_suspicion: str | None = None


def filters_of(asked: Asked) -> Filters:
    """Return the filters that were typed.

    Raises
    ------
    BadRequest
        No row can have such a word.
    """
    return Filters(
        lot=None if asked.lot is None else plain_label(asked.lot),
        seller=asked.seller,
        source=None if asked.source is None else str(check_field("source", asked.source, today=date.today())),
        part=asked.part,
        disposition=_word("disposition", asked.disposition, DISPOSITIONS),
        machine=None if asked.machine is None else plain_label(asked.machine),
        name=asked.name,
        test=_word("test", asked.test, TESTS),
        verdict=_word("verdict", asked.verdict, VERDICTS),
        since=None if asked.since is None else day(asked.since, "day given with --since"),
        suspicion=None if asked.min_suspicion is None else _share(asked.min_suspicion),
    )


def listed(
    workspace: Workspace,
    what: str,
    filters: Filters,
    *,
    sort: str | None = None,
    reverse: bool = False,
    limit: int | None = None,
    after: str | None = None,
) -> Listing:
    """Return the rows of a list; a lot, machine or seller that it is of must be there.

    Raises
    ------
    BadRequest
        There is no such lot, machine or seller, or as in `list_rows`.
    """
    with workspace.read() as session:
        if filters.lot is not None:
            find_lot(session, filters.lot)
        if filters.machine is not None:
            find_machine(session, filters.machine)
        if filters.seller is not None:
            find_seller(session, filters.seller)
    return list_rows(workspace, what, filters, sort=sort, reverse=reverse, limit=limit, after=after)


def _word(name: str, text: str | None, words: tuple[str, ...]) -> str | None:
    return None if text is None else one_of(text, name, words)


def _share(text: str) -> float:
    advice = "Write 0.3 or '30 %'. `lotproof list --help` says what can be asked."
    number = text.strip()
    try:
        value = float(number.removesuffix("%")) / (100 if number.endswith("%") else 1)
    except ValueError:
        raise BadRequest("--min-suspicion needs a number.", advice) from None
    if not value >= 0:
        raise BadRequest("--min-suspicion must be 0 or more.", advice)
    if value > 1:
        raise BadRequest("--min-suspicion must be 1 or less.", advice)
    return value
