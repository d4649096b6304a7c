"""A damaged journal, read by the commands and by the daemon: words and a status, what can be read, and no traceback."""

from __future__ import annotations

import contextlib
import json
import random
import sqlite3
from pathlib import Path

import pytest

from helpers.daemon import LIBRARY, STRIP, Daemon
from helpers.journals import T0, alarm, message, opened, query, reading, strip
from helpers.waiting import until
from rushlight.journal import schema
from rushlight.service import control

pytestmark = pytest.mark.slow

CONFIG = (
    LIBRARY
    + STRIP
    + """
[page]
enabled = false
[heartbeat]
accept_none = true
[storage]
folder = "{data}"
"""
)


@pytest.fixture
def site(tmp_path: Path) -> Daemon:
    """A journal with readings and strips, no daemon on it."""
    data = tmp_path / "data"
    data.mkdir()
    journal = opened(data / "journal.sqlite")
    for n in range(20):
        readings = [reading(i) for i in range(n * 100, n * 100 + 100)]
        effects = [alarm(n, at_s=T0 + n), message(f"m{n}", at_s=T0 + n)]
        journal.append([*readings, strip(f"s{n}")], effects, urgent=True, at_s=T0 + n)
    journal.close(T0 + 60)
    (data / "journal.sqlite.entries").unlink()  # what is tested here is the database alone
    (tmp_path / "config.toml").write_text(CONFIG.format(data=data))
    return Daemon(tmp_path / "config.toml")


def test_a_page_of_noise(site: Daemon) -> None:
    path = site.config.parent / "data" / "journal.sqlite"
    [(page,)] = query(path, "SELECT rootpage FROM sqlite_schema WHERE name = 'event'")
    with path.open("r+b") as f:
        f.seek((page - 1) * schema.PAGE_BYTES)
        f.write(random.Random(1).randbytes(schema.PAGE_BYTES))
    for words in (["export"], ["export", "--format", "csv"], ["entries"], ["backup"]):
        got = site.command(*words, check=False)
        assert got.returncode == 1, words
        assert "malformed" in got.stderr or "damaged" in got.stderr, (words, got.stderr)
        assert "Traceback" not in got.stderr


def test_a_line_of_nonsense_costs_that_line(site: Daemon) -> None:
    """One byte of a text: SQLite has no checksums and finds nothing wrong."""
    path = site.config.parent / "data" / "journal.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as conn, conn:
        conn.execute("UPDATE event SET line = replace(line, '\"kind\"', '\"kinb\"') WHERE id = 's7'")
        conn.execute("UPDATE alarm SET evidence = '{\"' WHERE no = 3")
        conn.execute("UPDATE outbox SET alarms = '[[' WHERE no = 3")
    got = site.command("export", check=False)
    assert got.returncode == 1
    assert "1 damaged entries" in got.stderr
    strips = [e["id"] for e in map(json.loads, got.stdout.splitlines()) if e["kind"] == "test"]
    assert strips == [f"s{n}" for n in range(20) if n != 7]
    assert site.command("entries").returncode == 0
    site.spawn()
    try:
        until(lambda: control.answers(site.config.parent / "data"), 60, "the daemon")
        assert site.command("record", "test", "nitrate=25").returncode == 0
        assert site.process is not None
        assert site.process.poll() is None
    finally:
        site.kill()
