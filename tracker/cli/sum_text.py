"""How a piece's suspicion adds up, line by line, and the counts that each weight rests on."""

from collections.abc import Sequence
from dataclasses import asdict

from rich.markup import escape

from tracker.cli.printing import console, print_json, table
from tracker.desk.documents.shown import sum_document
from tracker.desk.showing import PieceShown, Shown, SumShown
from tracker.errors import BadRequest
from tracker.judgement.counts import Basis
from tracker.judgement.suspicion import InVain, counted, percent


def lines(shown: PieceShown) -> list[tuple[str, str]]:
    """Return weight and reason of each line, the total last."""
    return [*((_weight(line), line.text) for line in shown.sum), (_total(shown), _together(shown))]


def _weight(line: SumShown) -> str:
    return "" if line.kind == "note" else _db(line.weight_db)


def _total(shown: PieceShown) -> str:
    return _db(sum(line.weight_db for line in shown.sum))


def _together(shown: PieceShown) -> str:
    """Return the name of the total; who adds up the lines as printed may come out a tenth beside it."""
    printed = sum(round(line.weight_db, 1) for line in shown.sum)
    exact = sum(line.weight_db for line in shown.sum)
    return "together" if f"{printed:.1f}" == f"{exact:.1f}" else "together (added before the lines were rounded)"


def answer(shown: Shown, as_json: bool) -> None:
    """Print the sum of a piece alone.

    Raises
    ------
    BadRequest
        It is not a piece that is shown.
    """
    if not isinstance(shown, PieceShown):
        raise BadRequest("Only a piece has a sum.", "Name one like L0007-03, or leave --sum out.")
    if as_json:
        print_json(asdict(sum_document(shown)))
    else:
        draw(shown)


def draw(shown: PieceShown) -> None:
    """Print the sum with the counts that each weight rests on."""
    piece = shown.summary
    said = "not yet photographed or measured"
    if piece.suspicion is not None:
        said = f"suspicion {percent(piece.suspicion)}"
    console().print(f"[bold]{escape(piece.piece)}[/]  {escape(piece.part)}, {said}")
    rows = [(_weight(line), line.text, *_counts(line.basis)) for line in shown.sum]
    _table("reason", [*rows, (_total(shown), _together(shown), "", "", "")])
    if shown.in_vain:
        print("\nLooked for and not found")
        _table("what", [_in_vain(one) for one in shown.in_vain])
        if not all(one.counted for one in shown.in_vain):
            print("* beside a finding of its family: only what settled pieces have shown of signs together counts.")
    bases = [*(line.basis for line in shown.sum), *(one.basis for one in shown.in_vain)]
    declared = next((basis.declared for basis in bases if basis is not None), None)
    if declared is not None:
        print(
            "\nThe counts say on how many pieces of either kind a thing is found (or not found), of how many.\n"
            f"Declared ones stand for {declared:g} pieces of either kind; settled ones of one lot count less than one."
        )
    print(f"Weights: {shown.weights}")


def _in_vain(one: InVain) -> tuple[str, ...]:
    return f"{_db(one.weight_db)}{' ' if one.counted else '*'}", one.title, *_counts(one.basis)


def _db(weight: float) -> str:
    return f"{weight:+.1f}".replace("-0.0", "+0.0")


def _table(what: str, rows: Sequence[Sequence[str]]) -> None:
    columns = ("db", what, "not genuine", "genuine", "settled here")
    console().print(table(columns, rows, right=("db", "not genuine", "genuine")))


def _counts(basis: Basis | None) -> tuple[str, str, str]:
    """Return the counts behind a weight: 31 of 34 not genuine, 4 of 41 genuine, 12 of them settled here in 5 lots."""
    if basis is None:
        return "", "", ""
    settled = ""
    if basis.settled:
        settled = f"{basis.settled} in {counted(basis.lots, 'lot')}" if basis.tried else f"on none of {basis.settled}"
    return (
        f"{_number(basis.not_genuine_seen)} of {_number(basis.not_genuine_of)}",
        f"{_number(basis.genuine_seen)} of {_number(basis.genuine_of)}",
        settled,
    )


def _number(value: float) -> str:
    """Return a count that may be a fraction: pieces of one lot count less than one each."""
    return f"{value:.2g}" if value < 1 else f"{value:.1f}".removesuffix(".0")
