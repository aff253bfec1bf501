"""The command `lotproof`: gathers the verbs, runs one, turns our errors into a line and an exit code."""

import errno
import gc
import os
import sys
import traceback
from typing import Annotated, NoReturn

# One thread for linear algebra: our matrices are small, and a process without other threads may fork, which starts
# the helpers that share the work on photos at once.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import typer

from tracker.cli import (
    answers,
    bench,
    bench_board,
    bench_compare,
    bench_curve,
    bench_live,
    bench_plan,
    bench_power,
    bench_signature,
    bench_soak,
    calc,
    calibration,
    correct,
    dates,
    decisions,
    dossier,
    export,
    house,
    keep,
    labels,
    lots,
    machines,
    next_test,
    photos,
    serve,
)
from tracker.cli.wording import plain_help, refusal
from tracker.errors import ExitCode, LotproofError

# The verb modules import nothing heavy at the top: the desk (and with it records or vision) is imported inside a
# command's body, so that `--help` starts at once.
VERB_MODULES = (
    lots,
    photos,
    # The groups first, then the verbs in them.
    bench,
    calc,
    bench_board,
    bench_compare,
    bench_curve,
    bench_live,
    bench_plan,
    bench_power,
    bench_signature,
    bench_soak,
    next_test,
    correct,
    decisions,
    machines,
    answers,
    calibration,
    dossier,
    export,
    labels,
    dates,
    keep,
    house,
    serve,
)

INTERRUPTED = 130
"""What Typer makes of a Ctrl-C: 128 and the number of the signal, as shells do."""

app = typer.Typer(
    name="lotproof",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    help="Is this chip what its marking says? Log it, look at it, measure it, decide, and keep the proof.",
    epilog="Exit codes: 0 done; 1 the answer is no; 2 the request was wrong; 3 the workspace or a file is damaged; "
    "70 a fault in Lotproof itself.",
)


def _print_version(wanted: bool) -> None:
    if wanted:
        from tracker import __version__

        typer.echo(f"lotproof {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
    debug: Annotated[
        bool,
        typer.Option(
            "--debug", envvar="LOTPROOF_DEBUG", help="Show where in the program an error arose, for a report."
        ),
    ] = False,
) -> None:
    if debug:
        os.environ["LOTPROOF_DEBUG"] = "1"


for _module in VERB_MODULES:
    _module.register(app)


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


def _explain(error: Exception) -> int:
    """Print one error for a person and return the exit code it stands for."""
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


def _nobody_reads() -> NoReturn:
    """End as if it had been read: who closes a pipe has what he wanted."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115  for as long as the process lasts
    sys.exit(ExitCode.DONE)


def _stand_in_for_closed() -> None:
    """Open what the shell closed (`>&-`), before a file of the records gets its number."""
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: PTH123, SIM115


def run() -> None:
    """Run the command line; the only place where an exception becomes an exit code."""
    # Importing makes hundreds of thousands of objects that stay to the end. Looking through them for garbage every 700
    # new ones, as Python does, takes a tenth of the time of a short command.
    gc.set_threshold(50_000, 20, 100)
    _stand_in_for_closed()
    try:
        command = plain_help(typer.main.get_command(app))
        # Not standalone: then what Typer refuses comes here as an exception, too, and is worded like all else.
        code = command.main(prog_name="lotproof", standalone_mode=False) or ExitCode.DONE
        if code == INTERRUPTED:
            print("lotproof: Stopped. What it did not yet report as kept was not recorded.", file=sys.stderr)
        sys.stdout.flush()
        sys.exit(code)
    except BrokenPipeError:
        _nobody_reads()
    except SystemExit as stopped:
        # Typer makes 1 of it, which here means 'no'.
        if isinstance(stopped.__context__, BrokenPipeError):
            _nobody_reads()
        raise
    except typer.Abort:
        # On a line of its own, below the prompt.
        print("\nlotproof: Stopped; nothing was recorded.", file=sys.stderr)
        sys.exit(ExitCode.BAD_REQUEST)
    except Exception as error:
        sys.exit(_explain(error))


if __name__ == "__main__":
    run()
