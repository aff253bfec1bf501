"""The verb `bench plan`."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.bench_common import text_option
from tracker.cli.calc import say
from tracker.cli.groups import group
from tracker.cli.options import JsonOption, WorkspaceOption
from tracker.cli.printing import print_json
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from tracker.bench.lot_plan import LtpdRow, Planned, Said
    from tracker.desk.bench_plan import LotBenchPlan


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    group(app, "bench").command("plan")(plan)


def plan(
    lot: Annotated[str | None, typer.Argument(metavar="LOT", help="Label such as L0001.", show_default=False)] = None,
    bad_fraction: Annotated[
        str | None, text_option("--bad-fraction", "Fraction bad to be found (default: '10 %').", "SHARE")
    ] = None,
    confidence: Annotated[
        str | None, text_option("--confidence", "How surely it is to be found (default: '90 %').", "SHARE")
    ] = None,
    have: Annotated[
        str | None, text_option("--have", "Time there is: '90 min', '2 h'; a bare number is minutes.", "TIME")
    ] = None,
    table: Annotated[
        bool, typer.Option("--table", help="Print sample sizes for many bad fractions; LOT may be left out.")
    ] = False,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say which bench tests to run, on how many pieces of a lot, and what that would tell.

    Pieces already tested are counted. Nothing is recorded.
    """
    if table:
        _table(lot, bad_fraction, confidence, have, workspace=workspace, as_json=as_json)
        return
    if lot is None:
        raise BadRequest("Which lot is to be planned was not said.", "Name it (L0001), or ask for --table.")
    from tracker.desk.bench_plan import PlanRequest, plan_lot
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        found = plan_lot(opened, lot, PlanRequest(bad_fraction, confidence, have))
    if as_json:
        print_json({"schema": "lotproof.bench.plan/1", **asdict(found)})
    else:
        say(_plan_text(found))


def _table(
    lot: str | None,
    bad_fraction: str | None,
    confidence: str | None,
    have: str | None,
    *,
    workspace: "Path | None",
    as_json: bool,
) -> None:
    if bad_fraction is not None or have is not None:
        raise BadRequest("--table shows many bad fractions and no times.", "Leave --bad-fraction and --have out.")
    from tracker.bench.lot_plan import DEFAULT_CONFIDENCE, LTPD_ALLOWED, LTPD_SOURCE
    from tracker.desk.bench_plan import ltpd_table
    from tracker.desk.workspace import Workspace

    if lot is None:
        rows = ltpd_table(None, None, confidence)
    else:
        with Workspace.open(workspace) as opened:
            rows = ltpd_table(opened, lot, confidence)
    stated = DEFAULT_CONFIDENCE if confidence is None else confidence
    if as_json:
        print_json(
            {
                "schema": "lotproof.bench.plan-table/1",
                "lot": lot,
                "confidence": stated,
                "allowed": LTPD_ALLOWED,
                "rows": [asdict(row) for row in rows],
                "source": LTPD_SOURCE,
            }
        )
        return
    say(_table_text(rows, lot, stated))


def _table_text(rows: "Sequence[LtpdRow]", lot: str | None, confidence: str) -> list[tuple[str, str]]:
    from tracker.bench.lot_plan import LTPD_ALLOWED, LTPD_SOURCE

    of = "a lot without end (binomial)" if lot is None else f"{lot} (hypergeometric)"
    head = "".join(f"{f'c = {allowed}':>8}" for allowed in LTPD_ALLOWED)
    return [
        ("table", f"pieces to test from {of} to find the bad fraction with confidence {confidence}; c may fail"),
        ("bad fraction", head),
        *((f"{row.percent:>6} %", "".join(f"{'-' if n is None else n:>8}" for n in row.n)) for row in rows),
        ("source", LTPD_SOURCE),
    ]


def _plan_text(found: "LotBenchPlan") -> list[tuple[str, str]]:
    from tracker.bench.figures import percent

    sample, take = found.plan.sample, dict(found.take)
    rows = [
        (found.lot, f"{sample.lot} pieces, claimed {found.claimed_part}"),
        (
            "sample",
            f"{sample.n} of {sample.lot} pieces find {sample.bad_pieces} or more bad ones "
            f"({100 * sample.bad_fraction:g} %) with confidence {percent(sample.reached_confidence)}",
        ),
    ]
    for one in found.plan.tests:
        rows += _test_text(one, take[one.test])
    rows.append(("time", _time_text(found)))
    for told in found.told:
        rows.append(
            ("so far", f"{told.test}: {told.said.failed} of {told.said.tested} failed; {_said_text(told.said)}")
        )
    rows += [("note", text) for text in (*found.plan.notes, found.defaults) if text]
    rows.append(("source", f"{sample.source}; bounds one-sided, Clopper-Pearson and exact hypergeometric"))
    return rows


def _test_text(one: "Planned", pieces: "Sequence[str]") -> list[tuple[str, str]]:
    from tracker.bench.figures import percent

    before = f", {one.done.tested} already tested" if one.done.tested else ""
    rows = [(one.test, f"{one.now} pieces now of {one.wanted} wanted{before}: {one.why}")]
    if pieces:
        rows.append(("  take", " ".join(pieces)))
        rows.append(("  minutes", f"about {one.minutes:g} ({one.minutes_source})"))
    if one.if_none_fails is not None:
        again = " more" if one.done.failed else ""
        rows.append((f"  if none{again}", f"fails: {_said_text(one.if_none_fails)}"))
    if one.if_none_fails is not None and not one.done.failed:
        rows.append(("  finds", f"the bad fraction with confidence {percent(one.reached_confidence)}"))
    return rows


def _said_text(said: "Said") -> str:
    share = f"at most {100 * said.fraction_at_most:.3g} % of such pieces are bad"
    rest = f"at most {said.rest_bad_at_most} of the {said.rest} untested ones of this lot" if said.rest else ""
    return f"with {100 * said.confidence:g} % confidence {share}, {f'and {rest}' if rest else 'and none is untested'}"


def _time_text(found: "LotBenchPlan") -> str:
    there = "" if found.plan.have_min is None else f" of the {found.plan.have_min:g} there are"
    return f"about {found.plan.minutes:g} minutes{there}"
