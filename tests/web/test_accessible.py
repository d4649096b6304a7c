"""Every screen before the rules of axe-core, an open checker of WCAG 2.2, in light and dark, on a phone and a desk.

The checker is fetched from its registry for the test and is no part of this project; without network the test that
needs it is skipped.
"""

from __future__ import annotations

import datetime as dt
import math
import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers.browser import CHROMIUM, chromium
from helpers.diarypages import picture
from helpers.page import PASSPHRASE, Site, page_site, with_pictures
from helpers.screens import keep
from helpers.site import config_of
from helpers.tentanks import ten
from helpers.units import config_text
from rushlight.alarms import oneclick
from rushlight.effects import Daily, Estimate
from rushlight.events import Feeding, Growth, Test, WaterChange
from rushlight.journal.pictures.kept import Pictures
from rushlight.journal.rows import Recorded
from rushlight.localtime import local_day, midnight_of
from rushlight.views import OutletView
from rushlight.web.entering.entries import SHEETS

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="chromium-headless-shell is not installed"),
]
CHECKER = "axe-core@4.14.1"
ENTRIES = ("test", *SHEETS)
SCREENS = (
    "/",
    "/tanks/foyer?feed=1.2&hours=8",
    *(f"/tanks/foyer/{what}" for what in (*ENTRIES, "kit-check", "entries", "picture", "diary?span=365")),
    "/probes/foyer-ph/calibration",
    "/still-to-do",
    "/devices",
    "/passphrase",
    "/wall",
    "/words",
    "/entries/feed-3",
    "/tanks/foyer?stretch=year",
)
PHONE = (390, 844)
HOUR_S, DAY_S = 3600.0, 86400.0


def fill(site: Site) -> None:
    """Closed days and entries for the pictures, and an alarm."""
    now_s = site.engine.now_s()
    for n in range(20, 0, -1):
        at_s = now_s - n * DAY_S
        band = Estimate(mean=20.0 + math.sin(n), low=15.0, high=28.0)
        rates = dict.fromkeys(("net_rate", "supply_rate", "uptake_rate", "kept_up"), band)
        light = {"light_dose_mol": 4.0, "light_coverage": 1.0, "lamp_dose_mol": 3.0, "lamp_percent": 97.0}
        day = Daily(
            at_s=at_s,
            tank="foyer",
            date=f"{dt.datetime.fromtimestamp(at_s, dt.UTC):%Y-%m-%d}",
            nitrate=band,
            **light,
            **rates,
        )
        event = Recorded(Feeding(at_s=at_s, id=f"feed-{n}", tank="foyer", grams=0.9), at_s)
        site.engine.do(
            lambda day=day, event=event: site.engine.journal.append([event], [day], urgent=True, at_s=day.at_s)
        )
    for n in (15, 8, 1):
        values = {"nitrate": 25.0, "nitrite": 3.0 if n == 1 else 0.0, "kh": 5.0, "gh": 9.0}
        site.engine.submit(Test(at_s=now_s - n * DAY_S, tank="foyer", method="strip", kit="strip", values=values))
    site.engine.outlets.append(
        lambda: [
            OutletView(name="push", title="Push messages", well=False, sentence="Nothing has gone through."),
            OutletView(name="hub", title="Hub", well=True, sentence="Connected."),
        ]
    )
    for n, weeks in enumerate((12, 4, 0)):
        name = Pictures(site.folder).keep(picture(n))
        look = Growth(at_s=now_s - weeks * 7 * DAY_S, tank="foyer", cover=0.3 + 0.02 * n, picture=name)
        site.engine.submit(look)
    site.engine.submit(WaterChange(at_s=now_s - 5 * DAY_S, tank="foyer", fraction=0.3))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with page_site(tmp_path_factory.mktemp("accessible"), with_pictures()) as made:
        fill(made)
        yield made


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as made:
        yield made


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    npm, folder = shutil.which("npm"), tmp_path_factory.mktemp("axe")
    if npm is None:
        pytest.skip("npm is not installed, so the checker can't be fetched")
    fetch = [npm, "pack", CHECKER, "--silent", "--fetch-retries=0", "--fetch-timeout=20000"]
    try:
        got = subprocess.run(fetch, cwd=folder, capture_output=True, timeout=60, check=False)
    except subprocess.TimeoutExpired:
        pytest.skip("the registry does not answer")
    packed = next(folder.glob("*.tgz"), None)
    if got.returncode or packed is None:
        pytest.skip(f"{CHECKER} could not be fetched")
    with tarfile.open(packed) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode()


