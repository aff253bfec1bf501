"""What only a browser can show: two tops that blink, zoom, layers, pictures that come when wanted, the keys."""

import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from web_pages import DESKTOP, PHONE, serving, too_wide, unfit_for, visiting

from tracker.desk.piece_page import piece_page
from tracker.desk.workspace import Workspace

pytestmark = pytest.mark.thorough

PAIR = "/lots/L0001/compare?piece=L0001-01&piece=L0001-02"


@pytest.fixture(scope="module")
def address(grown: Path) -> Iterator[str]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LOTPROOF_CACHE", "")
        with serving(grown) as at:
            yield at


def _shown(page: Any) -> list[str]:
    """Return the opacity of the two tops laid over each other."""
    return [
        str(one) for one in page.eval_on_selector_all(".over image", "all => all.map(i => i.getAttribute('opacity'))")
    ]


def _box(page: Any, which: str) -> list[float]:
    return [float(word) for word in page.locator(which).first.get_attribute("viewBox").split()]


def test_two_tops_blink_only_when_told_to(browser: Any, address: str) -> None:
    with visiting(browser, address) as page:
        page.goto(PAIR)
        page.get_by_label("Blink", exact=True).check()
        page.wait_for_timeout(1300)
        assert _shown(page) == ["1", "0"]
        page.get_by_role("button", name=re.compile("^Switch")).click()
        assert _shown(page) == ["0", "1"]
        assert "L0001-02 is shown" in page.locator(".told").text_content()
        page.get_by_label("twice a second").check()
        page.get_by_role("button", name="Let it blink").click()
        seen = set()
        for _ in range(12):
            seen.add(tuple(_shown(page)))
            page.wait_for_timeout(120)
        assert seen == {("1", "0"), ("0", "1")}
        page.get_by_role("button", name="Hold still").click()
        still = _shown(page)
        page.wait_for_timeout(1200)
        assert _shown(page) == still


def test_it_never_flashes_three_times_a_second(browser: Any, address: str) -> None:
    """WCAG 2.2, 2.3.1: a flash is a pair of opposing changes, so fewer than six changes in any second."""
    with visiting(browser, address) as page:
        page.goto(PAIR)
        page.get_by_label("Blink", exact=True).check()
        page.evaluate(
            """() => { window.changes = [];
            new MutationObserver(() => changes.push(performance.now()))
                .observe(document.querySelector('.over image'), {attributes: true, attributeFilter: ['opacity']}); }"""
        )
        page.get_by_label("twice a second").check()
        page.get_by_role("button", name="Let it blink").click()
        page.wait_for_timeout(1600)
        until = time.monotonic() + 1.5
        while time.monotonic() < until:  # somebody hammers on the key
            page.keyboard.press("b")
        changes = page.evaluate("changes")
        assert len(changes) > 4
        assert all(sum(begin <= one < begin + 1000 for one in changes) < 6 for begin in changes)


def test_a_device_that_asks_for_less_motion_gets_none(browser: Any, address: str) -> None:
    with visiting(browser, address, reduced_motion="reduce") as page:
        page.goto(PAIR)
        page.get_by_label("Blink", exact=True).check()
        assert page.get_by_role("button", name="Let it blink").is_disabled()
        assert page.locator(".calm").is_visible()
        page.get_by_role("button", name=re.compile("^Switch")).click()
        assert _shown(page) == ["0", "1"]


def test_the_key_works_only_where_one_looks(browser: Any, address: str) -> None:
    with visiting(browser, address) as page:
        page.goto(PAIR)
        page.locator("#q-more").focus()
        page.keyboard.press("b")
        assert page.locator(".over").is_hidden()
        assert page.locator("#q-more").input_value() == "b"
        page.locator(".stage .beside svg").first.focus()
        page.keyboard.press("b")
        assert page.locator(".over").is_visible()
        assert _shown(page) == ["0", "1"]


