"""Names in bags: what is allowed means the same everywhere, and every file gets one."""

import os
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.dossier.bag import names


@settings(max_examples=300)
@given(st.text(max_size=40) | st.from_regex(r"[A-Za-z0-9._/\\:~%-]{0,40}", fullmatch=True))
def test_a_name_that_is_allowed_stays_in_the_bag(text: str) -> None:
    """Held against what the system makes of it."""
    if names.why_not(text) is None:
        whole = os.path.normpath(f"/bag/{text}")
        assert whole == f"/bag/{text}"
        assert text.isascii()
        assert text.isprintable()
        assert Path(text).expanduser() == Path(text)
        assert not set(text) & set('\\:*?"<>| %')


@settings(max_examples=300)
@given(st.text(max_size=400))
def test_any_file_name_becomes_an_allowed_one(text: str) -> None:
    plain = names.plain_name(text)
    assert names.why_not(f"data/photos/0001-{plain}") is None
    assert "/" not in plain
