"""A real browser on a phone's and a desk's screen: the ways that a keeper goes, with the network cut in the middle."""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers.browser import CHROMIUM, chromium
from helpers.page import PASSPHRASE, Site, page_site
from helpers.waiting import until
from rushlight.events import Correction, Feeding, Test
from rushlight.views import OutletView

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="chromium-headless-shell is not installed"),
]
SCREENS = {"phone": (390, 844), "desk": (1280, 800)}
SHOWN = (
    "/",
    "/tanks/foyer",
    "/tanks/foyer/test",
    "/tanks/foyer/water-change",
    "/probes/foyer-ph/calibration",
    "/devices",
)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with page_site(tmp_path) as made:
        yield made


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as made:
        yield made


def opened(browser: Any, site: Site, size: tuple[int, int], **options: Any) -> Any:
    """A page that is logged in by hand, with a list of every address it asked for."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, base_url=f"http://127.0.0.1:{site.port}", **options
    )
    context.set_default_timeout(8000)
    page = context.new_page()
    page.asked = []
    page.on("request", lambda r: page.asked.append(r.url))
    page.goto("/")
    page.get_by_label("Passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("heading", name="Foyer").wait_for()
    return page


def strips_in(site: Site) -> list[Any]:
    with site.engine.journal.reader() as reader:
        return [s.event for s in reader.entries() if isinstance(s.event, Test)]


@pytest.mark.slow
@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.parametrize("script", [True, False])
def test_enter_see_acknowledge_undo_and_enter_late(browser: Any, site: Site, screen: str, script: bool) -> None:
    page = opened(browser, site, SCREENS[screen], java_script_enabled=script)
    assert page.get_by_text("not known", exact=True).is_visible()
    page.get_by_role("link", name="Test").first.click()
    assert page.locator("input:checked").count() == 0
    page.get_by_role("group", name=re.compile("Nitrate")).get_by_role("radio", name="50", exact=True).check()
    page.get_by_role("group", name=re.compile("Nitrite")).get_by_role("radio", name="3", exact=True).check()
    page.get_by_role("button", name="Save the test").click()
    page.get_by_text("Entered. Strip test").wait_for()
    assert page.get_by_text("mg/L as NO3 (").first.is_visible()

    page.get_by_role("button", name=re.compile(r"Acknowledge\s*: Nitrite")).click()
    until(lambda: any(a.state == "acknowledged" for a in site.engine.view().tanks[0].alarms), 10, "acknowledged")
    page.goto(f"/?done={strips_in(site)[0].id}")
    page.get_by_role("button", name="Undo").click()
    page.get_by_text("Undone.").wait_for()
    assert page.get_by_text("not known", exact=True).is_visible()

    page.goto("/tanks/foyer/feeding")
    page.get_by_label("Dry food").fill("0.9")
    page.get_by_text("Done earlier?").click()
    local = dt.datetime.fromtimestamp(site.engine.now_s(), zoneinfo.ZoneInfo("Europe/Dublin")) - dt.timedelta(days=1)
    page.get_by_label("When it was done").fill(f"{local:%Y-%m-%dT%H:%M}")
    page.get_by_role("button", name="Save").click()
    page.get_by_text("Entered. Feeding: 0.9 g, yesterday").wait_for()
    with site.engine.journal.reader() as reader:
        kinds = [type(s.event) for s in reader.entries()]
    assert kinds.count(Feeding) == 1 and kinds.count(Correction) == 1
    assert all(url.startswith(f"http://127.0.0.1:{site.port}/") for url in page.asked)


@pytest.mark.slow
def test_sent_twice_is_one_entry(browser: Any, site: Site) -> None:
    page = opened(browser, site, SCREENS["phone"], java_script_enabled=False)
    page.goto("/tanks/foyer/test")
    page.get_by_role("group", name=re.compile("Nitrate")).get_by_role("radio", name="25", exact=True).check()
    page.get_by_role("button", name="Save the test").dblclick()
    page.get_by_text("mg/L as NO3 (").first.wait_for()
    assert len(strips_in(site)) == 1
    used = strips_in(site)[0].id
    page.go_back()
    page.get_by_role("button", name="Save the test").wait_for()
    assert page.locator("input[name=id]").input_value() != used and page.locator("input:checked").count() == 0
    assert len(strips_in(site)) == 1


KEPT = "Object.keys(localStorage).filter(k => k.startsWith('rushlight-kept')).length"


def tapped(page: Any, pad: str = "25") -> None:
    page.goto("/tanks/foyer/test")
    page.get_by_role("group", name=re.compile("Nitrate")).get_by_role("radio", name=pad, exact=True).check()


@pytest.mark.slow
def test_an_entry_without_network_is_kept_and_sent_later(browser: Any, site: Site) -> None:
    page = opened(browser, site, SCREENS["phone"])
    tapped(page)
    page.context.set_offline(True)
    page.get_by_role("button", name="Save the test").click()
    page.get_by_text("No network. The entry is kept on this device").wait_for()
    assert page.get_by_role("button", name="Save the test").is_hidden(), "a second tap is no second entry"
    page.get_by_role("button", name="Enter another").click()
    page.get_by_role("group", name=re.compile("Nitrate")).get_by_role("radio", name="50", exact=True).check()
    page.get_by_role("button", name="Save the test").click()
    page.get_by_role("button", name="Enter another").wait_for()
    assert strips_in(site) == [] and page.evaluate(KEPT) == 2
    page.context.set_offline(False)
    until(lambda: len(strips_in(site)) == 2, 20, "both, once the network is back")
    page.get_by_text("Kept on this device until now, and now entered: Test, Foyer; Test, Foyer.").wait_for()
    page.goto("/")
    page.get_by_text("mg/L as NO3 (").first.wait_for()
    assert len(strips_in(site)) == 2 and page.evaluate(KEPT) == 0


@pytest.mark.parametrize("arrived", [False, True], ids=["not arrived", "arrived"])
def test_a_page_that_is_left_while_it_sends_loses_and_doubles_nothing(browser: Any, site: Site, arrived: bool) -> None:
    """The answer never comes; the daemon may have the entry all the same."""
    page, held = opened(browser, site, SCREENS["phone"]), []

    def hold(route: Any) -> None:
        if route.request.method != "POST" or held:
            route.continue_()
            return
        if arrived:
            route.fetch(max_redirects=0)
        held.append(route)

    tapped(page)
    page.route("**/test", hold)
    page.get_by_role("button", name="Save the test").click(no_wait_after=True)
    while not held:
        page.wait_for_timeout(20)
    assert len(strips_in(site)) == arrived
    page.goto("/words")
    page.get_by_text("Kept on this device until now, and now entered: Test, Foyer.").wait_for()
    assert len(strips_in(site)) == 1 and page.evaluate(KEPT) == 0
    page.context.close()


def test_two_tabs_keep_apart_and_only_our_own_answer_counts(browser: Any, site: Site) -> None:
    """A café's network answers every request with a page of its own until one agrees to its terms."""
    page = opened(browser, site, SCREENS["phone"])
    other = page.context.new_page()
    foreign = lambda route: route.fulfill(body="Welcome")  # noqa: E731
    for tab, pad in ((page, "25"), (other, "50")):
        tapped(tab, pad)
        page.context.route("**/test", foreign)
        tab.get_by_role("button", name="Save the test").click()
        tab.get_by_text("The page can't take it just now. The entry is kept").wait_for(timeout=20_000)
        page.context.unroute("**/test", foreign)
    until(lambda: len(strips_in(site)) == 2, 20, "both")
    page.goto("/words")
    until(lambda: page.evaluate(KEPT) == 0, 10, "the answer to both")
    assert len(strips_in(site)) == 2
    page.context.close()


