"""What `show` prints: one screen, or one JSON document, for each kind of thing."""

from collections.abc import Sequence
from typing import Any

from rich.markup import escape

from tracker.bench.figures import show, show_u
from tracker.cli import sum_text
from tracker.cli.printing import console, table
from tracker.desk.corrections import ByHand
from tracker.desk.events import Event
from tracker.desk.origin import Origin, Theirs
from tracker.desk.rows import PieceRow
from tracker.desk.sellers import SellerShown
from tracker.desk.showing import (
    File,
    LotShown,
    MachineShown,
    Measured,
    PieceShown,
    RunShown,
    Shown,
    result_of,
)
from tracker.judgement.suspicion import counted, percent

_INDENT = "  "


def draw(shown: Shown) -> None:
    """Print the screen of what is shown."""
    if isinstance(shown, LotShown):
        _draw_lot(shown)
    elif isinstance(shown, PieceShown):
        _draw_piece(shown)
    elif isinstance(shown, MachineShown):
        _draw_machine(shown)
    elif isinstance(shown, SellerShown):
        from tracker.cli.lot_text import draw_seller

        draw_seller(shown)
    else:
        _draw_run(shown)


def _head(label: str, text: str) -> None:
    console().print(f"[bold]{escape(label)}[/]  {escape(text)}")


def _facts(facts: Sequence[tuple[str, object]]) -> None:
    for name, value in facts:
        if value not in (None, ""):
            print(f"{_INDENT}{name:<14}{value}")


def _section(title: str, columns: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[str] = ()) -> None:
    if rows:
        print(f"\n{title}")
        console().print(table(columns, rows, right=right))


def _draw_lot(shown: LotShown) -> None:
    lot = shown.summary
    _head(lot.lot, f"{lot.received} of {lot.part}")
    price = f"{lot.price} {lot.currency}" if lot.price else None
    order = f"{lot.order}, line {lot.line}" if lot.order and lot.line > 1 else lot.order
    _facts(
        (
            ("seller", f"{lot.seller} ({lot.source})"),
            ("order", order),
            ("claims", _claim(lot.maker, lot.grade, lot.condition)),
            ("ordered", lot.ordered if lot.ordered != lot.received else None),
            ("price", price),
            ("arrived", lot.arrived),
            ("claim by", lot.claim_by),
            ("remark", shown.remark),
            *_origin(shown.origin),
        )
    )
    columns = ("piece", "read as", "date code", "suspicion", "disposition", "settled", "exemplar", "sits in")
    rows = [
        (
            one.piece,
            one.part_read or "",
            one.date_code or "",
            _probability(one.suspicion),
            one.disposition,
            one.settled or "",
            "yes" if one.exemplar else "",
            f"{one.machine} {one.position}" if one.machine else "",
        )
        for one in shown.pieces
    ]
    _section("Pieces", columns, rows, right=("suspicion",))
    _theirs(shown.origin, shown.theirs)
    if shown.outlook is not None:
        from tracker.cli.lot_text import draw_outlook

        draw_outlook(shown.outlook)
    _files("Documents", shown.documents)
    _files("Photos", shown.photos)


def _origin(origin: Origin | None) -> tuple[tuple[str, str], ...]:
    if origin is None:
        return ()
    head = f"entry {origin.head_entry}, {origin.head_hash}"
    whose = f"{origin.workshop} as their {origin.their_lot}, in a bag of {origin.exported_at[:10]}"
    return (
        ("received from", whose),
        ("their head", head),
        ("their key", origin.signing_key or "not signed"),
        ("their bag", origin.bag_sha256),
    )


def _theirs(origin: Origin | None, found: Sequence[Theirs]) -> None:
    if origin is None:
        return
    rows = [(one.piece or "", one.kind, one.their_label or "", one.at[:10], one.operator, one.said) for one in found]
    title = f"Found by {origin.workshop} (shown as theirs; it counts for nothing in the sums here)"
    _section(title, ("piece", "what", "their label", "when", "who", "said"), rows)


def _claim(maker: str | None, grade: str | None, condition: str) -> str:
    return ", ".join(part for part in (maker, grade, f"condition {condition}") if part)


def _probability(value: float | None) -> str:
    return "" if value is None else percent(value)


def _files(title: str, files: Sequence[File]) -> None:
    rows = [(one.kind, one.name, f"{one.size_bytes:,}", one.sha256[:16]) for one in files]
    _section(title, ("kind", "name", "bytes", "SHA-256 begins"), rows, right=("bytes",))


def _draw_piece(shown: PieceShown) -> None:
    piece: PieceRow = shown.summary
    _head(piece.piece, f"{piece.part}, {piece.disposition}")
    sits = f"{piece.machine} ({shown.machine_name}) at {piece.position}" if piece.machine else None
    _facts(
        (
            ("lot", f"{piece.lot} from {piece.seller}, arrived {piece.arrived}"),
            *_origin(shown.origin)[:1],
            ("claims", _claim(shown.maker, shown.grade, shown.condition)),
            ("sits in", sits),
            ("marking", shown.marking),
            *_by_hand(shown.corrected),
            ("siblings", "; ".join(f"{one.text} on {one.pieces} of {one.of}" for one in shown.siblings_read) or None),
            ("read as", piece.part_read),
            ("date code", piece.date_code),
            ("package", piece.package),
            ("settled", piece.settled),
            ("exemplar", "yes" if piece.exemplar else None),
            ("suspicion", _probability(piece.suspicion) or "not yet photographed or measured"),
        )
    )
    _section("How the suspicion adds up (decibans)", ("weight", "reason"), sum_text.lines(shown), ("weight",))
    in_vain = len(shown.in_vain)
    _facts((("not found", f"{counted(in_vain, 'thing')} looked for; --sum names them" if in_vain else None),))
    _runs(shown.runs)
    _theirs(shown.origin, shown.theirs)
    _files("Photos", shown.photos)
    _events(shown.events)


