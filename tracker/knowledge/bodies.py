"""Which package outlines a claimed part number allows."""

from tracker.knowledge import families, parts
from tracker.knowledge.facts import table
from tracker.knowledge.packages import PackageOutline, outline, outlines

KINDS = {
    "plastic DIP": "DIP-",
    "plastic DIP, narrow": "DIP-",
    "SOIC": "SOIC-",
    "SOIC, wide": "SOIC-",
    "PLCC": "PLCC-",
}
"""Package words of parts.toml whose outlines packages.toml has, and how these outlines' names begin. Ceramic bodies are
made to other drawings and are not among them."""


def claimed_bodies(part: str) -> tuple[PackageOutline, ...]:
    """Return the outlines that a piece sold under this part number may have; empty where that is not known.

    Parameters
    ----------
    part : str
        As claimed.

    Notes
    -----
    The packages in which a family was made, and of these the ones that the number's package letters name. Letters alone
    count where they are of the maker's own list: the same letter means one package here and another there.
    """
    parsed, family = parts.parse(part), families.for_part(part)
    made = [one for name in (family.packages if family else ()) if (one := outline(name)) is not None]
    word = parsed.package if parsed else None
    if word is None:
        return tuple(made)
    kind = KINDS.get(word)
    if kind is None or parsed is None:
        return ()
    if made:
        return tuple(one for one in made if one.name.startswith(kind))
    if parsed.prefix not in table("parts.toml")["package_letters"]:
        return ()
    return tuple(one for one in outlines() if one.name.startswith(kind))
