"""What a thousand installations cost: points a second, CPU and memory of every part, disk a day; beside a floor.

    python tests/bench/bench_fleet.py [INSTALLATIONS] [HOURS]

The lines are those of the real outlet's code for installations of four tanks with two probes each, read every minute,
with the present moment every two minutes.  They are made beforehand and posted ready by the loader, first through the
whole of it (token check over TLS, agent, one store node, rule engine), each batch under its own installation's token,
then, as the floor, straight to a bare store node.  Disk is what the node holds after it has merged.
"""

from __future__ import annotations

import http.client
import ssl
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers import fleetday
from helpers.fleet import Hub, Member, running
from helpers.store import Server
from helpers.waiting import until

BATCH = 500
EVERY_S = 60.0
PATH = "/api/v2/write?org=fleet&bucket=fleet&precision=ms"


def batches(count: int, hours: float) -> list[tuple[str, bytes, int]]:
    """Installation, text and number of lines.  Ten installations' own days, under a hundred names each."""
    models = [fleetday.texts(f"pi-{n}", hours * 3600, EVERY_S) for n in range(min(10, count))]
    made = []
    for n in range(count):
        name, model = f"inst-{n:04d}", f"pi-{n % 10}"
        lines = [row.replace(model, name) for row in models[n % 10]]
        made += [
            (name, "\n".join(lines[i : i + BATCH]).encode(), len(lines[i : i + BATCH]))
            for i in range(0, len(lines), BATCH)
        ]
    return made


def post(there: http.client.HTTPConnection, body: bytes, token: str = "") -> None:
    there.request("POST", PATH, body, {"Authorization": f"Token {token}"} if token else {})
    answer = there.getresponse()
    answer.read()
    assert answer.status == 204, answer.status


def size(folder: Path) -> int:
    return sum(f.stat().st_size for f in folder.rglob("*") if f.is_file())


def rows(port: int) -> int:
    urllib.request.urlopen(f"http://127.0.0.1:{port}/internal/force_flush", timeout=60).close()
    text = urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=60).read().decode()
    found = [line for line in text.splitlines() if line.startswith('vm_rows_inserted_total{type="influx"}')]
    found += [line for line in text.splitlines() if line.startswith('vm_rows_inserted_total{type="promremotewrite"}')]
    return sum(int(line.split()[-1]) for line in found)


def spent(pid: int) -> tuple[float, float]:
    process = psutil.Process(pid)
    times = process.cpu_times()
    return times.user + times.system, process.memory_info().rss / 1e6


def merged(port: int, folder: Path) -> int:
    """The folder's size once the node has merged everything."""
    urllib.request.urlopen(f"http://127.0.0.1:{port}/internal/force_merge", timeout=600).close()
    last, same = -1, 0
    while same < 3:
        time.sleep(2)
        now = size(folder)
        same = same + 1 if now == last else 0
        last = now
    return last


def main(count: int, hours: float) -> None:
    began = time.perf_counter()
    work = batches(count, hours)
    lines = sum(n for _, _, n in work)
    points = sum(sum(row.rsplit(b" ", 2)[1].count(b"=") for row in body.split(b"\n")) for _, body, _ in work[:50])
    per_line = points / sum(n for _, _, n in work[:50])
    print(
        f"{count} installations, {hours:g} h: {lines} lines, {lines * per_line / 1e6:.2f} M points; made in {time.perf_counter() - began:.0f} s"
    )
    with tempfile.TemporaryDirectory(prefix="fleet-cost-") as name:
        whole(Path(name), work, lines, per_line, count, hours)
        floor(Path(name) / "bare", work, lines, per_line)


def whole(
    folder: Path, work: list[tuple[str, bytes, int]], lines: int, per_line: float, count: int, hours: float
) -> None:
    hub = Hub(folder / "hub")
    tokens = {name: f"token-of-{name}" for name, _, _ in work}
    hub.fleet.members |= {name: hub_member(token) for name, token in tokens.items()}
    with running(hub):
        [port] = hub.nodes.values()
        there = http.client.HTTPSConnection(
            "localhost", hub.port, context=ssl.create_default_context(cafile=str(hub.ca))
        )
        before, began = {n: spent(p.pid)[0] for n, p in hub.parts.items()}, time.perf_counter()
        for name, body, _ in work:
            post(there, body, tokens[name])
        taken_s = time.perf_counter() - began
        want = round(lines * per_line)
        until(lambda: rows(port) >= want * 0.99, 900, "the store has it")
        there_s = time.perf_counter() - began
        print(
            f"taken by the agent in {taken_s:.1f} s, in the store after {there_s:.1f} s: {lines * per_line / there_s:,.0f} points/s"
        )
        live_s = hours * 3600
        for n, part in hub.parts.items():
            cpu, memory = spent(part.pid)
            print(
                f"  {n:<10} {cpu - before[n]:7.1f} s CPU = {100 * (cpu - before[n]) / live_s:5.2f} % of one core at live speed, {memory:5.0f} MB"
            )
        held = merged(port, folder / "hub/data/store-0-0")
        a_day = held / hours * 24
        print(
            f"  disk after merging {held / 1e6:.1f} MB, {held / (lines * per_line):.2f} bytes a point; a day {a_day / 1e6:.0f} MB for {count}"
        )
        series = urllib.request.urlopen(f"http://127.0.0.1:{hub.rules_port}/metrics", timeout=60).read().decode()
        print(
            "  rule engine:",
            next(line for line in series.splitlines() if line.startswith("prometheus_tsdb_head_series ")),
        )
        groups = [
            line for line in series.splitlines() if line.startswith("prometheus_rule_group_last_duration_seconds{")
        ]
        for line in groups:
            print("  rules take", line.split("{")[1][-40:])


def hub_member(token: str) -> Member:
    return Member(token=token, site=f"site-{hash(token) % 200:03d}", route=f"route-{hash(token) % 8}")


def floor(folder: Path, work: list[tuple[str, bytes, int]], lines: int, per_line: float) -> None:
    folder.mkdir()
    server = Server(folder)
    there = http.client.HTTPConnection("127.0.0.1", server.port)
    began = time.perf_counter()
    for _, body, _ in work:
        post(there, body)
    want = round(lines * per_line)
    until(lambda: rows(server.port) >= want * 0.99, 900, "the store has it")
    took_s = time.perf_counter() - began
    assert server._process is not None
    cpu, memory = spent(server._process.pid)
    print(
        f"floor, ready text to a bare node: {took_s:.1f} s, {lines * per_line / took_s:,.0f} points/s, {cpu:.1f} s CPU, {memory:.0f} MB"
    )
    held = merged(server.port, folder / "store")
    print(f"  disk after merging {held / 1e6:.1f} MB, {held / (lines * per_line):.2f} bytes a point")
    server.stop()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000, float(sys.argv[2]) if len(sys.argv) > 2 else 4.0)
