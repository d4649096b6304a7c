"""What the first view of home and tank costs a phone: bytes over the wire and main thread, with a year of readings.

    python tests/bench/bench_first_view.py [--quick]

A year of five-minute readings of three probes, a year of closed days and 250 entries; the Debian browser at 390 px.
Bytes are those that the browser counts on the wire, everything included.  Main thread is the processor time of the
browser's tasks from the request until two seconds after loading, times six for a phone that is so much slower:
processor time, though a busy machine raises that too by sharing its caches, so the least of several visits stands beside the
median.  Wanted: 150 kB, 300 ms.  What nobody has touched yet comes by itself somewhat later (the page below the first
view, moments in the browser's manner): the last column says what the two seconds after those cost.
"""

from __future__ import annotations

import math
import statistics
import sys
import tempfile
import zoneinfo
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.browser import chromium
from helpers.page import PASSPHRASE, Site, page_site
from rushlight.effects import Daily, Estimate
from rushlight.events import Event, Feeding, Reading, Test, WaterChange
from rushlight.journal.rows import Recorded
from rushlight.localtime import DAY_S, local_date

SLOWED, EVERY_S = 6, 300.0
PATHS = ("/", "/tanks/foyer", "/tanks/foyer?stretch=year", "/tanks/foyer/test", "/wall", "/nowhere")
"""The last is a page of one line: what the browser and whoever drives it cost in any case."""
PHONE, TALLER = (390, 844), (412, 915)
"""Px of the browser's window.  On the taller one the tank's timeline begins in the first view, as it does on the other
where no alarm stands."""
VISITS = (*((path, PHONE) for path in PATHS), *((path, TALLER) for path in PATHS[1:3]))
PROBES = (("foyer-temperature", 24.0, 1.0), ("foyer-light", 6000.0, 3000.0), ("foyer-ph", 7.0, 0.2))


def fill(site: Site, days: int) -> None:
    """A year into the journal, past the core: the page reads it from there."""
    zone, now_s, journal = zoneinfo.ZoneInfo("Europe/Dublin"), site.engine.now_s(), site.engine.journal
    for n in range(days, 0, -1):
        at_s = now_s - n * DAY_S
        level = 22.0 + 9.0 * math.sin(n / 17)
        band, rate = (
            Estimate(mean=level, low=level - 6, high=level + 8),
            Estimate(mean=1.4, low=1.0 + 0.2 * math.sin(n), high=1.9),
        )
        day = Daily(
            at_s=at_s,
            tank="foyer",
            date=local_date(at_s - DAY_S / 2, zone),
            nitrate=band,
            supply_rate=rate,
            uptake_rate=rate,
            light_dose_mol=3.4 + math.sin(n / 9),
            lamp_dose_mol=3.0,
            lamp_percent=97.0,
        )
        events: list[Event] = [
            Reading(at_s=at_s + k * EVERY_S, probe=probe, value=middle + swing * math.sin(k / 40 + n))
            for k in range(int(DAY_S / EVERY_S))
            for probe, middle, swing in PROBES
        ]
        if n % 2:
            events.append(Feeding(at_s=at_s, id=f"f{n}", tank="foyer", grams=0.9))
        if n % 7 == 0:
            events.append(
                Test(at_s=at_s, id=f"t{n}", tank="foyer", method="strip", kit="strip", values={"nitrate": 25.0})
            )
        if n % 30 == 0:
            events.append(WaterChange(at_s=at_s, id=f"w{n}", tank="foyer", fraction=0.3))
        kept = [Recorded(e, e.at_s) for e in events]
        site.engine.do(
            lambda kept=kept, day=day, at_s=at_s, last=n == 1: journal.append(kept, [day], urgent=last, at_s=at_s)
        )
    for n in (21, 14, 7, 1):
        values = {"nitrate": 25.0}
        site.engine.submit(Test(at_s=now_s - n * DAY_S, tank="foyer", method="strip", kit="strip", values=values))


def once(browser: Any, site: Site, path: str, size: tuple[int, int] = PHONE) -> tuple[float, float, float]:
    """Kilobytes over the wire, milliseconds of main thread of one first visit, and of what comes later by itself."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, device_scale_factor=3)
    url = f"http://127.0.0.1:{site.port}"
    value = site.access.log_in(PASSPHRASE, "bench", "phone")
    context.add_cookies([{"name": "rushlight", "value": value, "url": url}])
    page = context.new_page()
    cdp, got = context.new_cdp_session(page), []
    cdp.send("Network.enable")
    cdp.on("Network.loadingFinished", lambda e: got.append(e["encodedDataLength"]))
    cdp.send("Performance.enable", {"timeDomain": "threadTicks"})

    def task_s() -> float:
        return float(
            next(m["value"] for m in cdp.send("Performance.getMetrics")["metrics"] if m["name"] == "TaskDuration")
        )

    before_s = task_s()
    page.goto(f"{url}{path}")
    page.wait_for_timeout(2000)
    seen_s = task_s()
    kb = sum(got) / 1000.0
    page.wait_for_timeout(2000)
    later_s = task_s() - seen_s
    context.close()
    return kb, 1000.0 * SLOWED * (seen_s - before_s), 1000.0 * SLOWED * later_s


def main() -> None:
    """Print a table."""
    quick = "--quick" in sys.argv
    with tempfile.TemporaryDirectory() as folder, page_site(Path(folder)) as site, chromium() as browser:
        fill(site, 60 if quick else 365)
        print(f"{'page':42}{'kB':>8}{'main thread, ms: median':>26}{'least':>8}{'later':>8}")
        once(browser, site, PATHS[0])  # the browser's own first page
        seen = [[once(browser, site, *visit) for visit in VISITS] for _ in range(1 if quick else 7)]
        for (path, size), runs in zip(VISITS, zip(*seen, strict=True), strict=True):
            kb, spent_ms, later_ms = zip(*runs, strict=True)
            median_ms, after_ms = statistics.median(spent_ms), statistics.median(later_ms)
            name = path if size == PHONE else f"{path}, {size[0]} by {size[1]} px"
            print(f"{name:42}{statistics.median(kb):8.1f}{median_ms:26.0f}{min(spent_ms):8.0f}{after_ms:8.0f}")


if __name__ == "__main__":
    main()
