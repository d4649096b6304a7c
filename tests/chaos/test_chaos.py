"""Years of faults in minutes: worlds drawn by number, each lived by the whole daemon, with what must hold after each step.

`python tests/bench/chaos_campaign.py` lives as many of them as you like, and longer ones.
"""

from __future__ import annotations

import logging
import random
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers import chaosparts
from helpers.chaos import World
from helpers.chaosparts import HOUR_S, BrokenInvariantError, Fault
from helpers.tornfiles import TornFiles
from rushlight.journal import export, upkeep
from rushlight.journal.outbox import Outbox
from rushlight.journal.pending import Pending
from rushlight.journal.recovery.entry_list import EntryList
from rushlight.journal.recovery.mark import HighWater
from rushlight.journal.rows import Numbers
from rushlight.outlets import heartbeat

pytestmark = pytest.mark.slow

SEEDS, DAYS = 80, 2.0
"""In the suite; the campaign lives more and longer ones."""
TOGETHER = {5 * n + 1 for n in range(len(chaosparts.TOGETHER))}
"""Of these worlds the first of each kind that begins with faults that go together; the gate has them see its mutants."""


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    logging.disable(logging.CRITICAL)
    yield
    logging.disable(logging.NOTSET)


@pytest.mark.parametrize("first", range(0, SEEDS, 20))
def test_nothing_breaks_what_must_hold(first: int, tmp_path: Path) -> None:
    for seed in sorted({*range(first, first + 20)} - TOGETHER):
        folder = tmp_path / str(seed)
        folder.mkdir()
        World(folder, seed, DAYS, outlets=seed % 10 == 0).run()
        shutil.rmtree(folder)


def test_what_shows_only_when_faults_go_together(tmp_path: Path) -> None:
    """One world of each such kind."""
    for seed in sorted(TOGETHER):
        folder = tmp_path / str(seed)
        folder.mkdir()
        World(folder, seed, DAYS, outlets=False).run()


def test_what_a_restored_journal_does_not_know_was_not_silence(tmp_path: Path) -> None:
    """A crash after damage: the state comes from a backup, and the hours since it are lost, not unheard."""
    World(tmp_path, 239, 3.0).run()


def test_the_same_number_is_the_same_world(tmp_path: Path) -> None:
    told = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        world = World(tmp_path / name, 7, 2.0).run()
        told.append(([(t.at_s, t.channel, t.key) for t in world.net.taken], world.net.pings, list(world.kept)))
    assert told[0] == told[1]


def test_all_kinds_of_fault_are_drawn() -> None:
    drawn = Counter(f.kind for seed in range(SEEDS) for f in chaosparts.script(seed, DAYS))
    assert set(drawn) == {*chaosparts.KINDS, *chaosparts.OUTLET_KINDS}


# ---------------------------------------------------------------------- each rule can be broken


def broken(folder: Path, *faults: Fault, days: float = 2.0) -> str:
    """What a world with these faults finds broken."""
    with pytest.raises(BrokenInvariantError) as found:
        World(folder, 3, days, list(faults), outlets=False).run()
    return str(found.value).split("\n")[0]


def test_a_journal_that_forgets_entries_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = Pending.write

    def forgetful(self: Pending, conn: sqlite3.Connection, numbers: Numbers) -> None:
        for key in [k for k in self.others if k[0] == "event" and str(k[1]).endswith("-2")]:
            del self.others[key]
        write(self, conn, numbers)

    monkeypatch.setattr(Pending, "write", forgetful)
    assert "is gone" in broken(tmp_path)


def test_a_card_that_lies_about_syncing_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Acknowledged entries that never reached the card: the world loses them with the power, and says so."""
    monkeypatch.setattr(EntryList, "add", lambda *_: None)  # a file that the card of this world does not lie about
    monkeypatch.setattr(HighWater, "miss", lambda *_: False)  # nor about this one
    with pytest.raises(BrokenInvariantError, match="acknowledged entries gone"):
        lie_in_turn(tmp_path)


def test_what_the_mark_beside_such_a_card_knows_is_found(tmp_path: Path) -> None:
    """The entries are put back from their list, and yet the file was short."""
    with pytest.raises(BrokenInvariantError, match="the file is short though nothing damaged it"):
        lie_in_turn(tmp_path)


def lie_in_turn(folder: Path) -> None:
    """Worlds on such a card, one after another."""

    class Lying(World):
        def boot(self) -> None:
            self.disk.lying = True
            super().boot()

    for seed in range(1, 9):
        (folder / str(seed)).mkdir()
        Lying(folder / str(seed), seed, 2.0, [Fault(30 * HOUR_S, "power", HOUR_S, "3")]).run()


def test_a_reading_that_is_not_moved_to_its_time_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The broker that is away at the end explains that what was heard in the wrong time looks silent."""
    monkeypatch.setattr(upkeep, "restamp", lambda *_: 0)
    away = (("network", 5.0, 6.0, ""), ("power", 6.0, 0.5, "3"), ("broker", 10.5, 1.0, ""))
    faults = [Fault(at_h * HOUR_S, kind, lasts_h * HOUR_S, how) for kind, at_h, lasts_h, how in away]
    assert "without their time" in broken(tmp_path, *faults)