def test_what_the_page_refuses_is_not_forgotten(browser: Any, site: Site) -> None:
    page = opened(browser, site, SCREENS["phone"])
    page.goto("/tanks/foyer/feeding")
    page.get_by_label("Dry food").fill("a pinch")
    page.context.set_offline(True)
    page.get_by_role("button", name="Save").click()
    page.get_by_text("No network. The entry is kept on this device").wait_for()
    page.context.set_offline(False)
    page.goto("/words")
    page.get_by_text("Refused: Feeding, Foyer.").wait_for()
    page.get_by_role("button", name="Open it").click()
    page.get_by_text("Not saved yet").wait_for()
    assert page.get_by_label("Dry food").input_value() == "a pinch"
    page.get_by_label("Dry food").fill("0.7")
    page.get_by_role("button", name="Save").click()
    page.get_by_text("Entered. Feeding: 0.7 g").wait_for()
    assert page.evaluate(KEPT) == 0
    page.context.close()


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_screens_fit_read_well_and_have_targets_large_enough(browser: Any, site: Site, scheme: str) -> None:
    """WCAG 2.2: contrast 4.5 to 1 of text (1.4.3), targets of 24 px (2.5.8), one heading, a name on each field."""
    page = opened(browser, site, SCREENS["phone"], color_scheme=scheme)
    for path in SHOWN:
        page.goto(path)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
        assert page.evaluate(UNNAMED) == [], path
        assert page.evaluate(FAINT) == [], path
        assert page.evaluate("document.querySelectorAll('h1').length") == 1
        small = page.evaluate(
            "[...document.querySelectorAll('button,.button,summary,.pads label,input:not([type=hidden])')]"
            ".map(e => [e.outerHTML.slice(0, 60), e.getBoundingClientRect()])"
            ".filter(([, r]) => r.height && (r.height < 24 || r.width < 24)).map(([h]) => h)"
        )
        assert small == [], path