def opened(browser: Any, site: Site, size: tuple[int, int], scheme: str, *, known: bool = True, **options: Any) -> Any:
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme=scheme,
        base_url=f"http://127.0.0.1:{site.port}",
        **options,
    )
    context.set_default_timeout(8000)
    if known:
        value = site.access.log_in(PASSPHRASE, "test", "phone at the desk")
        context.add_cookies([{"name": "rushlight", "value": value, "url": f"http://127.0.0.1:{site.port}"}])
    return context.new_page()


FAULTS = """axe.run({resultTypes: ['violations'], runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}).then(
  r => r.violations.map(v => [v.impact, v.id, v.nodes.slice(0, 3).map(n => n.html.slice(0, 120))]))"""
TOUCHED = "dispatchEvent(new Event('scroll'))"
"""As somebody's first touch: what lies below a phone's first view waits for it."""
OPEN_ALL = f"document.querySelectorAll('details').forEach(d => {{ d.open = true; }}); {TOUCHED}"


def open_all(page: Any) -> None:
    """Everything that is closed, and then what lay asleep in it."""
    for _ in range(2):
        page.evaluate(OPEN_ALL)


UNWRAP = "document.querySelectorAll('noscript').forEach(n => n.replaceWith(...n.childNodes))"
"""With scripts the browser would hide these; what they hold is the page's, and stays."""


class Scripts:
    """Whether the browser runs a page's scripts; one for a page, as what one session forbids another can't allow."""

    def __init__(self, page: Any) -> None:
        self._session = page.context.new_cdp_session(page)

    def run(self, *, may: bool) -> None:
        self._session.send("Emulation.setScriptExecutionDisabled", {"value": not may})


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [(390, 844), (1280, 800)], ids=["phone", "desk"])
def test_no_screen_breaks_a_rule(browser: Any, site: Site, axe: str, size: tuple[int, int], scheme: str) -> None:
    page, found = opened(browser, site, size, scheme), {}
    for path in (*SCREENS, "/login"):
        if path == "/login":
            page.context.clear_cookies()
        answer = page.goto(path)
        assert answer.ok and page.url.endswith(path), f"{path}: {answer.status} {page.url}"
        open_all(page)
        page.locator("details[data-parts] > template").wait_for(state="detached")
        # At the page's end the bar with Save rests: on the way it passes over what one can scroll from under it.
        page.evaluate("scrollTo(0, document.documentElement.scrollHeight)")
        page.evaluate(axe)
        if faults := page.evaluate(FAULTS):
            found[path] = faults
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0], path
        keep(page, path, size, scheme)
    page.evaluate("document.querySelector('h1').insertAdjacentHTML('afterend', '<img src=\"/static/icon.png\">')")
    page.evaluate(axe)
    assert [f[1] for f in page.evaluate(FAULTS)] == ["image-alt"]  # the checker does find what is wrong
    page.context.close()
    assert found == {}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("size", "scheme"), [((390, 844), "dark"), ((1280, 800), "light")], ids=["phone, dark", "desk, light"]
)
def test_no_screen_breaks_a_rule_with_scripts_off(
    browser: Any, site: Site, axe: str, size: tuple[int, int], scheme: str
) -> None:
    """The page is read in by a browser that runs no script, as its user has it; only then is the checker let in."""
    page, found = opened(browser, site, size, scheme), {}
    scripts = Scripts(page)
    for path in (*SCREENS, "/login"):
        if path == "/login":
            page.context.clear_cookies()
        scripts.run(may=False)
        answer = page.goto(path)
        assert answer.ok and page.url.endswith(path), f"{path}: {answer.status} {page.url}"
        assert page.locator("#reading").count() == 0, f"{path}: a script of the page has run"
        open_all(page)
        asleep = (
            "[...document.querySelectorAll('body noscript')].filter(n => !n.children.length || !n.checkVisibility())"
        )
        assert page.evaluate(f"{asleep}.length") == 0, f"{path}: what waits for a script is not to be seen"
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0], path
        page.evaluate("scrollTo(0, document.documentElement.scrollHeight)")
        keep(page, f"without scripts {path}", size, scheme)
        page.evaluate(UNWRAP)
        scripts.run(may=True)
        page.evaluate(axe)
        if faults := page.evaluate(FAULTS):
            found[path] = faults
    page.context.close()
    assert found == {}


