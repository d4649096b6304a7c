"""The store's feed against a real server that takes line protocol over /api/v2/write."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from helpers import store as helper
from helpers.receivers import Authority
from helpers.store import TOKEN, Daemon, Front, Server
from helpers.timeseries import START_S, config, events, expected, values_only, wanted
from helpers.waiting import until
from rushlight.clock import SystemClock
from rushlight.effects import AlarmChange, Daily, Estimate
from rushlight.events import Calibration, CalibrationPoint, Correction, Reading, Test
from rushlight.journal.rows import Recorded
from rushlight.journal.store import Journal
from rushlight.outlets.timeseries import feed as outlet_module
from rushlight.outlets.timeseries.feed import Sender, StoreError, TimeseriesOutlet, Writer, back_fill, lines_of
from rushlight.outlets.timeseries.journal_walk import JournalHistory, back_fill_journal
from rushlight.outlets.timeseries.points import Points
from rushlight.settings import Timeseries

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not helper.SERVER, reason="victoria-metrics is not installed"),
]


@pytest.fixture
def server(tmp_path: Path) -> Iterator[Server]:
    with helper.server(tmp_path) as s:
        yield s


@pytest.fixture
def front(server: Server) -> Iterator[Front]:
    with helper.front(server) as f:
        yield f


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    j = Journal(tmp_path / "journal.sqlite", boot_id="boot")
    j.open(START_S)
    yield j
    j.close(START_S)


def settings(url: str, **more: float) -> Timeseries:
    return Timeseries(url=url, org="library", bucket="tanks", every_seconds=1.0, **more)  # type: ignore[arg-type]


class Feed:
    """The outlet with a real journal behind it."""

    def __init__(self, journal: Journal, folder: Path, url: str, token: str = TOKEN, **more: float) -> None:
        self.lock, self.stop = threading.Lock(), threading.Event()
        self.journal, self.aside = journal, folder / "aside.jsonl"
        history = JournalHistory(journal.reader, self.on_journal, ["foyer"], self.aside, "timeseries")
        self.outlet = TimeseriesOutlet(
            settings(url, **more), history, lambda: Points(config(), "inst"), SystemClock(), self.stop, token=token
        )

    def on_journal(self, work):  # type: ignore[no-untyped-def]
        with self.lock:
            return work(self.journal)

    def append(self, *items, effects=()) -> None:  # type: ignore[no-untyped-def]
        with self.lock:
            assert self.journal.append([Recorded(e) for e in items], effects, urgent=True, at_s=START_S).durable

    def upto(self) -> int:
        return self.outlet._ahead.get("events", 0)

    def close(self) -> None:
        self.stop.set()
        self.outlet.join(10)
        assert not self.outlet.is_alive()


@pytest.fixture
def feed(journal: Journal, tmp_path: Path, front: Front) -> Iterator[Feed]:
    f = Feed(journal, tmp_path, f"http://127.0.0.1:{front.port}")
    yield f
    if f.outlet.ident:
        f.close()


@pytest.mark.slow
def test_rows_arrive_with_milliseconds_and_the_same_twice_is_one(feed: Feed, front: Front, server: Server) -> None:
    feed.append(*events(0, 1200))
    feed.outlet.start()
    until(lambda: feed.upto() == 1200)
    found = server.points()
    assert values_only(found) == wanted(events(0, 1200))
    assert all("precision=ms" in query and "bucket=tanks" in query for _, _, query in front.requests)
    assert max(n for _, n, _ in front.requests) <= outlet_module.BATCH_ROWS
    back_fill(events(0, 1200), Points(config(), "inst"), feed.outlet.sender)
    assert server.points() == found


def test_a_site_whose_name_ends_in_a_backslash_arrives(front: Front, server: Server) -> None:
    """The client escapes blanks, commas and equal signs in a tag; a backslash before its end is read in two ways."""
    named = replace(config(), site=replace(config().site, name='Rowan "Street", a=b\\'))
    writer = Writer(settings(f"http://127.0.0.1:{front.port}"), TOKEN)
    sender = Sender(writer.write, lambda line, why: pytest.fail(f"{why}: {line}"))
    back_fill(events(0, 12), Points(named, "inst"), sender)
    writer.close()
    found = values_only(server.points())
    assert sorted(found.values()) == sorted(wanted(events(0, 12)).values())
    assert {dict(tags)["site"] for _, tags, _ in found} == {'Rowan "Street", a=b/'}


def test_estimates_and_alarms_arrive(feed: Feed, server: Server) -> None:
    band = Estimate(mean=18.0, low=12.5, high=24.0)
    day = Daily(at_s=START_S + 86400, tank="foyer", date="2025-06-01", light_dose_mol=5.5, nitrate=band)
    changes = [
        AlarmChange(
            at_s=START_S + 60.0 * i,
            tank="foyer",
            alarm="ph_low",
            id="foyer.ph_low",
            occurrence=1,
            state=state,  # type: ignore[arg-type]
            priority="medium",
            text="pH too low.",
        )
        for i, state in enumerate(("unacknowledged", "acknowledged", "normal"))
    ]
    feed.append(*events(0, 1), effects=(day, *changes))
    feed.outlet.start()
    until(lambda: feed.outlet._ahead.get("alarms"))
    found = server.points()
    common = {"site": "Rowan Street library", "installation": "inst", "tank": "foyer"}
    nitrate = frozenset((common | {"quantity": "nitrate"}).items())
    dose = frozenset((common | {"quantity": "light_dose_mol"}).items())
    midnight_ms = round((START_S + 86400) * 1000)
    assert [found[f"estimate_{f}", nitrate, midnight_ms] for f in ("low", "value", "high")] == [12.5, 18.0, 24.0]
    assert found["estimate_value", dose, midnight_ms] == 5.5
    alarm = frozenset((common | {"alarm": "ph_low", "alarm_id": "foyer.ph_low"}).items())
    states = [
        v
        for (name, tags, _), v in sorted(found.items(), key=lambda kv: kv[0][2])
        if (name, tags) == ("alarm_state", alarm)
    ]
    assert states == [3.0, 2.0, 0.0]
    # One more change, stamped earlier by a clock that was set back: it arrives too.
    late = AlarmChange(
        at_s=START_S - 3600,
        tank="foyer",
        alarm="ph_low",
        id="foyer.ph_low",
        occurrence=2,
        state="unacknowledged",
        priority="medium",
        text="pH too low.",
    )
    feed.append(effects=(late,))
    until(lambda: ("alarm_state", alarm, round(late.at_s * 1000)) in server.points(), 5)


def test_a_wrong_token_is_named_and_nothing_is_lost(
    journal: Journal, tmp_path: Path, front: Front, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(outlet_module, "FIRST_WAIT_S", 0.05)
    feed = Feed(journal, tmp_path, f"http://127.0.0.1:{front.port}", token="old")
    feed.append(*events(0, 700))
    feed.outlet.start()
    until(lambda: "does not accept the token (401)" in feed.outlet.trouble)
    assert "old" not in feed.outlet.trouble
    assert server.points() == {}
    front.token = "old"
    until(lambda: feed.upto() == 700)
    assert feed.outlet.trouble == ""
    assert values_only(server.points()) == wanted(events(0, 700))
    assert not feed.aside.exists()
    feed.close()


def test_a_web_page_that_says_all_is_well_is_not_the_store(
    feed: Feed, front: Front, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A network's log-in page answers 200 to everything; a write that succeeded has no content (RFC 9110, 15.3.5)."""
    monkeypatch.setattr(outlet_module, "FIRST_WAIT_S", 0.05)
    front.rule = lambda _: (200, "<!DOCTYPE html><title>Log in to this network</title>")
    feed.append(*events(0, 600))
    feed.outlet.start()
    until(lambda: "something else answers there" in feed.outlet.trouble)
    assert feed.upto() == 0
    front.rule = lambda _: None
    until(lambda: feed.upto() == 600)
    assert values_only(server.points()) == wanted(events(0, 600))


