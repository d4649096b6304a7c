"""The weekly summary: what it says, in text and in HTML, with pictures and without."""

import base64
import datetime as dt
import re
from dataclasses import replace
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest

from helpers.browser import chromium
from helpers.site import accounted
from helpers.weeks import CONFIG, DUBLIN, NOW_S, alarm, material
from rushlight.alarms.evidence import Evidence
from rushlight.events import Note
from rushlight.summary.build import build
from rushlight.summary.figures import tank_pictures
from rushlight.summary.parcel import pack, unpack
from rushlight.summary.raster import png
from rushlight.summary.render import TEXT_WIDTH, as_html, as_page, as_text, letter, subject
from rushlight.summary.week import week_at

# -- weeks


# ISO 8601: week 1 is the one with the year's first Thursday; 2026 has 53 weeks, as it begins on a Thursday.
@pytest.mark.parametrize(
    ("day", "key"),
    [
        ("2024-12-30", "2025-W01"),
        ("2025-12-28", "2025-W52"),
        ("2025-12-29", "2026-W01"),
        ("2026-12-31", "2026-W53"),
        ("2027-01-03", "2026-W53"),
        ("2027-01-04", "2027-W01"),
    ],
)
def test_iso_weeks_at_the_turn_of_the_year(day, key):
    at_s = dt.datetime.fromisoformat(f"{day}T12:00").replace(tzinfo=DUBLIN).timestamp()
    assert week_at(at_s, DUBLIN).key == key


@pytest.mark.parametrize(
    ("day", "hours"), [("2025-04-01", 7 * 24 - 1), ("2025-10-28", 7 * 24 + 1), ("2025-06-09", 168)]
)
def test_seven_local_days_whatever_the_clock_does(day, hours):
    week = week_at(dt.datetime.fromisoformat(f"{day}T07:30").replace(tzinfo=DUBLIN).timestamp(), DUBLIN)
    assert (week.until_s - week.from_s) / 3600 == hours


def test_written_on_any_weekday_the_numbers_have_no_gap():
    zone = ZoneInfo("Pacific/Auckland")
    for weekday in range(7):
        start = dt.datetime(2025, 1, 6 + weekday, 7, 30, tzinfo=zone)
        keys = [week_at((start + dt.timedelta(weeks=n)).timestamp(), zone).key for n in range(120)]
        assert len(set(keys)) == 120


# -- what it says


def test_a_tank_in_a_minute():
    foyer, reading = build(material()).tanks
    assert foyer.worry == "medium"
    assert foyer.todo[-1] == "Test by Thu 12 Jun (the light has fallen)."
    assert foyer.todo[0].startswith("Wipe the lamp's cover")
    assert foyer.changed[0].startswith("The lamp gives 82 %")
    assert "First:" not in " ".join(foyer.changed)
    assert any("water change, 25 %" in c for c in foyer.changed)
    assert any("plants cut, 120 g fresh" in c for c in foyer.changed)
    assert not any("feed" in c.lower() and "0.9" in c for c in foyer.changed), "feeding is no news"
    figures = dict(foyer.figures)
    assert figures["Nitrate"] == "31 mg/L as NO3 (90 %: 24 to 39)"
    assert figures["Plants keep up with"] == "72 % of the feed (90 %: 58 to 86 %)"
    assert figures["Tests"] == "1 done, 1 missed"
    assert figures["Lamp"] == "82 % of its output when anchored"
    assert figures["Temperature"] == "24.3 °C"
    assert figures["pH"] == "the pH probe foyer-ph has been silent for 2 h"
    assert figures["Strips left"] == "12.5"
    assert reading.worry == ""
    assert reading.changed == ("Nothing of note.",)


def test_light_is_compared_with_the_week_before():
    figures = dict(build(material()).tanks[0].figures)
    week, before = map(
        float, re.fullmatch(r"([\d.]+) mol/m² a day \(week before ([\d.]+)\)", figures["Light"]).groups()
    )
    doses = [d.light_dose_mol for d in material().days["foyer"]]
    assert week == pytest.approx(sum(doses[-7:]) / 7, abs=0.06)
    assert before == pytest.approx(sum(doses[-14:-7]) / 7, abs=0.06)


def test_the_subject_names_what_needs_a_look_and_the_number():
    assert subject(build(material())) == "Rowan Street library, week 24/2025: to look at this week: Foyer"
    assert subject(build(material(busy=False))) == "Rowan Street library, week 24/2025: all quiet"


def test_low_priority_news_is_told_here():
    base = material()
    strips = alarm("strips_low", Evidence(sentence="strips for two more tests"))
    foyer = accounted(replace(base.view.tanks[0], alarms=(strips,)))
    part = build(replace(base, view=replace(base.view, tanks=(foyer,)))).tanks[0]
    assert part.worry == "low"
    assert part.changed[0].startswith("Strips for two more tests.")
    assert part.todo[0].startswith("Buy test strips this week")


def test_the_tool_speaks_of_itself():
    house = build(replace(material(), view=replace(material().view, clock_ok=False))).house
    assert "E-mail: Never tried." in house
    assert "Push messages: Delivered last on Sat 7 June at 07:30." in house
    assert not any("Hub" in line for line in house), "a letter is about people"
    assert any("heartbeat" in line for line in house)
    assert any("clock" in line for line in house)


