"""Entering readings at prompts: one after the other, with the running result after each.

Questions and running results go to standard error; standard output stays the one answer at the end. Nothing is
recorded before `done`, and after a Ctrl-C only where the question about it is answered with yes.
"""

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Generic, TypeVar

import typer

from tracker.cli.bench_common import mind
from tracker.cli.printing import note
from tracker.errors import BadRequest

if TYPE_CHECKING:
    from tracker.bench.clock import ClockResult
    from tracker.bench.current import CurrentResult
    from tracker.desk.bench import ClockRequest, CurrentRequest
    from tracker.desk.workspace import Workspace

Rows = Sequence[tuple[str, str]]
Entry = tuple[str | None, str]
"""A clock as it was written (None: not stated), and what was found there."""
_UNSAID = ("rule", "prior", "uncertainty", "margin", "correction")
"""The same after each reading; the answer at the end has them."""


E = TypeVar("E")


@dataclass(frozen=True, slots=True)
class Form(Generic[E]):
    """What differs between the tests.

    Parameters
    ----------
    test : str
    how : str
        What may be written, in a sentence.
    question : callable
        Gets the entries so far; returns the prompt without its colon.
    entry : callable
        Gets what was written and the entries so far; returns the new entry or raises BadRequest.
    result : callable
        Gets all entries; returns the running result in rows or raises BadRequest.
    shown : callable
        Gets an entry; returns it for a sentence.
    empty : bool
        Whether an empty line is an entry, too.
    again : callable, optional
        Gets all entries; returns a sentence on how to go on with them, said where they are not recorded.
    """

    test: str
    how: str
    question: Callable[[Sequence[E]], str]
    entry: Callable[[str, Sequence[E]], E]
    result: Callable[[Sequence[E]], Rows]
    shown: Callable[[E], str]
    empty: bool = False
    again: Callable[[Sequence[E]], str] | None = None


def prompted_current(workspace: "Workspace", label: str, request: "CurrentRequest") -> "CurrentRequest":
    """Return a supply-current request with the readings entered at prompts.

    Raises
    ------
    BadRequest
        Nobody is there to be asked, or what was said with the verb cannot be used.
    """
    from tracker.desk.bench import check_current, preview_current

    check_current(workspace, label, request)

    def clock_now(entries: Sequence[Entry]) -> str | None:
        return entries[-1][0] if entries else request.clock

    def question(entries: Sequence[Entry]) -> str:
        clock = clock_now(entries)
        return f"Reading {len(entries) + 1}" + (f" at {clock}" if clock else "")

    def entry(words: str, entries: Sequence[Entry]) -> Entry:
        left, equals, right = words.rpartition("=")
        if not equals:
            _no_clock(words)
        return (left.strip() or None, right.strip()) if equals else (clock_now(entries), words)

    form = Form(
        test="current",
        how="Write a current, '12.1 mA', or a clock and a current, '4 MHz = 12.1 mA'; the clock then holds for those "
        "after it.",
        question=question,
        entry=entry,
        result=lambda entries: current_rows(preview_current(workspace, label, _with_currents(request, entries))),
        shown=_shown,
    )
    return _with_currents(request, enter(form))


def _no_clock(words: str) -> None:
    """Refuse a clock rate by itself, which somebody writes who thinks of it first."""
    from tracker.bench.units import quantity

    try:
        quantity(words, "clock")
    except BadRequest:
        return
    raise BadRequest(f"{words} is a clock rate; the current at it is missing.", f"Write both: '{words} = 12.1 mA'.")


def prompted_clock(workspace: "Workspace", label: str, request: "ClockRequest") -> "ClockRequest":
    """Return a clock request with the steps entered at prompts, each at the clock proposed or at another.

    Raises
    ------
    BadRequest
        As in `prompted_current`.
    """
    from tracker.bench.figures import show
    from tracker.desk.bench import preview_clock, proposed_clock

    workspace.refuse_if_moved()
    preview_clock(workspace, label, request)

    def with_steps(entries: Sequence[Entry]) -> "ClockRequest":
        return replace(request, pairs=tuple(f"{clock}={outcome}" for clock, outcome in entries))

    def proposed(entries: Sequence[Entry]) -> str | None:
        clock_hz = proposed_clock(workspace, label, with_steps(entries))
        return None if clock_hz is None else show(clock_hz, "Hz", 3)

    def question(entries: Sequence[Entry]) -> str:
        clock = proposed(entries)
        return f"Step {len(entries) + 1}" + (f", {clock} proposed" if clock else "")

    def entry(words: str, entries: Sequence[Entry]) -> Entry:
        left, equals, right = words.rpartition("=")
        clock = left.strip() if equals else proposed(entries)
        if not clock:
            raise BadRequest("The clock was not said.", "Write it before the outcome: '2 MHz = pass'.")
        return clock, right.strip()

    def result(entries: Sequence[Entry]) -> Rows:
        found = preview_clock(workspace, label, with_steps(entries))
        return [] if found is None else _clock_rows(found)

    form = Form(
        test="clock",
        how="Write pass or fail (p or f) for the clock proposed, or another clock with it: '2.4 MHz = fail'.",
        question=question,
        entry=entry,
        result=result,
        shown=_shown,
    )
    return with_steps(enter(form))