@pytest.mark.slow
@pytest.mark.parametrize("status", [404, 429, 500, 503])
def test_a_store_in_trouble_loses_nothing(
    feed: Feed, front: Front, server: Server, monkeypatch: pytest.MonkeyPatch, status: int
) -> None:
    monkeypatch.setattr(outlet_module, "FIRST_WAIT_S", 0.05)
    front.rule = lambda _: (status, "not now")
    feed.append(*events(0, 600))
    feed.outlet.start()
    until(lambda: str(status) in feed.outlet.trouble)
    assert feed.upto() == 0
    front.rule = lambda _: None
    until(lambda: feed.upto() == 600)
    assert values_only(server.points()) == wanted(events(0, 600))
    assert not feed.aside.exists()


@pytest.mark.slow
@pytest.mark.parametrize("status", [400, 422])
def test_a_refused_line_is_set_aside_and_the_rest_goes_on(
    feed: Feed, front: Front, server: Server, status: int
) -> None:
    at_ms = [f" {round((START_S + 5.0 * n) * 1000)}".encode() for n in (7, 8, 431)]
    front.rule = lambda body: (
        (status, "field type conflict") if any(line.endswith(a) for a in at_ms for line in body.split(b"\n")) else None
    )
    feed.append(*events(0, 1000))
    feed.outlet.start()
    until(lambda: feed.upto() == 1000)
    good = [e for n, e in enumerate(events(0, 1000), 1) if n not in {7, 8, 431}]
    assert values_only(server.points()) == wanted(good)
    aside = [json.loads(x) for x in feed.aside.read_text().splitlines()]
    assert len(aside) == 3
    assert all("field type conflict" in a["why"] and a["line"].startswith("reading,") for a in aside)


