"""The hub outlet against a real broker, with a recorder that plays the hub."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from helpers import hub as helper
from helpers.hub import COMMANDS, Broker, Installation, Recorder, config, retained, standing, with_tank
from helpers.receivers import Authority
from helpers.waiting import until
from rushlight.events import Acknowledge, Feeding, Test
from rushlight.outlets.hub import broker as access
from rushlight.outlets.hub import feed as outlet_module
from rushlight.outlets.hub.commands import fields_of
from rushlight.outlets.hub.entities import entities
from rushlight.settings import Hub

pytestmark = [pytest.mark.broker, pytest.mark.slow]

BASE = "rushlight/library"
TEMP = f"{BASE}/tank/foyer/probe__foyer-temp__temperature"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outlet_module, "SETTLE_S", (0.1, 0.4))
    monkeypatch.setattr(outlet_module, "BIRTH_JITTER_S", (0.05, 0.2))


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with helper.broker(tmp_path / "broker") as b:
        yield b


@pytest.fixture
def hub(broker: Broker) -> Iterator[Recorder]:
    r = Recorder(broker.port)
    yield r
    r.close()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Installation]:
    i = Installation(tmp_path / "data")
    yield i
    i.stop()


def described(held: dict[str, str]) -> set[str]:
    return {t for t in held if t.startswith("homeassistant/")}


def test_descriptions_and_availability_are_retained_and_states_are_not(
    broker: Broker, hub: Recorder, site: Installation
) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP, "24.56")
    held = retained(broker.port)
    assert described(held) == {
        t for t, _ in entities(site.site, "library", Hub(commands=COMMANDS), fields=fields_of(config()))
    }
    assert held.pop(f"{BASE}/status") == "online"
    assert set(held) == described(held), "a state was retained"


def test_everything_is_said_again_when_the_hub_is_born_anew(broker: Broker, hub: Recorder, site: Installation) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP)
    until(lambda: hub.last(f"{BASE}/status"))
    time.sleep(0.7)
    mark = len(hub.seen)
    hub.say("homeassistant/status", "online")
    topic, payload = entities(site.site, "library", Hub(commands=COMMANDS), fields=fields_of(config()))[0]
    again = hub.await_(topic, payload, since=mark)
    state = hub.await_(TEMP, "24.56", since=mark)
    assert again.at_s < state.at_s, "states must come after descriptions"


def test_a_retained_birth_message_of_the_past_is_no_birth(broker: Broker, hub: Recorder, site: Installation) -> None:
    hub.say("homeassistant/status", "online", retain=True)
    site.run(config(broker.port))
    hub.await_(TEMP)
    time.sleep(1.0)
    topic = entities(site.site, "library")[0][0]
    assert sum(s.topic == topic for s in hub.seen) == 1


@pytest.mark.slow
@pytest.mark.parametrize("keeps", [True, False])
def test_all_comes_back_after_the_broker_restarts(tmp_path: Path, site: Installation, keeps: bool) -> None:
    with helper.broker(tmp_path / "broker", keeps=keeps) as broker:
        hub = Recorder(broker.port)
        site.run(config(broker.port))
        hub.await_(TEMP)
        broker.stop(kill=not keeps)
        until(lambda: site.outlet.trouble, what="the outage was not noticed")
        site.site = with_tank(site.site, "foyer", probes=(helper.probe("foyer-temp", "temperature", "°C", 25.0),))
        mark = len(hub.seen)
        broker.start()
        hub.await_(TEMP, "25.00", since=mark, within_s=20)
        assert site.outlet.trouble == ""
        mark = len(hub.seen)
        hub.say(f"{BASE}/command", json.dumps({"kind": "feeding", "tank": "foyer", "grams": 0.9, "id": "after"}))
        assert hub.answer("after", since=mark)["ok"], "commands are not heard after a restart of the broker"
        held = retained(broker.port)
        assert described(held) == {
            t for t, _ in entities(site.site, "library", Hub(commands=COMMANDS), fields=fields_of(config()))
        }
        hub.close()


def test_a_renamed_and_a_removed_probe_leave_no_ghost(broker: Broker, hub: Recorder, site: Installation) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP)
    before = described(retained(broker.port))
    site.stop()
    site.open()
    kept = [p for p in site.site.tanks[0].probes if p.quantity != "light"]
    renamed = tuple(replace(p, id="foyer-acid") if p.id == "foyer-ph" else p for p in kept)
    site.site = with_tank(site.site, "foyer", probes=renamed)
    mark = len(hub.seen)
    site.run(config(broker.port))
    hub.await_(f"{BASE}/tank/foyer/probe__foyer-acid__ph", since=mark)
    after = described(retained(broker.port))
    gone = {t for t in before if "foyer-ph" in t or "foyer-light" in t}
    assert len(gone) == 6
    assert after == (before - gone) | {t.replace("foyer-ph", "foyer-acid") for t in gone if "foyer-ph" in t}
    tombs = [s for s in hub.seen[mark:] if s.payload == "" and s.topic.startswith("homeassistant/")]
    assert {s.topic for s in tombs} == gone
    assert len(tombs) == len(gone)
    until(lambda: site.get() == after, what="what was removed is still remembered")
    site.stop()
    site.open()
    mark = len(hub.seen)
    site.run(config(broker.port))
    hub.await_(TEMP, since=mark)
    assert not [s for s in hub.seen[mark:] if s.payload == "" and s.topic.startswith("homeassistant/")]


@pytest.mark.slow
def test_what_was_removed_while_the_broker_was_away_is_cleared_on_return(
    broker: Broker, hub: Recorder, site: Installation
) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP)
    site.stop()
    broker.stop()
    site.open()
    site.site = replace(site.site, tanks=site.site.tanks[:1])
    site.run(config(broker.port))
    until(lambda: "can't be reached" in site.outlet.trouble)
    broker.start()
    until(lambda: not [t for t in described(retained(broker.port)) if "reading-room" in t], 20, "ghosts of a tank stay")


@pytest.mark.slow
def test_a_hub_that_is_turned_off_is_cleared_of_us(broker: Broker, hub: Recorder, site: Installation) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP)
    site.stop()
    site.open()
    mark = len(hub.seen)
    site.run(config(broker.port, enabled=False))
    until(lambda: not site.get(), what="descriptions are still remembered")
    until(lambda: retained(broker.port) == {}, what="something of ours stays at the broker")
    hub.say(f"{BASE}/command", json.dumps({"kind": "feeding", "tank": "foyer", "grams": 0.9, "id": "off"}))
    time.sleep(0.5)
    assert site.events() == []
    assert not [s for s in hub.seen[mark:] if s.topic == TEMP]
    site.stop()
    site.open()
    assert retained(broker.port) == {}


@pytest.mark.slow
def test_no_view_clears_nothing(broker: Broker, hub: Recorder, site: Installation) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP)
    before = described(retained(broker.port))
    site.stop()
    site.open()
    full, site.site = site.site, replace(site.site, tanks=())
    mark = len(hub.seen)
    site.run(config(broker.port))
    hub.await_(f"{BASE}/status", "offline") and time.sleep(1.0)
    assert described(retained(broker.port)) == before
    site.site = full
    hub.await_(TEMP, since=mark)


def test_stopping_says_offline_and_so_does_the_broker_for_a_killed_daemon(tmp_path: Path, broker: Broker) -> None:
    hub = Recorder(broker.port)
    site = Installation(tmp_path / "data")
    site.run(config(broker.port))
    hub.await_(TEMP)
    site.stop()
    hub.await_(f"{BASE}/status", "offline", within_s=5)

    script = textwrap.dedent(f"""
        import pathlib, sys, threading
        sys.path.insert(0, {str(Path(__file__).parents[1])!r})
        from helpers.hub import Installation, config
        Installation(pathlib.Path({str(tmp_path / "child")!r})).run(config({broker.port}))
        threading.Event().wait()
    """)
    mark = len(hub.seen)
    child = subprocess.Popen([sys.executable, "-c", script])
    try:
        hub.await_(f"{BASE}/status", "online", since=mark, within_s=20)
        os.kill(child.pid, signal.SIGKILL)
    finally:
        child.kill()
        child.wait(5)
    assert hub.await_(f"{BASE}/status", "offline", since=mark, within_s=5)
    assert retained(broker.port)[f"{BASE}/status"] == "offline"
    hub.close()


def test_a_value_that_is_not_fresh_is_not_said_again(broker: Broker, hub: Recorder, site: Installation) -> None:
    outlet = site.run(config(broker.port))
    hub.await_(TEMP)
    stale = helper.probe("foyer-temp", "temperature", "°C", 24.5, fresh=False, trouble="Nothing heard for 12 min.")
    site.site = with_tank(site.site, "foyer", probes=(stale,))
    time.sleep(0.6)
    mark = len(hub.seen)
    outlet.nudge()
    about = hub.await_(f"{TEMP}__trouble/about", since=mark)
    assert json.loads(about.payload)["text"] == "Nothing heard for 12 min."
    assert hub.last(f"{TEMP}__trouble", mark).payload == "ON"
    assert hub.last(TEMP, mark) is None


# ---------------------------------------------------------------------- commands


def test_a_strip_entered_in_the_fields_lands_in_the_journal(broker: Broker, hub: Recorder, site: Installation) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP)
    place = f"{BASE}/tank/foyer"
    hub.say(f"{place}/set/nitrate", "25")
    hub.await_(f"{place}/field__nitrate", "25")
    hub.say(f"{place}/set/ph", "7.0")
    hub.await_(f"{place}/field__ph", "7")
    assert site.events() == [], "nothing may be recorded before the press"
    hub.say(f"{place}/press/record", "PRESS")
    assert hub.await_(f"{place}/answer").payload == "recorded: nitrate 25, ph 7"
    [test] = site.events()
    assert isinstance(test, Test)
    assert (test.tank, test.method, test.kit, test.values) == ("foyer", "strip", "strip", {"nitrate": 25.0, "ph": 7.0})
    assert abs(test.at_s - time.time()) < 30
    hub.await_(f"{place}/field__nitrate", "None")
    mark = len(hub.seen)
    hub.say(f"{place}/press/record", "PRESS")
    assert "nothing was entered" in hub.await_(f"{place}/answer", since=mark).payload
    assert len(site.events()) == 1


def test_an_alarm_is_acknowledged_by_the_button_of_its_tank(broker: Broker, hub: Recorder, site: Installation) -> None:
    alarms = (standing(), standing("foyer.probe_silent.foyer-ph", "returned"), standing("foyer.ph_moving", "shelved"))
    site.site = with_tank(site.site, "foyer", alarms=alarms)
    site.run(config(broker.port))
    assert hub.await_(f"{BASE}/tank/foyer/alarm__ph_low").payload == "ON"
    assert hub.await_(f"{BASE}/tank/foyer/alarm__probe_silent").payload == "OFF"
    hub.say(f"{BASE}/tank/reading-room/press/acknowledge", "PRESS")
    assert "no alarm waits" in hub.await_(f"{BASE}/tank/reading-room/answer").payload
    assert site.events() == []
    mark = len(hub.seen)
    hub.say(f"{BASE}/tank/foyer/press/acknowledge", "PRESS")
    hub.await_(f"{BASE}/tank/foyer/answer")
    done = site.events()
    assert all(isinstance(e, Acknowledge) and e.by == "hub" for e in done)
    assert [e.alarm for e in done] == ["foyer.ph_low", "foyer.probe_silent.foyer-ph"]
    about = f"{BASE}/tank/foyer/alarm__ph_low/about"
    states = lambda: [json.loads(s.payload)["alarms"][0]["state"] for s in hub.seen[mark:] if s.topic == about]  # noqa: E731
    until(lambda: states()[-1:] == ["acknowledged"], what="the hub is not told that the alarm was acknowledged")


def test_the_same_command_twice_is_one_entry_also_after_a_restart(
    broker: Broker, hub: Recorder, site: Installation
) -> None:
    line = json.dumps({"kind": "feeding", "tank": "foyer", "grams": 0.9, "at": "2025-06-15T12:00:00Z", "id": "feed-1"})
    site.run(config(broker.port))
    hub.await_(TEMP)
    hub.say(f"{BASE}/command", line)
    first = hub.answer("feed-1")
    assert (first["ok"], first["new"], first["kind"]) == (True, True, "feeding")
    mark = len(hub.seen)
    hub.say(f"{BASE}/command", line)
    assert hub.answer("feed-1", since=mark) == first
    site.stop()
    site.open()
    mark = len(hub.seen)
    site.run(config(broker.port))
    hub.await_(TEMP, since=mark)
    hub.say(f"{BASE}/command", line)
    again = hub.answer("feed-1", since=mark)
    assert (again["ok"], again["new"]) == (True, False)
    [event] = site.events()
    assert isinstance(event, Feeding)
    assert event.at_s == 1749988800.0  # 2025-06-15T12:00:00Z, by `date -d 2025-06-15T12:00:00Z +%s`


@pytest.mark.parametrize(
    ("payload", "key"),
    [
        (b"", "line"),
        (b'{"id":"x","kind":"feeding","tank":"foier","grams":1}', "tank"),
        (b'{"id":"x","kind":"reading","probe":"foyer-ph","value":7}', "kind"),
        (b'{"id":"x","kind":"condition","alarm":"storage_low","says":"raise"}', "kind"),
    ],
)
def test_a_bad_command_changes_nothing_and_says_why(
    broker: Broker, hub: Recorder, site: Installation, payload: bytes, key: str
) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP)
    hub.say(f"{BASE}/command", payload)
    said = json.loads(hub.await_(f"{BASE}/answer").payload)
    assert (said["ok"], said["key"]) == (False, key)
    assert len(said["what"]) > 5
    assert site.events() == []


def test_a_flood_of_rubbish_ends_nothing(broker: Broker, hub: Recorder, site: Installation) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP)
    for rubbish in (b"\xff\xfe", b"{}", b"null", b"[" * 100_000, b"x" * 1_000_000, b'{"id": "\\ud800"}'):
        for end in (
            "command",
            "tank/foyer/set/nitrate",
            "tank/foyer/press/record",
            "tank/_zz/set/ph",
            "tank/foyer/set/x",
        ):
            hub.say(f"{BASE}/{end}", rubbish)
    hub.say(f"{BASE}/command", json.dumps({"kind": "feeding", "tank": "foyer", "grams": 0.9, "id": "good"}))
    assert hub.answer("good")["ok"]
    assert len(site.events()) == 1


def test_retained_commands_are_ignored(broker: Broker, hub: Recorder, site: Installation) -> None:
    line = json.dumps({"kind": "feeding", "tank": "foyer", "grams": 0.9, "id": "kept"})
    hub.say(f"{BASE}/command", line, retain=True)
    hub.say(f"{BASE}/tank/foyer/press/acknowledge", "PRESS", retain=True)
    site.run(config(broker.port))
    said = json.loads(hub.await_(f"{BASE}/answer").payload)
    assert (said["ok"], said["key"]) == (False, "retain")
    assert site.events() == []


def test_an_entry_that_could_not_be_kept_is_not_called_recorded(
    broker: Broker, hub: Recorder, site: Installation
) -> None:
    site.fails = True
    line = json.dumps({"kind": "feeding", "tank": "foyer", "grams": 0.9, "id": "later"})
    site.run(config(broker.port))
    hub.await_(TEMP)
    hub.say(f"{BASE}/command", line)
    said = hub.answer("later")
    assert not said["ok"]
    assert "send it again with the same id" in said["what"]
    site.fails = False
    mark = len(hub.seen)
    hub.say(f"{BASE}/command", line)
    assert hub.answer("later", since=mark)["new"]


def test_a_command_sent_while_the_daemon_restarts_is_not_lost(
    broker: Broker, hub: Recorder, site: Installation
) -> None:
    site.run(config(broker.port))
    hub.await_(TEMP)
    site.stop()
    hub.say(f"{BASE}/command", json.dumps({"kind": "feeding", "tank": "foyer", "grams": 0.9, "id": "meanwhile"}))
    site.open()
    site.run(config(broker.port))
    assert hub.answer("meanwhile")["new"]
    assert len(site.events()) == 1


def test_a_hub_that_may_only_look_gets_no_buttons_and_no_ear(broker: Broker, hub: Recorder, site: Installation) -> None:
    site.run(config(broker.port, commands=()))
    hub.await_(TEMP)
    assert not [t for t in described(retained(broker.port)) if "/number/" in t or "/button/" in t]
    hub.say(f"{BASE}/command", json.dumps({"kind": "feeding", "tank": "foyer", "grams": 0.9, "id": "no"}))
    time.sleep(0.5)
    assert site.events() == []


# ---------------------------------------------------------------------- trouble


def test_a_wrong_password_is_named_and_a_right_one_works(tmp_path: Path, site: Installation) -> None:
    pw = tmp_path / "pw"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(pw), "rushlight", "s3cret"], check=True)
    with helper.broker(tmp_path / "broker", lines=f"allow_anonymous false\npassword_file {pw}\n") as broker:
        conf = config(broker.port)
        conf = replace(conf, mqtt=replace(conf.mqtt, user="rushlight"))
        site.run(conf, password="wrong")
        until(lambda: "refuses us: Not authorized" in site.outlet.trouble)
        site.stop()
        site.open()
        site.run(conf, password="s3cret")
        until(lambda: site.outlet.trouble == "")


@pytest.mark.filterwarnings("ignore:.*SSLSocket")  # paho drops the socket of a failed handshake unclosed
def test_a_certificate_is_checked(tmp_path: Path, site: Installation) -> None:
    authority, other = Authority(tmp_path), Authority((tmp_path / "other").mkdir() or tmp_path / "other")
    authority.context()
    [pem] = tmp_path.glob("localhost*.pem")
    with helper.broker(tmp_path / "broker", listener=f"certfile {pem}\nkeyfile {pem}\n") as broker:
        conf = config(broker.port)
        trusting = replace(conf, mqtt=replace(conf.mqtt, tls=True, ca_file=str(authority.file)))
        doubting = replace(conf, mqtt=replace(conf.mqtt, tls=True, ca_file=str(other.file)))
        site.run(doubting)
        until(lambda: "can't be reached" in site.outlet.trouble)
        site.stop()
        site.open()
        site.run(trusting)
        until(lambda: site.outlet.trouble == "")
        site.stop()
        site.open()
        site.run(replace(conf, mqtt=replace(conf.mqtt, tls=True, ca_file=str(tmp_path / "none.pem"))))
        until(lambda: "can't be set up" in site.outlet.trouble)


def test_an_older_broker_protocol_works_too(broker: Broker, hub: Recorder, site: Installation) -> None:
    conf = config(broker.port)
    site.run(replace(conf, mqtt=replace(conf.mqtt, protocol="3.1.1")))
    hub.await_(TEMP)
    hub.say(f"{BASE}/command", json.dumps({"kind": "feeding", "tank": "foyer", "grams": 0.9, "id": "old"}))
    assert hub.answer("old")["new"]


@pytest.mark.slow
def test_a_second_copy_is_named(
    broker: Broker, hub: Recorder, site: Installation, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(outlet_module, "_FIGHT", 2)
    outlet = site.run(config(broker.port))
    hub.await_(TEMP)
    other = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="rushlight-library", protocol=mqtt.MQTTv5)
    other.connect("127.0.0.1", broker.port)
    other.loop_start()
    until(lambda: "another copy of this daemon" in outlet.trouble)
    other.disconnect()
    other.loop_stop()


@pytest.mark.slow
def test_a_frozen_broker_is_noticed_and_the_outlet_goes_on(broker: Broker, hub: Recorder, site: Installation) -> None:
    conf = config(broker.port)
    beats: list[float] = []
    outlet = site.run(
        replace(conf, mqtt=replace(conf.mqtt, keepalive_seconds=5)), progress=lambda: beats.append(time.monotonic())
    )
    hub.await_(TEMP)
    broker.signal(signal.SIGSTOP)
    try:
        until(lambda: "lost" in outlet.trouble or "reached" in outlet.trouble, 15)
        assert time.monotonic() - beats[-1] < 3, "the outlet's thread stood still"
    finally:
        broker.signal(signal.SIGCONT)
    until(lambda: outlet.trouble == "", 20)


def test_the_library_thread_dying_is_noticed_and_mended(broker: Broker, hub: Recorder, site: Installation) -> None:
    outlet = site.run(config(broker.port))
    hub.await_(TEMP)
    mark = len(hub.seen)
    link = outlet._link
    assert link is not None
    link._client.disconnect()  # its loop ends, as it does after an exception inside the library
    until(lambda: not link.alive)
    hub.await_(TEMP, since=mark, within_s=15)
    assert outlet._link is not link


def test_a_broker_that_lets_anyone_in_is_told_from_one_that_asks(tmp_path: Path) -> None:
    with helper.broker(tmp_path / "open") as door:
        assert access.lets_anyone_in("127.0.0.1", door.port)
    with helper.broker(tmp_path / "shut", lines="allow_anonymous false\n") as door:
        assert not access.lets_anyone_in("127.0.0.1", door.port)


def test_the_access_list_is_enough_and_no_more(tmp_path: Path) -> None:
    """A real broker with the list that is printed: the daemon and the hub work, and nobody does what was not chosen."""
    passwords = tmp_path / "passwords"
    for who in ("rushlight", "hub"):
        create = [] if passwords.exists() else ["-c"]
        subprocess.run(["mosquitto_passwd", "-b", *create, str(passwords), who, who], check=True, capture_output=True)
    chosen = config(commands=("acknowledge",))
    rights = tmp_path / "rights"
    rights.write_text("\n".join(access.access_list(chosen, "library")) + "\n")
    lines = f"allow_anonymous false\npassword_file {passwords}\nacl_file {rights}\n"
    with helper.broker(tmp_path / "broker", lines=lines) as b:
        heard: list[str] = []

        def client(who: str) -> mqtt.Client:
            c = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=who)
            c.username_pw_set(who, who)
            c.connect("127.0.0.1", b.port)
            c.loop_start()
            return c

        ours, hub = client("rushlight"), client("hub")
        ours.on_message = lambda _c, _d, m: heard.append(m.topic)
        hub.on_message = lambda _c, _d, m: heard.append(m.topic)
        ours.subscribe("rushlight/library/#", 1)
        hub.subscribe("homeassistant/#", 1)
        time.sleep(0.5)
        base = "rushlight/library"
        for topic in (f"{base}/tank/x/set/nitrate", f"{base}/tank/x/press/record", "rushlight/other/command"):
            hub.publish(topic, "1", qos=1).wait_for_publish(5)
        hub.publish(f"{base}/tank/x/press/acknowledge", "1", qos=1).wait_for_publish(5)
        ours.publish("homeassistant/sensor/x/config", "{}", qos=1).wait_for_publish(5)
        until(lambda: len(heard) >= 2)
        for c in (ours, hub):
            c.disconnect()
            c.loop_stop()
    assert sorted(heard) == ["homeassistant/sensor/x/config", f"{base}/tank/x/press/acknowledge"]
