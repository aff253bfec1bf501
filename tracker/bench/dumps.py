"""Bytes read out of a chip: written by hand in hexadecimal, or in a file, raw or Intel HEX."""

import re
from dataclasses import dataclass
from pathlib import Path

from tracker.bench.tables import Source
from tracker.errors import BadRequest

LARGEST_FILE = 32_000_000  # an 8-megabyte chip as Intel HEX, with room; more is no chip this is for
MOST_BYTES = 64  # a signature has a handful, continuation bytes included
_HEX_ENDINGS = (".hex", ".ihx", ".ihex", ".h86", ".mcs")
_RECORD = re.compile(rb":([0-9A-Fa-f]{2}){5,260}")
_DATA, _END, _SEGMENT, _START_SEGMENT, _LINEAR, _START_LINEAR = range(6)
HEX_SOURCE = "Intel Hexadecimal Object File Format Specification, revision A, 1988"


@dataclass(frozen=True, slots=True)
class Dump:
    """The bytes of a file by address; addresses without a byte are not there."""

    cells: dict[int, int]
    source: Source

    def part(self, offset: int, count: int) -> bytes:
        """Return up to `count` bytes from an address on, as far as they are there without a gap.

        Raises
        ------
        BadRequest
            There is none at the address.
        """
        found = bytearray()
        while len(found) < count and offset + len(found) in self.cells:
            found.append(self.cells[offset + len(found)])
        if not found:
            low, high = min(self.cells), max(self.cells)
            raise BadRequest(
                f"{self.source.name} has no byte at address {offset:#x}; its addresses are {low:#x} to {high:#x}.",
                "Give the address of the signature with --offset.",
            )
        return bytes(found)


def by_hand(text: str) -> bytes:
    """Return bytes written in hexadecimal: '1E 95', '1E95', '0x1E,0x95', '1Eh 95h'.

    Raises
    ------
    BadRequest
        Something else than pairs of hexadecimal figures, or too many of them.
    """
    words = [word for word in re.split(r"[\s,;:]+", text.strip()) if word]
    plain = [re.sub(r"^(0x|\$)|h$", "", word, flags=re.IGNORECASE) for word in words]
    if not plain:
        raise BadRequest("No byte was given.", "Write them in hexadecimal, manufacturer first: '1E 95'.")
    for word, bare in zip(words, plain, strict=True):
        if not re.fullmatch(r"([0-9A-Fa-f]{2})+", bare):
            raise BadRequest(
                f"{word!r} is not a byte in hexadecimal.", "Write two figures from 0 to F for each byte: '1E 95'."
            )
    found = bytes.fromhex("".join(plain))
    if len(found) > MOST_BYTES:
        raise BadRequest(f"{len(found)} bytes are more than a signature has.", "Keep a chip's content in a file.")
    return found


def open_dump(path: Path) -> Dump:
    """Read a file of bytes: Intel HEX by its ending or its first character, anything else as it is.

    Raises
    ------
    BadRequest
        The file cannot be read, is empty or too large, or is broken Intel HEX; the sentence names the line.
    """
    data = _bytes(path)
    source = Source(path.name, data)
    named = path.suffix.lower() in _HEX_ENDINGS
    if named or (data[:1] == b":" and _RECORD.fullmatch(data.split(b"\n", 1)[0].strip())):
        return Dump(_intel_hex(data, path.name), source)
    return Dump(dict(enumerate(data)), source)


def _intel_hex(data: bytes, name: str) -> dict[int, int]:
    """Return the bytes of an Intel HEX file by address; every checksum is checked."""
    cells: dict[int, int] = {}
    base, ended = 0, False
    for number, line in enumerate(data.splitlines(), start=1):
        if not line.strip():
            continue
        where = f"{name}, line {number}"
        if ended:
            raise BadRequest(f"{where}: there is something after the end record.")
        kind, address, body = _record(line.strip(), where)
        if kind == _DATA:
            for i, byte in enumerate(body):
                at = base + (address + i) % 0x10000  # offsets wrap within their 64 K, as the specification says
                if cells.setdefault(at, byte) != byte:
                    raise BadRequest(f"{where}: address {at:#x} was already given another byte.")
        elif kind == _END:
            ended = True
        elif kind in (_SEGMENT, _LINEAR):
            if len(body) != 2:
                raise BadRequest(f"{where}: an address record has 2 bytes, not {len(body)}.")
            base = int.from_bytes(body) << (4 if kind == _SEGMENT else 16)
        elif kind not in (_START_SEGMENT, _START_LINEAR):
            raise BadRequest(f"{where}: there is no record type {kind:02X} in Intel HEX.")
    if not ended:
        raise BadRequest(f"{name} has no end record (:00000001FF): part of it is missing.", "Read the chip again.")
    if not cells:
        raise BadRequest(f"{name} has no data in it.")
    return cells


def _record(line: bytes, where: str) -> tuple[int, int, bytes]:
    """Return (type, address, data) of one record."""
    if not _RECORD.fullmatch(line):
        raise BadRequest(
            f"{where} is no record of Intel HEX.",
            "A record is a colon and pairs of hexadecimal figures; a raw file should not end in .hex.",
        )
    whole = bytes.fromhex(line[1:].decode("ascii"))
    if whole[0] != len(whole) - 5:
        raise BadRequest(f"{where}: the record says {whole[0]} bytes and has {len(whole) - 5}.")
    if sum(whole) % 256:
        raise BadRequest(f"{where}: the checksum is wrong.", "Read the chip, or copy the file, again.")
    return whole[3], int.from_bytes(whole[1:3]), whole[4:-1]


def _bytes(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise BadRequest(f"{path} is a folder.", "Name the file in it.")
        if path.stat().st_size > LARGEST_FILE:
            raise BadRequest(f"{path} is larger than {LARGEST_FILE // 1_000_000} MB, too large for a chip's content.")
        data = path.read_bytes()
    except FileNotFoundError:
        raise BadRequest(f"There is no file {path}.") from None
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise BadRequest(f"{path} cannot be read: {error}.") from None
    if not data:
        raise BadRequest(f"{path.name} is empty.")
    return data
