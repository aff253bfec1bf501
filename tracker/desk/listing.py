"""Lists of lots, pieces, sellers, machines and runs, filtered and sorted, whole or page by page."""

from collections.abc import Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path

from tracker.desk import listing_runs
from tracker.desk.fields import folded
from tracker.desk.listing_filters import Filters as Filters
from tracker.desk.listing_filters import must_pass, no_such_row, ordered
from tracker.desk.listing_others import QUICK, machines_page
from tracker.desk.listing_page import Wish, page
from tracker.desk.listing_plain import PLAIN
from tracker.desk.listing_plain import lot_row as lot_row
from tracker.desk.listing_plain import piece_rows as piece_rows
from tracker.desk.rows import ROW_OF, Row
from tracker.desk.standing import state
from tracker.desk.standing_suspicion import brought_up
from tracker.desk.whole_file import put_whole
from tracker.desk.workspace import Workspace
from tracker.dossier import tables
from tracker.errors import BadRequest


@dataclass(frozen=True, slots=True)
class Listing:
    """The rows asked for, and how many there were before the limit.

    Parameters
    ----------
    what : str
    rows : tuple of Row
    found : int
    next : str or None
        What the next page goes on after; None where the list ends here.
    stale : int
        How many suspicions are older than what the workshop knows today: of the rows shown; where the list goes by
        suspicion, of all that its choice and order go by. 0: everything is of today.
    old : frozenset of str
        The labels of the rows shown whose suspicion is an older one, or is not worked out yet.
    """

    what: str
    rows: tuple[Row, ...]
    found: int
    next: str | None = None
    stale: int = 0
    old: frozenset[str] = frozenset()


def list_rows(
    workspace: Workspace,
    what: str,
    filters: Filters | None = None,
    *,
    sort: str | None = None,
    reverse: bool = False,
    limit: int | None = None,
    after: str | None = None,
) -> Listing:
    """Return the rows of one list.

    Parameters
    ----------
    what : str
        lots, pieces, sellers, machines or runs.
    sort : str, optional
        A column; rows without a value come last. Default: the label.
    after : str, optional
        Go on after the row of this label, as `Listing.next` of the page before named it.

    Raises
    ------
    BadRequest
        When the list, a filter or the column is unknown, or there is no row to go on after.
    """
    if what not in ROW_OF:
        raise BadRequest(f"There is no list of '{what}'.", f"There are: {', '.join(ROW_OF)}.")
    columns = [field.name for field in fields(ROW_OF[what])]
    filters = filters or Filters()
    tests = must_pass(what, columns, filters)
    if sort is not None and sort not in columns:
        raise BadRequest(f"{what} have no column '{sort}'.", f"They have: {', '.join(columns)}.")
    key = sort or columns[0]
    if what in ("pieces", "lots"):
        wish = Wish(filters, key, reverse, limit, after)
        found = page(workspace, what, wish)
        if found is None and brought_up(workspace):
            found = page(workspace, what, wish)
        if found is not None:
            return Listing(what, found.rows, found.found, found.next, found.stale, found.old)
    if what == "runs":
        with workspace.read() as session:
            found = listing_runs.runs(session, Wish(filters, key, reverse, limit, after))
        return Listing(what, found.rows, found.found, found.next)
    quick = what in QUICK and brought_up(workspace)
    with workspace.read() as session:
        if quick and what == "machines" and key == columns[0] and limit and state(session).current:
            some = machines_page(session, Wish(filters, key, reverse, limit, after))
            return Listing(what, some.rows, some.found, some.next)
        rows = (QUICK[what] if quick and state(session).current else PLAIN[what])(session)
    # Labels go by number, as the rows come; a seller has only a name.
    wanted = ordered(rows, tests, None if key == columns[0] and what != "sellers" else key, reverse)
    start = 0 if after is None else _place(what, wanted, columns[0], after) + 1
    shown = wanted[start:] if limit is None else wanted[start : start + limit]
    more = bool(shown) and start + len(shown) < len(wanted)
    return Listing(what, tuple(shown), len(wanted), str(getattr(shown[-1], columns[0])) if more else None)


def _place(what: str, rows: Sequence[Row], column: str, label: str) -> int:
    wanted = folded(label)
    for place, row in enumerate(rows):
        if str(getattr(row, column)).casefold() == wanted:
            return place
    raise no_such_row(what, label)


def write_csv(listing: Listing, path: Path) -> None:
    """Write a list as CSV (UTF-8, RFC 4180), whole or not at all; an earlier file of this name is replaced.

    A text that a spreadsheet would take for a formula is written harmless; see `tracker.dossier.tables`.

    Raises
    ------
    BadRequest
        When it cannot be written.
    """
    columns = [field.name for field in fields(ROW_OF[listing.what])]
    try:
        put_whole(path, tables.as_bytes(columns, (astuple(row) for row in listing.rows)))
    except OSError as error:
        said = error.strerror or error
        raise BadRequest(f"{path} cannot be written ({said}).", "Name a file in a folder that is there.") from None
