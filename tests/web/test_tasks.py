"""What a keeper does on a phone, counted in taps and scrolls in the real browser; and what is in view without any."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from PIL import Image, ImageChops

from helpers.browser import CHROMIUM, chromium
from helpers.page import PASSPHRASE, Site, page_site
from helpers.waiting import until
from rushlight.alarms.table import TABLE
from rushlight.events import Event, Feeding, Test
from rushlight.localtime import DAY_S

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="chromium-headless-shell is not installed"),
]
PHONE = (390, 844)
FIRST_VIEW_PX = 400


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with page_site(tmp_path_factory.mktemp("tasks")) as made:
        now_s = made.engine.now_s()
        for n, nitrate in ((30, 10.0), (20, 25.0), (9, 50.0), (2, 100.0)):
            made.engine.submit(
                Test(at_s=now_s - n * DAY_S, tank="foyer", method="strip", kit="strip", values={"nitrate": nitrate})
            )
        values = {"nitrate": 100.0, "nitrite": 3.0}
        made.engine.submit(Test(at_s=now_s - 60, tank="foyer", method="strip", kit="strip", values=values))
        yield made


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as made:
        yield made


class Thumb:
    """Taps what can be seen, scrolls where it can't, and counts both."""

    def __init__(self, page: Any) -> None:
        self.page, self.taps, self.scrolls = page, 0, 0

    def tap(self, what: Any) -> None:
        for _ in range(20):
            box = what.bounding_box()
            assert box is not None, "it is not shown at all"
            middle = box["y"] + box["height"] / 2
            if 0 <= middle <= PHONE[1]:
                covered = what.evaluate(
                    "e => { const r = e.getBoundingClientRect();"
                    " const at = document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2);"
                    " return !(at && (e.contains(at) || at.contains(e) || at.closest('label') === e.closest('label'))); }"
                )
                if not covered:
                    break
            self.page.mouse.wheel(0, 300 if middle > PHONE[1] / 2 else -300)
            self.page.wait_for_timeout(60)
            self.scrolls += 1
        self.taps += 1
        what.tap()


def opened(browser: Any, site: Site, size: tuple[int, int] = PHONE, **options: Any) -> Any:
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        base_url=f"http://127.0.0.1:{site.port}",
        has_touch=True,
        **options,
    )
    context.set_default_timeout(8000)
    value = site.access.log_in(PASSPHRASE, "test", "phone at the desk")
    context.add_cookies([{"name": "rushlight", "value": value, "url": f"http://127.0.0.1:{site.port}"}])
    page = context.new_page()
    page.goto("/")
    return page


def entries(site: Site, kind: type[Event]) -> int:
    with site.engine.journal.reader() as reader:
        return sum(isinstance(s.event, kind) for s in reader.entries())


def pad(page: Any, name: str, value: str) -> Any:
    group = page.get_by_role("group", name=re.compile(name))
    return group.get_by_role("radio", name=value, exact=True)


@pytest.mark.parametrize("script", [True, False])
def test_a_nitrate_strip_is_three_taps_and_save_is_always_in_view(browser: Any, site: Site, script: bool) -> None:
    page, before = opened(browser, site, java_script_enabled=script), entries(site, Test)
    thumb = Thumb(page)
    thumb.tap(page.get_by_role("link", name="Test").first)
    page.wait_for_load_state()
    thumb.tap(pad(page, "Nitrate", "50"))
    thumb.tap(page.get_by_role("button", name="Save the test"))
    page.get_by_text("Entered.").wait_for()
    assert (thumb.taps, thumb.scrolls) == (3, 0)
    assert entries(site, Test) == before + 1
    page.context.close()


def test_five_pads_are_seven_taps(browser: Any, site: Site) -> None:
    page = opened(browser, site)
    thumb = Thumb(page)
    thumb.tap(page.get_by_role("link", name="Test").first)
    page.wait_for_load_state()
    for name, value in (("Nitrate", "50"), ("Nitrite", "3"), ("pH", "7"), ("KH", "5"), ("GH", "9")):
        thumb.tap(pad(page, name, value))
    down = thumb.scrolls
    thumb.tap(page.get_by_role("button", name="Save the test"))
    page.get_by_text("Entered.").wait_for()
    assert thumb.taps == 7 and thumb.scrolls == down, "no scrolling to Save"
    page.context.close()


