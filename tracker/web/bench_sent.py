"""A bench form as it was sent: what stands in its fields and rows, and which of them cannot be used."""

import hashlib
import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from starlette.datastructures import FormData

from tracker.bench.units import fraction, quantity
from tracker.desk.fields import one_line
from tracker.errors import BadRequest
from tracker.web.bench_flags import FLAGS
from tracker.web.bench_forms import Field, Form, Rows

MOST_ROWS = 100
"""Rows of one form; more readings come as a file. Three fields each, and a form has 400 at most."""
MORE = 5
Row = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sent:
    """What a form held.

    Parameters
    ----------
    values : mapping of str to str
        By field; '' where nothing was typed.
    rows : mapping of str to tuple of rows
        By the name of the rows; rows with nothing in them are left out.
    columns : mapping of str to (column, unit)
        By quantity: which column of the file it is, where that was said.
    held : str
        The word of a file that was sent before.
    """

    values: Mapping[str, str] = field(default_factory=dict)
    rows: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)
    columns: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    held: str = ""
    empty: int = 0
    """Empty rows that were asked for beside the usual ones."""

    def get(self, name: str) -> str | None:
        """Return what was typed, or None."""
        return self.values.get(name) or None

    def of(self, name: str) -> tuple[Row, ...]:
        """Return the rows of one kind that hold anything."""
        return self.rows.get(name, ())

    @property
    def mark(self) -> str:
        """What tells this content from another's: who goes back and changes a reading has another form."""
        said = (sorted(self.values.items()), sorted(self.rows.items()), sorted(self.columns.items()), self.held)
        return hashlib.sha256(repr(said).encode()).hexdigest()

    @property
    def mapped(self) -> tuple[str, ...]:
        """Return the columns as the tests take them: 'clock=F (MHz)'."""
        return tuple(
            f"{name}={column} ({unit})" if unit else f"{name}={column}"
            for name, (column, unit) in self.columns.items()
            if column
        )


class AtField(BadRequest):
    """What is wrong with one field: `name` as in the page."""

    def __init__(self, name: str, what: str, advice: str) -> None:
        super().__init__(what, advice)
        self.name = name


def sent(form: Form, data: FormData, quantities: Sequence[str]) -> Sent:
    """Return what a form held, nothing of it checked yet."""
    values = {one.name: _text(data, one.name, one.most) for one in form.fields()}
    rows = {one.name: _rows(one, data) for one in form.rows}
    columns = {name: (_text(data, f"column.{name}", 200), _text(data, f"unit.{name}", 20)) for name in quantities}
    empty = _text(data, "empty", 3)
    return Sent(
        values,
        rows,
        {name: both for name, both in columns.items() if both[0]},
        _text(data, "held", 64),
        min(int(empty), MOST_ROWS) if empty.isascii() and empty.isdecimal() else 0,
    )


def _text(data: FormData, name: str, most: int) -> str:
    found = data.get(name)
    # One more than is allowed, so that the check says so instead of a text that was cut.
    return found.strip()[: most + 1] if isinstance(found, str) else ""


def _rows(rows: Rows, data: FormData) -> tuple[Row, ...]:
    columns = [
        [one.strip()[: column.most + 1] for one in data.getlist(f"{rows.name}.{column.name}") if isinstance(one, str)]
        for column in rows.columns
    ]
    found = itertools.zip_longest(*columns, fillvalue="")
    return tuple(row for row in found if any(row))


def with_row(found: Sent, rows: str, row: Row) -> Sent:
    """Return a form with one more row."""
    return replace(found, rows={**found.rows, rows: (*found.of(rows), row)})


def without_last(found: Sent, rows: str) -> Sent:
    """Return a form without the last row."""
    return replace(found, rows={**found.rows, rows: found.of(rows)[:-1]})


def check(form: Form, found: Sent) -> dict[str, BadRequest]:
    """Return what is wrong with single fields, by their names in the page; nothing where each by itself can be used."""
    wrong: dict[str, BadRequest] = {}
    for one in form.fields():
        _try(wrong, one.name, one, found.values.get(one.name, ""))
    for rows in form.rows:
        if len(found.of(rows.name)) > MOST_ROWS:
            wrong[rows.name] = BadRequest(
                f"There are more than {MOST_ROWS} rows.", "Send more readings than that as a file."
            )
        for number, row in enumerate(found.of(rows.name)):
            for column, text in zip(rows.columns, row, strict=True):
                _try(wrong, f"{rows.name}.{column.name}.{number}", column, text)
    return wrong


def _try(wrong: dict[str, BadRequest], name: str, one: Field, text: str) -> None:
    if not text:
        return
    try:
        _usable(one, text)
    except BadRequest as error:
        wrong[name] = AtField(name, f"{one.title}: {error.what}", in_words(error).advice)


def _usable(one: Field, text: str) -> None:
    if one.look == "area" and len(text) > one.most:
        raise BadRequest(f"It has more than {one.most} characters.", "Send more readings than that as a file.")
    if one.look != "text":
        if one.look == "choice" and text not in [value for value, _ in one.choices]:
            raise BadRequest("That is none of the choices.", "Choose one of them.")
        return
    if one.kind == "share":
        fraction(text, one.title.lower(), both_ends=True)
    elif one.kind == "number":
        number(text)
    elif one.kind == "count":
        count(text)
    elif one.kind:
        quantity(text, one.kind)
    else:
        one_line(text, one.title.lower(), one.most)


def number(text: str) -> float:
    """Return a plain number.

    Raises
    ------
    BadRequest
        It is none, or not finite.
    """
    try:
        found = float(text)
    except ValueError:
        found = math.nan
    if not math.isfinite(found):
        raise BadRequest(f"{text[:40]!r} is no number.", "Write it as 2 or 2.5.")
    return found


def count(text: str) -> int:
    """Return a whole number above 0.

    Raises
    ------
    BadRequest
        It is none.
    """
    if not (text.isascii() and text.isdecimal() and int(text[:9]) >= 1 and len(text) <= 9):
        raise BadRequest(f"{text[:40]!r} is no number of readings.", "Write it as 10.")
    return int(text)


_FLAG = re.compile(r"`?(--[a-z][a-z-]*)`?")


def in_words(error: BadRequest) -> BadRequest:
    """Return an error whose sentences name the fields of the page instead of the command line's options."""

    if isinstance(error, AtField):
        return AtField(error.name, worded(error.what), worded(error.advice))
    return type(error)(worded(error.what), worded(error.advice))


def worded(text: str) -> str:
    """Return a sentence that names the fields of the page instead of the command line's options."""
    said = _FLAG.sub(lambda found: FLAGS.get(found[1], found[1]), text)
    return said if said == text else said[:1].upper() + said[1:]
