"""What an inspection rests on, as one digest: by it a later run knows what need not be looked at again.

In it are the program's version, everything vision names as its method (`METHOD_VERSION` stands for the thresholds),
the facts of the trade that readings are understood with, the claim, the role of the photo and the known-good pieces it
was compared with. Not in it: weights and priors, which today's sums take from today, and the lot's other photos, for
whoever adds one has the others compared anew.
"""

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

from tracker import __version__
from tracker.canonical import canonical
from tracker.judgement.marking import Claim

LOOKED = "looked"
"""The name under which the digest stands in the `method` of what was recorded."""
_NOT_IN_IT = ("weights", LOOKED)
_PROGRAM = (".py", ".toml", ".csv")


def program_method() -> dict[str, str]:
    """Return the method as inspections name it, without weights: what this program would look with."""
    from vision.inspection import method

    return {"lotproof": __version__, **method()}


def looked_with(method: Mapping[str, str], claim: Claim, role: str, exemplars: Sequence[tuple[str, str]]) -> str:
    """Return the digest of all that decides what a photo is seen to show.

    Parameters
    ----------
    method : mapping of str to str
        As an inspection document names it.
    claim : Claim
    role : str
        Of the photo.
    exemplars : sequence of (str, str)
        Label of each known-good piece that was compared with, and the SHA-256 of the photo that shows it.

    Returns
    -------
    str
        64 hexadecimal digits: SHA-256 of the canonical JSON (RFC 8785).
    """
    said = asdict(claim)
    said["arrived_on"] = claim.arrived_on.isoformat() if claim.arrived_on else None
    told = {
        "method": {name: text for name, text in method.items() if name not in _NOT_IN_IT},
        "knowledge": knowledge_digest(),
        "claim": said,
        "role": role,
        "exemplars": [list(one) for one in exemplars],
    }
    return hashlib.sha256(canonical(told).encode()).hexdigest()


@cache
def knowledge_digest() -> str:
    """Return the SHA-256 of the trade's facts: part numbers, date codes, makers, packages."""
    return _digest([files("tracker.knowledge")], (".toml", ".csv"))


@cache
def program_digest() -> str:
    """Return the SHA-256 of the program's own files: workers must have the same ones."""
    return _digest([files("tracker"), files("vision")], _PROGRAM)


def _digest(folders: Iterable[Traversable], endings: tuple[str, ...]) -> str:
    whole = hashlib.sha256()
    for folder in folders:
        for name, file in _files(folder, "", endings):
            whole.update(f"{name} {hashlib.sha256(file.read_bytes()).hexdigest()}\n".encode())
    return whole.hexdigest()


def _files(folder: Traversable, above: str, endings: tuple[str, ...]) -> Iterable[tuple[str, Traversable]]:
    for entry in sorted(folder.iterdir(), key=lambda one: one.name):
        if entry.is_dir():
            yield from _files(entry, f"{above}{entry.name}/", endings)
        elif entry.name.endswith(endings):
            yield f"{above}{entry.name}", entry