def test_feeding_as_usual_is_two_taps(browser: Any, site: Site) -> None:
    page, before = opened(browser, site), entries(site, Feeding)
    thumb = Thumb(page)
    thumb.tap(page.get_by_role("link", name="Feed").first)
    page.wait_for_load_state()
    thumb.tap(page.get_by_role("button", name="Save"))
    page.get_by_text("Entered. Feeding: 0.9 g").wait_for()
    assert (thumb.taps, thumb.scrolls) == (2, 0) and entries(site, Feeding) == before + 1
    page.context.close()


def seen(page: Any, what: Any, below: float) -> bool:
    box = what.bounding_box()
    return box is not None and box["y"] >= 0 and box["y"] + box["height"] <= below


def test_the_most_urgent_alarm_and_its_first_action_are_in_the_first_400_px(browser: Any, site: Site) -> None:
    page = opened(browser, site)
    (tank,) = site.engine.view().tanks
    assert tank.urgency == "now" and tank.account.todo
    for path in ("/", "/tanks/foyer"):
        page.goto(path)
        assert page.locator(".headline").first.inner_text() == tank.account.headline
        assert seen(page, page.locator(".headline").first, FIRST_VIEW_PX), path
        assert tank.account.todo in page.locator(".todo").first.inner_text().replace("\xa0", " ")
        assert seen(page, page.locator(".todo").first, FIRST_VIEW_PX), path
    page.goto("/")
    assert page.locator(".row .word").first.inner_text() == "Act now", "which tank needs me: no tap at all"
    thumb = Thumb(page)
    thumb.tap(page.get_by_role("link", name="Foyer").first)
    page.locator("#why").wait_for()
    assert seen(page, page.locator("#why"), PHONE[1]) and thumb.scrolls == 0, "why: one tap"
    page.context.close()


def test_any_alarm_of_the_table_fits_the_first_400_px_with_its_action(browser: Any, site: Site) -> None:
    page = opened(browser, site)
    for path in ("/", "/tanks/foyer"):
        page.goto(path)
        for row in TABLE.values():
            bottom = page.evaluate(
                "([head, todo]) => { document.querySelector('.headline strong').textContent = head;"
                " const said = document.querySelector('.todo'); said.textContent = todo;"
                " return said.getBoundingClientRect().bottom; }",
                [f"{row.title}.", row.first_action],
            )
            assert bottom <= FIRST_VIEW_PX, (path, row.name, bottom)
    page.context.close()


def test_a_year_of_nitrate_is_two_taps(browser: Any, site: Site) -> None:
    page = opened(browser, site)
    thumb = Thumb(page)
    thumb.tap(page.get_by_role("link", name="Foyer").first)
    page.wait_for_load_state()
    thumb.tap(page.get_by_role("link", name="1 year"))
    page.wait_for_url("**stretch=year*")
    assert thumb.taps == 2 and thumb.scrolls <= 1
    assert float(page.locator("#sheet").get_attribute("data-to")) - float(
        page.locator("#sheet").get_attribute("data-from")
    ) == pytest.approx(393 * DAY_S, abs=10)
    page.context.close()


def test_the_timeline_is_moved_by_key_wheel_and_finger_and_reads_out(browser: Any, site: Site) -> None:
    page = opened(browser, site)
    page.goto("/tanks/foyer?stretch=quarter")
    sheet = page.locator("#sheet")

    def length() -> float:
        return float(sheet.get_attribute("data-to")) - float(sheet.get_attribute("data-from"))

    whole = length()
    sheet.focus()
    page.keyboard.press("ArrowRight")
    page.get_by_text(re.compile(r"^[A-Z].*: Nitrate, mg/L as NO3")).wait_for()
    with page.expect_response("**/timeline?*"):
        page.keyboard.press("+")
    page.wait_for_timeout(300)
    assert length() == pytest.approx(whole / 2, rel=0.01)
    assert page.evaluate("document.activeElement.id") == "sheet", "focus stays where it was"
    box = page.locator(".lane").first.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 20)
    page.keyboard.down("Control")
    with page.expect_response("**/timeline?*"):
        page.mouse.wheel(0, 120)
    page.keyboard.up("Control")
    page.wait_for_timeout(300)
    assert length() > whole / 2 * 1.2
    before = float(sheet.get_attribute("data-from"))
    with page.expect_response("**/timeline?*"):
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] / 2 + 120, box["y"] + 20, steps=6)
        page.mouse.up()
    page.wait_for_timeout(300)
    assert float(sheet.get_attribute("data-from")) < before, "dragged to what was earlier"
    assert "from=" in page.url, "the address leads back to what is shown"
    page.context.close()


