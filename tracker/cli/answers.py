"""Verbs that answer: list, and show (whose screens are in `screens`)."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tracker.cli.options import JsonOption, WorkspaceOption
from tracker.cli.printing import console, note, print_json, table, with_room

if TYPE_CHECKING:
    from tracker.desk.listing import Listing


class What(StrEnum):
    """The lists there are."""

    LOTS = "lots"
    PIECES = "pieces"
    SELLERS = "sellers"
    MACHINES = "machines"
    RUNS = "runs"


# The columns a terminal shows; the JSON and the CSV have all.
SHOWN = {
    "lots": (
        "lot",
        "seller",
        "order",
        "part",
        "claim_by",
        "stands",
        "suspicion",
    ),
    "pieces": (
        "piece",
        "part",
        "part_read",
        "date_code",
        "suspicion",
        "disposition",
        "settled",
        "exemplar",
        "machine",
        "position",
    ),
    "sellers": ("seller", "lots", "pieces", "record", "accepted", "rejected", "returned", "fitted"),
    "machines": ("machine", "name", "owner_reference", "pieces", "since"),
    "runs": ("run", "test", "piece", "machine", "verdict", "weight_db", "at", "operator"),
}


# The columns that go where a terminal is too narrow to show all with whole words, the first first.
SPARE = {
    "pieces": ("exemplar", "part", "settled", "position"),
    "sellers": ("accepted", "returned"),
    "runs": ("operator", "machine"),
}


# A lot's pieces by disposition; a terminal shows them in one column, 'stands'.
_COUNTS = ("open", "accepted", "quarantined", "rejected", "returned", "fitted")


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("show")(_show)
    app.command("list")(_list)


def _show(
    label: Annotated[
        str,
        typer.Argument(
            metavar="LABEL", help="A lot (L0007), piece (L0007-03), machine (M0002 or name), run (B0005) or seller."
        ),
    ],
    only_sum: Annotated[
        bool,
        typer.Option(
            "--sum", help="Of a piece, only how its suspicion adds up, with the counts that each weight rests on."
        ),
    ] = False,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show everything on record about a lot, a piece, a machine, a bench run or a seller."""
    from dataclasses import asdict

    from tracker.cli import screens, sum_text
    from tracker.desk.showing import show
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        shown = show(opened, label)
    if only_sum:
        sum_text.answer(shown, as_json)
    elif as_json:
        from tracker.desk.documents.shown import shown_document

        print_json(asdict(shown_document(shown)))
    else:
        screens.draw(shown)


def _only(flag: str, help: str, metavar: str = "TEXT") -> Any:
    return typer.Option(flag, help=help, metavar=metavar, show_default=False, rich_help_panel="To list fewer")


