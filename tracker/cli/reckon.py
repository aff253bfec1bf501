"""The verb that brings the suspicions kept for lists up to today."""

import typer

from tracker.cli.options import JsonOption, WorkspaceOption
from tracker.cli.printing import after_a_second, note, print_json


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    app.command("reckon")(_reckon)


def _reckon(workspace: WorkspaceOption = None, as_json: JsonOption = False) -> None:
    """Work out anew every suspicion kept for lists that is older than what the workshop knows today.

    One settled piece moves the suspicions of all. A piece or lot shown by name is always of today; a list brings some
    hundreds of pieces up to today and shows the others as they were kept, with a mark, until this is run. What is done
    stays done if it is broken off; `serve` does it by itself while nobody waits.
    """
    from dataclasses import asdict

    from tracker.desk.standing_suspicion import reckon
    from tracker.desk.workspace import Workspace

    tell = after_a_second(lambda done, total: note(f"{done} of {total} pieces ..."))
    with Workspace.open(workspace) as opened:
        done = reckon(opened, progress=tell)
    if as_json:
        print_json({"schema": "lotproof.reckon/1", **asdict(done)})
        return
    if done.left:
        print(f"{done.pieces} pieces reckoned anew; {done.left} are left, since others were at work. Run it again.")
    else:
        print(f"Every suspicion is of today; {done.pieces} pieces were reckoned anew.")