@pytest.mark.slow
def test_what_a_crashed_store_had_only_in_memory_is_sent_again(
    feed: Feed, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The store is killed while the feed has nothing to send, so no failure ever tells of it."""
    monkeypatch.setattr(outlet_module, "SETTLE_S", 2.0)
    feed.append(*events(0, 400))
    feed.outlet.start()
    until(lambda: feed.upto() == 400)
    server.kill()
    server.start()
    until(lambda: feed.on_journal(lambda j: j.steering.cursor("timeseries.events")) == 400)
    assert values_only(server.points()) == wanted(events(0, 400))


def test_a_lone_bad_line_waits_for_company(feed: Feed, front: Front, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outlet_module, "FIRST_WAIT_S", 0.05)
    bad = f" {round((START_S + 5.0) * 1000)}".encode()
    front.rule = lambda body: (422, "no") if any(x.endswith(bad) for x in body.split(b"\n")) else None
    feed.append(*events(0, 1))
    feed.outlet.start()
    until(lambda: "refuses everything" in feed.outlet.trouble)
    assert not feed.aside.exists()
    feed.append(*events(1, 2))
    until(lambda: feed.upto() == 2)
    assert len(feed.aside.read_text().splitlines()) == 1


@pytest.mark.slow
def test_a_store_that_refuses_everything_does_not_empty_the_journal(
    feed: Feed, front: Front, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(outlet_module, "FIRST_WAIT_S", 0.05)
    monkeypatch.setattr(outlet_module, "MOST_ASIDE", 10)
    front.rule = lambda _: (400, "no such thing")
    feed.append(*events(0, 300))
    feed.outlet.start()
    until(lambda: "refuses everything" in feed.outlet.trouble)
    assert feed.upto() == 0
    front.rule = lambda _: None
    until(lambda: feed.upto() == 300)
    assert values_only(server.points()) == wanted(events(0, 300))


@pytest.mark.slow
def test_a_hanging_store_costs_its_deadline_and_stops_nothing(
    journal: Journal, tmp_path: Path, front: Front, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(outlet_module, "FIRST_WAIT_S", 0.05)
    let_go = threading.Event()

    def wait(_: bytes) -> None:
        let_go.wait(20)

    front.rule = wait
    feed = Feed(journal, tmp_path, f"http://127.0.0.1:{front.port}", deadline_s=0.5)
    feed.append(*events(0, 100))
    feed.outlet.start()
    until(lambda: "can't be reached" in feed.outlet.trouble)
    began = time.monotonic()
    feed.append(*events(100, 200))
    assert time.monotonic() - began < 0.5, "the journal waited for the network"
    let_go.set()
    until(lambda: feed.upto() == 200)
    assert values_only(server.points()) == wanted(events(0, 200))
    front.rule = lambda _: time.sleep(1.0)
    feed.append(*events(200, 300))
    time.sleep(1.2)
    began = time.monotonic()
    feed.close()
    assert time.monotonic() - began < 3, "a stop must not wait for the store's patience"


@pytest.mark.slow
def test_killed_servers_and_killed_daemons_lose_nothing(tmp_path: Path, server: Server, front: Front) -> None:
    total, rng = 6000, random.Random(4)
    began = time.monotonic()
    daemon = Daemon(tmp_path, f"http://127.0.0.1:{front.port}", total, per_s=1500)
    for kind in ("server", "daemon", "server", "daemon", "server"):
        time.sleep(rng.uniform(0.4, 0.9))
        if kind == "server":
            server.kill()
            time.sleep(rng.uniform(0.1, 0.4))
            server.start()
        else:
            daemon.kill()
            daemon.start()
    until(lambda: daemon.settled_upto() == total, 60)
    daemon.stop()
    want, found = expected(tmp_path / "journal.sqlite"), values_only(server.points())
    print(
        f"{len(want)} points wanted, {len(found)} found, {len(want.keys() - found.keys())} missing,"
        f" {len(found.keys() - want.keys())} too many; server killed 3 times, daemon killed 2 times,"
        f" {time.monotonic() - began:.0f} s"
    )
    assert found == want


@pytest.mark.skipif(not helper.AUTH, reason="the server's own token check is not installed")
def test_with_the_servers_own_token_check(tmp_path: Path, server: Server) -> None:
    with helper.real_front(tmp_path, server) as url:
        good = lines_of(p for e in events(0, 300) for p in Points(config(), "inst").of(e))
        stranger, friend = Writer(settings(url), "wrong"), Writer(settings(url), TOKEN)
        with pytest.raises(StoreError, match="token"):
            Sender(stranger.write, lambda *_: pytest.fail("a line was blamed for the token")).send(good)
        aside: list[str] = []
        sender = Sender(friend.write, lambda line, _why: aside.append(line))
        sender.send([*good[:100], "this is no line", *good[100:]])
        stranger.close()
        friend.close()
        assert values_only(server.points()) == wanted(events(0, 300))
        # Version 1.79 of the server passes over a bad line, later ones refuse its batch.
        assert aside in ([], ["this is no line"])


def test_a_certificate_is_checked(tmp_path: Path, server: Server) -> None:
    good = lines_of(p for e in events(0, 10) for p in Points(config(), "inst").of(e))
    authority, other = Authority(tmp_path), Authority((tmp_path / "other").mkdir() or tmp_path / "other")
    with helper.front(server, tls=authority.context()) as front:
        for ca, works in ((other.file, False), (authority.file, True)):
            conf = replace(settings(f"https://localhost:{front.port}"), ca_file=str(ca))
            writer = Writer(conf, TOKEN)
            if works:
                writer.write(good)
            else:
                with pytest.raises(StoreError, match="certificate verify failed"):
                    writer.write(good)
            writer.close()
    assert values_only(server.points()) == wanted(events(0, 10))


def test_the_library_is_not_loaded_without_a_store() -> None:
    code = "import sys; import rushlight.outlets.timeseries.journal_walk; sys.exit('influxdb_client' in sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_first_alarm_cursor_survives_a_restart(feed: Feed, journal: Journal, tmp_path: Path) -> None:
    assert JournalHistory(journal.reader, feed.on_journal, ["foyer"], tmp_path / "a", "t").cursor("alarms") == 0
    feed.outlet.start()
    feed.append(*events(0, 10))
    until(lambda: feed.upto() == 10)
    assert journal.last_seq == 10, "cursors in milliseconds must not push arrival numbers"


def test_history_is_filled_in_again_from_the_journal(feed: Feed, server: Server, tmp_path: Path) -> None:
    """Calibrated readings, a test, a day and an alarm, into a store that lost them; no cursor moves."""
    probe = "foyer-temp"
    standard = CalibrationPoint(value=20.0, raw=21.0)
    band = Estimate(mean=18.0, low=12.5, high=24.0)
    day = Daily(at_s=START_S + 86400, tank="foyer", date="2025-06-01", nitrate=band)
    change = AlarmChange(
        at_s=START_S + 60, tank="foyer", alarm="ph_low", id="foyer.ph_low", occurrence=1, state="unacknowledged",
        priority="medium", text="pH too low.",
    )  # fmt: skip
    feed.append(
        Reading(at_s=START_S, probe=probe, value=24.0),
        Calibration(at_s=START_S + 30, id="c1", probe=probe, points=(standard,)),
        Reading(at_s=START_S + 60, probe=probe, value=24.0),
        effects=(day, change),
    )
    feed.append(*events(99, 101))
    feed.outlet.start()
    until(lambda: feed.upto() == 5 and feed.outlet._ahead.get("alarms") and feed.outlet._ahead.get("days"))
    whole = server.points()
    calibrated = [
        v
        for (n, tags, _), v in sorted(whole.items(), key=lambda kv: kv[0][2])
        if n == "reading_value" and ("probe", probe) in tags
    ]
    assert calibrated[:2] == [24.0, 23.0], "the offset of one kelvin is the calibration's, from then on"
    before = {s: feed.outlet._cursor(s) for s in outlet_module.STREAMS}
    with helper.server(tmp_path / "new") as new, helper.front(new) as front:
        writer = Writer(settings(f"http://127.0.0.1:{front.port}"), TOKEN)
        sender = Sender(writer.write, lambda *_: pytest.fail("refused"))
        back_fill_journal(feed.journal.path, config(), "inst", sender)
        assert new.points() == whole
        back_fill_journal(feed.journal.path, config(), "inst", sender, since_s=START_S + 60)
        assert new.points() == whole, "a part sent again changed what was there"
        writer.close()
    assert {s: feed.outlet._cursor(s) for s in outlet_module.STREAMS} == before


def test_the_store_learns_of_an_undone_test(feed: Feed, server: Server) -> None:
    test = Test(at_s=START_S + 5, id="t-1", tank="foyer", method="strip", values={"nitrate": 25.0})
    feed.append(test)
    feed.append(Correction(at_s=START_S + 9, id="c-1", of="t-1", void=True))
    better = Test(at_s=START_S + 20, id="t-3", tank="foyer", method="strip", values={"nitrate": 10.0})
    feed.append(Test(at_s=START_S + 20, id="t-2", tank="foyer", method="strip", values={"nitrate": 50.0}))
    feed.append(Correction(at_s=START_S + 29, id="c-2", of="t-2", replacement=better))
    feed.outlet.start()
    until(lambda: feed.upto() == 4)
    points = Points(config(), "inst")
    undone = [
        p.fields.get("undone") for e in (test, Correction(at_s=1, id="c", of="t-1", void=True)) for p in points.of(e)
    ]
    assert undone == [None, 1.0]
    text = str(server.points())
    assert "undone" in text
