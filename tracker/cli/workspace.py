"""The verbs about the workspace as a whole: `workspace show`, `move`, `reopen`, `backup`, `restore`."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import note, print_json

workspaces = typer.Typer(no_args_is_help=True)
RecordsOption = Annotated[
    str | None,
    typer.Option(
        "--records",
        metavar="ADDRESS",
        help="An empty PostgreSQL database for the records: postgresql://user@host/database (default: a file in the "
        "folder).",
        show_default=False,
    ),
]
EvidenceOption = Annotated[
    str | None,
    typer.Option(
        "--evidence",
        metavar="ADDRESS",
        help="A bucket for the files: s3://bucket/workshop (default: in the folder).",
        show_default=False,
    ),
]
EndpointOption = Annotated[
    str | None,
    typer.Option(
        "--endpoint",
        metavar="URL",
        help="Where the bucket's store answers; kept in workspace.toml (default: what the environment says).",
        show_default=False,
    ),
]


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    workspaces.command("show")(_show)
    workspaces.command("move")(_move)
    workspaces.command("reopen")(_reopen)
    workspaces.command("backup")(_backup)
    workspaces.command("restore")(_restore)
    app.add_typer(workspaces, name="workspace", help="Where the workspace lies: show, move, back up and restore it.")


def _show(workspace: WorkspaceOption = None, as_json: JsonOption = False) -> None:
    """Show where records and evidence lie, how much there is, the schema and the journal's head."""
    from dataclasses import asdict

    from tracker.desk.whereabouts import whereabouts
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        found = whereabouts(opened)
    if as_json:
        print_json({"schema": "lotproof.workspace/1", **asdict(found)})
        return
    print(f"Workspace: {found.folder}")
    print(f"  records:  {found.records}, {found.records_bytes:,} bytes, schema {found.revision}")
    at = f" at {found.endpoint}" if found.endpoint else ""
    print(f"  evidence: {found.evidence}{at}, {_files(found.files)} of {found.evidence_bytes:,} bytes")
    print(f"  keys:     {found.keys}")
    rows = [f"{name.replace('_', ' ')} {count:,}" for name, count in found.rows.items() if count]
    print(f"  rows:     {', '.join(rows) or 'none'}")
    if found.waiting:
        print(f"  waiting in this folder alone: {found.waiting} photos or tables of readings")
    for place in found.came_from:
        print(f"  came from {place}")
    if found.moved_to is not None:
        print(f"It has moved to {found.moved_to['folder']}; nothing is recorded here any more.")
    print(f"Head: entry {found.head.entry}, {found.head.hash}")


