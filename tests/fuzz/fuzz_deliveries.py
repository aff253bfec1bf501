"""A delivery's CSV file (`receive --from`): read, recorded where it is right, and nothing half-written where not."""

import shutil
import tempfile
from datetime import date
from pathlib import Path

from fuzz_choices import Choices

from tracker.desk.delivery_csv import COLUMNS, check_delivery, read_delivery
from tracker.desk.receive import receive
from tracker.desk.workspace import Workspace
from tracker.dossier.tables import as_bytes, harmless, plain
from tracker.errors import BadRequest

MODULES = ("tracker.desk.delivery_csv", "tracker.desk.arrival", "tracker.desk.fields", "tracker.dossier.tables")
TODAY = date(2031, 4, 2)
_EXAMPLES = {
    "seller": ("Quayside Surplus", "quayside surplus", "Fenwright Components", "Müller & Söhne", "=1+1", "'=1"),
    "part": ("CV6522AP", "KM4417", "CV 6522 AP"),
    "quantity": ("3", "1", "12", "+2", "0", "10000", "10001", "1e1", "2.0"),
    "received": ("3", "2", "", "1"),
    "arrived": ("2031-04-01", "2031-04-02", "1960-01-01", "2031-02-29", "2031-4-1", "0000-01-01", "9999-12-31"),
    "source": ("marketplace", "broker", "own pull", "Authorised Distributor", "shop"),
    "condition": ("new", "Old Stock", "pulled"),
    "order": ("Q-7", "F-22", "7", ""),
    "line": ("1", "2", "9999", "", "01"),
    "maker": ("Corvane", ""),
    "grade": ("2 MHz", ""),
    "price": ("12.50", "0", "1e5", "12,50", "", "999999999999.9999"),
    "currency": ("EUR", "gbp", "", "EURO"),
    "claim_by": ("2031-05-01", "2031-03-01", ""),
    "remark": ("a remark", "with, comma", 'with "quotes"', "two\nlines", ""),
    "invoice": ("", "", "invoice.pdf", "../invoice.pdf", "/etc/hostname", "."),
    "certificate": ("",),
    "listing": ("",),
}
_folder = Path(tempfile.mkdtemp(prefix="fuzz-deliveries-"))
_prepared = _folder / "prepared"
_open: list[Workspace] = []
_MOST_ACTS, _MOST_PIECES = 60, 60


def made(pick: Choices) -> bytes:
    """Return a delivery's file: some of the columns, some rows, cells out of the examples, a few places spoiled."""
    columns = ["seller", "part", "quantity"]
    columns += [name for name in COLUMNS if name not in columns and pick.often(30)]
    if pick.often(15):
        columns = [pick.spoiled(one) if pick.often(30) else one for one in columns]
    separator, line_end = pick.one((",", ",", ";")), pick.one(("\n", "\r\n", "\r"))
    rows = [columns]
    for _ in range(pick.whole(1, 4)):
        row = []
        for name in columns:
            cell = pick.one(_EXAMPLES.get(name, ("x",))[: 3 if pick.often(70) else None])
            row.append(pick.spoiled(cell) if pick.often(4) else cell)
        rows.append(row)
    if pick.often(8):
        pick.one(rows).append(pick.odd())
    text = line_end.join(separator.join(_quoted(cell, separator) for cell in row) for row in rows)
    data = text.encode("utf-8", "surrogatepass")
    if pick.often(10):
        data = b"\xef\xbb\xbf" + data
    return pick.bent(data) if pick.often(15) else data


def _quoted(cell: str, separator: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if any(one in cell for one in (separator, '"', "\n", "\r")) else cell


def one_case(data: bytes) -> str:
    """Read a delivery; what is accepted reads the same once written anew, and is recorded whole or not at all."""
    path = _folder / "delivery.csv"
    path.write_bytes(data)
    arrivals = read_delivery(path, today=TODAY)
    _written_and_read(path)
    if sum(one.received for one in arrivals) > _MOST_PIECES or sum(data) % 4:
        return "accepted"  # recording is the slow part: a quarter is
    workspace = _workspace()
    before = standing(workspace)
    try:
        received = receive(workspace, arrivals, operator="mira")
    except BadRequest:
        assert standing(workspace) == before, "a refused delivery left something"
        raise
    assert len(received) == len(arrivals)
    for one, arrival in zip(received, arrivals, strict=True):
        assert len(one.pieces) >= 1
        assert one.quantity_ordered == arrival.quantity
    return "recorded"


def _written_and_read(path: Path) -> None:
    checked = check_delivery(path, today=TODAY)
    cells = [[row.values[name] for name in checked.columns] for row in checked.rows]
    for row in cells:
        for cell in row:
            assert plain(harmless(cell)) == cell
    again = _folder / "again.csv"
    again.write_bytes(as_bytes(checked.columns, cells))
    second = check_delivery(again, today=TODAY)
    assert [row.arrival and _unplaced(row.arrival) for row in second.rows] == [
        row.arrival and _unplaced(row.arrival) for row in checked.rows
    ]


def _unplaced(arrival: object) -> tuple[object, ...]:
    return tuple(getattr(arrival, name) for name in arrival.__slots__ if name != "row")  # type: ignore[attr-defined]


def _workspace() -> Workspace:
    """Return an open workspace; a fresh one after some acts, so that it stays small."""
    if not _prepared.exists():
        Workspace.open(_prepared, create=True).close()
    if _open and standing(_open[0])[0] >= _MOST_ACTS:
        _open.pop().close()
    if not _open:
        shutil.rmtree(_folder / "w", ignore_errors=True)
        shutil.copytree(_prepared, _folder / "w")
        _open.append(Workspace.open(_folder / "w"))
    return _open[0]


def standing(workspace: Workspace) -> tuple[object, ...]:
    """Return the journal's head, how many rows each table has, and which evidence is kept."""
    from sqlalchemy import func, literal, select, union_all

    from tracker.journal import head
    from tracker.records.models import Base

    counts = [select(literal(one.name), func.count()).select_from(one) for one in Base.metadata.sorted_tables]
    with workspace.read() as session:
        now = head(session)
        rows = tuple(tuple(row) for row in session.execute(union_all(*counts)))
    files = tuple(sorted(str(one) for one in (workspace.folder / "evidence").rglob("*")))
    return now.entry, now.hash, rows, files


def close() -> None:
    """Remove what was written."""
    shutil.rmtree(_folder, ignore_errors=True)