def enter(form: Form[E], begun: Sequence[E] = ()) -> list[E]:
    """Ask until it is enough, and return what was entered after what was `begun` with: at least one entry."""
    if not sys.stdin.isatty():
        raise BadRequest("--prompt needs somebody at a terminal.", "Give the readings with --at or --from.")
    mind(form.test)
    note(f"{form.how}\n'undo' takes the last one back, 'done' records them, Ctrl-C stops.")
    entries = list(begun)
    while True:
        try:
            words = _ask(f"{form.question(entries)}: ")
        except (KeyboardInterrupt, typer.Abort) as stopped:
            if isinstance(stopped, KeyboardInterrupt) and _kept(len(entries)):
                return entries
            if form.again is not None and entries:
                note(f"\n{form.again(entries)}")
            raise typer.Abort from None
        if words.lower() == "done" and entries:
            return entries
        try:
            entries = _next(form, words, entries)
        except BadRequest as error:
            note(f"{error.what} {error.advice}".strip())


def _next(form: Form[E], words: str, entries: list[E]) -> list[E]:
    """Return the entries after one more line, which may take one back."""
    if (not words and not form.empty) or words in ("?", "help"):
        raise BadRequest(form.how, "Or undo, or done.")
    if words.lower() in ("undo", "done"):
        if not entries:
            raise BadRequest("Nothing was entered yet.", form.how)
        note(f"Taken back: {form.shown(entries[-1])}.")
        entries = entries[:-1]
        _tell(form.result(entries) if entries else [])
        return entries
    more = [*entries, form.entry(words, entries)]
    _tell(form.result(more))
    return more


def _kept(number: int) -> bool:
    """Return whether what was entered is to be recorded after a Ctrl-C."""
    if not number:
        return False
    note("")
    try:
        answer = _ask(f"Record what was entered so far ({number})? [y/N]: ")
    except (KeyboardInterrupt, typer.Abort):
        return False
    return answer.lower() in ("y", "yes")


def _ask(question: str) -> str:
    """Return what is written in answer, without spaces around it."""
    print(question, end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:  # the terminal went away, or Ctrl-D
        raise typer.Abort
    return line.strip()


def _with_currents(request: "CurrentRequest", entries: Sequence[Entry]) -> "CurrentRequest":
    without = [current for clock, current in entries if clock is None]
    if not without:
        return replace(request, clock=None, pairs=tuple(f"{clock}={current}" for clock, current in entries))
    if len(without) < len(entries):
        raise BadRequest(
            "Some readings have a clock and some have none.", "State the clock of each; 'undo' takes one back."
        )
    return replace(request, currents=tuple(without))


def _shown(entry: Entry) -> str:
    return entry[1] if entry[0] is None else f"{entry[0]} = {entry[1]}"


def _tell(rows: Rows) -> None:
    for name, text in rows:
        note(f"  {name:<12} {text}")


def current_rows(found: "CurrentResult") -> Rows:
    from tracker.desk.bench_words import current_text

    rows = [row for row in current_text(found) if row[0] not in _UNSAID]
    return [*rows, ("so far", found.verdict.upper()), *(("", reason) for reason in found.reasons)]


def _clock_rows(found: "ClockResult") -> Rows:
    from tracker.desk.bench_words import clock_text

    rows = [row for row in clock_text(found) if row[0] not in (*_UNSAID, "try next")]
    reasons = [reason for reason in found.reasons if not reason.startswith("Try ")]  # the prompt proposes it
    return [*rows, ("so far", found.verdict.upper()), *(("", reason) for reason in reasons)]
