"""What the head of a column says: which quantity, and in which unit.

`clock_khz`, `Clock (kHz)`, `clock [kHz]`, `clock / kHz` and `clock in kHz` all say the same. Where the head names no
unit, the cells have theirs. A file with other names is told apart by a mapping: `clock=F`, or `clock=F (MHz)` where
neither the head nor the cells say the unit.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tracker.bench.units import quantity
from tracker.errors import BadRequest

_BRACKETS = re.compile(r"(?P<base>.*?)\s*(?:\((?P<round>[^()]+)\)|\[(?P<square>[^\[\]]+)\])\s*")
_WORDS = re.compile(r"(?P<base>.*?)\s*(?:\s/\s*|/\s|\s+in\s+)(?P<unit>\S+)\s*", re.IGNORECASE)
_SUFFIX = re.compile(r"(?P<base>.+)_(?P<unit>[^_\W]+)")


@dataclass(frozen=True, slots=True)
class Scale:
    """How a bare number becomes one in the unit of its kind: `offset + factor * number`."""

    offset: float
    factor: float

    def __call__(self, number: float) -> float:
        return self.offset + self.factor * number


PLAIN = Scale(0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Head:
    """A column that was found: its place, its name as written, and how its numbers count (None: cells have units)."""

    place: int
    name: str
    scale: Scale | None


def mapping(pairs: Sequence[str], known: Sequence[str], where: str = "this table") -> dict[str, str]:
    """Return which column of a file each quantity is in, from 'QUANTITY=COLUMN' pairs.

    Parameters
    ----------
    pairs : sequence of str
    known : sequence of str
        The quantities there are; the first serves as the example.
    where : str
        What has these quantities, for the sentence that refuses another.

    Raises
    ------
    BadRequest
        Not a pair, an unknown quantity, or one that is named twice.
    """
    found: dict[str, str] = {}
    for text in pairs:
        left, equals, right = (part.strip() for part in text.partition("="))
        if not equals or not left or not right:
            raise BadRequest(f"{text!r} does not say which column is what.", f"Write it as {known[0]}=COLUMN.")
        if left.lower() not in known:
            raise BadRequest(f"There is no {left!r} in {where}.", f"Say one of {', '.join(known)}.")
        if left.lower() in found:
            raise BadRequest(f"The column of {left.lower()!r} is named twice.")
        found[left.lower()] = right
    return found


def find(heads: Sequence[str], short: str, kind: str | None, unit: str, mapped: Mapping[str, str]) -> Head | None:
    """Return the column of a quantity, or None where the table has none.

    Parameters
    ----------
    heads : sequence of str
        As they stand in the file.
    short : str
        The quantity's name: 'clock'.
    kind : str or None
        Its kind in `units.KINDS`; None where the cells are words.
    unit : str
        The suffix of its plain name: 'hz'. Numbers of that column are taken as they are.
    mapped : mapping
        From `mapping`.

    Raises
    ------
    BadRequest
        Two columns could be it, the mapped one is not there, or its unit is of another kind.
    """
    if short in mapped:
        return _mapped(heads, mapped[short], kind)
    matching = [head for head in (_match(i, text, short, kind, unit) for i, text in enumerate(heads)) if head]
    if len(matching) > 1:
        names = " and ".join(repr(head.name) for head in matching)
        raise BadRequest(f"The columns {names} could both be {short}.", f"Say which: --column {short}=COLUMN.")
    return matching[0] if matching else None


def _match(place: int, text: str, short: str, kind: str | None, unit: str) -> Head | None:
    head = text.strip()
    if head.lower() == short:
        return Head(place, head, None)
    if kind is None:
        return None
    if head.lower() == f"{short}_{unit}":
        return Head(place, head, PLAIN)  # without pint, which takes a third of a second to load
    suffix = _SUFFIX.fullmatch(head)
    if suffix and suffix["base"].lower() == short:
        try:
            return Head(place, head, scale(suffix["unit"], kind))
        except BadRequest:
            return None  # another column that happens to begin alike: current_limit
    base, named = _parted(head)
    return Head(place, head, _scale_of(head, named, kind)) if named and base.lower() == short else None


def _mapped(heads: Sequence[str], wanted: str, kind: str | None) -> Head:
    for name, stated in ((wanted, None), _parted(wanted)):
        places = [i for i, head in enumerate(heads) if name.lower() in (head.strip().lower(), _parted(head)[0].lower())]
        if len(places) > 1:
            places = [i for i in places if heads[i].strip() == name] or places
        if len(places) > 1:
            raise BadRequest(f"More than one column is called {name!r}.", "Write its head as it stands in the file.")
        if places:
            head = heads[places[0]].strip()
            if kind is None:
                return Head(places[0], head, None)
            named = stated or _parted(head)[1] or _suffix_unit(head, kind)
            return Head(places[0], head, None if named is None else _scale_of(head, named, kind))
    there = ", ".join(heads) or "none"
    raise BadRequest(f"There is no column {wanted!r}; the columns are: {there}.", "Name one of them with --column.")


def _parted(head: str) -> tuple[str, str | None]:
    """Return a head without its unit, and the unit where brackets, a slash or 'in' set it apart."""
    found = _BRACKETS.fullmatch(head.strip())
    if found:
        return found["base"].strip(), (found["round"] or found["square"]).strip()
    found = _WORDS.fullmatch(head.strip())
    return (found["base"].strip(), found["unit"]) if found else (head.strip(), None)


def _suffix_unit(head: str, kind: str) -> str | None:
    found = _SUFFIX.fullmatch(head)
    if found is None:
        return None
    try:
        scale(found["unit"], kind)
    except BadRequest:
        return None
    return found["unit"]


def _scale_of(head: str, unit: str, kind: str) -> Scale:
    try:
        return scale(unit, kind)
    except BadRequest as error:
        raise BadRequest(f"The column {head!r} is in {unit!r}: {error.what}", error.advice) from None


def scale(unit: str, kind: str) -> Scale:
    """Return how a bare number in a unit becomes one in the unit of its kind.

    Raises
    ------
    BadRequest
        The unit is unknown or of another kind.
    """
    zero, one = quantity(f"0 {unit}", kind), quantity(f"1 {unit}", kind)
    return Scale(zero, one - zero) if zero else Scale(0.0, one)
