"""The page in a real browser with the network refused: it shows itself whole, asks nobody, and prints."""

import html
import json
import os
import re
import shutil
import subprocess
from datetime import UTC, datetime

import pytest
from handed_over import whole_story
from pypdf import PdfReader
from staged import Stage

from tracker.desk import photograph as photographing
from tracker.desk.dossier import write_dossier

BROWSER = os.environ.get("LOTPROOF_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no Chromium on this machine (or name it in LOTPROOF_CHROMIUM)")

# What the browser itself tells of a page: widths of its pictures, and every address it asked for, answered or not.
ASK = """<script>onload = () => { document.title = JSON.stringify({
  widths: [...document.images].map(one => one.naturalWidth),
  asked: performance.getEntriesByType("resource").map(one => one.name).filter(one => !one.startsWith("data:")),
}) }</script>"""
CLOSED = "--proxy-server=http://127.0.0.1:9"
"""Nobody listens there: whatever is asked for cannot come."""


def _chromium(home, *words):
    base = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", f"--user-data-dir={home}"]
    switched_off = ["--disable-background-networking", "--disable-component-update", "--disable-sync", CLOSED]
    return subprocess.run([str(BROWSER), *base, *switched_off, *words], capture_output=True, timeout=180, check=False)


def _told(page, tmp_path, more=""):
    """Return what the browser tells of a copy of the page; the page itself lets no script run."""
    text = re.sub(r"<meta http-equiv[^>]*>", "", page.read_text(encoding="utf-8"))
    copy = tmp_path / "told.html"
    copy.write_text(text.replace("</main>", f"{more}</main>{ASK}"), encoding="utf-8")
    ran = _chromium(tmp_path / "home", "--virtual-time-budget=5000", "--dump-dom", copy.as_uri())
    title = re.search(r"<title>(.*?)</title>", ran.stdout.decode())
    assert title, ran.stderr.decode()[-500:]
    return json.loads(html.unescape(title[1]))


@pytest.fixture
def written(sqlite_template, tmp_path, monkeypatch):
    """The page of a lot that went all the way."""
    from tracker.desk.workspace import Workspace

    stage = Stage({}, [])
    monkeypatch.setattr(photographing, "look", stage.look)
    shutil.copytree(sqlite_template, tmp_path / "workspace")
    with Workspace.open(tmp_path / "workspace") as workspace:
        whole_story(workspace, tmp_path, stage)
        return write_dossier(workspace, "L0002", tmp_path / "out.html", now=datetime(2031, 4, 5, tzinfo=UTC)).files[0]


def test_it_asks_nobody_and_every_picture_shows(written, tmp_path):
    told = _told(written, tmp_path)
    assert len(told["widths"]) == written.read_text(encoding="utf-8").count("<img ") > 6
    assert min(told["widths"]) > 0
    assert told["asked"] == []


def test_a_request_would_have_been_seen(written, tmp_path):
    told = _told(written, tmp_path, '<img src="http://example.org/x.png">')
    assert told["asked"] == ["http://example.org/x.png"]
    assert told["widths"][-1] == 0


def test_it_runs_no_script(written, tmp_path):
    """Its own policy stops a script that somebody might smuggle in."""
    copy = tmp_path / "smuggled.html"
    text = written.read_text(encoding="utf-8")
    copy.write_text(text.replace("</main>", "</main><script>document.title = 'smuggled'</script>"), encoding="utf-8")
    ran = _chromium(tmp_path / "home", "--virtual-time-budget=5000", "--dump-dom", copy.as_uri())
    assert b"<title>Dossier of lot L0002</title>" in ran.stdout


def test_it_prints_with_each_told_piece_on_a_page_of_its_own(written, tmp_path):
    target = tmp_path / "printed.pdf"
    ran = _chromium(tmp_path / "home", "--no-pdf-header-footer", f"--print-to-pdf={target}", written.as_uri())
    assert target.is_file(), ran.stderr.decode()[-500:]
    texts = ["".join(sheet.extract_text().split()) for sheet in PdfReader(target).pages]
    starts = [text.removeprefix(f"{number}/{len(texts)}") for number, text in enumerate(texts, start=1)]
    for wanted in ("L0002-01Suspicion", "L0002-02Suspicion", "Readingthisdossier"):
        assert any(text.startswith(wanted) for text in starts), wanted
