"""Markings and part numbers: taken apart, compared, split by makers' grammars, looked up."""

import math

from fuzz_choices import Choices

from tracker.knowledge import families, lexicon, makers, part_split, parts, signatures
from tracker.knowledge.bodies import claimed_bodies

MODULES = ("tracker.knowledge",)
_PARTS = ("CV6522AP", "KM4417", "SN74LS00N", "74HC245D", "MC68B09P", "Z80ACPU", "LM358N", "27C256-15", "HM6116LP-3",
          "D8255AC-2", "TMS4164-15NL", "8031", "UPD765AC", "54LS138J", "AM2901BDC", "CD4011BE")  # fmt: skip


def made(pick: Choices) -> bytes:
    """Return two part numbers, the second often the first one spoiled, and what stands around them."""
    first = pick.one(_PARTS)
    second = pick.one(_PARTS) if pick.often(25) else first
    for _ in range(pick.whole(0, 2)):
        second = pick.spoiled(second)
    if pick.often(30):
        first = pick.spoiled(first)
    lines = [second, *(pick.one(("KOREA", "8914", "Corvane", "(C)1982", pick.odd())) for _ in range(pick.whole(0, 3)))]
    return "\n".join([first, *lines]).encode("utf-8", "surrogatepass")


def one_case(data: bytes) -> str:
    """Take apart and compare what stands in lines: the first is claimed, the others are read."""
    claimed, *lines = data.decode("utf-8", "replace").split("\n")
    read = lines[0] if lines else claimed
    compared = parts.compare_part(claimed, read)
    assert compared == parts.compare_part(claimed, read)
    assert isinstance(parts.compare_part(claimed, claimed), parts.PartComparison)
    for text in (claimed, read):
        part = parts.parse(text)
        if part is not None:
            assert parts.parse(text) == part
        assert math.isfinite(parts.part_score(text))
        assert parts.folded(parts.folded(text)) == parts.folded(text)
        part_split.split(text)
        families.for_part(text)
        claimed_bodies(text)
        signatures.carrier(text)
        makers.find_maker(text)
        for token in text.split():
            assert math.isfinite(lexicon.token_score(token))
            assert lexicon.date_score(token) <= lexicon.token_score(token) or token in lexicon.words()
    found = parts.find_part(lines)
    assert found is None or isinstance(found, str)
    return f"compared; {'a part' if parts.parse(read) else 'no part'}"
