"""Date codes in whole markings: what is understood is a date there was, by the calendar of ISO 8601."""

from datetime import date, timedelta

from fuzz_choices import Choices

from tracker.knowledge.datecodes import interpret, suspects
from tracker.knowledge.datestyles import weeks_in

MODULES = ("tracker.knowledge",)
_WORDS = ("CV6522AP", "KM4417", "8914", "9153", "0453", "2601", "33-87", "8914A", "A8031N", "87/33", "(C)1982", "©1979",
          "KOREA", "MALAYSIA", "JAPAN", "1984", "2031", "5501", "0000", "9999", "W33", "87W33", "S8914", "AUG87", "H7",
          "LOT", "V1.2", "7", "891", "89141", "2053", "1553", "0901", "5253")  # fmt: skip
_MAKERS = (None, "Corvane", "Kelmont", "nobody", "", "\u202e")
_ZERO = date(1960, 1, 1)


def made(pick: Choices) -> bytes:
    """Return a maker, a last day and a marking of a few words, some of them codes for any year and week."""
    words = []
    for _ in range(pick.whole(1, 6)):
        code = f"{pick.whole(0, 99):02d}{pick.whole(0, 60):02d}"
        word = pick.one(_WORDS) if pick.often(60) else code
        words.append(pick.spoiled(word) if pick.often(15) else word)
    head = bytes([pick.whole(0, len(_MAKERS) - 1)]) + pick.whole(0, 65535).to_bytes(2)
    return head + pick.one((" ", "  ", " / ", "\n")).join(words).encode("utf-8", "surrogatepass")


def one_case(data: bytes) -> str:
    """Interpret a marking."""
    head, text = data[:3].ljust(3, b"\0"), data[3:].decode("utf-8", "replace")
    maker, latest = _MAKERS[head[0] % len(_MAKERS)], _ZERO + timedelta(days=int.from_bytes(head[1:]) % 29000)
    found = interpret(text, maker=maker, by=latest)
    assert sum(one.probability for one in found) <= 1.0 + 1e-9
    for one in found:
        assert 0.0 < one.probability <= 1.0
        assert _began(one.year, one.week, one.month) <= latest + timedelta(days=14), (one, latest)
        if one.week is not None:
            assert 1 <= one.week <= 53
            if one.week <= weeks_in(one.year):  # Python's calendar: ISO 8601 has this week in this year
                assert date.fromisocalendar(one.year, one.week, 1).isocalendar()[:2] == (one.year, one.week)
            else:  # makers print 53 in years of 52, too
                assert one.week == 53
                assert date(one.year, 12, 31).isocalendar().week != 53
        assert one.text
    odd = suspects(text, maker=maker, by=latest)
    assert all(one.reason in ("week", "future") and one.message for one in odd)
    if found:
        return f"understood as {found[0].style}"
    return "a suspect" if odd else "no date in it"


def _began(year: int, week: int | None, month: int | None) -> date:
    if week is not None:
        return date.fromisocalendar(year, min(week, weeks_in(year)), 1)
    return date(year, month or 1, 1)
