"""A heat soak entered at prompts: one reading after the other, with a word after each on whether it may stop."""

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from tracker.cli.bench_prompt import Form, Rows, enter
from tracker.cli.printing import note
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.bench.soak_verdict import SoakResult
    from tracker.desk.bench_record import Recorded
    from tracker.desk.bench_soak_entry import SoakRequest


def prompted_soak(
    request: "SoakRequest", run: "Callable[[SoakRequest], Recorded[SoakResult]]"
) -> "Recorded[SoakResult]":
    """Ask for the readings of a soak, after those the request has already, and record it.

    Raises
    ------
    BadRequest
        Nobody is there to be asked, or what was said with the verb cannot be used.
    """
    from tracker.desk.bench_soak import so_far

    if request.table is not None:
        raise BadRequest("--prompt and --from do not go together.", "Give the readings in one way.")
    # What else was typed is looked at before anybody waits forty minutes.
    so_far(replace(request, pairs=request.pairs or ("0 s=20 C",)))

    def result(pairs: Sequence[str]) -> Rows:
        return [("so far", so_far(replace(request, pairs=tuple(pairs))).stop.sentence)]

    form = Form(
        test="soak",
        how="Write the time since the heat came on and the temperature: '10 min 41.5 C'.",
        question=lambda pairs: f"Reading {len(pairs) + 1}",
        entry=lambda words, _: "=".join(_parted(words)),
        result=result,
        shown=str,
        again=_again,
    )
    whole = replace(request, pairs=tuple(enter(form, request.pairs)))
    try:
        return run(whole)
    except BadRequest:
        note(_again(whole.pairs))
        raise


def _again(pairs: Sequence[str]) -> str:
    """Return how the readings are given to go on with them: nobody wants to heat a part twice."""
    return "What was entered, to go on with: " + " ".join(f"--at '{pair}'" for pair in pairs)


def _parted(line: str) -> tuple[str, str]:
    """Return time and temperature of a line such as '10 min 41.5 C' or '10 min = 41.5 C'."""
    left, equals, right = line.partition("=")
    if equals:
        return left.strip(), right.strip()
    found = re.fullmatch(r"([+-]?[\d.,]+\s*[^\d\s]+)\s+(.+)", line)
    if found is None:
        raise BadRequest(f"{line!r} is not a time and a temperature.", "Write both with their units: 10 min 41.5 C.")
    return found[1], found[2]