def unfold(page: Any, words: str | re.Pattern[str]) -> None:
    """Scrolls to a closed part, lets what comes into view on the way find its height, and opens it."""
    part = page.get_by_text(words).first
    part.scroll_into_view_if_needed()
    page.wait_for_timeout(250)
    part.tap()


def test_dates_of_ones_own_wait_until_they_are_asked_for(browser: Any, site: Site) -> None:
    """Two date fields cost a slow phone a sixth of the first view, so a closed part is text until it is opened."""
    page = opened(browser, site)
    page.goto("/tanks/foyer")
    assert page.locator(".own").count() == 0 and page.locator("#timeline table").count() == 0
    unfold(page, "The same as numbers")
    page.get_by_role("region", name="The timeline as numbers").wait_for()
    unfold(page, "Other dates")
    page.get_by_label("From", exact=True).fill("2026-03-26")
    page.get_by_label("to", exact=True).fill("2026-04-05")
    page.get_by_role("button", name="Show").tap()
    page.wait_for_url("**from=2026-03-26&to=2026-04-05*")
    sheet = page.locator("#sheet")
    days = (float(sheet.get_attribute("data-to")) - float(sheet.get_attribute("data-from"))) / DAY_S
    assert days == pytest.approx(11 - 1 / 24), "eleven days, one of which has lost an hour"
    page.context.close()


def test_what_lies_below_the_first_view_waits_for_a_touch_and_lacks_nowhere(browser: Any, site: Site) -> None:
    """A phone lays it out at the first touch or after a while, paper and a large screen at once; its room is kept."""

    def drawn(page: Any) -> list[bool]:
        asleep = "[...document.querySelectorAll('.lane .plot, .split ~ .split h2:not(#what-if), fieldset:nth-child(n+3) .pads')]"
        return list(page.evaluate(f"{asleep}.map(p => p.checkVisibility())"))

    page = opened(browser, site)
    page.route("**/*.js*", lambda route: route.abort())  # nor does it hang on a script that has to come

    def at_rest(path: str = "/tanks/foyer") -> None:
        page.goto(path)
        top = page.locator(".below").first.evaluate("e => e.getBoundingClientRect().top")
        assert top > PHONE[1] - 64 and drawn(page) and not any(drawn(page)), "the site has nothing below the first view"

    at_rest()
    page.mouse.move(200, 100)
    assert not any(drawn(page)), "a mouse that only lies over a narrow window does nothing"
    kept_px = page.evaluate("document.documentElement.scrollHeight")
    page.emulate_media(media="print")
    assert all(drawn(page)), "on paper"
    page.emulate_media(media="screen")
    touches: tuple[Callable[[], object], ...] = (
        lambda: page.mouse.wheel(0, 50),
        lambda: page.keyboard.press("Tab"),
        lambda: page.locator("h1").tap(),
        lambda: page.evaluate("dispatchEvent(new Event('blur'))"),  # as when a browser's own search is opened
        lambda: page.set_viewport_size({"width": PHONE[0], "height": 6000}),
        page.reload,  # it goes back to where it was scrolled to
        lambda: (page.goto("/"), page.goto("/tanks/foyer#what-if")),
    )
    for touch in touches:
        page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
        at_rest()
        touch()
        until(lambda: all(drawn(page)), 2, "what lay below")
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    assert page.locator("#what-if").bounding_box()["y"] < PHONE[1], "an address of a part leads there"
    for path, word in (("/tanks/foyer", "Supply and uptake"), ("/tanks/foyer/test", "GH")):
        at_rest(path)
        before = page.screenshot()
        page.evaluate("dispatchEvent(new Event('blur'))")
        assert all(drawn(page))
        looks = [Image.open(io.BytesIO(png)).convert("L") for png in (before, page.screenshot())]
        changed = sum(ImageChops.difference(*looks).histogram()[64:])
        assert changed < 50, f"{path}: nothing that is seen waits, but {changed} px came"
        at_rest(path)
        found = f"find({word!r}, true, false, true)"
        assert not page.evaluate(found)
        until(lambda found=found: page.evaluate(found), 5, "the page's words, to whoever only looks")
        assert all(drawn(page))
    page.goto("/tanks/foyer#what-if")
    assert page.evaluate("document.documentElement.scrollHeight") == pytest.approx(kept_px, rel=0.35), "its room"
    page.context.close()
    plain = opened(browser, site, java_script_enabled=False)
    plain.goto("/tanks/foyer")
    assert plain.locator(".lane .plot").first.is_visible(), "with scripts off"
    plain.context.close()
    desk = opened(browser, site, (1280, 800))
    desk.goto("/tanks/foyer")
    assert all(drawn(desk)), "at a desk"
    desk.context.close()


