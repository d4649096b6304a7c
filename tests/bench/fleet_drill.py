"""A fleet's day in minutes, with a store node, the agent, the router and a site's network taken away for hours of it.

    python tests/bench/fleet_drill.py [INSTALLATIONS] [SECONDS]

Every part is the Debian package's own program with the files of deploy/fleet; each installation is a journal and the
real outlet, over TLS and with its own token.  The day's 24 hours take SECONDS; rules and routes run on real time, with
their spans shortened.  Prints, per store node, the installations whose points are complete and once (count and
checksum against the journal), and what the desk was told.
"""

from __future__ import annotations

import collections
import contextlib
import http.server
import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.parse
import urllib.request
from pathlib import Path

import psutil

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers import fleetday
from helpers.fleet import Hub, running
from helpers.waiting import until

EVERY_S, LIVE_S = 120.0, 10.0
QUICK = {
    "[15m]": "[60s]", "[10m]": "[40s]", "offset 20m": "offset 90s", "keep_firing_for: 15m": "keep_firing_for: 60s",
    "for: 2m": "for: 15s", "for: 5m": "for: 20s", "for: 10m": "for: 30s", "for: 15m": "for: 60s",
    '"1m"': '"5s"', '"group_wait": "2m"': '"group_wait": "15s"', '"group_interval": "5m"': '"group_interval": "20s"',
}  # fmt: skip