def _by_hand(said: "ByHand | None") -> Sequence[tuple[str, str | None]]:
    if said is None:
        return ()
    remark = f": {said.remark}" if said.remark else ""
    return (
        ("corrected", f"by hand in {said.photo} by {said.operator}, {said.at[:10]}{remark}"),
        ("readers", " / ".join(said.as_read) or "nothing"),
    )


def _runs(runs: Sequence[Measured]) -> None:
    rows = [(one.run, one.test, one.verdict, f"{one.weight_db:+.1f}", one.at[:10]) for one in runs]
    _section("Bench", ("run", "test", "verdict", "weight (db)", "on"), rows, right=("weight (db)",))


def _events(events: Sequence[Event]) -> None:
    rows = [(one.at[:16].replace("T", " "), one.operator, one.what, one.why or "") for one in events]
    _section("What was decided and done", ("when (UTC)", "who", "what", "why"), rows)


def _draw_machine(shown: MachineShown) -> None:
    _head(shown.machine, shown.name)
    _facts((("owner", shown.owner_reference),))
    columns = ("position", "piece", "part", "disposition", "here")
    rows = [
        (one.position, one.piece, one.part, one.disposition, "yes" if one.here else "taken out")
        for one in shown.positions
    ]
    _section("Pieces", columns, rows)
    _runs(shown.runs)
    _events(shown.events)


_MOST_READINGS = 40
"""A sweep or a soak has hundreds; a screen shows the first of them."""


def _with(program: str | None) -> str:
    return "" if program is None else f", with lotproof {program}"


def _draw_run(shown: RunShown) -> None:
    _head(shown.run, f"{shown.test} test of {shown.subject}: {shown.verdict}")
    _facts(
        (
            ("weight", f"{shown.weight_db:+.1f} db"),
            ("rule", shown.rule),
            ("supply", None if shown.supply_v is None else f"{shown.supply_v:g} V"),
            ("ambient", None if shown.ambient_c is None else f"{shown.ambient_c:.4g} °C"),
            ("jig", shown.jig),
            ("instrument", shown.instrument),
            ("remark", shown.remark),
            ("by", f"{shown.operator}, {shown.at[:16].replace('T', ' ')} UTC{_with(shown.program)}"),
        )
    )
    names = list(dict.fromkeys(name for one in shown.samples for name, _ in one))
    titles = [_named(name)[0] for name in names]
    rows = [[_quantity(name, dict(one).get(name)) for name in names] for one in shown.samples[:_MOST_READINGS]]
    left = len(shown.samples) - len(rows)
    _section(f"Readings ({left} more under --json)" if left else "Readings", titles, rows, right=titles)
    result = result_of(shown)
    told = ("rule", "verdict")  # said above already
    if isinstance(result, dict):
        single = {name: value for name, value in result.items() if not isinstance(value, dict | list)}
        lines = [
            (_named(name)[0], _quantity(name, value))
            for name, value in single.items()
            if name not in told and value is not None
        ]
        _section("Result", ("what", "value"), [*_weighed(result), *lines])


_TECHNOLOGIES = {"cmos": "CMOS", "nmos": "NMOS"}


def _weighed(result: dict[str, Any]) -> list[tuple[str, str]]:
    """Return why the verdict is what it is, the limit with its source, and what the line through the readings says."""
    limit, fitted = result.get("limit"), result.get("fitted")
    told = [("because", text) for text in result.get("reasons") or ()]
    if limit:
        told.append(("limit", f"{show(limit['max_a'], 'A')}: {limit['what']} ({limit['source']})"))
    if fitted:
        likeliest = sorted(fitted["technology"].items(), key=lambda named: -named[1])
        shares = ", ".join(f"{_TECHNOLOGIES.get(name, name)} {percent(share)}" for name, share in likeliest)
        told.append(("technology", f"{shares} (declared models; common practice, no source)"))
    return told + [("note", text) for text in result.get("notes") or ()]


# The units that stand at the end of our column names.
_UNITS = {"hz": "Hz", "a": "A", "v": "V", "s": "s", "c": "°C", "ohm": "ohm"}


def _named(name: str) -> tuple[str, str]:
    """Split a column's name into words and unit: `current_u_a` gives 'current uncertainty' and 'A'."""
    words, _, last = name.rpartition("_")
    unit = _UNITS.get(last, "") if words else ""
    spoken = ("uncertainty" if word == "u" else word for word in (words if unit else name).split("_"))
    return " ".join(spoken), unit


def _quantity(name: str, value: object) -> str:
    unit = _named(name)[1]
    if not unit or isinstance(value, bool) or not isinstance(value, int | float):
        return _value(value)
    if "_u_" in name or name.startswith("u_"):
        return show_u(float(value), unit)
    # Prefixes do for amperes and hertz; nobody says millidegrees.
    return f"{value:.4g} {unit}" if unit == "°C" else show(float(value), unit)


def _value(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)
