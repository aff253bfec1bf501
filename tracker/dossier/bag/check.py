"""Is this bag whole, unchanged, and a bag of ours? The rules first, as BagIt 1.0 (RFC 8493) and we have them; then the
`bagit` library, which knows nothing of us, reads every byte.

The library alone would not do: it skips lines of a manifest that it cannot read, asks of a file only that one manifest
names it, and lets files lie beside the payload that no tag manifest names. And it is used for reading only: when it
writes a bag it changes the working folder of the whole process.
"""

import logging
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.dossier.bag import names
from tracker.dossier.bag.source import Listed, damaged, read_limited, refused, shown
from tracker.dossier.bag.writer import DECLARED, digest_of

if TYPE_CHECKING:
    import bagit

_LARGEST_TAG = 8_000_000
"""Bytes; our own bound: a manifest of the most files allowed has about five million."""
_LINE = re.compile(r"([0-9a-fA-F]+)[ \t]+\*?(\S+)")
_HEX = {"sha256": 64, "sha512": 128}


@dataclass(frozen=True, slots=True)
class Bag:
    """A bag that was found whole.

    Attributes
    ----------
    folder : Path
    payload : dict
        SHA-256 of each payload file by its path (`data/...`).
    sizes : dict
        Bytes of each file by its path, tag files too.
    info : dict
        What bag-info.txt says.
    digest : str
        What names this payload: the same for a folder and for a ZIP of it.
    """

    folder: Path
    payload: dict[str, str]
    sizes: dict[str, int]
    info: dict[str, str]
    digest: str


def check(folder: Path, files: Sequence[Listed]) -> Bag:
    """Check a bag in a folder whose files have been listed.

    Raises
    ------
    Damaged
        Naming the first thing that is not as it was when the bag was made.
    BadRequest
        When it is none of our bags, names a file that is not allowed, or wants something fetched.
    """
    listed = {one.path: one.size_bytes for one in files}
    _check_tag_files(folder, listed)
    payload = {path for path in listed if path.startswith(f"{names.PAYLOAD}/")}
    manifests = [_manifest(folder, name, payload) for name in names.MANIFESTS]
    for name in names.TAG_MANIFESTS:
        _manifest(folder, name, set(names.TAG_FILES))
    info = _ask_library(folder)
    _check_oxum(info, sum(listed[path] for path in payload), len(payload))
    sha256 = {path: digest.lower() for path, digest in manifests[0].items()}
    return Bag(folder, sha256, listed, info, digest_of(sha256))


def _check_tag_files(folder: Path, listed: dict[str, int]) -> None:
    if names.FETCH in listed:
        raise refused("it has a fetch.txt, and nothing is ever fetched", "Ask for the whole bag.")
    expected = {*names.TAG_FILES, *names.TAG_MANIFESTS}
    for path in (names.DECLARATION, *sorted(expected)):
        if path not in listed:
            raise damaged(f"it has no {path}")
    for path in listed:
        if not path.startswith(f"{names.PAYLOAD}/") and path not in expected:
            raise damaged(f"{shown(path)} is there and no manifest names it")
    if read_limited(folder / names.DECLARATION, 1000).replace(b"\r\n", b"\n") != DECLARED:
        raise refused(f"{names.DECLARATION} does not declare BagIt 1.0 in UTF-8")


def _manifest(folder: Path, name: str, wanted: set[str]) -> dict[str, str]:
    """Return a manifest, digest by path; it must name exactly the files `wanted`, each once."""
    found: dict[str, str] = {}
    length = _HEX[name.removesuffix(".txt").rpartition("-")[2]]
    for number, line in enumerate(_text(folder, name).splitlines(), start=1):
        match = _LINE.fullmatch(line)
        if match is None or len(match[1]) != length:
            raise damaged(f"line {number} of {name} is no digest and file name")
        path = match[2]
        wrong = names.why_not(path)
        if wrong:
            raise refused(f"{name} names {shown(path)}, which is not allowed ({wrong})")
        if path in found:
            raise damaged(f"{name} names {shown(path)} twice")
        found[path] = match[1]
    for path in sorted(wanted - found.keys()):
        raise damaged(f"{shown(path)} is there and {name} does not name it")
    for path in sorted(found.keys() - wanted):
        raise damaged(f"{name} names {shown(path)}, and it is missing")
    return found


def _text(folder: Path, name: str) -> str:
    try:
        return read_limited(folder / name, _LARGEST_TAG).decode("utf-8")
    except UnicodeDecodeError:
        raise damaged(f"{name} is not UTF-8 text") from None


def _ask_library(folder: Path) -> dict[str, str]:
    """Let the library read and hash everything; return what bag-info.txt says."""
    import bagit

    _text(folder, names.INFO)
    with _quiet():
        try:
            bag = bagit.Bag(str(folder))
            bag.validate(processes=1)
        except bagit.BagValidationError as error:
            raise damaged(_faults(error)) from None
        except (bagit.BagError, ValueError) as error:
            raise damaged(_first_line(error)) from None
    for name, value in bag.info.items():
        if not isinstance(value, str):
            raise damaged(f"{names.INFO} says {shown(str(name))} twice")
    return {str(name): str(value) for name, value in bag.info.items()}


def _faults(error: "bagit.BagValidationError") -> str:
    """Return the first fault in words, and how many more there are: digests tell a reader nothing."""
    files = {getattr(one, "path", None): one for one in error.details}
    if not files or None in files:
        return _first_line(error)
    path, first = next(iter(files.items()))
    said = f"{path} is not as it was packed" if getattr(first, "expected", None) else _first_line(first)
    return said + (f", and {len(files) - 1} more files" if len(files) > 2 else ", and 1 more file" * (len(files) - 1))


def _first_line(error: Exception) -> str:
    text = " ".join(str(error).split())
    clean = "".join(letter if letter.isprintable() else "?" for letter in text)
    return clean if len(clean) <= 300 else f"{clean[:300]}..."


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the library's log off the screen: its first fault becomes our sentence."""
    logger = logging.getLogger("bagit")
    before, logger.disabled = logger.disabled, True
    try:
        yield
    finally:
        logger.disabled = before


def _check_oxum(info: dict[str, str], size: int, count: int) -> None:
    said = info.get("Payload-Oxum")
    if said is None:
        raise refused(f"{names.INFO} has no Payload-Oxum")
    if said != f"{size}.{count}":
        raise damaged(f"Payload-Oxum says {shown(said)}, and there are {size}.{count}")
