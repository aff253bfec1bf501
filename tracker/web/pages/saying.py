"""What the forms share that say something of pieces: the pieces above the form, sending twice, and talking past others.

A form is made from the records at some entry of the journal and carries its number (`seen`). Where something was said
of a piece since, nothing is recorded: the form comes back with what was said, status 409, and the newer number, so that
sending it again records it all the same.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.known_names import known_names
from tracker.desk.since import SaidSince
from tracker.desk.thoughts import Thoughts, thoughts
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, NoSuch
from tracker.web import once, render
from tracker.web.page_words import paged_error
from tracker.web.typed import Form, Values

MOST_WORDS = 2000
"""Pieces and runs of pieces one form may be about; our own bound, for the time it takes to look them up."""


class Saying:
    """One kind of form: its template, the fields it keeps when it comes back, and whether it offers known names."""

    def __init__(self, template: str, kept: Sequence[str], *, names: bool = False) -> None:
        self.template, self.kept, self.names = template, tuple(kept), names

    def form(
        self,
        request: Request,
        workspace: Workspace,
        words: Sequence[str],
        values: Mapping[str, str],
        error: BadRequest | None = None,
        **more: Any,
    ) -> Response:
        """Return the form, with what was wrong or was said by others where it comes back."""
        since = error if isinstance(error, SaidSince) else None
        words = words_in(words)
        try:
            found = thoughts(workspace, words)
        except BadRequest as wrong:
            if error is None and isinstance(wrong, NoSuch):
                raise
            found, error = Thoughts(0, ()), error or wrong
        return render.page(
            request,
            self.template,
            200 if error is None else 409 if since else 422,
            error=None if error is None else paged_error(error),
            since=since,
            words=as_runs([thought.row.piece for thought in found.pieces]) or words,
            found=found,
            seen=since.entry if since else found.entry,
            values=Values(values),
            once=once.new(),
            **({"names": known_names(workspace)} if self.names else {}),
            **more,
        )

    def say(
        self, request: Request, workspace: Workspace, form: Form, say: Callable[[tuple[str, ...]], str], **more: Any
    ) -> Response:
        """Carry a form out, once.

        Parameters
        ----------
        say : callable
            Gets the pieces' labels, calls the desk, and returns where to look next.
        """
        words = form.all("piece")
        values = {name: form.text(name) for name in self.kept}
        return once.carried_out(
            request,
            form,
            lambda: say(tuple(words_in(words))),
            lambda error: self.form(request, workspace, words, values, error, **more),
        )


def words_in(texts: Sequence[str]) -> list[str]:
    """Return the words for pieces in what was sent, each field holding one or more.

    Raises
    ------
    BadRequest
        There are too many: a part of them must not be left out unsaid.
    """
    words = [word for text in texts for word in text.replace(",", " ").replace(";", " ").split()]
    if len(words) > MOST_WORDS:
        raise BadRequest(f"More than {MOST_WORDS} pieces are named.", "Name runs of pieces, like L0007-01..50.")
    return words


def as_runs(labels: Sequence[str]) -> list[str]:
    """Return the fewest words for pieces: 'L0007-01..05' where they follow each other."""
    runs: list[tuple[str, int, str, str]] = []  # lot, last number, first label, last label
    for label in labels:
        lot, _, number = label.partition("-")
        if runs and runs[-1][:2] == (lot, int(number) - 1):
            runs[-1] = (lot, int(number), runs[-1][2], label)
        else:
            runs.append((lot, int(number), label, label))
    return [first if first == last else f"{first}..{last.partition('-')[2]}" for _, _, first, last in runs]


def one(words: Sequence[str]) -> str:
    """Return the one piece a form is about.

    Raises
    ------
    BadRequest
        There is none, or there are several.
    """
    if len(words) != 1:
        raise BadRequest("No piece is named." if not words else "Only one piece at a time.", "Name it like L0007-03.")
    return words[0]


def place_of(labels: Sequence[str]) -> str:
    """Return where to look after something was said of pieces: the piece, its lot, or today."""
    lots = {label.partition("-")[0] for label in labels}
    if len(labels) == 1:
        return f"/pieces/{labels[0]}"
    return f"/lots/{lots.pop()}" if len(lots) == 1 else "/"
