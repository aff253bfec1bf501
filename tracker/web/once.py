"""A form that is sent twice is carried out once: the second sending gets the answer of the first."""

import secrets
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from threading import Lock

from starlette.requests import Request
from starlette.responses import Response

from tracker.errors import BadRequest
from tracker.web import render, typed

MOST = 1000
"""Forms remembered; our own bound. A form sent again after a thousand others meets the checks of the records alone."""
_LONGEST = 64


def new() -> str:
    """Return a word that no other form carries."""
    return secrets.token_urlsafe(16)


@dataclass(slots=True)
class Done:
    """What became of one form: where its answer leads, None until it was carried out."""

    place: str | None = None
    lock: Lock = field(default_factory=Lock)


class Once:
    """The forms that were carried out lately, by the random word each of them carries.

    It lasts as long as the process: a double click and a reload come within seconds. What was recorded in an earlier
    one is found by its order reference, as on the command line.
    """

    def __init__(self) -> None:
        self._done: OrderedDict[tuple[str, str], Done] = OrderedDict()
        self._lock = Lock()

    @contextmanager
    def of(self, word: str, content: str = "") -> Iterator[Done]:
        """Give what became of the form with this word; a second sending waits here for the first.

        A form without a word, or with one that is none of ours, stands for itself.

        Parameters
        ----------
        content : str
            What tells its content from another's: who goes back, changes something and sends the same page again has
            said something new.
        """
        if not 0 < len(word) <= _LONGEST:
            yield Done()
            return
        key = (word, content)
        with self._lock:
            found = self._done.setdefault(key, Done())
            self._done.move_to_end(key)
            while len(self._done) > MOST:
                self._done.popitem(last=False)
        with found.lock:
            yield found


def carried_out(
    request: Request, form: typed.Typed, do: Callable[[], str], refused: Callable[[BadRequest], Response]
) -> Response:
    """Carry a form out, once, and lead where its answer says.

    Parameters
    ----------
    do : callable
        Calls the desk, and returns where to look next.
    refused : callable
        Returns the form again, with what was wrong.
    """
    forms: Once = request.app.state.once
    with forms.of(form.once, form.content) as done:
        if done.place is not None:
            return repeated(request, done.place)
        try:
            done.place = do()
        except BadRequest as error:
            return refused(error)
    return render.go(done.place)


def repeated(request: Request, place: str) -> Response:
    """Return the answer to a form that was carried out before."""
    render.say(request, "This form came twice. It was carried out once.")
    return render.go(place)
