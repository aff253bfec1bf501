"""The main job from arrival to dossier in a real browser: by mouse, by keyboard alone, and on a phone with scripts off.

Nothing is staged: the chips are found and read in the sample picture, and a person would see what is asserted. Which
pieces were marked again is known from sample_images/truth.csv, which the program never reads.
"""

import csv
import re
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from web_pages import DESKTOP, PHONE, serving, visiting

from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace

pytestmark = pytest.mark.thorough

SAMPLES = Path(__file__).parents[2] / "sample_images"
PHOTO = SAMPLES / "marketplace_lot.jpg"
PATIENCE_MS = 180_000
"""Networks are loaded and photos looked at, on a machine that may be busy."""


@dataclass(slots=True)
class Mouse:
    """A person who points and types."""

    page: Any

    def press(self, wanted: Any) -> None:
        wanted.click()

    def write(self, wanted: Any, text: str) -> None:
        wanted.fill(text)

    def choose(self, wanted: Any) -> None:
        wanted.check()

    def upload(self, wanted: Any, path: Path) -> None:
        wanted.set_input_files(path)


@dataclass(slots=True)
class Keys:
    """A person without a mouse: everything is reached with Tab and the arrows."""

    page: Any

    def press(self, wanted: Any) -> None:
        self._reach(wanted)
        self.page.keyboard.press("Enter")

    def write(self, wanted: Any, text: str) -> None:
        self._reach(wanted)
        self.page.keyboard.press("ControlOrMeta+a")
        self.page.keyboard.type(text)

    def choose(self, wanted: Any) -> None:
        """Go to the group with Tab, and to its button with the arrows."""
        name = wanted.get_attribute("name")
        self._reach(wanted, f"e => document.activeElement.name === '{name}'")
        self.page.keyboard.press("Space")
        for _ in range(12):
            if wanted.is_checked():
                return
            self.page.keyboard.press("ArrowDown")
        raise AssertionError(f"the arrows do not reach {name}")

    def upload(self, wanted: Any, path: Path) -> None:
        from playwright.sync_api import TimeoutError as TooLate

        for wait_ms in (5_000, 10_000, 20_000):  # on a busy machine a press goes now and then to the page before
            self._reach(wanted)
            with suppress(TooLate):
                with self.page.expect_file_chooser(timeout=wait_ms) as opened:
                    self.page.keyboard.press("Space")
                opened.value.set_files(path)
                return
        raise AssertionError("the space bar opens no choice of files")

    def _reach(self, wanted: Any, there: str = "e => e === document.activeElement") -> None:
        wanted.wait_for()
        # A press of Enter only begins to lead to the next page, and its scripts still change what is there.
        self.page.wait_for_load_state("load")
        for _ in range(250):
            if wanted.evaluate(there):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"Tab does not reach {wanted}")


@pytest.fixture(params=["mouse", "keyboard", "phone without scripts"])
def hand(request: pytest.FixtureRequest, browser: Any, tmp_path: Path) -> Iterator[Any]:
    """Give a person at an empty workshop."""
    kinds: dict[str, tuple[Callable[[Any], Any], dict[str, Any]]] = {
        "mouse": (Mouse, {"viewport": DESKTOP}),
        "keyboard": (Keys, {"viewport": DESKTOP}),
        "phone without scripts": (Mouse, {"viewport": PHONE, "java_script_enabled": False, "has_touch": True}),
    }
    make, context = kinds[request.param]
    with (
        serving(tmp_path / "shop") as address,
        visiting(browser, address, accept_downloads=True, **context) as page,
    ):
        page.goto("/")
        yield make(page)


def _marked_again() -> set[str]:
    with (SAMPLES / "truth.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["file"] == PHOTO.name]
    return {f"L0001-{int(row['piece']):02d}" for row in rows if row["truth"] != "genuine"}


def test_from_arrival_to_dossier(hand: Any, tmp_path: Path) -> None:
    _receive(hand)
    _photograph(hand)
    worst = _most_suspicious(hand)
    assert set(worst) == _marked_again()
    _measure(hand, worst[0])
    _decide(hand, worst)
    name, body = _dossier(hand)
    assert name.startswith("L0001")
    assert body.startswith(b"%PDF-")
    with Workspace.open(tmp_path / "shop") as workspace:
        assert verify(workspace).sound


def _receive(hand: Any) -> None:
    page = hand.page
    hand.press(page.get_by_role("link", name="Log an arriving lot"))
    for label, text in (("Seller", "Quayside Surplus"), ("Claimed part", "CV6522AP"), ("Quantity ordered", "8")):
        hand.write(page.get_by_label(label, exact=True), text)
    hand.choose(page.get_by_label("marketplace"))
    hand.press(page.get_by_role("button", name="Log the lot"))
    page.get_by_text("L0001-08").first.wait_for()


def _photograph(hand: Any) -> None:
    page = hand.page
    page.goto("/lots/L0001")
    hand.press(page.get_by_role("link", name="Photograph", exact=True))
    page.wait_for_url("**/photograph")
    page.wait_for_load_state("load")
    hand.upload(page.get_by_label("Choose photos"), PHOTO)
    send = page.get_by_role("button", name="Send the photos")
    if send.count():
        hand.press(send)
    page.locator("article .at.done").first.wait_for(timeout=PATIENCE_MS)
    assert page.locator(".seen li").count() == 8


def _most_suspicious(hand: Any) -> list[str]:
    page = hand.page
    page.goto("/lots/L0001")
    page.get_by_label("Order by").select_option("suspicion")
    hand.choose(page.get_by_label("largest first"))
    hand.press(page.get_by_role("button", name="Show", exact=True))
    page.wait_for_url(re.compile("suspicion"))
    shown = page.locator(".tops").first.inner_html()
    return list(dict.fromkeys(re.findall(r'href="/pieces/(L0001-\d\d)"', shown)))[:2]


def _measure(hand: Any, label: str) -> None:
    page = hand.page
    page.goto(f"/pieces/{label}")
    hand.press(page.get_by_role("link", name="Measure", exact=True))
    hand.press(page.get_by_role("link", name="Supply current").first)
    clock, current = page.locator("input[name*='clock']").first, page.locator("input[name*='current']").first
    hand.write(clock, "1 MHz")
    hand.write(current, "96 mA")
    hand.write(page.get_by_label("Standard uncertainty of a reading"), "0.1 mA")
    hand.press(page.get_by_role("button", name="Record", exact=True))
    page.get_by_role("heading", level=1, name=re.compile("^B0001")).wait_for()
    assert page.locator(".verdict.fail").count() >= 1


def _decide(hand: Any, labels: list[str]) -> None:
    page = hand.page
    page.goto("/decide?" + "&".join(f"piece={label}" for label in labels))
    hand.choose(page.get_by_label("reject"))
    hand.write(page.get_by_label("Why", exact=True), "Marked again; one draws 96 mA")
    hand.press(page.get_by_role("button", name="Record the decision"))
    page.locator(".said").wait_for()
    page.goto(f"/pieces/{labels[1]}")
    assert page.locator(".stands.rejected").count() >= 1


def _dossier(hand: Any) -> tuple[str, bytes]:
    page = hand.page
    page.goto("/lots/L0001")
    hand.press(page.get_by_role("link", name="Dossier", exact=True))
    hand.press(page.get_by_role("button", name="Make the dossier"))
    link = page.get_by_role("link", name=re.compile(r"L0001.*\.pdf"))
    link.first.wait_for(timeout=PATIENCE_MS)
    with page.expect_download() as fetched:
        hand.press(link.first)
    return fetched.value.suggested_filename, Path(fetched.value.path()).read_bytes()
