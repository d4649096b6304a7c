"""The wall: ten tanks on one screen of 1920 by 1080, all in view, large enough to read from two metres, nothing to touch.

A screen of 24 inches has 531 mm for 1920 px.  ISO 9241-303 asks for characters of 16 minutes of arc at least and calls
20 to 22 good (from memory, not looked up); ten tanks don't leave so much room for every word.  So names, states and
figures have 12 minutes, and no word less than 10, which is twice the letter that good eyes just read (Snellen's 20/20:
5 minutes of arc, by definition).
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest

from helpers.browser import CHROMIUM, chromium
from helpers.page import PASSPHRASE, Site, page_site
from helpers.site import config_of
from helpers.tentanks import NAMES, ten
from helpers.waiting import until
from rushlight.alarms.table import TABLE
from rushlight.events import Test
from rushlight.localtime import DAY_S

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="chromium-headless-shell is not installed"),
]
SCREEN = (1920, 1080)
MM_A_PX = 25.4 * 24.0 / math.hypot(*SCREEN)
FROM_MM = 2000.0
CAPITAL = 0.729
"""The height of a capital in DejaVu Sans, in parts of its size (1493 of 2048 units, measured)."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    text = ten()
    assert len(tomllib.loads(text)["tank"]) == 10
    with page_site(tmp_path_factory.mktemp("wall"), config_of(text)) as made:
        now_s = made.engine.now_s()
        for n in range(9):  # one tank has never been tested
            for day in (20, 10, 1):
                values = {"nitrate": (10.0, 25.0, 50.0)[n % 3], "nitrite": 3.0 if n == 4 and day == 1 else 0.0}
                made.engine.submit(
                    Test(at_s=now_s - day * DAY_S, tank=f"tank-{n}", method="strip", kit="strip", values=values)
                )
        yield made


@pytest.fixture(scope="module")
def page(site: Site) -> Iterator[Any]:
    with chromium() as browser:
        url = f"http://127.0.0.1:{site.port}"
        context = browser.new_context(viewport={"width": SCREEN[0], "height": SCREEN[1]}, base_url=url)
        value = site.access.log_in(PASSPHRASE, "test", "wall")
        context.add_cookies([{"name": "rushlight", "value": value, "url": url}])
        yield context.new_page()


def minutes_of_arc(size_px: float) -> float:
    return math.degrees(math.atan(CAPITAL * size_px * MM_A_PX / FROM_MM)) * 60.0


CUT = """[...document.querySelectorAll('.tiles .row')].filter(r => r.scrollHeight > r.clientHeight + 1
  || r.scrollWidth > r.clientWidth + 1).map(r => r.innerText)"""
SIZES = """sel => [...document.querySelectorAll(sel)].filter(e => e.checkVisibility()
  && [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()))
  .map(e => [e.textContent.trim(), parseFloat(getComputedStyle(e).fontSize)])"""


@pytest.mark.slow
def test_ten_tanks_are_all_in_view_and_can_be_read_from_two_metres(page: Any) -> None:
    page.goto("/wall")
    assert page.locator(".tiles .row").count() == 10
    for name in NAMES:
        box = page.get_by_role("heading", name=name, exact=True).locator("..").bounding_box()
        assert box["y"] >= 0 and box["y"] + box["height"] <= SCREEN[1] and box["x"] + box["width"] <= SCREEN[0]
    assert page.evaluate("[document.documentElement.scrollHeight, document.documentElement.scrollWidth]") == [
        1080,
        1920,
    ]
    assert page.evaluate(CUT) == []
    sizes = page.evaluate(SIZES, "body *")
    small = [(words, px) for words, px in sizes if minutes_of_arc(px) < 10.0]
    assert len(sizes) > 50 and small == []
    large = page.evaluate(SIZES, ".tiles h2, .tiles .word, .tiles .big-figure b")
    assert len(large) == 30 and [w for w, px in large if minutes_of_arc(px) < 12.0] == []
    least = min(px for _, px in sizes)
    print(f"smallest words {least:.1f} px: {least * MM_A_PX:.1f} mm, {minutes_of_arc(least):.1f} minutes of arc at 2 m")
    assert re.match("Lending desk", page.locator(".tiles .row").first.inner_text()), "nitrite stands first"


@pytest.mark.slow
def test_any_alarm_fits_a_tile(page: Any) -> None:
    page.goto("/wall")
    first = page.locator(".tiles .row").first
    for row in TABLE.values():
        first.locator(".headline strong").evaluate("(e, words) => { e.textContent = words; }", f"{row.title}.")
        assert page.evaluate(CUT) == [], row.name


def test_there_is_nothing_to_touch_and_it_renews_itself(page: Any, site: Site) -> None:
    page.clock.install()
    page.goto("/wall")
    assert page.locator("form, button, input, main a").count() == 0
    tile = page.get_by_role("heading", name="Lecture theatre", exact=True).locator("..")
    assert "not known" in tile.inner_text()
    now_s = site.engine.now_s()
    site.engine.submit(Test(at_s=now_s, tank="tank-9", method="strip", kit="strip", values={"nitrate": 25.0}))
    page.clock.run_for(31_000)
    until(lambda: "not known" not in tile.inner_text(), 10, "the new test on the wall")
    page.context.set_offline(True)
    for _ in range(8):
        page.clock.run_for(31_000)
        page.wait_for_timeout(30)
    until(lambda: "No answer: this is old" in page.locator("#as-of").inner_text(), 10, "that what it shows is old")
    page.context.set_offline(False)


def test_without_scripts_it_renews_itself_where_that_was_asked_for(site: Site) -> None:
    """WCAG 2.2, 2.2.1 with technique G76 and failure F41: no page reloads itself unasked."""
    client, told = site.client(), '<meta http-equiv="refresh" content="60">'
    plain = client.get("/wall").text
    assert told not in plain and '<noscript><a href="/wall?renew=yes">' in plain
    assert f"<noscript>{told}</noscript>" in client.get("/wall?renew=yes").text
