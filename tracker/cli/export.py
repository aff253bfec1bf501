"""The verbs that hand evidence over: `export bag`, `export prov`, `export csv`."""

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import after_a_second, print_json

LotArgument = Annotated[str, typer.Argument(metavar="LOT", help="The lot's label.", show_default=False)]
OrganizationOption = Annotated[
    str | None,
    typer.Option(
        "--organization",
        metavar="NAME",
        envvar="LOTPROOF_ORGANIZATION",
        help="Your workshop's name, as the receiver shall see it.",
        show_default=False,
    ),
]


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    export = typer.Typer(no_args_is_help=True)
    export.command("bag")(_bag)
    export.command("prov")(_prov)
    export.command("csv")(_csv)
    app.add_typer(export, name="export", help="Hand over a lot's evidence: as a bag, as provenance, as tables.")


def _bag(
    lot: LotArgument,
    to: Annotated[
        Path, typer.Option("--to", metavar="DIR", help="A new folder, or with --zip a new file.", show_default=False)
    ],
    zipped: Annotated[
        bool, typer.Option("--zip", help="Write the bag as one ZIP file, as a name in .zip does by itself.")
    ] = False,
    organization: OrganizationOption = None,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write everything on record about a lot as a BagIt bag: files, records, journal entries, tables, provenance.

    Any BagIt tool can check it (RFC 8493); `lotproof receive --bag` takes it into another workshop's records. Names of
    operators go with it, and of the machines that pieces sit in with their owners' references; journal entries stand in
    it whole, also where they were about other lots as well.
    """
    from tracker.cli.photo_text import progress
    from tracker.desk.export_bag import export_bag
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened, progress("Copying evidence") as told:
        tell = after_a_second(told)
        done = export_bag(opened, lot, to, zipped=zipped, organization=organization, operator=operator, progress=tell)
    if as_json:
        document = {
            "schema": "lotproof.bag-written/1",
            "lot": done.lot,
            "bag": str(done.bag),
            "zip": done.zipped,
            "files": done.files,
            "size_bytes": done.size_bytes,
            "sha256": done.sha256,
            "head": {"entry": done.head.entry, "hash": done.head.hash},
            "organization": done.organization,
        }
        print_json(document)
        return
    print(f"Bag of {done.lot}: {done.bag}")
    print(f"  {done.files} files, {done.size_bytes:,} bytes; payload {done.sha256}")
    print(f"  journal head: entry {done.head.entry}, {done.head.hash}")
    if done.organization is None:
        print("  It does not say whose it is; --organization gives your workshop's name.")


def _prov(
    lot: LotArgument,
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="A new file in .json.", show_default=False)],
    organization: OrganizationOption = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write who did what to which piece of a lot, from what, as PROV-JSON (W3C PROV-DM)."""
    from tracker.desk.export_files import export_provenance
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        done = export_provenance(opened, lot, to, organization=organization)
    counts = {"entities": done.entities, "activities": done.activities, "agents": done.agents}
    if as_json:
        print_json({"schema": "lotproof.prov-written/1", "lot": done.lot, "file": str(done.file), **counts})
        return
    print(f"Provenance of {done.lot}: {done.file}")
    print(f"  {', '.join(f'{count} {name}' for name, count in counts.items())}")


def _csv(
    lot: Annotated[str, typer.Argument(metavar="LOT|all", help="The lot's label, or all.", show_default=False)],
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="A new folder.", show_default=False)],
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write pieces, readings, bench runs and samples as CSV tables, in SI units.

    A text that a spreadsheet would take for a formula has an apostrophe before it; `receive --from` takes it off again.
    """
    from tracker.desk.export_files import export_tables
    from tracker.desk.workspace import Workspace

    with Workspace.open(workspace) as opened:
        done = export_tables(opened, lot, to)
    if as_json:
        document = {"schema": "lotproof.csv-written/1", "of": done.subject, "folder": str(done.folder)}
        print_json({**document, "rows": done.rows})
        return
    print(f"Tables of {done.subject}: {done.folder}")
    for name, count in done.rows.items():
        print(f"  {name}.csv  {count} {'row' if count == 1 else 'rows'}")