def test_an_empty_house_is_no_error():
    base = material()
    empty = build(replace(base, view=replace(base.view, tanks=()), days={}, entries=(), changes=(), pictures={}))
    assert "No tank" in as_text(empty)
    assert "No tank" in as_html(empty)


# -- text


def test_the_text_is_whole_and_narrow():
    text = as_text(build(material()))
    assert max(map(len, text.splitlines())) <= TEXT_WIDTH
    assert "\n\n\n\n" not in text
    for words in ("FOYER", "READING ROOM", "To do this week", "82 %", "Summary 24/2025", "not a substitute", "mol/m²"):
        assert words in text
    assert "!" not in text
    assert "&" not in text


# -- HTML


class Outline(HTMLParser):
    """Checks nesting and collects what matters."""

    VOID = frozenset({"meta", "img", "br"})

    def __init__(self):
        super().__init__()
        self.open, self.images, self.links, self.words = [], [], [], []

    def handle_starttag(self, tag, attrs):
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "img":
            self.images.append(dict(attrs))
        self.links += [v for k, v in attrs if k in ("href", "src")]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def outline(html):
    parser = Outline()
    parser.feed(html)
    assert parser.open == []
    return parser


def test_the_html_is_well_nested_and_asks_no_outside_host():
    found = outline(as_html(build(material())))
    assert [i["src"] for i in found.images] == [
        "cid:nitrate-foyer",
        "cid:light-foyer",
        "cid:nitrate-reading-room",
        "cid:light-reading-room",
    ]
    assert all(link.startswith("cid:") for link in found.links)


def test_with_pictures_blocked_the_same_is_said_in_words():
    for image in outline(as_html(build(material()))).images:
        assert re.search(r"over 56 days: from [\d.]+ to [\d.]+ (mg/L|mol/m²)", image["alt"])
    blocked = outline(as_html(build(material()), lambda _: ""))
    assert blocked.images == []
    assert "Nitrate over 56 days" in " ".join(blocked.words)


def test_what_people_type_can_not_become_markup():
    nasty = '<img src="http://evil.example/x">&amp;<script>'
    base = material()
    made = replace(base, entries=(*base.entries, Note(at_s=NOW_S - 3600 * 24, tank="foyer", text=nasty, id="n")))
    found = outline(as_html(build(made)))
    assert len(found.images) == 4
    assert nasty in "".join(found.words)


# -- the letter


def test_a_letter_with_real_pictures_survives_the_outbox():
    made = letter(build(material()))
    assert set(made.pictures) == {"nitrate-foyer", "light-foyer", "nitrate-reading-room", "light-reading-room"}
    assert unpack(pack(made)) == made
    assert len(pack(made)) < 600_000


def test_a_picture_that_can_not_be_made_leaves_its_words():
    made = letter(build(material()), lambda _: None)
    assert made.pictures == {}
    assert "cid:" not in made.html
    assert "Nitrate over 56 days" in made.html


@pytest.mark.parametrize("svg", ["", "<svg", "no picture at all"])
def test_a_broken_drawing_is_no_error(svg):
    assert png(svg) is None


def test_a_rasteriser_that_takes_too_long_is_given_up():
    assert png("<svg xmlns='http://www.w3.org/2000/svg' width='1' height='1'/>", deadline_s=0.001) is None


def test_a_tank_without_data_has_no_pictures():
    assert tank_pictures(CONFIG, CONFIG.tank[0], (), (), NOW_S) == []


# -- as a file


def test_the_file_carries_its_pictures_inside_and_nothing_from_outside():
    page = Outline()
    page.feed(as_page(build(material())))
    sources = [i["src"] for i in page.images]
    assert sources, "the file shows what the letter shows"
    assert all(s.startswith("data:image/svg+xml;base64,") for s in sources)
    svg = base64.b64decode(sources[0].partition(",")[2]).decode()
    assert svg.startswith("<svg")
    assert "href" not in svg


def test_an_overdue_test_is_asked_for_once_and_counted_once():
    base = material()
    overdue = alarm("test_overdue", Evidence())
    foyer = accounted(replace(base.view.tanks[0], alarms=(overdue,)))
    climbed = [replace(c, at_s=c.at_s + 3600, priority="high") for c in base.changes if c.alarm == "test_overdue"]
    assert climbed, "the week has an overdue test"
    part = build(replace(base, view=replace(base.view, tanks=(foyer,)), changes=(*base.changes, *climbed))).tanks[0]
    assert part.todo == (overdue.first_action,)
    assert dict(part.figures)["Tests"] == "1 done, 1 missed"


# -- on a phone


@pytest.mark.slow
@pytest.mark.parametrize("blocked", [False, True])
def test_a_phone_shows_the_letter_without_sideways_scrolling(blocked):
    made = letter(build(material()))
    address = {f"cid:{name}": "" if blocked else _data(data) for name, data in made.pictures.items()}
    html = re.sub(r'"(cid:[^"]+)"', lambda found: f'"{address[found[1]]}"', made.html)
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.set_content(html)
        wide = page.evaluate("document.documentElement.scrollWidth")
        drawn = page.evaluate("[...document.images].map(i => [i.naturalWidth > 0, i.alt.length > 0])")
    assert wide <= 390
    assert drawn
    assert all(seen is not blocked and described for seen, described in drawn)


def _data(png_bytes: bytes) -> str:
    return f"data:image/png;base64,{base64.b64encode(png_bytes).decode()}"
