"""Electronic signature: manufacturer and device code as a programmer reads them, against the marking."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from tracker.bench.conformity import Verdict
from tracker.errors import BadRequest
from tracker.knowledge.facts import FROM_MEMORY
from tracker.knowledge.makers import find_maker
from tracker.knowledge.signatures import (
    BANK_KNOWN,
    CONTINUATION,
    Device,
    MakerCode,
    devices,
    maker_codes,
    makes_such_parts,
    relations,
)

RULE = (
    "fail: the manufacturer code is another maker's than the marking's and no relation between the two is declared, or "
    "the device code is that of another part by a text we know; undecided: nothing was read (all FF or all 00), "
    "repeated readings differ, wrong parity (a reading error), a code or maker that is not known, continuation bytes "
    "after a code, a part that is not known to have a signature, a code whose maker is not known to have made such "
    "parts, a device code that is not one of those known for the part, or one known from memory alone; pass: the maker "
    "agrees, and the device code where it is known (codes: JEDEC JEP106, first bank alone; rule: common practice, no "
    "source)"
)
CONTENT = (
    "A programmer that does not bring the part into its identifier mode reads the content at the first addresses "
    "instead: read a known-good piece of the same part with the same setting before this is held against the piece."
)
LATE_CONTINUATION = (
    "There is a 7F behind it: some parts give their continuation bytes after the code (from memory), which is then one "
    "of another bank of the register. Those are not listed here."
)
NO_CARRIER = (
    "Parts of this kind are not known to have an electronic signature, so the bytes may be no signature at all."
)
MOST_DEVICE_BYTES = 3  # no signature known here has more


@dataclass(frozen=True, slots=True)
class Identity:
    """What a row of bytes says, before it is held against anything.

    Parameters
    ----------
    raw : str
        The bytes in hexadecimal.
    bank : int
        One more than there are continuation bytes.
    maker_code, device_code : str or None
        In hexadecimal; None where they were not read.
    parity_odd : bool or None
        Whether the manufacturer code has odd parity; None where it was not read.
    maker, maker_source : str or None
        Whose code it is; None where that is not known.
    doubt : str
        Why the bytes say nothing, in a sentence; '' where they do.
    """

    raw: str
    bank: int
    maker_code: str | None
    device_code: str | None
    parity_odd: bool | None
    maker: str | None
    maker_source: str | None
    doubt: str


@dataclass(frozen=True, slots=True)
class Marked:
    """What the piece's marking says.

    Parameters
    ----------
    makers : tuple of str
        Makers it may be by; several where a prefix is shared, none where it is not known.
    part : str or None
    source : str
        Where that was read.
    invented : bool
        Whether codes of the demo's makers count.
    carries : bool
        Whether such parts are known to have an electronic signature: without one the bytes may be anything.
    """

    makers: tuple[str, ...]
    part: str | None
    source: str
    invented: bool = False
    carries: bool = True


@dataclass(frozen=True, slots=True)
class KnownDevice:
    """A part that a device code stands for, and where that is written."""

    part: str
    source: str


@dataclass(frozen=True, slots=True)
class SignatureResult:
    """The verdict on an electronic signature.

    Parameters
    ----------
    verdict : 'pass', 'fail' or 'undecided'
    rule, reasons : str, tuple of str
    readings : int
        How often it was read.
    identity : Identity
    marked : Marked
    relation : str or None
        What is declared between the code's maker and the marking's, where they are not the same.
    known : tuple of KnownDevice
        What the device code stands for; empty where that is not known.
    """

    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    readings: int
    identity: Identity
    marked: Marked
    relation: str | None
    known: tuple[KnownDevice, ...]


def identify(raw: bytes, *, invented: bool = False) -> Identity:
    """Return what a row of bytes says.

    Parameters
    ----------
    raw : bytes
        Continuation bytes (7F), the manufacturer code, the device code, in the order of their addresses.
    invented : bool
        Whether codes of the demo's makers count.
    """
    if (len(set(raw)) == 1 and raw[0] in (0x00, 0xFF) and len(raw) > 1) or raw in (b"\x00", b"\xff"):
        doubt = (
            f"Every byte is {raw[0]:02X}, as where nothing answers: the identifier mode was not entered, or the piece "
            "stands wrongly or badly in its socket."
        )
        return Identity(_hex(raw), 1, None, None, None, None, None, doubt)
    plain = _bytewide(raw)
    skipped = len(plain) - len(plain.lstrip(bytes([CONTINUATION])))
    bank, rest = skipped + 1, plain[skipped:]
    if not rest:
        return Identity(_hex(raw), bank, None, None, None, None, None, "There is no code after the continuation bytes.")
    found = maker_codes(invented=invented).get((bank, rest[0]))
    odd = rest[0].bit_count() % 2 == 1
    return Identity(
        raw=_hex(raw),
        bank=bank,
        maker_code=_hex(rest[:1]),
        device_code=_hex(rest[1 : 1 + MOST_DEVICE_BYTES]) or None,
        parity_odd=odd,
        maker=found.name if found else None,
        maker_source=found.source if found else None,
        doubt="" if found else _doubt(rest[0], bank, odd),
    )


def _bytewide(raw: bytes) -> bytes:
    """Return the lower halves of a 16-bit part's words, '20 00 B8 00' or '00 20 00 B8', as '20 B8'."""
    if len(raw) >= 4 and len(raw) % 2 == 0:
        for lower, upper in ((raw[::2], raw[1::2]), (raw[1::2], raw[::2])):
            if not any(upper) and lower[0]:
                return lower
    return raw