def test_a_message_told_twice_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sent = Outbox.sent
    done: set[str] = set()

    def again(self: Outbox, key: str, channel: str, at_s: float, receipt: str = "") -> None:
        if key in done:
            sent(self, key, channel, at_s, receipt)
        done.add(key)

    monkeypatch.setattr(Outbox, "sent", again)
    monkeypatch.setattr(Outbox, "drop", lambda *_: None)
    assert "told twice without a doubt" in broken(tmp_path, Fault(20 * HOUR_S, "hot", 4 * HOUR_S))


def test_a_true_alarm_that_nobody_hears_of_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put = Outbox.put
    monkeypatch.setattr(Outbox, "put", lambda self, m, *stamp: "temperature" not in m.key and put(self, m, *stamp))
    assert "nobody was told of hot" in broken(tmp_path, Fault(12 * HOUR_S, "hot", 4 * HOUR_S))


def test_a_false_alarm_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The water is warmer than the daemon may think, and the script knows nothing of it."""
    water = World.water

    def warm(self: World, probe: str) -> float:
        return water(self, probe) + (6.0 if probe == "foyer-temperature" and self.true_s > 20 * HOUR_S else 0.0)

    monkeypatch.setattr(World, "water", warm)
    assert "a false alarm: foyer.temperature_high" in broken(tmp_path)


def test_a_heart_that_beats_for_the_blind_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heartbeat, "may_ping", lambda _: "")
    monkeypatch.setattr(Outbox, "due", lambda *_a, **_k: [])
    assert "a ping though" in broken(tmp_path, Fault(12 * HOUR_S, "broker", 12 * HOUR_S))


def test_a_heart_that_stops_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heartbeat, "may_ping", lambda _: "tired")
    assert "no ping though all is well" in broken(tmp_path)


def test_ticks_that_a_replay_does_not_make_are_found(tmp_path: Path) -> None:
    class Fiddling(World):
        def end(self) -> None:
            assert self.service is not None
            self.service.engine.timeline.state.probes["foyer-ph"].bad_share = 0.5
            super().end()

    with pytest.raises(BrokenInvariantError, match="the journal makes another state"):
        Fiddling(tmp_path, 3, 1.5, []).run()


def test_an_export_that_leaves_something_out_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = export.lines
    monkeypatch.setattr(export, "lines", lambda path: (x for x in lines(path) if '"kind":"feeding"' not in x))
    assert "the export is not what is kept" in broken(tmp_path)


def test_a_replay_that_is_not_the_journals_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    by_arrival = chaosparts.by_arrival
    monkeypatch.setattr(chaosparts, "by_arrival", lambda events: list(by_arrival(events))[:-2])
    assert "the export makes another state" in broken(tmp_path)


# ---------------------------------------------------------------------- the card


def test_sqlite_keeps_its_word_on_a_torn_card_and_can_t_on_one_that_lies(tmp_path: Path) -> None:
    """Every commit with synchronous=FULL is there after a cut (sqlite.org/pragma.html), unless the card lied."""
    lost = 0
    for seed in range(40):
        chance, folder = random.Random(seed), tmp_path / str(seed)
        folder.mkdir()
        disk = TornFiles(folder, chance)
        with disk.mounted():
            disk.lying = seed % 4 == 0
            done = _write_until_the_power_goes(folder / "a.db", disk, chance)
            disk.after_power_loss()
            conn = sqlite3.connect(folder / "a.db")
            try:
                kept = conn.execute("SELECT count(*) FROM t").fetchone()[0]
                sound = conn.execute("PRAGMA integrity_check").fetchone()[0]
            except sqlite3.DatabaseError:
                kept, sound = 0, "lost"
            conn.close()
        if disk.lying:
            lost += kept < done
        else:
            assert (kept in (done, done + 1), sound) == (True, "ok")
    assert lost > 0


def _write_until_the_power_goes(path: Path, disk: TornFiles, chance: random.Random) -> int:
    conn = sqlite3.connect(path, isolation_level=None)
    conn.execute("PRAGMA journal_mode = WAL")
    conn.execute("PRAGMA synchronous = FULL")
    conn.execute("CREATE TABLE t (x)")
    done, disk.dies_in = 0, chance.randrange(5, 300)
    try:
        while True:
            conn.execute("INSERT INTO t VALUES (?)", (done,))
            done += 1
            if done % 40 == 0:
                conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except sqlite3.Error:
        conn.close()
        return done