def test_one_top_fades_into_the_other(browser: Any, address: str) -> None:
    with visiting(browser, address) as page:
        page.goto(PAIR)
        page.get_by_label("Fade", exact=True).check()
        page.locator("#fade").focus()
        page.keyboard.press("Home")
        assert _shown(page) == ["1", "0"]
        page.keyboard.press("End")
        assert _shown(page) == ["1", "1"]
        page.keyboard.press("ArrowLeft")
        assert _shown(page) == ["1", "0.95"]


def test_zoom_moves_both_together(browser: Any, address: str) -> None:
    with visiting(browser, address) as page:
        page.goto(PAIR)
        before = _box(page, ".stage svg")
        page.get_by_role("button", name="Nearer").click()
        page.get_by_role("button", name="To the right").click()
        boxes = page.eval_on_selector_all(".stage svg", "all => all.map(one => one.getAttribute('viewBox'))")
        assert len(boxes) == 3
        assert len(set(boxes)) == 1
        now = _box(page, ".stage svg")
        assert now[2] == pytest.approx(before[2] / 1.4, rel=0.01)
        assert now[0] > before[0]


def test_a_photo_is_zoomed_by_buttons_keys_and_wheel(browser: Any, address: str) -> None:
    with visiting(browser, address) as page:
        page.goto("/pieces/L0001-01")
        home = _box(page, "svg.photo")
        photo = page.locator("svg.photo")
        page.get_by_role("button", name="Nearer").click()
        assert _box(page, "svg.photo")[2] < home[2]
        photo.focus()
        page.keyboard.press("0")
        assert _box(page, "svg.photo") == home
        page.keyboard.press("+")
        near = _box(page, "svg.photo")
        assert near[2] < home[2]
        page.keyboard.press("ArrowLeft")
        assert _box(page, "svg.photo")[0] < near[0]
        page.keyboard.press("-")
        page.keyboard.press("-")
        assert _box(page, "svg.photo")[2] > home[2]
        page.get_by_role("button", name="This piece").click()
        photo.focus()
        photo.hover()
        page.mouse.wheel(0, -120)
        page.wait_for_timeout(100)
        assert _box(page, "svg.photo")[2] < home[2]
        page.get_by_role("button", name="Whole photo").click()
        assert _box(page, "svg.photo")[2] >= 1600


def test_two_fingers_come_nearer_and_one_then_moves(browser: Any, address: str) -> None:
    with visiting(browser, address, viewport=PHONE, has_touch=True, is_mobile=True) as page:
        page.goto("/pieces/L0001-01")
        page.locator("svg.photo").scroll_into_view_if_needed()
        home = _box(page, "svg.photo")
        box = page.locator("svg.photo").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        hand = page.context.new_cdp_session(page)

        def touch(what: str, *places: tuple[float, float]) -> None:
            points = [{"x": px, "y": py, "id": number} for number, (px, py) in enumerate(places)]
            hand.send("Input.dispatchTouchEvent", {"type": what, "touchPoints": points})

        touch("touchStart", (x - 30, y), (x + 30, y))
        for step in range(1, 7):
            touch("touchMove", (x - 30 - 10 * step, y), (x + 30 + 10 * step, y))
        touch("touchEnd")
        near = _box(page, "svg.photo")
        assert near[2] == pytest.approx(home[2] / 3, rel=0.1)
        touch("touchStart", (x, y))
        for step in range(1, 5):
            touch("touchMove", (x + 10 * step, y + 10 * step))
        touch("touchEnd")
        moved = _box(page, "svg.photo")
        assert moved[0] < near[0]
        assert moved[1] < near[1]
        assert moved[2] == pytest.approx(near[2])


def test_without_the_focus_the_wheel_scrolls_the_page(browser: Any, address: str) -> None:
    with visiting(browser, address) as page:
        page.goto("/pieces/L0001-01")
        home = _box(page, "svg.photo")
        page.locator("svg.photo").hover()
        page.mouse.wheel(0, 200)
        page.wait_for_timeout(200)
        assert _box(page, "svg.photo") == home
        assert page.evaluate("scrollY") > 0