def _move(
    to: Annotated[
        Path,
        typer.Option("--to", metavar="DIR", help="A new folder: the workspace from then on.", show_default=False),
    ],
    records: RecordsOption = None,
    evidence: EvidenceOption = None,
    endpoint: EndpointOption = None,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Carry the workspace to another place: records, evidence and journal, each row and file compared.

    Broken off, it goes on with the same command. The old place stays whole and can be read; what would be recorded
    there is refused with the new place's name. `lotproof workspace reopen` takes that back.

    A password is better kept where libpq looks (PGPASSWORD, ~/.pgpass): the new workspace.toml holds none. A bucket's
    credentials are found in AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY or ~/.aws/credentials, and never kept.
    """
    from dataclasses import asdict

    from tracker.desk.move import move
    from tracker.desk.workspace import Workspace

    tell = _telling()
    with Workspace.open(workspace) as opened:
        done = move(opened, to, records=records, evidence=evidence, endpoint=endpoint, operator=operator, tell=tell)
    if as_json:
        print_json({"schema": "lotproof.workspace-moved/1", **asdict(done)})
        return
    print(f"Moved to {done.folder}")
    print(f"  records:  {done.records}, {sum(one.rows for one in done.carried.tables.values())} rows the same")
    print(f"  evidence: {done.evidence}, {_files(done.carried.files)} of {done.carried.size_bytes:,} bytes the same")
    print(f"  journal:  the same up to entry {done.carried.head.entry}, {done.carried.head.hash}")
    print(f"Name it from now on: --workspace {done.folder}, or LOTPROOF_WORKSPACE.")
    if records or evidence:
        print("Other benches need a folder with a workspace.toml like the one there.")
    if done.password:
        print("The password is not kept: put it into PGPASSWORD or ~/.pgpass.")
    if done.spooled:
        tables = "1 table" if done.spooled == 1 else f"{done.spooled} tables"
        print(f"{tables} of readings that no run recorded: left in the old folder's spool; `verify` there names them.")
    print("The old place is as it was, and closed; `lotproof workspace reopen` there takes that back.")


def _reopen(workspace: WorkspaceOption = None, operator: OperatorOption = None, as_json: JsonOption = False) -> None:
    """Record again in a workspace that was moved, or whose move was begun.

    What was recorded at the new place meanwhile is not here: if both go on, they are two workspaces from then on.
    """
    from tracker.desk.move import reopen
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        went = reopen(opened, operator=operator)
        folder = opened.folder
    if as_json:
        print_json({"schema": "lotproof.workspace-reopened/1", "folder": str(folder), "went": went})
        return
    print(f"{folder} can be written to again. What was recorded in {went['folder']} since is not in it.")


def _backup(
    to: Annotated[
        Path,
        typer.Option("--to", metavar="PATH", help="A new folder, or a new file in .tar.", show_default=False),
    ],
    since: Annotated[
        Path | None,
        typer.Option(
            "--since",
            metavar="DIR",
            help="An earlier backup on the same disk: files in it are linked, not copied.",
            show_default=False,
        ),
    ] = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a backup: one moment of the records, all evidence, and digests of everything. Others may go on working.

    A backup holds no keys that sign the journal, nothing that waits in the work list or the spool, and no
    workspace.toml. In its folder, `sha256sum -c evidence.sha256` checks the files without Lotproof. With --since the
    two backups share files on one disk: keep a whole one on another disk, too.
    """
    from dataclasses import asdict

    from tracker.desk.backup import backup
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        done = backup(opened, to, since=since, tell=_telling())
    made = done.manifest
    if as_json:
        print_json(
            {
                "schema": "lotproof.backup-made/1",
                "path": str(done.path),
                "linked": done.linked,
                **asdict(made),
                "left_out": done.left_out,
            }
        )
        return
    print(f"Backup: {done.path}")
    linked = f", {done.linked} of them linked" if since is not None else ""
    rows = sum(one.rows for one in made.tables.values())
    print(f"  {rows} rows; {_files(made.files)}{linked}, {made.size_bytes:,} bytes")
    print("  It does not hold:")
    for one in done.left_out:
        print(f"    {one}")
    print(f"Head: entry {made.head.entry}, {made.head.hash}")


def _restore(
    backup: Annotated[Path, typer.Argument(metavar="PATH", help="The backup: a folder or a file.", show_default=False)],
    to: Annotated[
        Path,
        typer.Option("--to", metavar="DIR", help="A new folder: the workspace.", show_default=False),
    ],
    records: RecordsOption = None,
    evidence: EvidenceOption = None,
    endpoint: EndpointOption = None,
    as_json: JsonOption = False,
) -> None:
    """Make a workspace of a backup, once every file in it has the digest it had; nothing is ever written over.

    The journal is the one that was backed up, entry for entry. What was recorded after the backup is not in it: a bench
    that remembers a later entry says so in `verify`.
    """
    from dataclasses import asdict

    from tracker.desk.restore import restore

    done = restore(backup, to, records=records, evidence=evidence, endpoint=endpoint, tell=_telling())
    if as_json:
        print_json({"schema": "lotproof.backup-restored/1", **asdict(done)})
        return
    print(f"Restored to {done.folder}, as it was at {done.manifest.made_at}")
    print(f"  records:  {done.records}, {sum(one.rows for one in done.carried.tables.values())} rows")
    print(f"  evidence: {done.evidence}, {_files(done.carried.files)} of {done.carried.size_bytes:,} bytes")
    print(f"Head: entry {done.carried.head.entry}, {done.carried.head.hash}")


def _files(count: int) -> str:
    return "1 file" if count == 1 else f"{count:,} files"


def _telling() -> Callable[[str, int, int], None]:
    """Return what says on standard error how far each part of something has come, where it takes over a second."""
    said: dict[str, int] = {}
    begun: dict[str, float] = {}

    def tell(what: str, done: int, total: int) -> None:
        tenth = done * 10 // max(total, 1)
        late = time.monotonic() - begun.setdefault(what, time.monotonic()) > 1
        if late and tenth > said.get(what, 0):
            said[what] = tenth
            note(f"{what}: {done:,} of {total:,}")

    return tell