WAITING = """() => { for (const [n, refused] of [[1, false], [2, true]]) localStorage.setItem(`rushlight-kept:kept-${n}`,
  JSON.stringify({ action: '/x', fields: { id: `kept-${n}` }, ms: n, title: 'Feeding, Foyer', refused })); }"""


class Looker:
    """Opens pages in one state after the other and lets the checker at each; keeps what it found."""

    def __init__(self, browser: Any, axe: str, scheme: str, *, scripts: bool) -> None:
        self._browser, self._axe, self._scheme, self._scripts = browser, axe, scheme, scripts
        self.found: dict[str, Any] = {}

    def opened(self, site: Site, *, known: bool = True) -> tuple[Any, Scripts]:
        page = opened(self._browser, site, PHONE, self._scheme, known=known)
        return page, Scripts(page)

    def go(self, at: tuple[Any, Scripts], path: str) -> None:
        at[1].run(may=self._scripts)
        at[0].goto(path)

    def look(self, at: tuple[Any, Scripts], path: str, name: str, before: str = "") -> None:
        self.go(at, path)
        page, _ = at
        if before:
            page.evaluate(before)
        self.check(at, name)

    def check(self, at: tuple[Any, Scripts], name: str) -> None:
        page, scripts = at
        if not self._scripts:
            assert page.locator("#reading").count() == 0, f"{name}: a script of the page has run"
            open_all(page)
        page.evaluate(TOUCHED)
        assert page.locator(".asleep").count() == 0, f"{name}: a part of it would not be looked at"
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0], name
        keep(page, f"state {name}" if self._scripts else f"state without scripts {name}", PHONE, self._scheme)
        if not self._scripts:
            page.evaluate(UNWRAP)
            scripts.run(may=True)
        page.evaluate(self._axe)
        if faults := page.evaluate(FAULTS):
            self.found[name] = faults


def look_at_sites(looker: Looker, tmp_path: Path) -> None:
    """No data at all, a new code, ten tanks, US units."""
    with page_site(made(tmp_path / "new"), ready=False) as new:
        looker.look(looker.opened(new, known=False), "/", "first run")
    with page_site(made(tmp_path / "none")) as none:
        at = looker.opened(none)
        for path in ("/", "/tanks/foyer", "/tanks/foyer/entries", "/tanks/foyer/diary", "/wall", "/still-to-do"):
            looker.look(at, path, f"no data {path}")
    with page_site(made(tmp_path / "ten"), config_of(ten())) as many:
        at = looker.opened(many)
        looker.look(at, "/", "ten tanks")
        looker.look(at, "/tanks/tank-3", "one of ten tanks")
    with page_site(made(tmp_path / "us"), config_of(config_text("us"))) as us:
        us.engine.submit(
            Test(at_s=us.engine.now_s(), tank="foyer", method="drops", kit="drops", values={"nitrate": 60.0})
        )
        at = looker.opened(us)
        for path in ("/", "/tanks/foyer", "/tanks/foyer/water-change"):
            looker.look(at, path, f"US units {path}")