def _doubt(code: int, bank: int, odd: bool) -> str:
    if not odd:
        return (
            f"The manufacturer code {code:02X} has even parity where the register asks for odd: one bit of it was read "
            "wrongly, or this is not a signature."
        )
    if bank > BANK_KNOWN:
        namesake = maker_codes().get((BANK_KNOWN, code))
        other = f" It is not {namesake.name}'s, which is {code:02X} without a 7F before it." if namesake else ""
        return (
            f"The code is that of a maker of bank {bank} of the register; those are not listed here: look it up by "
            f"hand.{other}"
        )
    return f"{code:02X} is no maker's code in the first bank of the register."


def evaluate(readings: Sequence[bytes], marked: Marked) -> SignatureResult:
    """Hold an electronic signature against the marking.

    Parameters
    ----------
    readings : sequence of bytes
        At least one; several are repeated readings of one piece.
    marked : Marked

    Raises
    ------
    BadRequest
        There is no reading.
    """
    if not readings or not all(readings):
        raise BadRequest("There is no reading.", "Give the bytes with --bytes, or a file with --from.")
    identity = identify(readings[0], invented=marked.invented)
    if len(set(readings)) > 1:
        told = "Repeated readings differ: " + ", then ".join(_hex(one) for one in readings) + "."
        return _result("undecided", (told, "Clean the legs, seat the piece again and read again."), readings, marked)
    if identity.doubt:
        return _result("undecided", (identity.doubt, *_near(identity, marked)), readings, marked)
    if not marked.makers:
        reason = f"The code is {identity.maker}'s, but which maker the marking names is not known: state it."
        return _result("undecided", (reason,), readings, marked)
    relation = _relation(identity, marked)
    if relation is None and not makes_such_parts(_code(identity, marked.invented)):
        reason = f"The code is {identity.maker}'s, who is not known to have made such parts: it is hardly a signature."
        return _result("undecided", (reason, CONTENT), readings, marked)
    if relation is None:
        reason = f"The code is {identity.maker}'s; the marking is {_either(marked.makers)}'s ({marked.source})."
        if not marked.carries:
            return _result("undecided", (reason, NO_CARRIER), readings, marked)
        if bytes([CONTINUATION]) in bytes.fromhex(identity.device_code or ""):
            return _result("undecided", (reason, LATE_CONTINUATION), readings, marked)
        return _result("fail", (reason, "No relation between the two is declared.", CONTENT), readings, marked)
    agrees = f"The code is {identity.maker}'s, as the marking's."
    if relation:
        agrees = f"The code is {identity.maker}'s, the marking {_either(marked.makers)}'s: {relation}."
    verdict, told = _device(identity, marked)
    return _result(verdict, (agrees, told), readings, marked, relation or None)


def _result(
    verdict: Verdict, reasons: tuple[str, ...], readings: Sequence[bytes], marked: Marked, relation: str | None = None
) -> SignatureResult:
    identity = identify(readings[0], invented=marked.invented)
    known = tuple(KnownDevice(one.part, one.source) for one in _known(identity, marked.invented))
    return SignatureResult(verdict, RULE, reasons, len(readings), identity, marked, relation, known)


