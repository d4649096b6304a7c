"""A site's texts are in its own units, whichever alarm speaks; what programs read stays as the record has it."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Iterator
from functools import cache
from typing import Any

import pytest

from helpers.site import config_of
from helpers.units import METRIC_WORDS, OTHER_WORDS, config_text, lines
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.effects import Daily
from rushlight.replay import events, record_of, with_phone
from rushlight.summary.build import Material, build
from rushlight.summary.figures import tank_pictures
from rushlight.summary.render import as_page, as_text

FOR_PROGRAMS = frozenset({"unit", "raw_unit"})


@cache
def told(system: str) -> tuple[str, ...]:
    """Every line of the replay, and the picture of the site after each day."""
    config = with_phone(config_of(config_text(system)))
    core = Core(config)
    timeline = Timeline(core, core.initial())
    out, last = [], 0.0
    for event in events(config, lines()):
        records = [record_of(e, daily=True, messages=True) for e in timeline.run([event])]
        out += [json.dumps(r) for r in records if r is not None]
        if event.at_s - last > 86_400.0:
            last = event.at_s
            out.append(json.dumps(dataclasses.asdict(site_view(core, timeline.state, last)), default=str))
    return tuple(out)


@cache
def letter(system: str) -> str:
    """The weekly letter at the end of the story, as text and as HTML with its pictures inside."""
    config = config_of(config_text(system))
    core = Core(config)
    timeline = Timeline(core, core.initial())
    entered = list(events(config, lines()))
    days = [e for e in timeline.run(entered) if isinstance(e, Daily)]
    view = site_view(core, timeline.state, entered[-1].at_s)
    pictures = tank_pictures(config, config.tank[0], days, entered, view.at_s)
    made = build(Material(view=view, days={"foyer": days}, entries=entered, pictures={"foyer": pictures}))
    return as_text(made) + "".join(p.svg for p in pictures) + as_page(made)


def texts(value: Any, key: str = "") -> Iterator[str]:
    match value:
        case dict():
            for k, v in value.items():
                yield from texts(v, k)
        case list():
            for v in value:
                yield from texts(v, key)
        case str() if key not in FOR_PROGRAMS:
            yield value


def all_texts(system: str) -> set[str]:
    return {t for line in told(system) for t in texts(json.loads(line))}


@pytest.mark.slow
@pytest.mark.parametrize(("system", "never"), [("us", METRIC_WORDS), ("metric", OTHER_WORDS)], ids=["us", "metric"])
def test_no_text_is_in_other_peoples_units(system: str, never: re.Pattern[str]) -> None:
    assert [t for t in all_texts(system) if never.search(t)] == []


@pytest.mark.slow
@pytest.mark.parametrize(("system", "never"), [("us", METRIC_WORDS), ("metric", OTHER_WORDS)], ids=["us", "metric"])
def test_nor_is_the_weekly_letter(system: str, never: re.Pattern[str]) -> None:
    said = re.sub(r"<[^>]+>", " ", letter(system))
    assert "water change, " in said
    assert [said[max(0, m.start() - 40) : m.end() + 20] for m in never.finditer(said)] == []


@pytest.mark.slow
def test_a_british_site_reads_gallons_inches_and_degrees_celsius() -> None:
    said = " ".join(all_texts("uk"))
    assert not re.search(r"°F|\d (?:L|cm)\b|ppm|litre", said)
    assert re.search(r"\d °C", said)
    assert re.search(r"\d gal\b", said)


@pytest.mark.slow
@pytest.mark.parametrize(
    "alarm",
    ["temperature_high", "temperature_moving", "level_low", "probes_disagree", "ammonia_high", "nitrite_high",
     "alkalinity_low", "hardness_high", "chlorine_high", "nitrate_high", "fish_in_distress"],
)  # fmt: skip
def test_the_story_makes_each_of_them_speak(alarm: str) -> None:
    assert any(f'"alarm": "{alarm}"' in line for line in told("us"))


@pytest.mark.slow
def test_texts_say_the_converted_figures_and_evidence_keeps_the_records() -> None:
    def raised(system: str, alarm: str) -> dict[str, Any]:
        found = (json.loads(line) for line in told(system) if f'"alarm": "{alarm}"' in line)
        return next(r for r in found if r["state"] == "unacknowledged")

    us, metric = raised("us", "temperature_high"), raised("metric", "temperature_high")
    assert us["evidence"] == metric["evidence"]
    # (29.5 °C × 1.8) + 32 = 85.1 °F and 27 °C = 80.6 °F by NIST SP 811, B.9
    assert "29.5 °C against a limit of 27 °C" in metric["text"]
    assert "85.1 °F against a limit of 80.6 °F" in us["text"]
    apart = raised("us", "probes_disagree")["text"]
    assert "differ by 7.2 °F, more than the 3.6 °F" in apart, "a difference has no offset"
    assert "is rising by 8.1 °F in an hour, against a limit of 3.6" in raised("us", "temperature_moving")["text"]
    assert "11.8 to 9.4 in" in raised("us", "level_low")["text"]


@pytest.mark.slow
def test_what_programs_read_is_the_same_in_every_system() -> None:
    def plain(line: str) -> dict[str, Any]:
        record = json.loads(line)
        for name in ("text", "title", "body", "reason"):
            record.pop(name, None)
        for name in [n for n in record.get("evidence", {}) if n.endswith("sentence")]:
            del record["evidence"][name]
        return record

    us, metric = ([plain(x) for x in told(s) if '"kind": ' in x] for s in ("us", "metric"))
    assert us == metric