def look_at_one_site(looker: Looker, site: Site, at: tuple[Any, Scripts]) -> None:
    """What was not found or refused, twice the text, strangers."""
    looker.look(at, "/nowhere", "no such page")
    looker.look(at, "/?done=feed-3", "after an entry")
    for path in ("/", "/tanks/foyer", "/tanks/foyer/test"):
        looker.look(at, path, f"twice the text {path}", "document.documentElement.style.fontSize = '200%'")
    looker.go(at, "/tanks/foyer/feeding")
    page = at[0]
    page.get_by_label("Dry food").fill("a pinch")
    page.get_by_role("button", name="Save").click()
    page.get_by_text("Not saved yet").wait_for()
    looker.check(at, "a form that was refused")
    alarm = next(a for a in site.engine.view().tanks[0].alarms if a.state == "unacknowledged")
    stranger = looker.opened(site, known=False)
    looker.look(stranger, f"/acknowledge/{oneclick.ticket(site.access.secret, alarm.id, alarm.occurrence)}", "ticket")
    looker.look(stranger, "/join/a-link-that-was-used", "join")


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_state_breaks_a_rule(browser: Any, site: Site, axe: str, tmp_path: Path, scheme: str) -> None:
    """All of them, and what is kept on the phone."""
    looker = Looker(browser, axe, scheme, scripts=True)
    look_at_sites(looker, tmp_path)
    at = looker.opened(site)
    look_at_one_site(looker, site, at)
    page = at[0]
    page.evaluate("localStorage.clear()")
    page.evaluate(WAITING)
    page.context.set_offline(True)
    page.evaluate("window.dispatchEvent(new Event('online'))")
    page.get_by_text("Waiting on this device").wait_for()
    looker.check(at, "kept on the phone")
    page.context.set_offline(False)
    page.evaluate("localStorage.clear()")
    assert looker.found == {}


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["dark"])
def test_no_state_breaks_a_rule_with_scripts_off(
    browser: Any, site: Site, axe: str, tmp_path: Path, scheme: str
) -> None:
    looker = Looker(browser, axe, scheme, scripts=False)
    look_at_sites(looker, tmp_path)
    look_at_one_site(looker, site, looker.opened(site))
    plain = opened(browser, site, PHONE, scheme, java_script_enabled=False)
    plain.goto("/tanks/foyer")
    assert plain.locator(".own input[type=date]").count() == 2, "what waits for a script is there without one"
    assert looker.found == {}


def made(folder: Path) -> Path:
    folder.mkdir()
    return folder


def test_words_of_pictures_are_large_enough_on_a_phone_and_their_values_are_in_a_table(
    browser: Any, site: Site
) -> None:
    """11 px is our own floor for words in a picture on a phone; no standard names one."""
    page = opened(browser, site, (390, 844), "light")
    page.goto("/tanks/foyer")
    page.evaluate(OPEN_ALL)
    sizes = page.evaluate(
        "[...document.querySelectorAll('svg text')].filter(t => t.checkVisibility()).map(t => {"
        " const box = t.ownerSVGElement.viewBox.baseVal, width = t.ownerSVGElement.getBoundingClientRect().width;"
        " return parseFloat(getComputedStyle(t).fontSize) * (box && box.width ? width / box.width : 1); })"
    )
    outside = page.evaluate(
        "[...document.querySelectorAll('svg text')].filter(t => t.checkVisibility()).filter(t => {"
        " const a = t.getBoundingClientRect(); return a.left < -1 || a.right > 391; }).map(t => t.textContent)"
    )
    print(f"{len(sizes)} words in pictures, the smallest {min(sizes):.1f} px")
    assert len(sizes) > 15 and min(sizes) >= 11.0 and outside == []
    page.goto("/tanks/foyer?stretch=fortnight")
    page.evaluate(OPEN_ALL)
    table = page.get_by_role("region", name="The timeline as numbers")
    assert table.get_by_role("row").count() > 10
    heads = table.get_by_role("columnheader").all_inner_texts()
    assert [h.partition(",")[0] for h in heads][:5] == ["About", "Nitrate", "Supply", "Uptake", "Lamp"]
    page.context.close()


OFF_ITS_LINE = """[...document.querySelectorAll('.axis text')].filter(t => t.checkVisibility()).map(t => {
  const s = document.getElementById('sheet').dataset, r = t.ownerSVGElement.getBoundingClientRect();
  const b = t.getBoundingClientRect(), at = (new Date(t.dataset.at) / 1000 - s.from) / (s.to - s.from) * r.width;
  const edge = Math.min(at, r.width - at) < 45, middle = (b.left + b.right) / 2 - r.left - at;
  return [t.textContent, b.left - r.left - at > 8 || at - (b.right - r.left) > 8 || (r.width > 800 && !edge && Math.abs(middle) > 3)];
}).filter(([, off]) => off)"""
WORDS_SEEN = "[...document.querySelectorAll('.axis text')].filter(t => t.checkVisibility()).length"
CROSSED = """[...document.querySelectorAll('.lane')].filter(l => l.checkVisibility()).flatMap(l => {
  const lines = [...l.querySelectorAll('.level')].map(p => p.getBoundingClientRect().top);
  return [...l.querySelectorAll('text.warn')].map(t => [t.textContent, t.getBoundingClientRect()])
    .filter(([, r]) => lines.some(y => y > r.top + 0.25 * r.height && y < r.bottom - 0.25 * r.height)).map(([w]) => w); })"""
