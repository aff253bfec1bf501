"""The command `lotproof`: runs one verb, turns our errors into a line and an exit code.

What a person waits for at the start is loading, so each way loads only what it needs: the first help page is printed
from `tracker/cli/verb_table.py` without Typer, a verb loads its own module, and only what is not in that table (a
misspelt verb, `--help` after another option) loads the whole tree of `tracker/cli/tree.py`.
"""

import gc
import os
import sys
from typing import TYPE_CHECKING, Any, NoReturn

from tracker.errors import ExitCode

# One thread for linear algebra: our matrices are small, and a process without other threads may fork, which starts
# the helpers that share the work on photos at once.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

if TYPE_CHECKING:
    import typer

    app: typer.Typer

# The verb modules import nothing heavy at the top: the desk (and with it records or vision) is imported inside a
# command's body, so that `--help` starts at once. After a change here run docs/make_commands.py.
VERB_MODULES = (
    "lots",
    "photos",
    "reinspect",
    # The groups first, then the verbs in them.
    "bench",
    "calc",
    "bench_board",
    "bench_compare",
    "bench_curve",
    "bench_live",
    "bench_plan",
    "bench_power",
    "bench_signature",
    "bench_soak",
    "next_test",
    "correct",
    "decisions",
    "machines",
    "answers",
    "due",
    "calibration",
    "dossier",
    "export",
    "labels",
    "dates",
    "keep",
    "reckon",
    "house",
    "workspace",
    "serve",
)

INTERRUPTED = 130
"""What Typer makes of a Ctrl-C: 128 and the number of the signal, as shells do."""
ASKING_TYPER = ("TYPER_USE_RICH", "TERMINAL_WIDTH", "_LOTPROOF_COMPLETE")
"""Environment variables that change what Typer prints; where one is set, it prints the first page, too."""


def __getattr__(name: str) -> Any:
    """Build the whole command line, `app`, when somebody asks for it: the tests and the docs do."""
    if name != "app":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from tracker.cli.tree import grown

    globals()["app"] = whole = grown(VERB_MODULES)
    return whole


def _print_no_more() -> None:
    """Let what is left in standard output go nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


def _nobody_reads() -> NoReturn:
    """End as if it had been read: who closes a pipe has what he wanted."""
    _print_no_more()
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
        code = _run(sys.argv[1:])
        sys.stdout.flush()
        sys.exit(code)
    except BrokenPipeError:
        _nobody_reads()
    except SystemExit as stopped:
        # Typer makes 1 of it, which here means 'no'.
        if isinstance(stopped.__context__, BrokenPipeError):
            _nobody_reads()
        raise
    except Exception as error:
        from tracker.cli.refusing import explain

        code = explain(error)
        try:
            sys.stdout.flush()
        except OSError:  # it is what was refused: as the process ends it would be refused, and told, once more
            _print_no_more()
        sys.exit(code)


def _run(words: list[str]) -> int:
    if words == ["--version"]:
        from tracker import __version__

        print(f"lotproof {__version__}")
        return ExitCode.DONE
    if words in (["--help"], []) and not any(name in os.environ for name in ASKING_TYPER):
        from tracker.cli.front_page import print_front_page

        print_front_page()
        if not words:
            return ExitCode.BAD_REQUEST
        print()  # as Typer does after a page that was asked for
        return ExitCode.DONE
    return _run_tree(words)


def _run_tree(words: list[str]) -> int:
    from typer import main

    from tracker.cli.tree import grown, needed
    from tracker.cli.wording import plain_help

    command = plain_help(main.get_command(grown(needed(words, VERB_MODULES))))
    # Not standalone: then what Typer refuses comes here as an exception, too, and is worded like all else.
    code = command.main(prog_name="lotproof", standalone_mode=False) or ExitCode.DONE
    if code == INTERRUPTED:
        print("lotproof: Stopped. What it did not yet report as kept was not recorded.", file=sys.stderr)
    return int(code)


if __name__ == "__main__":
    run()