def test_layers_hide_what_is_drawn_even_without_scripts(browser: Any, address: str) -> None:
    with visiting(browser, address, java_script_enabled=False) as page:
        page.goto("/pieces/L0001-01")
        outline = page.locator(".m-outline polygon").last
        assert outline.is_visible()
        page.get_by_label("outline").uncheck()
        assert outline.is_hidden()
        lines = page.locator(".m-lines polygon").last
        assert lines.is_hidden()
        page.get_by_label("lines read").check()
        assert lines.is_visible()
        assert page.locator(".tools").is_hidden()


def _with_places(folder: Path) -> str:
    with Workspace.open(folder) as workspace:
        for number in range(1, 31):
            page = piece_page(workspace, f"L0001-{number:02d}")
            if page.views and page.views[0].document.piece.findings:
                return f"L0001-{number:02d}"
    raise AssertionError("no piece has a finding")


def test_a_finding_and_its_place_know_each_other(browser: Any, address: str, grown: Path) -> None:
    with visiting(browser, address) as page:
        page.goto(f"/pieces/{_with_places(grown)}")
        place, row = page.locator("svg.photo a[data-place]").first, page.locator(".findings li").first
        row.hover()
        assert "lit" in place.get_attribute("class")
        page.mouse.move(0, 0)
        assert "lit" not in place.get_attribute("class")
        place.focus()
        assert "lit" in row.get_attribute("class")
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.className") == "show"
        before = _box(page, "svg.photo")
        page.keyboard.press("Enter")
        assert page.evaluate("document.activeElement.classList.contains('photo')")
        assert _box(page, "svg.photo") != before


def test_pictures_come_when_they_are_wanted(browser: Any, address: str) -> None:
    with visiting(browser, address, viewport=PHONE) as page:
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url) if "/pictures/tops/" in request.url else None)
        page.goto("/lots/L0001")
        page.wait_for_timeout(500)
        at_first = len(asked)
        assert at_first < 30
        page.locator("ul.tops li").last.scroll_into_view_if_needed()
        page.wait_for_timeout(500)
        assert len(asked) > at_first


def test_pieces_are_chosen_and_compared_by_the_keyboard(browser: Any, address: str) -> None:
    with visiting(browser, address) as page:
        page.goto("/lots/L0001")
        ticks = page.locator("input[name=piece]")
        for number in (0, 2):
            ticks.nth(number).focus()
            page.keyboard.press("Space")
        assert page.locator(".count").text_content() == "2 chosen"
        page.get_by_role("button", name="Compare the chosen").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**/compare?**")
        assert page.locator(".stage .beside svg").count() == 2
        page.go_back()
        assert page.locator(".count").text_content() == "2 chosen"
        page.get_by_role("button", name="All shown").click()
        assert page.locator(".count").text_content() == "30 chosen"


def test_what_takes_longer_comes_by_itself(browser: Any, address: str) -> None:
    with visiting(browser, address) as page:
        page.goto("/lots/L0001")
        page.get_by_text("% certainty").wait_for()
        page.goto("/pieces/L0001-01")
        page.get_by_text("Which test is worth most now").wait_for(state="detached")
        assert page.locator("[data-later]").text_content().strip()


@pytest.mark.parametrize(("size", "theme"), [(DESKTOP, "dark"), (PHONE, "light")], ids=["desktop-dark", "phone-light"])
def test_everybody_can_use_these_pages(browser: Any, address: str, grown: Path, theme: str, size: Any) -> None:
    faults = []
    with visiting(browser, address, viewport=size, color_scheme=theme) as page:
        for path, more in (
            ("/lots", ""),
            ("/lots/L0001", ""),
            ("/lots/L0001?view=table&suspicion=x", ""),
            ("/lots/L0001/outlook", ""),
            (PAIR, "[value=blink]"),
            (PAIR, "[value=fade]"),
            (f"/pieces/{_with_places(grown)}", "details"),
        ):
            page.goto(path)
            if more == "details":
                page.eval_on_selector_all("details", "all => all.forEach(one => one.open = true)")
            elif more:
                page.locator(more).check()
            wide = too_wide(page)
            faults += [f"{path}: {wide} px too wide"] if wide else []
            faults += [f"{path}: {fault}" for fault in unfit_for(page)]
    assert not faults, "\n".join(faults)
