"""A board or broker that is down: told as one thing, in one message, not as so many probes."""

from __future__ import annotations

import json

from helpers.site import CONFIG, config_of
from rushlight import eventlines
from rushlight.core.step import Core
from rushlight.core.timeline import Timeline
from rushlight.core.view import site_view
from rushlight.effects import Effect, Message
from rushlight.events import Reading
from rushlight.replay import replay
from rushlight.tank.probes.gateway import gateways

T0 = 1_770_026_400.0  # 2026-02-02, 10:00 UTC: not in the quiet hours
PUSH = '\n[push]\nserver = "https://push.example.org"\ntopic = "t"\n'
BARE = CONFIG.partition("[[probe]]")[0]


def probe(name: str, quantity: str, how: str) -> str:
    return f'[[probe]]\nid = "{name}"\ntank = "foyer"\nquantity = "{quantity}"\n{how}\n'


def on_board(name: str, quantity: str, board: str) -> str:
    where = f'topic = "boards/{board}"\nhost = "pi"\nformat = "senml"\nrecord = "{board}/{name}"'
    return probe(name, quantity, f'driver = "mqtt"\n{where}')


BOARDS = BARE + on_board("warmth", "temperature", "a") + on_board("brightness", "light", "a")
BOARDS += on_board("air", "air_temperature", "b") + on_board("damp", "humidity", "b") + PUSH
VALUES = {"warmth": 24.0, "brightness": 6000.0, "air": 20.0, "damp": 50.0}


def run(text: str, silent: dict[str, int], minutes: int) -> tuple[Timeline, list[Effect]]:
    """Every probe says something each minute until it falls silent; other time passes by ticks."""
    time, effects = Timeline(Core(config_of(text)), Core(config_of(text)).initial()), list[Effect]()
    for m in range(minutes):
        for n, name in enumerate(VALUES):
            if m < silent.get(name, minutes):
                value = VALUES[name] + (m % 3) * 0.1
                effects += time.feed(Reading(at_s=T0 + 60 * m + n, probe=name, value=value))
        effects += time.advance(T0 + 60 * m + 30)
    return time, effects


def texts(effects: list[Effect]) -> list[str]:
    return [m.body for m in effects if isinstance(m, Message) and "silent" in m.body]


def test_ways_in_are_shared_by_board_and_by_broker() -> None:
    found = gateways(config_of(BOARDS).probe)
    assert [len(g.probes) for g in found["warmth"]] == [4, 2]
    lone = gateways(config_of(BARE + on_board("warmth", "temperature", "a") + on_board("x", "light", "a")).probe)
    assert [g.name for g in lone["warmth"]] == ["the board that publishes boards/a on pi"], "not the broker's fault"
    assert [g.name for g in gateways(config_of(CONFIG).probe)["foyer-ph"]] == ["every probe here"]
    assert gateways(config_of(CONFIG).probe[:1]) == {}


def test_a_board_that_is_down_is_one_thing() -> None:
    _, effects = run(BOARDS, {"warmth": 30, "brightness": 30}, 70)
    [body] = texts(effects)
    assert body.count("boards/a on pi is silent") == 1
    assert "robably no power since 10:29: the board that publishes boards/a on pi" in body
    assert "ook whether the pump runs" in body
    assert "air" not in body.replace("air temperature", "")


def test_a_broker_that_is_down_is_one_thing() -> None:
    _, effects = run(BOARDS, dict.fromkeys(VALUES, 30), 70)
    [body] = texts(effects)
    assert body.count("robably no power since 10:29: the broker on pi is silent") == 1
    assert "boards/a" not in body


def test_one_probe_of_a_board_that_still_talks_is_the_probes_own_trouble() -> None:
    _, effects = run(BOARDS, {"warmth": 30}, 70)
    [body] = texts(effects) or [m.body for m in effects if isinstance(m, Message)]
    assert "he temperature probe warmth has said nothing" in body
    assert "the board that publishes" not in body


def test_each_probe_still_has_its_own_alarm_to_clear() -> None:
    time, _ = run(BOARDS, {"warmth": 30, "brightness": 30}, 70)
    view = site_view(time.core, time.state, T0 + 70 * 60)
    silent = {a.id for t in view.tanks for a in t.alarms if a.alarm == "probe_silent"}
    assert silent == {"foyer.probe_silent.warmth", "foyer.probe_silent.brightness"}


def test_a_serial_board_counts_as_well() -> None:
    serial = 'driver = "lines"\nport = "/dev/serial/by-id/usb-Board_1-if00"\nformat = "pairs"\nfield = "{}"'
    text = (
        BARE
        + probe("warmth", "temperature", serial.format("temp"))
        + probe("brightness", "light", serial.format("light"))
    )
    text += on_board("air", "air_temperature", "b") + on_board("damp", "humidity", "b") + PUSH
    _, effects = run(text, {"warmth": 30, "brightness": 30}, 70)
    [body] = texts(effects)
    assert "the device on /dev/serial/by-id/usb-Board_1-if00 is silent" in body


# ---- a power cut, as it looks from the records: the row of ten hours without power


def night(hours: float) -> list[dict[str, object]]:
    """Three probes every five minutes for two days; from 02:10 on the second night all of them are silent."""
    start_s, off_s = eventlines.unix_s("2026-02-02T00:00:00Z"), eventlines.unix_s("2026-02-03T02:10:00Z")
    lines = ['{"at":"2026-02-02T00:00:00Z","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":10}}']
    for n in range(3 * 288):
        at_s = start_s + 300 * n
        if off_s < at_s < off_s + hours * 3600:
            continue
        for name, value in (("temperature", 24.0), ("light", 50.0 if n % 288 > 96 else 2.0), ("ph", 7.0)):
            reading = {"at": eventlines.rfc3339(at_s), "kind": "reading", "probe": f"foyer-{name}"}
            lines.append(json.dumps(reading | {"value": value + 0.01 * (n % 5)}))
    text = CONFIG + '\n[contacts]\nquiet_from = "00:00"\nquiet_until = "00:00"\n'
    return [json.loads(line) for line in replay(config_of(text), lines)]


def test_ten_hours_without_power_are_one_thing_with_its_hour_first_aid_and_a_test_afterwards() -> None:
    found = night(10.0)
    silent = [r for r in found if r.get("alarm") == "probe_silent" and r["state"] == "unacknowledged"]
    assert len({r["text"] for r in silent}) == 1
    text = str(silent[0]["text"])
    assert "probably no power since 02:10: every probe here is silent" in text
    assert "look whether the pump runs" in text
    assert "cable" not in text.split("First:")[1]
    due = [r for r in found if r["kind"] == "due"][-1]
    assert due["due_at"] == "2026-02-04T12:10:00Z"
    assert "power was probably out for 10 h" in str(due["reason"])


def test_an_hour_of_silence_brings_no_test() -> None:
    assert not [r for r in night(1.0) if r["kind"] == "due" and "power" in str(r["reason"])]
