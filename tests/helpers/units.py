"""A site that reads its own units, with enough going wrong that every text with a quantity in it is told."""

from __future__ import annotations

import re
from collections.abc import Iterator

from helpers.site import CONFIG, lines_of
from rushlight import eventlines

METRIC_WORDS = re.compile(r"°C|°dH|mg/L|\blit(?:re|er)s?\b|(?<=[\d\s])(?:L|cm|mL)\b(?![a-z])")
OTHER_WORDS = re.compile(
    r"°F|\bgal\b|\bgallons?\b|(?<=\d )in\b(?! (?:the|a|all|about|an|two|\d|every|its|question))|\bppm\b"
)
EVERY_S = 600.0
EVERY_DAY = 144
START = "2026-03-02T00:00:00Z"
_MORE = """
[[probe]]
id = "heater-end"
tank = "foyer"
quantity = "temperature"
every_seconds = 300

[[probe]]
id = "foyer-level"
tank = "foyer"
quantity = "level"
every_seconds = 300
"""


def config_text(system: str) -> str:
    """The small installation with a second thermometer and a level probe, and everything testable by drops."""
    drops = '\n[[kit]]\nid = "drops"\nmethod = "drops"\n'
    text = CONFIG.replace("[site]", f'[site]\nunits = "{system}"').replace("limits = {", "limits = { level_low = 20,")
    return text + _MORE + drops


def lines(start: str = START) -> list[str]:
    """Ten days of probes and entries: heat, a fall of level, two thermometers apart, every test beyond its limit."""
    n = 10 * EVERY_DAY
    warm = [25.0 if i < 2 * EVERY_DAY else 29.5 if i < 4 * EVERY_DAY else 25.0 for i in range(n)]
    out = lines_of("foyer-temperature", warm, start=start, every_s=EVERY_S)
    out += lines_of(
        "heater-end",
        [w + (4.0 if i > 5.5 * EVERY_DAY else 0.0) for i, w in enumerate(warm)],
        start=start,
        every_s=EVERY_S,
    )
    out += lines_of(
        "foyer-level", [30.0 if i < 8.3 * EVERY_DAY else 24.0 for i in range(n)], start=start, every_s=EVERY_S
    )
    out += lines_of("foyer-ph", [7.4] * n, start=start, every_s=EVERY_S)
    out += list(_entries(eventlines.unix_s(start)))
    return sorted(out, key=lambda line: re.search(r'"at": ?"([^"]+)"', line).group(1))  # type: ignore[union-attr]


def _entries(start_s: float) -> Iterator[str]:
    for day, body in (
        (2, '"kind": "test", "method": "strip", "values": {"nitrate": 25, "ph": 7.5, "kh": 5, "gh": 20}'),
        (
            4,
            '"kind": "test", "method": "drops", "values": {"nitrate": 30, "ammonia": 4, "nitrite": 2, "kh": 1, "gh": 28}',
        ),
        (5, '"kind": "test", "method": "drops", "values": {"chlorine": 0.5, "ammonia": 6, "kh": 1, "gh": 28}'),
        (6, '"kind": "water_change", "litres": 40'),
        (7, '"kind": "top_off", "litres": 8'),
        (8, '"kind": "growth", "plant": "sedge", "longest_cm": 31, "height_cm": 40'),
        (
            9,
            '"kind": "test", "method": "drops", "values": {"nitrate": 100, "ammonia": 6, "nitrite": 2, "kh": 1, "gh": 30}',
        ),
        (9.1, '"kind": "test", "method": "drops", "values": {"nitrate": 120}'),
        (9.2, '"kind": "sighting", "what": "gasping"'),
        (9.4, '"kind": "note", "text": "all as it should be"'),
    ):
        at = eventlines.rfc3339(start_s + day * 86_400.0 + 1.0)
        yield f'{{"at": "{at}", {body}, "tank": "foyer", "id": "entry-{day:g}"}}'
