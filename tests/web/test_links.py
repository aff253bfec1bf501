"""Every link on every page leads somewhere: followed from the first page on, and none of them changes anything."""

import html
import re
from collections import deque
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import pytest
from stock import TODAY, a_lot
from web_pages import Pages
from web_workshop import prepared, workshop  # noqa: F401

from tracker.desk.log import read_log

pytestmark = pytest.mark.thorough

_LINK = re.compile(r'\b(?:href|src|data-later)="([^"]+)"')
MOST = 1500


def test_every_link_leads_somewhere(workshop: Path) -> None:  # noqa: F811
    pages = Pages(workshop, today=TODAY)
    a_lot(pages.app.state.workspace, seller='A/B "?" & #1', order="%2e", part="<i>")
    before = read_log(pages.app.state.workspace).found
    broken, seen, waiting = [], {"/"}, deque([("/", "")])
    while waiting and len(seen) < MOST:
        path, whence = waiting.popleft()
        answer = pages.get(path)
        if answer.status_code not in (200, 303, 304):
            broken.append(f"{answer.status_code} {path} (on {whence})")
        if not answer.headers.get("content-type", "").startswith("text/html"):
            continue
        for link in {html.unescape(one) for one in _LINK.findall(answer.text)}:
            found = urlsplit(urljoin(f"http://here{path}", link))
            to = found.path + (f"?{found.query}" if found.query else "")
            if found.netloc == "here" and to not in seen and not _endless(to):
                seen.add(to)
                waiting.append((to, path))
    assert not broken, "\n".join(broken)
    assert len(seen) > 150, "it went over the whole house"
    assert read_log(pages.app.state.workspace).found == before


def _endless(to: str) -> bool:
    """Tell what is the same page in another order, or does not end by itself."""
    return to.startswith("/work/events") or bool(re.search(r"[?&](sort|reverse|left|right|before)=", to))