def test_what_comes_into_view_by_itself_brings_nothing_that_lies_below_it(browser: Any, site: Site) -> None:
    page = opened(browser, site)
    page.goto("/tanks/foyer")
    parts = (".signrow > div .signs.few", "#look + .lanebox .plot", "#look + .lanebox + .lanebox h3")
    drawn = f"{list(parts)}.map(p => document.querySelector(p).checkVisibility())"
    tops = page.evaluate("[...document.querySelectorAll('.below')].map(e => Math.floor(e.getBoundingClientRect().top))")
    for seen in (0, 1, 2):
        page.set_viewport_size({"width": PHONE[0], "height": (tops[seen] if seen < 2 else tops[1] + 30) - 4})
        page.goto("/")
        page.goto("/tanks/foyer")
        expected = [n < seen for n in range(3)]
        until(lambda expected=expected: page.evaluate(drawn) == expected, 1, f"the first {seen}")
        page.wait_for_timeout(100)
        assert page.evaluate(drawn) == expected, seen
        assert page.locator("#reading").count() == (seen > 0), "the words about touching come with it, not later"
    page.keyboard.press("Tab")
    until(lambda: page.evaluate(drawn) == [True] * 3, 2, "the rest")
    page.context.close()


def test_what_is_closed_opens_where_the_page_comes_and_its_scripts_do_not(browser: Any, site: Site) -> None:
    """A wireless network that gives up half way: scripts are on, but none of their files arrives."""
    page = opened(browser, site)
    wrong: list[str] = []
    page.on("console", lambda m: wrong.append(m.text) if "Content Security Policy" in m.text else None)
    page.route("**/*.js*", lambda route: route.abort())
    page.goto("/tanks/foyer")
    unfold(page, re.compile("What the alarms say"))
    alarms = page.get_by_role("list", name="Alarms")
    assert re.search(r"[Nn]itrite.* 3 mg/L", alarms.inner_text()), alarms.inner_text()
    assert alarms.get_by_role("button", name="Acknowledge").first.is_visible()
    unfold(page, "The same as numbers")
    page.get_by_role("region", name="The timeline as numbers").get_by_role("row").nth(1).wait_for()
    unfold(page, "Other dates")
    page.get_by_label("From", exact=True).fill("2026-03-26")
    unfold(page, "Try another feed")
    page.get_by_label("A water change now").fill("40")
    page.get_by_role("button", name="Work it out").tap()
    page.get_by_text("See it in the timeline").wait_for()
    page.goto("/tanks/foyer/feeding")
    unfold(page, "Done earlier?")
    page.get_by_label("When it was done").fill("2026-03-26T18:30")
    assert wrong == []
    page.context.close()


def test_reading_from_a_picture_says_so_where_it_does_not_come_and_comes_later(browser: Any, site: Site) -> None:
    page = opened(browser, site)
    page.route("**/strip.js*", lambda route: route.abort())
    page.goto("/tanks/foyer/test")
    page.get_by_text("Read it from a picture").tap()
    page.get_by_text("This part does not come: no network.").wait_for()
    page.unroute("**/strip.js*")
    page.get_by_text("Read it from a picture").tap()
    page.get_by_text("This part does not come: no network.").wait_for(state="detached")
    page.get_by_text("Read it from a picture").tap()
    page.get_by_text("Choose a picture").wait_for()
    page.context.close()