class Desk(http.server.ThreadingHTTPServer):
    """Takes the router's JSON and remembers which matters were told, and when."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _DeskHandler)
        self.told: list[tuple[float, str, str]] = []
        self.url = f"http://127.0.0.1:{self.server_address[1]}/"
        threading.Thread(target=self.serve_forever, daemon=True).start()


class _DeskHandler(http.server.BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        said = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        assert isinstance(self.server, Desk)
        for a in said["alerts"]:
            labels = a["labels"]
            whom = next((labels[k] for k in ("member", "site", "instance", "url") if k in labels), "")
            self.server.told.append((time.time(), labels["alertname"], whom))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


class Relay:
    """A site's way to the store, which can be cut: connections break and new ones are closed at once."""

    def __init__(self, port: int) -> None:
        self._to, self._open, self.cut = port, [], False
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            here, _ = self._listener.accept()
            if self.cut:
                here.close()
                continue
            there = socket.create_connection(("127.0.0.1", self._to))
            self._open += [here, there]
            for a, b in ((here, there), (there, here)):
                threading.Thread(target=self._pump, args=(a, b), daemon=True).start()

    def _pump(self, a: socket.socket, b: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := a.recv(65536):
                b.sendall(data)
        for s in (a, b):
            with contextlib.suppress(OSError):
                s.shutdown(socket.SHUT_RDWR)

    def drop(self) -> None:
        self.cut = True
        for s in self._open:
            with contextlib.suppress(OSError):
                s.shutdown(socket.SHUT_RDWR)
        self._open.clear()


def found(port: int, member: str) -> list[fleetday.Row]:
    """An installation's rows in one store node, as they lie there."""
    match = f'{{__name__=~"reading_value|test_value|alarm_state",member="{member}"}}'
    asked = f"http://127.0.0.1:{port}/api/v1/export?{urllib.parse.urlencode({'match[]': match})}"
    rows = []
    with urllib.request.urlopen(asked, timeout=120) as answer:
        for line in answer:
            series = json.loads(line)
            m = series["metric"]
            what = m.get("probe") or m.get("method") or m["alarm"]
            rows += [
                (m["__name__"], m["tank"], what, ms, float(v))
                for ms, v in zip(series["timestamps"], series["values"], strict=True)
            ]
    return sorted(rows)


def verdict(hub: Hub, names: list[str], folder: Path) -> bool:
    well = True
    hub.flush()
    for node, port in hub.nodes.items():
        whole = missing = more = here = points = 0
        for name in names:
            rows = found(port, name)
            if not rows:
                continue
            here += 1
            points += len(rows)
            want = fleetday.wanted(name, folder / f"{name}.sqlite")
            same = len(rows) == len(want) and fleetday.checksum(rows) == fleetday.checksum(want)
            whole += same
            missing += len(set(want) - set(rows))
            more += len(rows) - len(set(rows) & set(want))
            if not same:
                print(f"  {node} {name}: missing {sorted(set(want) - set(rows))[:3]}", flush=True)
        print(
            f"{node}: {here} installations, {whole} complete and once; points {points}, missing {missing}, double or unknown {more}",
            flush=True,
        )
        well &= whole == here
    return well


def main(count: int, took_s: float) -> None:
    with tempfile.TemporaryDirectory(prefix="fleet-drill-") as name:
        folder = Path(name)
        desk, watcher = Desk(), Desk()
        hub = Hub(folder / "hub", shards=(2, 2), desk=desk.url, watcher=watcher.url)
        hub.quick = QUICK
        names = [f"pi-{n:03d}" for n in range(count)]
        site = {n: f"site-{i // 5:02d}" for i, n in enumerate(names)}
        tokens = {n: hub.add(n, site[n], route=f"route-{i % 4}") for i, n in enumerate(names)}
        with running(hub):
            run(hub, folder, names, site, tokens, took_s, desk, watcher)


def run(hub, folder, names, site, tokens, took_s, desk, watcher) -> None:  # type: ignore[no-untyped-def]
    relay, dark, lone = Relay(hub.port), "site-01", names[0]
    begun_s = time.time() + 5
    shares, workers = 3, []
    for n in range(shares):
        members = [
            (m, tokens[m], f"https://localhost:{relay.port if site[m] == dark else hub.port}") for m in names[n::shares]
        ]
        job = {
            "members": members, "folder": str(folder), "begun_s": begun_s, "took_s": took_s, "every_s": EVERY_S,
            "live_s": LIVE_S, "longest_wait_s": 15.0, "ca": str(hub.ca),
        }  # fmt: skip
        file = folder / f"job-{n}.json"
        file.write_text(json.dumps(job))
        workers.append(subprocess.Popen([sys.executable, str(Path(fleetday.__file__)), str(file)]))

    def at(share: float, what: str) -> None:
        time.sleep(max(0.0, begun_s + share * took_s - time.time()))
        hour = 24 * share
        print(f"{time.time() - begun_s:6.0f} s ({int(hour):02d}:{int(hour % 1 * 60):02d})  {what}", flush=True)

    parts = hub.parts
    at(0.20, "a store node is killed")
    parts["store-0-1"].kill()
    at(0.36, "the store node is back")
    parts["store-0-1"].start()
    at(0.40, "the agent is killed")
    parts["agent"].kill()
    at(0.54, "the agent is back")
    parts["agent"].start()
    at(0.68, f"the network of {dark} is cut")
    relay.drop()
    at(0.70, f"{lone} loses its power, and the router is killed")
    (folder / f"{lone}.off").touch()
    parts["router"].kill()
    at(0.84, "the router is back")
    parts["router"].start()
    at(0.90, "the router is killed again and is back at once")
    parts["router"].kill()
    parts["router"].start()
    at(0.94, f"{dark} and {lone} are back")
    relay.cut = False
    (folder / f"{lone}.off").unlink()
    at(1.0, "the day is over; what waits is sent")
    until(lambda: len(list(folder.glob("*.done"))) == shares, 900, "all is settled")
    time.sleep(10)
    print(f"{time.time() - begun_s:6.0f} s  settled", flush=True)
    cost(hub)
    well = verdict(hub, names, folder)
    if not well:
        print("each node is filled from its sister, as fleet.md says", flush=True)
        mend(hub)
        well = verdict(hub, names, folder)
    (folder / "end").touch()
    for w in workers:
        w.wait(60)
    counts = collections.Counter((alert, whom) for _, alert, whom in desk.told)
    for (alert, whom), times in sorted(counts.items()):
        when = ", ".join(f"{t - begun_s:.0f} s" for t, a, w in desk.told if (a, w) == (alert, whom))
        print(f"told {times} time(s): {alert} {whom} ({when})")
    expected = {("StoreNodeDown", f"127.0.0.1:{hub.nodes['store-0-1']}"), ("NothingArrives", ""),
                ("SiteSilent", dark), ("InstallationSilent", lone)}  # fmt: skip
    print(f"pings to the outside watcher: {len(watcher.told)}")
    print(f"each once and nothing else: {counts.keys() == expected and set(counts.values()) == {1}}")
    print(f"every point there, and once: {well}")


def mend(hub: Hub) -> None:
    """Copy what each node of a shard has to the others of it; what is there already stays one point."""
    everything = urllib.parse.urlencode({"match[]": '{__name__!=""}'})
    for nodes in hub.fleet.settings["shards"]:
        for here in nodes:
            for there in set(nodes) - {here}:
                with urllib.request.urlopen(f"{here}/api/v1/export/native?{everything}", timeout=300) as answer:
                    urllib.request.urlopen(f"{there}/api/v1/import/native", data=answer.read(), timeout=300).close()


def cost(hub: Hub) -> None:
    for name, part in hub.parts.items():
        process = psutil.Process(part.pid)
        spent, memory = process.cpu_times(), process.memory_info().rss / 1e6
        lived = time.time() - process.create_time()
        print(f"{name:<10} {spent.user + spent.system:7.1f} s CPU in {lived:5.0f} s, {memory:6.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200, float(sys.argv[2]) if len(sys.argv) > 2 else 900.0)
