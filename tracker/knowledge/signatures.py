"""Electronic signatures: which parts have one, whose manufacturer code it is, and what device codes say."""

import csv
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from tracker.knowledge.facts import sourced, table
from tracker.knowledge.makers import of_prefix

CONTINUATION = 0x7F
BANK_KNOWN = 1


@dataclass(frozen=True, slots=True)
class MakerCode:
    """One manufacturer code.

    Parameters
    ----------
    name : str
        As the register has it.
    bank : int
        1 for a code without continuation bytes, one more for each of them.
    byte : int
        As it is read: seven bits and odd parity in the highest, or as the maker has it against the register.
    makers : tuple of str
        Names in makers.toml under which parts with this code are marked; none where we know of none.
    source : str
    exception : str
        Why the byte is not the register's, in a sentence; '' for one that is.
    """

    name: str
    bank: int
    byte: int
    makers: tuple[str, ...]
    source: str
    exception: str = ""


@dataclass(frozen=True, slots=True)
class Relation:
    """Why parts of `maker` may carry the code of `code_name`."""

    code_name: str
    maker: str
    kind: str
    source: str


@dataclass(frozen=True, slots=True)
class Device:
    """One device code: what follows the manufacturer code, and the part it stands for."""

    maker_code: bytes
    device: bytes
    part: str
    source: str

    def is_of(self, part: str) -> bool:
        """Return whether a part number (any case) is one of this device."""
        return re.search(rf"(?<!\d){self.part}(?!\d)", _plain(part)) is not None


@dataclass(frozen=True, slots=True)
class Carrier:
    """A kind of part that has an electronic signature."""

    what: str
    needs_12v: bool
    source: str


def odd_parity(code7: int) -> int:
    """Return a seven-bit code with its eighth bit set so that an odd number of bits is one (JEDEC JEP106)."""
    return code7 | (0x00 if code7.bit_count() % 2 else 0x80)


def carrier(part: str) -> Carrier | None:
    """Return what kind of part with an electronic signature a part number is, or None where it has none we know of."""
    for entry in table("signatures.toml")["carrier"]:
        if re.search(entry["pattern"], _plain(part)):
            return Carrier(entry["what"], bool(entry["needs_12v"]), sourced(entry))
    return None


def is_invented(part: str) -> bool:
    """Return whether a part number carries the prefix of a maker of the demo."""
    letters = re.match(r"[A-Z]+", _plain(part))
    return letters is not None and any(maker.invented for maker in of_prefix(letters.group()))


@cache
def maker_codes(*, invented: bool = False) -> dict[tuple[int, int], MakerCode]:
    """Return the known manufacturer codes by bank and byte as read; with `invented`, those of the demo as well."""
    register = table("signatures.toml")["register"]
    text = resources.files("tracker.knowledge").joinpath(register["file"]).read_text(encoding="utf-8")
    known = [
        MakerCode(
            row["name"],
            register["bank"],
            odd_parity(int(row["code7_hex"], 16)),
            tuple(name for name in row["makers"].split(";") if name),
            register["source"] if row["source"] == "JEDEC JEP106" else row["source"],
        )
        for row in csv.DictReader(text.splitlines())
    ]
    known += [
        MakerCode(entry["name"], 1, int(entry["byte"], 16), tuple(entry["makers"]), sourced(entry), entry["why"])
        for entry in table("signatures.toml")["exception"]
    ]
    if invented:
        known += [
            MakerCode(
                entry["name"],
                entry["bank"],
                odd_parity(int(entry["code7"], 16)),
                tuple(entry["makers"]),
                sourced(entry),
            )
            for entry in table("invented.toml")["signature"]
        ]
    return {(code.bank, code.byte): code for code in known}


@cache
def makes_such_parts(code: MakerCode) -> bool:
    """Return whether a code's maker is known to have made parts with signatures, as far as our tables go."""
    return bool(code.makers) or code.name in table("signatures.toml")["parts_by"]["names"]


@cache
def relations(*, invented: bool = False) -> tuple[Relation, ...]:
    """Return why parts of one maker may carry another's code."""
    return tuple(
        Relation(entry["code_name"], entry["maker"], entry["kind"], sourced(entry))
        for entry in _entries("relation", invented)
    )


@cache
def devices(*, invented: bool = False) -> tuple[Device, ...]:
    """Return the known device codes."""
    return tuple(
        Device(bytes.fromhex(entry["maker_code"]), bytes.fromhex(entry["device"]), entry["part"], sourced(entry))
        for entry in _entries("device", invented)
    )


def _entries(key: str, invented: bool) -> list[dict[str, Any]]:
    return [*table("signatures.toml")[key], *(table("invented.toml")[key] if invented else ())]


def _plain(part: str) -> str:
    return re.sub(r"[\s_]", "", part.upper())
