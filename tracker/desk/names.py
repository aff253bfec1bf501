"""Names that are nearly the same: a second spelling would split a record in two."""

from collections.abc import Iterable
from difflib import get_close_matches

# Our own choice, by trial on names of shops and machines: catches one or two slipped letters, not a shared last word.
_ALIKE = 0.85


def close_names(name: str, known: Iterable[str]) -> list[str]:
    """Return the known names that look like `name` without being it, the likest first; at most two."""
    folded = {other.casefold(): other for other in known}
    found = get_close_matches(name.casefold(), folded, n=3, cutoff=_ALIKE)
    return [folded[other] for other in found if other != name.casefold()][:2]