def test_two_fingers_pinch_the_timeline_and_one_scrolls_the_page(browser: Any, site: Site) -> None:
    """Real touches, as the browser gets them from a screen; what lay between the fingers stays between them."""
    page = opened(browser, site)
    page.goto("/tanks/foyer?stretch=quarter")
    lane, fingers = page.locator(".lane").first, page.context.new_cdp_session(page)
    lane.scroll_into_view_if_needed()

    def touch(kind: str, *points: tuple[float, float]) -> None:
        where = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": where})

    def shown() -> tuple[float, float]:
        sheet = page.locator("#sheet")
        return float(sheet.get_attribute("data-from")), float(sheet.get_attribute("data-to"))

    def pinch(apart: tuple[float, float], at: tuple[float, float]) -> None:
        """Both fingers about 195 px from the left, so far apart before and after, their middle so far along."""
        y = lane.bounding_box()["y"] + 60
        with page.expect_response("**/timeline?*") as answered:
            touch("touchStart", (at[0] - apart[0] / 2, y))
            touch("touchStart", (at[0] - apart[0] / 2, y), (at[0] + apart[0] / 2, y))
            for n in range(1, 9):
                half = 0.5 * (apart[0] + (apart[1] - apart[0]) * n / 8)
                middle = at[0] + (at[1] - at[0]) * n / 8
                touch("touchMove", (middle - half, y), (middle + half, y))
            touch("touchEnd")
        assert answered.value.ok
        page.wait_for_timeout(300)

    before = shown()
    pinch((80, 240), (195, 195))
    inside = shown()
    assert inside[1] - inside[0] == pytest.approx((before[1] - before[0]) / 3, rel=0.02), "three times as near"
    assert sum(inside) == pytest.approx(sum(before), abs=0.05 * (before[1] - before[0])), "about the same middle"
    pinch((240, 80), (195, 295))
    outside = shown()
    assert outside[1] - outside[0] == pytest.approx(before[1] - before[0], rel=0.02), "and back"
    assert outside[0] < before[0] - 0.15 * (before[1] - before[0]), "moved to what was earlier by both fingers"

    there, box = shown(), lane.bounding_box()
    touch("touchStart", (195, box["y"] + 100))
    for n in range(1, 9):
        touch("touchMove", (195, box["y"] + 100 - 15 * n))
    touch("touchEnd")
    page.wait_for_timeout(400)
    assert lane.bounding_box()["y"] < box["y"] - 50, "one finger upwards scrolls the page"
    assert shown() == there
    page.context.close()


def test_a_sign_is_touched_and_read(browser: Any, site: Site) -> None:
    page = opened(browser, site)
    page.goto("/tanks/foyer?stretch=quarter")
    page.locator(".signs.few a.sign").last.tap()
    page.locator("#look .looked li").first.wait_for()
    assert re.search("test|Feeding", page.locator("#look").inner_text())
    page.context.close()


@pytest.mark.parametrize("path", ["/", "/tanks/foyer", "/tanks/foyer/test", "/tanks/foyer/entries", "/wall", "/words"])
def test_twice_the_text_and_no_motion_scroll_nowhere_sideways(browser: Any, site: Site, path: str) -> None:
    """WCAG 2.2, 1.4.4 (text to 200 %) and 1.4.10 (no scrolling in two dimensions)."""
    page = opened(browser, site, reduced_motion="reduce")
    page.goto(path)
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    wide = page.evaluate(
        "[...document.querySelectorAll('main *')].filter(e => e.getBoundingClientRect().right > 391)"
        ".map(e => e.outerHTML.slice(0, 80))"
    )
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0], (path, wide)
    moving = page.evaluate(
        "[...document.querySelectorAll('*')].filter(e => parseFloat(getComputedStyle(e).transitionDuration) > 0"
        " || getComputedStyle(e).animationName !== 'none').length"
    )
    assert moving == 0
    page.context.close()
