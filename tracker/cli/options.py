"""Options that several verbs share, spelled once."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class Paper(StrEnum):
    """Paper that things are printed on."""

    A4 = "a4"
    LETTER = "letter"


WorkspaceOption = Annotated[
    Path | None,
    typer.Option(
        "--workspace",
        metavar="DIR",
        envvar="LOTPROOF_WORKSPACE",
        help="Folder of the workspace (default: your user data folder).",
        show_default=False,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON document instead of text.")]
OperatorOption = Annotated[
    str | None,
    typer.Option(
        "--operator",
        metavar="NAME",
        envvar="LOTPROOF_OPERATOR",
        help="Who does this (default: your login name).",
        show_default=False,
    ),
]
ColumnOption = Annotated[
    list[str] | None,
    typer.Option(
        "--column",
        metavar="QUANTITY=COLUMN",
        help="Which column of the table is what: 'clock=F', 'current=I1 (mA)'. Repeat it.",
        show_default=False,
    ),
]
