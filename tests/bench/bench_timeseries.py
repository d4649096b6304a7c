"""100,000 points into a real store whose server is killed five times and whose sender is killed three times.

    python tests/bench/bench_timeseries.py [POINTS]

Prints the difference of the two sets (what the journal holds, what the store holds) and how fast history goes out,
beside a floor that only posts the ready-made text.  RUSHLIGHT_VICTORIA and RUSHLIGHT_VMAUTH name other binaries than
those on the path.
"""

from __future__ import annotations

import http.client
import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers import store
from helpers.store import TOKEN, Daemon, Front, Server
from helpers.timeseries import config, events, expected, values_only
from helpers.waiting import until
from rushlight.outlets.timeseries.feed import BATCH_ROWS, Sender, Writer, back_fill, lines_of
from rushlight.outlets.timeseries.points import Points
from rushlight.settings import Timeseries


def killed(folder: Path, total: int) -> None:
    """The whole: everything arrives, whoever is killed."""
    rng, began = random.Random(6), time.monotonic()
    server = Server(folder)
    front = Front(server.port)
    daemon = Daemon(folder, f"http://127.0.0.1:{front.port}", total, per_s=2000)
    kinds = ["server"] * 5 + ["daemon"] * 3
    rng.shuffle(kinds)
    for n, kind in enumerate(kinds, start=1):
        pause_s = total / 2000 / (len(kinds) + 1) * rng.uniform(0.6, 1.3)
        time.sleep(pause_s)
        print(f"  {time.monotonic() - began:5.1f} s  {kind} killed ({n} of {len(kinds)})", flush=True)
        if kind == "server":
            server.kill()
            time.sleep(rng.uniform(0.05, 4.0))
            server.start()
        else:
            daemon.kill()
            daemon.start()
    until(lambda: daemon.settled_upto() == total, 600)
    daemon.stop()
    want, found = expected(folder / "journal.sqlite"), values_only(server.points())
    statuses = [s for s, _, _ in front.requests]
    server.stop()
    front.shutdown()
    front.server_close()
    print(f"points the journal holds      {len(want):>8}")
    print(f"points the store holds        {len(found):>8}")
    print(f"missing from the store        {len(want.keys() - found.keys()):>8}")
    print(f"in the store and unknown      {len(found.keys() - want.keys()):>8}")
    print(f"with another value            {sum(found[k] != want[k] for k in want.keys() & found.keys()):>8}")
    print(f"sets equal                    {found == want!s:>8}")
    print(f"requests accepted / refused   {statuses.count(204):>8} / {len(statuses) - statuses.count(204)}")
    print(f"lines sent, again included    {sum(n for s, n, _ in front.requests if s == 204):>8}")
    print(f"seconds                       {time.monotonic() - began:>8.1f}")
    assert found == want


def speed(folder: Path, total: int) -> None:
    """History straight through, beside posting the same text with nothing before it."""
    settings_of = lambda port: Timeseries(url=f"http://127.0.0.1:{port}", org="library", bucket="tanks")  # noqa: E731
    with store.server(folder) as server, store.front(server) as front:
        writer = Writer(settings_of(front.port), TOKEN)
        sender = Sender(writer.write, lambda line, why: print("refused", why, line))
        began = time.perf_counter()
        sent = back_fill(events(0, total), Points(config(), "inst"), sender)
        took_s = time.perf_counter() - began
        writer.close()
        print(f"events to points to lines to store {sent:>9} points {took_s:>7.2f} s {sent / took_s:>10,.0f} /s")
    points = Points(config(), "inst")
    lines = lines_of(p for e in events(0, total) for p in points.of(e))
    (folder / "floor").mkdir()
    with store.server(folder / "floor") as server, store.front(server) as front:
        there = http.client.HTTPConnection("127.0.0.1", front.port)
        began = time.perf_counter()
        for i in range(0, len(lines), BATCH_ROWS):
            body = "\n".join(lines[i : i + BATCH_ROWS])
            there.request(
                "POST", "/api/v2/write?org=o&bucket=b&precision=ms", body, {"Authorization": f"Token {TOKEN}"}
            )
            assert there.getresponse().read() == b""
        floor_s = time.perf_counter() - began
        there.close()
        print(
            f"floor: the ready text posted       {len(lines):>9} points {floor_s:>7.2f} s {len(lines) / floor_s:>10,.0f} /s"
        )
    print(f"that is {took_s / floor_s:.1f} times the floor")


def main(total: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        for part in ("killed", "speed"):
            (Path(name) / part).mkdir()
        killed(Path(name) / "killed", total)
        speed(Path(name) / "speed", min(total, 100_000))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
