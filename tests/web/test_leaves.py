"""Growth and light at the leaves on a tank's page, by the page's own forms."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from pathlib import Path

from helpers.page import page_site
from rushlight.events import Reading


def test_what_is_typed_shows_as_a_rate_and_a_table(tmp_path: Path) -> None:
    with page_site(tmp_path) as site:
        client, zone = site.client(), zoneinfo.ZoneInfo("Europe/Dublin")
        now = dt.datetime.fromtimestamp(site.engine.now_s(), zone)
        assert "Growth</h2>" not in client.get("/tanks/foyer").text, "nobody has looked"
        for weeks, cover in ((5, "22"), (4, "25"), (3, "28"), (2, "31"), (1, "34"), (0, "37,5")):
            done_at = f"{now - dt.timedelta(weeks=weeks, minutes=1):%Y-%m-%dT%H:%M}"
            client.get("/tanks/foyer/growth")
            form = {"id": client.value("id"), "cover_percent": cover, "done_at": done_at}
            assert client.post("/tanks/foyer/growth", form).status == 303
        site.engine.submit(Reading(at_s=site.engine.now_s(), probe="foyer-light", value=6000.0))
        for place, value in (("Water mint <b>", "1500"), ("umbrella sedge", "450")):
            client.get("/tanks/foyer/light-spot")
            form = {"id": client.value("id"), "place": place, "value": value, "unit": "lx"}
            assert client.post("/tanks/foyer/light-spot", form).status == 303
        page = client.get("/tanks/foyer").text
        assert "The plants grew by about " in page and "%) a week over the last four weeks" in page
        assert page.index("umbrella sedge</th>") < page.index("Water mint &lt;b&gt;</th>"), "the darkest first"
        assert "<td>25&nbsp;%</td>" in page and "not known</td>" in page, "a share, but no day's dose yet"
        assert "<b>" not in page
        client.get("/tanks/foyer/growth")
        refused = client.post("/tanks/foyer/growth", {"id": client.value("id"), "plant": "mint"})
        assert refused.status == 422 and "at least one of these" in refused.text
