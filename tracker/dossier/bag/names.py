"""What stands where in a bag, and which names are allowed in it.

Names are plain: letters and digits of ASCII, point, hyphen, underscore, and `/` between folders. A name of this kind
means the same on every file system and in every archive, so drive letters, backslashes, composed and decomposed letters
and the names of devices need no further thought. A file's own name is in the records.
"""

import re
import unicodedata

ALGORITHMS = ("sha256", "sha512")
"""Manifests in every bag; RFC 8493 recommends SHA-512, and SHA-256 is what the records name files by."""
DECLARATION = "bagit.txt"
INFO = "bag-info.txt"
FETCH = "fetch.txt"
PAYLOAD = "data"
MANIFESTS = tuple(f"manifest-{name}.txt" for name in ALGORITHMS)
TAG_MANIFESTS = tuple(f"tagmanifest-{name}.txt" for name in ALGORITHMS)
TAG_FILES = (DECLARATION, INFO, *MANIFESTS)
"""What both tag manifests name."""

RECORDS = "data/records.json"
JOURNAL = "data/journal.jsonl"
PROVENANCE = "data/provenance.json"

_PART = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]*")
LONGEST_PART = 120
LONGEST_PATH = 200
"""Characters; our own bounds: Windows takes 260 for a whole path, and the bag lies in a folder there."""
DEEPEST = 4
_DEVICES = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)


def why_not(path: str) -> str | None:
    """Return what is wrong with a path in a bag, or None."""
    if not path:
        return "it is empty"
    if path.startswith("/") or re.match(r"[A-Za-z]:", path):
        return "it is absolute"
    if "\\" in path:
        return "it has a backslash in it"
    parts = path.split("/")
    if any(part in ("", ".", "..") for part in parts):
        return "it leaves its folder" if ".." in parts else "it has an empty part"
    if any(part.startswith(".") for part in parts):
        return "it begins with a point; bags hold no hidden files"
    if len(path) > LONGEST_PATH or any(len(part) > LONGEST_PART for part in parts) or len(parts) > DEEPEST:
        return "it is too long or too deep"
    if not all(_PART.fullmatch(part) and not part.endswith(".") for part in parts):
        return "it has other characters than letters, digits, point, hyphen and underscore"
    if any(_DEVICES.fullmatch(part) for part in parts):
        return "it is the name of a device"
    return None


def plain_name(name: str, limit: int = 60) -> str:
    """Return a file's own name as a plain one, its ending kept."""
    ascii_only = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii")
    stem, point, ending = re.sub(r"[^A-Za-z0-9._-]+", "-", ascii_only).strip("-._").rpartition(".")
    if not point or not re.fullmatch(r"[A-Za-z0-9]{1,8}", ending):
        stem, ending = f"{stem}{point}{ending}", ""
    stem = re.sub(r"\.+", ".", stem)[:limit].strip("-._") or "file"
    return f"{stem}.{ending}" if ending else stem