def _list(
    what: Annotated[
        What, typer.Argument(metavar="LIST", help="lots, pieces, sellers, machines or runs.", show_default=False)
    ],
    lot: Annotated[str | None, _only("--lot", "Only of this lot.", "LOT")] = None,
    seller: Annotated[str | None, _only("--seller", "Only from this seller.", "NAME")] = None,
    source: Annotated[str | None, _only("--source", "Only from this kind of seller.", "KIND")] = None,
    part: Annotated[str | None, _only("--part", "Only with this text in the claimed part or the part as read.")] = None,
    disposition: Annotated[
        str | None,
        _only(
            "--disposition",
            "Only of this disposition: open, accepted, quarantined, rejected, returned, fitted.",
            "WORD",
        ),
    ] = None,
    machine: Annotated[str | None, _only("--machine", "Only of this machine.", "LABEL")] = None,
    name: Annotated[str | None, _only("--name", "Only with this text in the machine's name.")] = None,
    test: Annotated[
        str | None,
        _only("--test", "Only of this bench test: current, clock, soak, signature, curve, in-circuit, power.", "TEST"),
    ] = None,
    verdict: Annotated[str | None, _only("--verdict", "Only of this verdict: pass, fail, undecided.", "WORD")] = None,
    since: Annotated[
        str | None, _only("--since", "Only what arrived, was added or was measured on this day or later.", "YYYY-MM-DD")
    ] = None,
    min_suspicion: Annotated[
        str | None,
        typer.Option(
            "--min-suspicion",
            metavar="SHARE",
            help="Only with at least this suspicion: 0.3 or '30 %'.",
            show_default=False,
            rich_help_panel="To list fewer",
        ),
    ] = None,
    sort: Annotated[
        str | None,
        typer.Option(
            "--sort",
            metavar="COLUMN",
            help="Sort by this column; all columns are named as in the CSV.",
            show_default=False,
        ),
    ] = None,
    reverse: Annotated[bool, typer.Option("--reverse", help="Largest or latest first.")] = False,
    limit: Annotated[
        int | None, typer.Option("--limit", metavar="N", min=1, help="At most this many.", show_default=False)
    ] = None,
    after: Annotated[
        str | None,
        typer.Option(
            "--after",
            metavar="LABEL",
            help="Go on after this row of the list; with --limit, page by page.",
            show_default=False,
        ),
    ] = None,
    csv: Annotated[
        Path | None,
        typer.Option("--csv", metavar="PATH", help="Write all columns to this CSV file instead.", show_default=False),
    ] = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """List lots, pieces, sellers, machines or bench runs."""
    from dataclasses import asdict

    from tracker.desk.documents.lists import list_document
    from tracker.desk.listing import write_csv
    from tracker.desk.listing_ask import Asked, filters_of, listed
    from tracker.desk.workspace import Workspace

    filters = filters_of(
        Asked(lot, seller, source, part, disposition, machine, name, test, verdict, since, min_suspicion)
    )
    with Workspace.open(workspace) as opened:
        found = listed(opened, what.value, filters, sort=sort, reverse=reverse, limit=limit, after=after)
    if csv is not None:
        write_csv(found, csv)
        note(f"{len(found.rows)} rows written to {csv}.")
    if found.stale:
        note(_of_what_state(found))
    if as_json:
        print_json(asdict(list_document(found)))
    elif csv is None:
        _print_list(found)


def _of_what_state(found: "Listing") -> str:
    """Return which suspicions are not of what the workshop knows today, and when they will be."""
    from tracker.judgement.suspicion import counted

    said = []
    if found.stale > len(found.old):
        number = counted(found.stale, "suspicion")
        said.append(f"Order and --min-suspicion go by {number} of an earlier state of knowledge.")
    if found.old:
        said.append(f"{len(found.old)} shown (*) are of an earlier state of knowledge, or not worked out yet.")
    said.append("`lotproof reckon` brings all up to today; `serve` does so by itself while nobody asks.")
    return " ".join(said)


def _print_list(found: "Listing") -> None:
    if not found.rows:
        print(f"No {found.what}.")
        return
    first, *others = SHOWN[found.what]
    # A column in which nobody has anything only takes room.
    told = {name for name in others if any(_told(row, name) for row in found.rows)}
    if found.old:
        told.add("suspicion")
    columns = [first, *(name for name in others if name in told)]
    rows = [[_marked(found, row, name, _cell(name, _told(row, name))) for name in columns] for row in found.rows]
    titles = [name.replace("_", " ") for name in columns]
    numbers = [title for title, name in zip(titles, columns, strict=True) if _is_number(found, name)]
    spare = [name.replace("_", " ") for name in SPARE.get(found.what, ()) if name != "part" or "part_read" in columns]
    kept = with_room(titles, rows, spare)
    places = [titles.index(title) for title in kept]
    console().print(table(kept, [[row[at] for at in places] for row in rows], right=numbers))
    if left_out := [title for title in titles if title not in kept]:
        note(f"No room here for: {', '.join(left_out)}. A wider window, --csv and --json have them.")
    if found.next is not None:
        note(f"{len(rows)} of {found.found}; --limit shows more, --after '{found.next}' goes on from here.")


def _marked(found: "Listing", row: object, name: str, cell: str) -> str:
    """Return a cell; a suspicion that is not of today with its mark."""
    if name != "suspicion" or str(getattr(row, SHOWN[found.what][0])) not in found.old:
        return cell
    return f"{cell} *".strip()


def _told(row: object, name: str) -> object:
    if name == "stands":
        return ", ".join(f"{getattr(row, count)} {count}" for count in _COUNTS if getattr(row, count))
    if name == "record":
        return _record(row)
    value = getattr(row, name)
    return ("yes" if value else None) if isinstance(value, bool) else value


def _record(row: object) -> str | None:
    """Return a seller's record as counts with their interval."""
    known, bad = getattr(row, "known_lots", 0), getattr(row, "bad_lots", 0)
    if not known:
        return None
    low, high = (100 * getattr(row, name) for name in ("share_low", "share_high"))
    return f"{bad} of {known} known {'lot' if known == 1 else 'lots'} not as claimed ({low:.0f} to {high:.0f} %)"


def _is_number(found: "Listing", name: str) -> bool:
    values = [_told(row, name) for row in found.rows]
    return any(isinstance(value, int | float) for value in values)


def _cell(name: str, value: object) -> str:
    from tracker.judgement.suspicion import percent

    if value is None:
        return ""
    if name == "suspicion" and isinstance(value, float):
        return percent(value)
    if name == "weight_db":
        return f"{value:+.1f}"
    if name in ("at", "since"):
        return str(value)[:10]
    return str(value)