def _relation(identity: Identity, marked: Marked) -> str | None:
    """Return '' where the code is one of the marking's makers' own, what is declared between them, or None."""
    code = _code(identity, marked.invented)
    wanted = _names(marked.makers)
    if wanted & _keys((code.name, *code.makers)):
        return ""
    for one in relations(invented=marked.invented):
        if one.code_name == code.name and _keys([one.maker]) & wanted:
            return f"{one.kind} ({one.source})"
    return None


def _code(identity: Identity, invented: bool) -> MakerCode:
    assert identity.maker_code is not None  # asked only where there is no doubt
    return maker_codes(invented=invented)[(identity.bank, int(identity.maker_code, 16))]


def _device(identity: Identity, marked: Marked) -> tuple[Verdict, str]:
    """Return the verdict where the maker agrees, and what decided."""
    if identity.device_code is None:
        return "pass", "No device code was read; the maker alone was compared."
    if marked.part is None:
        return "pass", "The marking's part number is not known; the maker alone was compared."
    known = _known(identity, marked.invented)
    if any(one.is_of(marked.part) for one in known):
        return "pass", f"The device code {identity.device_code} is that of {marked.part}."
    if known:
        return _other_part(identity, marked.part, known)
    own = [one for one in _of_maker(identity, marked.invented) if one.is_of(marked.part)]
    if own:
        codes = " or ".join(_hex(one.device) for one in own)
        return "undecided", (
            f"The device code {identity.device_code} is not one of those known for {marked.part} ({codes}); makers "
            "change them with the die, so look it up in the data sheet of the piece's years."
        )
    return "pass", f"What the device code {identity.device_code} stands for is not known here; the maker was compared."


def _other_part(identity: Identity, part: str, known: Sequence[Device]) -> tuple[Verdict, str]:
    names = " or ".join(one.part for one in known)
    told = f"The device code {identity.device_code} is that of {names}; the marking is {part}."
    if any(_size(one.part) == _size(part) for one in known):
        return "undecided", f"{told} Versions of one size may share a code: see the data sheet."
    if all(one.source == FROM_MEMORY for one in known):
        return "undecided", f"{told} That is known from memory alone: see the data sheet."
    return "fail", told


def _size(part: str) -> tuple[str, str] | None:
    """Return type and size of a memory's number without the letters between them: 27C512 and 27V512 are alike."""
    found = re.search(r"(?<!\d)(\d\d)[A-Z]*?(\d{2,4})(?!\d)", part.upper())
    return (found[1], found[2]) if found else None


def _of_maker(identity: Identity, invented: bool) -> list[Device]:
    prefix = bytes([CONTINUATION] * (identity.bank - 1)) + bytes.fromhex(identity.maker_code or "")
    return [one for one in devices(invented=invented) if one.maker_code == prefix]


def _known(identity: Identity, invented: bool) -> list[Device]:
    read = bytes.fromhex(identity.device_code or "")
    return [one for one in _of_maker(identity, invented) if read[: len(one.device)] == one.device]


def _near(identity: Identity, marked: Marked) -> tuple[str, ...]:
    """Return which of the marking's makers has a code one bit away from one of wrong parity."""
    if identity.maker_code is None or identity.parity_odd:
        return ()
    read = int(identity.maker_code, 16)
    wanted = _names(marked.makers)
    near = [
        code
        for code in maker_codes(invented=marked.invented).values()
        if code.bank == identity.bank
        and (code.byte ^ read).bit_count() == 1
        and wanted & _keys((code.name, *code.makers))
    ]
    told = (f"One bit away from it is {one.byte:02X}, the code of {one.name}: read again." for one in near)
    return tuple(told)


def _names(makers: Sequence[str]) -> set[str]:
    """Return the keys of makers as a person named them: as they stand, and as our table has them."""
    found = (find_maker(maker) for maker in makers)
    return _keys(makers) | _keys([maker.name for maker in found if maker is not None])


def _keys(names: Sequence[str]) -> set[str]:
    # The register's names are taken as they stand: a name that only begins like another maker's is not that maker.
    return {re.sub(r"[^A-Z0-9]", "", name.upper()) for name in names}


def _either(names: Sequence[str]) -> str:
    return " or ".join(names)


def _hex(raw: bytes) -> str:
    return raw.hex(" ").upper()
