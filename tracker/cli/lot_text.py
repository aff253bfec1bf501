"""What `show` prints of a lot as a whole, and of a seller."""

from rich.markup import escape

from tracker.cli.printing import console, table
from tracker.desk.lot_plans import LotOutlook
from tracker.desk.sellers import SellerShown
from tracker.judgement.suspicion import counted, percent


def draw_outlook(found: LotOutlook) -> None:
    """Print what is known of a lot as a whole, and the test plans compared."""
    seen = found.view
    print("\nThe lot as a whole")
    print(
        f"  bad in it     {percent(seen.fraction)} expected, 95 % interval {100 * seen.fraction_low:.0f} to "
        f"{100 * seen.fraction_high:.0f} % (before any evidence {percent(seen.prior)})"
    )
    if seen.open:
        print(
            f"  still open    {counted(seen.open, 'piece')}: none of them bad with {percent(seen.open_all_good)}; "
            f"{_few(seen.open_bad)} bad expected, 95 % interval {seen.open_bad_low} to {seen.open_bad_high}"
        )
    if not found.compared:
        return
    rows = [
        (
            "none" if not one.test else f"{one.test}, {counted(one.pieces, 'piece')}",
            f"{one.minutes:g}",
            percent(one.bad_accepted) if one.bad_accepted else "0 %",
            f"{one.rejected:.1f}",
            f"{one.loss:.2f}",
            f"{one.total:.2f}",
        )
        for one in found.compared
    ]
    columns = ("then decide", "min", "a bad one accepted", "rejected", "loss", "with time")
    print("\nIf so many are tested and all then decided on (expected)")
    console().print(table(columns, rows, right=columns[1:]))
    if not all(one.exact for one in found.compared):
        print("Outcomes of the larger plans were drawn by chance; the figures are good to about a hundredth.")


def _few(number: float) -> str:
    return f"{number:.2g}" if number >= 0.01 else "under 0.01"


def draw_seller(shown: SellerShown) -> None:
    """Print a seller's record."""
    console().print(f"[bold]{escape(shown.seller)}[/]  {counted(len(shown.lots), 'lot')}")
    print(f"  record        {shown.said}")
    print(f"  trend         {shown.said_trend}")
    for one in shown.next_lot:
        print(
            f"  next lot      as {one.source_kind}: {percent(one.not_genuine)} before looking, 95 % interval "
            f"{100 * one.low:.0f} to {100 * one.high:.0f} % ({percent(one.declared)} without this record)"
        )
    rows = [
        (
            one.lot,
            one.part,
            str(one.arrived),
            str(one.pieces),
            str(one.known),
            str(one.not_genuine) if one.known else "",
        )
        for one in shown.lots
    ]
    columns = ("lot", "part", "arrived", "pieces", "known", "not as claimed")
    print("\nLots")
    console().print(table(columns, rows, right=("pieces", "known", "not as claimed")))
    print("\nA piece is known once it is settled, or decided in agreement with a bench test. Counts, no judgement.")