UNNAMED = """[...document.querySelectorAll('input:not([type=hidden])')]
  .filter(e => !(e.labels && e.labels.length) && !e.getAttribute('aria-label')).map(e => e.outerHTML)"""
FAINT = """(() => {
  const lum = ([r, g, b]) => [r, g, b].map(v => v / 255).map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((s, v, i) => s + v * [0.2126, 0.7152, 0.0722][i], 0);
  const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
  const ground = (e) => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] > 0) return c; } return [255, 255, 255]; };
  return [...document.querySelectorAll('main *, header *, footer *')]
    .filter(e => !e.closest('svg') && [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()))
    .map(e => { const a = lum(rgb(getComputedStyle(e).color)), b = lum(ground(e));
      return [e.outerHTML.slice(0, 60), (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05)]; })
    .filter(([, ratio]) => ratio < 4.5);
})()"""


@pytest.mark.parametrize(
    ("locale", "clock", "date"),
    [
        ("en-US", r"^6:30.PM$", r"^\w{3}, \w{3} \d{1,2}, 6:30.PM$"),
        ("en-GB", r"^18:30$", r"^\w{3},? \d{1,2} \w{3,4},? 18:30$"),
        ("de-DE", r"^18:30$", r"^\w{2}\., \d{1,2}\. \w+\.?,? 18:30$"),
        ("", r"^18:30$", r"^\w{3} \d{1,2} \w{3} 18:30$"),
    ],
)
def test_moments_are_written_as_the_browser_does_in_the_sites_zone(
    browser: Any, site: Site, locale: str, clock: str, date: str
) -> None:
    """The manners are those of Unicode's CLDR; without a script 24 hours stay.  The phone stands in another zone."""
    zone = zoneinfo.ZoneInfo("Europe/Dublin")
    evening = dt.datetime.now(zone).replace(hour=18, minute=30, second=0, microsecond=0)
    for days in (1, 20):
        at_s = (evening - dt.timedelta(days=days)).timestamp()
        site.engine.submit(Feeding(at_s=at_s, id=f"fed-{days}", tank="foyer", grams=1))
    options: dict[str, Any] = {"locale": locale} if locale else {"java_script_enabled": False}
    page = opened(browser, site, SCREENS["phone"], timezone_id="America/New_York", **options)
    page.goto("/tanks/foyer/entries")
    page.keyboard.press("Shift")
    page.wait_for_timeout(300)
    done, _typed = page.locator("main li").first.locator("small time").all_inner_texts()
    assert re.match(clock, done), done
    page.goto("/?done=fed-20")
    page.keyboard.press("Shift")
    page.wait_for_timeout(300)
    (when,) = page.locator("main .notice time").all_inner_texts()
    assert re.match(date, when), when
    if locale == "en-US":  # a screen that nobody touches is written anew too, a little later
        page.goto("/tanks/foyer/entries")
        page.get_by_text(re.compile("6:30.PM")).first.wait_for()
    page.context.close()


@pytest.mark.parametrize(("locale", "clock"), [("en-US", r"6:05.AM"), ("en-GB", r"0?6:05"), ("", r"06:05")])
def test_clock_times_inside_sentences_follow_the_browser_too(browser: Any, site: Site, locale: str, clock: str) -> None:
    """As what is said of an outlet; a figure with a colon that is no clock time stays."""
    said = "Last message at 06:05, after 24:10 min of waiting."
    site.engine.outlets.append(lambda: [OutletView(name="push", title="Push messages", well=False, sentence=said)])
    options: dict[str, Any] = {"locale": locale} if locale else {"java_script_enabled": False}
    page = opened(browser, site, SCREENS["phone"], timezone_id="America/New_York", **options)
    page.keyboard.press("Shift")
    page.get_by_text(re.compile(f"^Push messages: Last message at {clock}, after 24:10 min of waiting.$")).wait_for()
    page.context.close()