IN_TWO = """[...document.querySelectorAll('button,.button')].filter(e => e.checkVisibility() && e.firstChild.data)
  .filter(e => { const r = document.createRange(); r.selectNode(e.firstChild); return r.getClientRects().length > 1; })
  .map(e => e.firstChild.data)"""


def test_what_was_seen_amiss_on_the_screens_stays_mended(browser: Any, site: Site) -> None:
    """Each was found by looking: a date off its line, a word across its limit, a word in two, a row for one button."""
    page, zone = opened(browser, site, PHONE, "light"), site.engine.core.zone
    midnight_s = midnight_of(local_day(site.engine.now_s(), zone), zone) - 22 * DAY_S
    # Hours before the first midnight and days from there on, so that dates lie at, near and far from either edge.
    for width, hours, days in ((390, 1, 22), (390, 20, 21.1), (1280, 0.5, 22), (1280, 12, 21.5), (1280, 23.5, 21.02)):
        page.set_viewport_size({"width": width, "height": 844})
        ends = f"from={midnight_s - hours * HOUR_S:.0f}&to={midnight_s + days * DAY_S:.0f}"
        page.goto(f"/tanks/foyer?{ends}")
        page.evaluate(TOUCHED)
        assert page.evaluate(WORDS_SEEN) > 2 and page.evaluate(OFF_ITS_LINE) == [], (width, hours, days)
    page.goto("/tanks/foyer/water-change")
    form, plan = page.locator("form.keep").bounding_box(), page.locator(".card").bounding_box()
    assert form and plan and plan["y"] < 200 and form["x"] + form["width"] < plan["x"], "half a desk is left empty"
    page.goto("/tanks/foyer/feeding")
    form, earlier = page.locator("form.keep").bounding_box(), page.locator(".card").bounding_box()
    assert form and earlier and earlier["y"] < 200 and form["x"] + form["width"] < earlier["x"]
    page.goto("/tanks/foyer")
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    assert page.evaluate(CROSSED) == []
    page.goto("/")
    tops = [page.locator(".row .actions > *", has_text=word).first.bounding_box() for word in ("Acknowledge", "Change")]
    assert tops[0] and tops[1] and abs(tops[0]["y"] - tops[1]["y"]) < 2, tops
    assert page.evaluate(IN_TWO) == []
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    open_all(page)
    assert page.get_by_role("button", name="Acknowledge").count() > 1 and "Acknowledge" not in page.evaluate(IN_TWO)
    page.goto("/tanks/foyer/test")
    page.get_by_role("button", name="Save the test").click()
    page.get_by_text("Not saved yet: choose at least one value").wait_for()
    page.goto("/probes/foyer-ph/calibration")
    open_all(page)
    table = "(e => e.scrollWidth - e.clientWidth)(document.querySelector('.wide'))"
    assert page.evaluate(table) <= 0, "the table of buffers is cut off"
    page.context.close()


@pytest.mark.slow
def test_the_keyboard_reaches_all_and_shows_where_it_is(browser: Any, site: Site) -> None:
    """WCAG 2.2: focus visible (2.4.7), no trap (2.1.2), reachable (2.1.1)."""
    page = opened(browser, site, (390, 844), "dark")
    page.goto("/tanks/foyer/test")
    shown = "[...document.querySelectorAll('%s')].filter(e => e.checkVisibility()).length"
    wanted = page.evaluate(shown % "a[href],button,summary,select,textarea,input:not([type=hidden]):not([type=radio])")
    groups, seen = page.evaluate(shown % "fieldset:has(input[type=radio])"), []
    for _ in range(wanted + groups):
        page.keyboard.press("Tab")
        seen.append(
            page.evaluate(
                "(() => { const e = document.activeElement; const shown = e.type === 'radio' ? e.nextElementSibling : e;"
                " return [e.outerHTML.slice(0, 60), getComputedStyle(shown).outlineStyle]; })()"
            )
        )
    assert all(style == "solid" for _, style in seen), seen
    assert len({html for html, _ in seen}) == wanted + groups
    page.context.close()
