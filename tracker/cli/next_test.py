"""The verbs `next` and `costs`: which bench test is worth most now, and what things cost in this workshop."""

from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import console, print_json, table

if TYPE_CHECKING:
    from tracker.desk.costs import Reckoned
    from tracker.desk.next_test import NextStep, NextTests


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("next")(_next)
    app.command("costs")(_costs)


def _next(
    what: Annotated[
        str | None,
        typer.Argument(metavar="LABEL", help="A piece (L0007-03) or a lot (L0007); all that is open if left out."),
    ] = None,
    minutes: Annotated[
        str | None,
        typer.Option("--minutes", metavar="N", help="Time there is: 35, or '1 h'.", show_default=False),
    ] = None,
    everything: Annotated[
        bool,
        typer.Option("--all", help="Look at all lots with open pieces, however long that takes.", show_default=False),
    ] = False,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say which bench tests to do next: those that save most per minute, until none is worth its time.

    What wrong decisions and a minute cost is told by `lotproof costs`. Of tests that are worth the same to a tenth, the
    piece whose claim window closes first comes first. Nothing is recorded: ask again after each result. In a large
    workshop it looks at some lots (in turn the one whose claim window closes next and the one with most open pieces)
    and says how many it left out.
    """
    from dataclasses import asdict
    from datetime import date

    from tracker.desk.documents.reckoned import next_document
    from tracker.desk.next_test import next_tests
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        found = next_tests(opened, what, minutes=minutes, today=date.today(), everything=everything)
    if as_json:
        print_json(asdict(next_document(found)))
    else:
        _draw(found)


def _draw(found: "NextTests") -> None:
    if found.nothing:
        print(found.nothing)
    else:
        tests = "1 test" if len(found.steps) == 1 else f"{len(found.steps)} tests"
        pieces = len({step.piece for step in found.steps})
        on = "1 piece" if pieces == 1 else f"{pieces} pieces"
        there = "" if found.have_min is None else f" of {found.have_min:g}"
        print(
            f"{tests} on {on}, {found.minutes:g}{there} min: saves {found.saves:.2f} of {found.loss:.2f} expected loss"
        )
        print()
        columns: tuple[str, ...] = ("test", "piece", "min", "saves", "left", "now", "if it fails", "if it passes")
        rows = [_row(step) for step in found.steps]
        if all(step.days_left is None for step in found.steps):
            columns, rows = (*columns[:4], *columns[5:]), [(*row[:4], *row[5:]) for row in rows]
        console().print(table(columns, rows, right=("min", "saves")))
        print()
        first: dict[str, NextStep] = {}
        for step in found.steps:
            first.setdefault(step.lot, step)
        for step in first.values():
            _say_siblings(step)
        print("Percentages: suspicion, with what the siblings show. Ask again after each result.")
        if any(not step.meaning.changes_something for step in found.steps):
            print("Where no single result changes a decision, several together may.")
    for text in found.notes:
        print(f"Note: {text}")
    print(_reckoning(found))


def _row(step: "NextStep") -> tuple[str, ...]:
    from tracker.judgement.suspicion import percent

    means = step.meaning
    return (
        step.test,
        step.piece,
        f"{step.minutes:g}",
        f"{step.saves:.2f}",
        _window(step.days_left),
        f"{percent(means.now)} {means.decision_now}",
        f"{percent(means.if_fail)} {means.decision_if_fail}",
        f"{percent(means.if_pass)} {means.decision_if_pass}",
    )


def _say_siblings(step: "NextStep") -> None:
    from tracker.judgement.suspicion import percent

    means = step.meaning
    if means.siblings_now is None or means.siblings_if_fail is None or means.siblings_if_pass is None:
        return
    print(
        f"The others of {step.lot}, now {percent(means.siblings_now)}: {percent(means.siblings_if_fail)} if "
        f"{step.piece} fails, {percent(means.siblings_if_pass)} if it passes."
    )


def _window(days: int | None) -> str:
    if days is None:
        return ""
    if days < 0:
        return "closed"
    return "today" if days == 0 else f"{days} d"


def _reckoning(found: "NextTests") -> str:
    costs = found.costs
    return (
        f"Costs, in your own money: a bad one fitted {costs.fit_bad:g}, a good one rejected {costs.reject_good:g}, "
        f"a minute {costs.minute:g} ({costs.source}); reject from {100 * costs.threshold:.2g} %."
    )


def _costs(
    fit_bad: Annotated[
        str | None,
        typer.Option("--fit-bad", metavar="AMOUNT", help="A part not as claimed is fitted.", show_default=False),
    ] = None,
    reject_good: Annotated[
        str | None,
        typer.Option(
            "--reject-good", metavar="AMOUNT", help="A part that is as claimed is rejected.", show_default=False
        ),
    ] = None,
    minute: Annotated[
        str | None,
        typer.Option("--minute", metavar="AMOUNT", help="A minute at the bench.", show_default=False),
    ] = None,
    test: Annotated[
        list[str] | None,
        typer.Option(
            "--test",
            metavar="TEST=SETUP+EACH",
            help="Minutes a test takes: set-up, and each piece. May be repeated.",
            show_default=False,
        ),
    ] = None,
    declared: Annotated[bool, typer.Option("--declared", help="Go back to the declared costs and times.")] = False,
    reason: Annotated[
        str | None,
        typer.Option("--reason", metavar="TEXT", help="Where they come from; needed for a change.", show_default=False),
    ] = None,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show, or say, what wrong decisions and bench time cost in this workshop; `lotproof next` reckons with it.

    Amounts are in the workshop's own money: only their ratios matter. What is said is kept in the journal.
    """
    from dataclasses import asdict

    from tracker.desk.costs import CostsRequest, set_costs, show_costs
    from tracker.desk.documents.reckoned import costs_document
    from tracker.desk.workspace import Workspace
    from tracker.errors import BadRequest

    request = CostsRequest(fit_bad, reject_good, minute, tuple(test or ()), declared, reason)
    if reason is not None and not request.says_something:
        raise BadRequest("A reason alone changes nothing.", "Say what costs how much, such as --fit-bad 200.")
    with Workspace.open(workspace) as opened:
        found = set_costs(opened, request, operator=operator) if request.says_something else show_costs(opened)
    if as_json:
        print_json(asdict(costs_document(found)))
    else:
        _draw_costs(found)


def _draw_costs(found: "Reckoned") -> None:
    costs = found.costs
    rows = [
        ("a bad part fitted", f"{costs.fit_bad:g}"),
        ("a good part rejected", f"{costs.reject_good:g}"),
        ("a minute at the bench", f"{costs.minute:g}"),
    ]
    console().print(table(("cost", "your money"), rows, right=("your money",)))
    print(f"So a piece is better rejected from {100 * costs.threshold:.2g} % suspicion on. Source: {costs.source}\n")
    tests = [(one.name, f"{one.setup_min:g}", f"{one.piece_min:g}", one.source) for one in found.tests.values()]
    columns = ("test", "set-up min", "each min", "source")
    console().print(table(columns, tests, right=("set-up min", "each min")))
