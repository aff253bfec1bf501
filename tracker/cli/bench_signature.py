"""The verbs `bench signature` and `calc signature`."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.bench_common import (
    AmbientOption,
    FailExitOption,
    InstrumentOption,
    JigOption,
    RemarkOption,
    SupplyOption,
    answer,
    how_option,
    text_option,
)
from tracker.cli.calc import say
from tracker.cli.groups import group
from tracker.cli.options import JsonOption, OperatorOption, WorkspaceOption
from tracker.cli.printing import print_json

BytesOption = Annotated[
    list[str] | None,
    text_option("--bytes", "The bytes as read, in hexadecimal: '1E 95'. Repeat it for repeated readings.", "BYTES"),
]
FileOption = Annotated[Path | None, text_option("--from", "The bytes from a file, raw or Intel HEX.", "FILE")]
OffsetOption = Annotated[
    str | None, text_option("--offset", "Address of the manufacturer code in the file: '0x200'.", "ADDRESS")
]


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
    group(app, "bench").command("signature")(signature)
    group(app, "calc").command("signature")(calc_signature)


def signature(
    piece: Annotated[str, typer.Argument(metavar="PIECE", help="Label such as L0001-03.", show_default=False)],
    readings: BytesOption = None,
    file: FileOption = None,
    offset: OffsetOption = None,
    maker: Annotated[
        str | None,
        text_option("--maker", "Maker the marking names (default: as read from its photo, else as claimed).", "MAKER"),
    ] = None,
    supply: SupplyOption = None,
    ambient: AmbientOption = None,
    jig: JigOption = None,
    instrument: InstrumentOption = None,
    remark: RemarkOption = None,
    how: Annotated[bool, how_option("signature")] = False,
    fail_exit: FailExitOption = False,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record an electronic signature: manufacturer and device code as a programmer reads them.

    The manufacturer code is looked up in the register's first bank, and held against the maker that the marking names.
    """
    from tracker.desk.bench_entry import Typed
    from tracker.desk.bench_signature import SignatureRequest, run_signature
    from tracker.desk.bench_words import signature_text
    from tracker.desk.workspace import Workspace

    request = SignatureRequest(
        readings=tuple(readings or ()),
        file=file,
        offset=offset,
        maker=maker,
        typed=Typed(supply, ambient, jig, instrument, remark),
    )
    with Workspace.open(workspace) as opened:
        recorded = run_signature(opened, piece, request, operator=operator)
    answer(recorded, signature_text(recorded.result), as_json=as_json, fail_exit=fail_exit)


def calc_signature(
    readings: BytesOption = None, file: FileOption = None, offset: OffsetOption = None, as_json: JsonOption = False
) -> None:
    """Say whose electronic signature some bytes are."""
    from tracker.desk.bench_signature import identify
    from tracker.desk.bench_words import identity_text

    found = identify(tuple(readings or ()), file, offset)
    if as_json:
        print_json({"schema": "lotproof.calc.signature/1", "readings": [asdict(one) for one in found]})
        return
    for one in found:
        say(identity_text(one))
