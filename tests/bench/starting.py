"""`lotproof --help` against the bare import of the library it is built on; whole processes."""

import os
import subprocess
import sys
import sysconfig
from pathlib import Path

from ratios import Result, always, paired, ratio

READS = (
    "How long a person waits for --help, in units of a Python that only loads Typer. It is not the time of a verb: "
    "those load the desk, and some of them the reader."
)


def run(folder: Path) -> Result:
    """Time both as whole processes, 15 rounds."""
    command = Path(sysconfig.get_path("scripts")) / "lotproof"
    help_words = [str(command), "--help"]
    plain_words = [sys.executable, "-c", "import typer"]
    # Neither a narrow terminal nor a slow one is what is measured.
    surroundings = {**os.environ, "COLUMNS": "100"}

    def start(words: list[str]) -> None:
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL, env=surroundings, cwd=folder)

    took = paired(always(lambda: start(help_words)), always(lambda: start(plain_words)), rounds=15, warm=2)
    plain = 'python -c "import typer"'
    return Result((ratio("help", ours="lotproof --help", plain=plain, took=took, reads=READS),))
