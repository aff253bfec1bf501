"""Verbs that keep the records honest: log, verify, tidy."""

from typing import TYPE_CHECKING, Annotated

import typer

from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import console, note, print_json, table
from tracker.errors import ExitCode

if TYPE_CHECKING:
    from tracker.desk.verify import Report


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("log")(_log)
    app.command("verify", epilog="Exit code 0 when everything is as it was recorded, 1 when anything is not.")(_verify)
    app.command("tidy")(_tidy)


def _log(
    subject: Annotated[
        str | None,
        typer.Argument(metavar="LABEL", help="Only what concerns this lot, piece, machine or run.", show_default=False),
    ] = None,
    limit: Annotated[int, typer.Option("--limit", metavar="N", help="At most this many, the newest.", min=1)] = 50,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show the journal: who said and did what, and when (UTC), the newest last."""
    from dataclasses import asdict

    from tracker.desk.documents.answers import log_document
    from tracker.desk.log import in_words, read_log
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        found = read_log(opened, subject, limit=limit)
    if as_json:
        print_json(asdict(log_document(found)))
        return
    if not found.entries:
        print("Nothing in the journal." if subject is None else f"Nothing in the journal about {subject}.")
        return
    rows = [
        (str(one.entry), one.at[:19].replace("T", " "), one.operator, one.act, one.subject, in_words(one))
        for one in found.entries
    ]
    console().print(table(("entry", "when (UTC)", "who", "act", "about", "said"), rows, right=("entry",)))
    if found.found > len(rows):
        note(f"The newest {len(rows)} of {found.found}; --limit shows more.")


def _verify(
    against: Annotated[
        str | None,
        typer.Option(
            "--against", metavar="HEAD", help="A head noted earlier; the journal must contain it.", show_default=False
        ),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on with a check that was broken off; the report says that it did.")
    ] = False,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check that records, files and journal are as they were recorded, and name everything that is not.

    Note the head it prints somewhere else: with --against it later proves that nothing before it was changed.

    A check of a large workspace may be broken off (Ctrl-C, a power cut) and gone on with by --resume. What it looked at
    before the break was right at that moment; what was changed there since is seen only by a check in one go.
    """
    from dataclasses import asdict

    from tracker.cli.photo_text import progress
    from tracker.cli.printing import after_a_second
    from tracker.desk.verify import verify
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened, progress("Checking entries and files") as told:
        report = verify(opened, against=against, resume=resume, progress=after_a_second(told))
    if as_json:
        print_json({"schema": "lotproof.verify/1", "sound": report.sound, **asdict(report)})
    else:
        _show(report)
    if not report.sound:
        raise typer.Exit(ExitCode.NO)


def _show(report: "Report") -> None:
    rows = [(rung.name, str(rung.checked), str(rung.faults) if rung.faults else "none") for rung in report.rungs]
    console().print(table(("check", "things", "faults"), rows, right=("things", "faults")))
    for fault in report.faults:
        print(f"  {fault.rung}: {fault.message}")
    if report.fault_count > len(report.faults):
        print(f"  and {report.fault_count - len(report.faults)} more")
    if report.reached != "rows":
        print(f"The check could not go on after: {report.reached or 'nothing'}.")
    for notice in report.notices:
        print(f"  notice: {notice.message}")
    if report.sound:
        print("Everything is as it was recorded.")
    else:
        print("1 fault." if report.fault_count == 1 else f"{report.fault_count} faults.")
        if any(fault.code != "file-orphaned" for fault in report.faults):
            print("Change nothing there: restore from a backup what is named above, then run `lotproof verify` again.")
    for key in report.keys:
        count = "1 entry" if key.entries == 1 else f"{key.entries} entries"
        print(f"Signed: {count} since entry {key.since} with key {key.name} of bench {key.bench}")
    print(f"Head: entry {report.head.entry}, {report.head.hash}")


def _tidy(
    spool: Annotated[
        bool,
        typer.Option("--spool", help="Also readings of runs that were never recorded, untouched for two days."),
    ] = False,
    work: Annotated[
        bool,
        typer.Option(
            "--work",
            help="Also photos that were handed in and not recorded, and files made for handing over, untouched for "
            "two days.",
        ),
    ] = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Remove evidence files that belong to no entry: what an interrupted act left. Nothing else is removed.

    What is kept beside the records for lists is worked out anew where `verify` finds that it differs from them.

    Readings that a broken-off run left in the spool stay, unless --spool asks for their removal; what lies in the work
    folder stays, unless --work does.
    """
    from dataclasses import asdict

    from tracker.desk.tidy import tidy
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        tidied = tidy(opened, spool=spool, work=work, operator=operator)
    if as_json:
        print_json({"schema": "lotproof.tidy/1", **asdict(tidied)})
        return
    for name in tidied.removed:
        print(f"removed {name}")
    for one in tidied.left:
        print(f"left: {one.message}")
    removed = len(tidied.removed)
    print("1 file removed." if removed == 1 else f"{removed or 'No'} files removed.")
    if tidied.mended:
        print(f"{tidied.mended} rows kept for lists did not say what the records do; all were worked out anew.")
