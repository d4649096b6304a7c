"""What the page costs with five years of daily rows, and the weekly summary: bytes, milliseconds and queries.

python tests/bench/bench_page.py [--quick]
"""

from __future__ import annotations

import random
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

import jinja2

sys.path.insert(0, str(Path(__file__).parents[1]))

from figures import Figure, median_s, show

from helpers.page import Site, page_site
from rushlight.effects import Daily, Estimate
from rushlight.events import Feeding, Test
from rushlight.journal.rows import Recorded
from rushlight.summary import render as summaries
from rushlight.summary.build import build
from rushlight.web.serving import templating

DAYS, TURNS, SEED = 5 * 365, 60, 7


def fill(site: Site) -> None:
    """Five years of closed days, feedings and weekly strips, straight into the journal; two months through the core."""
    rng, now_s, journal = random.Random(SEED), site.engine.now_s(), site.engine.journal
    for n in range(DAYS, 0, -1):
        at_s = now_s - n * 86400.0
        level = 20 + 10 * rng.random()
        band = Estimate(mean=level, low=0.8 * level, high=1.2 * level)
        date = time.strftime("%Y-%m-%d", time.gmtime(at_s))
        day = Daily(
            at_s=at_s,
            tank="foyer",
            date=date,
            light_dose_mol=4.0,
            light_coverage=1.0,
            lamp_dose_mol=3.0,
            lamp_percent=97.0,
            nitrate=band,
            net_rate=band,
            supply_rate=band,
            uptake_rate=band,
            kept_up=band,
        )
        events = [Recorded(Feeding(at_s=at_s, id=f"feed-{n}", tank="foyer", grams=0.9), at_s)]
        if n % 7 == 0:
            events.append(
                Recorded(
                    Test(
                        at_s=at_s, id=f"test-{n}", tank="foyer", method="strip", kit="strip", values={"nitrate": 25.0}
                    ),
                    at_s,
                )
            )
        site.engine.do(
            lambda events=events, day=day, at_s=at_s, last=n == 1: journal.append(events, [day], urgent=last, at_s=at_s)
        )
    for n in range(8, 0, -1):
        site.engine.submit(
            Test(at_s=now_s - n * 7 * 86400.0, tank="foyer", method="strip", kit="strip", values={"nitrate": 25.0})
        )


def queries(site: Site, path: str) -> int:
    """SELECTs that one request runs on the journal's readers."""
    seen: list[str] = []
    plain = sqlite3.connect

    def counting(*args: object, **options: object) -> sqlite3.Connection:
        conn = plain(*args, **options)
        conn.set_trace_callback(lambda sql: seen.append(sql) if sql.lstrip().upper().startswith("SELECT") else None)
        return conn

    sqlite3.connect = counting
    try:
        site.client().get(path)
    finally:
        sqlite3.connect = plain
    return len(seen)


def summary_ms() -> tuple[float, float, float]:
    """Milliseconds for the weekly summary of two tanks as text and as HTML with pictures, and for a bare template."""
    from helpers.weeks import material

    week = material()
    bare = jinja2.Template("{% for line in lines %}<p>{{ line }}</p>{% endfor %}")
    lines = summaries.as_text(build(week)).splitlines()
    return (
        median_s(lambda: summaries.as_text(build(week)), TURNS) * 1000,
        median_s(lambda: summaries.as_html(build(week)), TURNS) * 1000,
        median_s(lambda: bare.render(lines=lines), TURNS) * 1000,
    )


def figures(*, quick: bool) -> list[Figure]:
    """Each screen with five years of days behind it, and the summary."""
    turns, made = (TURNS // 6 if quick else TURNS), []
    with tempfile.TemporaryDirectory() as folder, page_site(Path(folder)) as site:
        fill(site)
        client = site.client()
        static = sum(len(templating.static(name)) for name in templating.STATIC)
        assert "Nitrate about" in client.get("/").text
        floor = median_s(lambda: client.get("/no-such-page"), turns) * 1000
        for path in ("/", "/tanks/foyer", "/tanks/foyer/test", "/tanks/foyer/entries"):
            size = len(client.get(path).text.encode())
            took = median_s(lambda path=path: client.get(path), turns) * 1000
            what = f"page {path} ({size / 1000:.1f} kB, {queries(site, path)} queries)"
            small = size + static < 60_000 if path == "/" else None
            made.append(
                Figure(
                    what,
                    took,
                    "ms",
                    floor,
                    None,
                    "an answer without a page",
                    "< 60 kB whole" if path == "/" else "",
                    small,
                )
            )
    text, html, bare = summary_ms()
    beside = "its lines through a bare template"
    return [
        *made,
        Figure("summary as text", text, "ms", bare, None, beside),
        Figure("summary as HTML", html, "ms", bare, None, beside),
    ]


if __name__ == "__main__":
    show(figures(quick="--quick" in sys.argv))
