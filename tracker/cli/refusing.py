"""One error, as a line for a person and an exit code."""

import errno
import os
import sys
import traceback

import typer

from tracker.cli.wording import refusal
from tracker.errors import ExitCode, LotproofError

_SURROUNDINGS = {
    errno.ENOSPC: "Make room and try again.",
    errno.EDQUOT: "Make room and try again.",
    errno.EROFS: "Name a place that may be written.",
    errno.EIO: "Check the disk.",
    errno.EMFILE: "Too many files are open; close some programs and try again.",
    errno.ENFILE: "Too many files are open; close some programs and try again.",
    errno.ENOMEM: "Close some programs and try again.",
}
"""What the machine lacks is no fault of the program, wherever it shows."""


def explain(error: Exception) -> int:
    """Print one error for a person and return the exit code it stands for."""
    if isinstance(error, typer.Abort):
        # On a line of its own, below the prompt.
        print("\nlotproof: Stopped; nothing was recorded.", file=sys.stderr)
        return ExitCode.BAD_REQUEST
    if os.environ.get("LOTPROOF_DEBUG"):
        traceback.print_exception(error)
    refused = refusal(error)
    if refused is not None:
        error = refused
    if isinstance(error, LotproofError):
        if not error.what:
            return error.exit_code
        print(f"lotproof: {error.what}", file=sys.stderr)
        if error.advice:
            print(f"          {error.advice}", file=sys.stderr)
        return error.exit_code
    if isinstance(error, OSError) and error.errno in _SURROUNDINGS:
        where = f": {error.filename}" if error.filename else ""
        print(f"lotproof: The system refuses ({error.strerror}{where}).", file=sys.stderr)
        print(f"          {_SURROUNDINGS[error.errno]} `lotproof log` shows what was recorded.", file=sys.stderr)
        return ExitCode.BAD_REQUEST
    print(f"lotproof: a fault in Lotproof itself ({type(error).__name__}: {error}).", file=sys.stderr)
    print("          Run it again as `lotproof --debug ...` and report what it prints.", file=sys.stderr)
    return ExitCode.INTERNAL
