"""A real server that takes line protocol over /api/v2/write, and a front before it that checks the token.

The server is VictoriaMetrics, a Debian package.  Its own token check is a program apart, used when it is found
(`RUSHLIGHT_VMAUTH`, or on the path); otherwise the front below stands in for it.  InfluxDB 2 itself is in no
Debian suite and was not tried.
"""

from __future__ import annotations

import http.client
import http.server
import json
import os
import shutil
import signal
import ssl
import subprocess
import sys
import threading
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from helpers.hub import free_port
from helpers.waiting import until

SERVER = os.environ.get("RUSHLIGHT_VICTORIA") or shutil.which("victoria-metrics")
AUTH = os.environ.get("RUSHLIGHT_VMAUTH") or shutil.which("vmauth")
TOKEN = "s3cret"


class Server:
    """The store's engine on a free loopback port; `kill` is SIGKILL, and what was on its disk is all that is left."""

    def __init__(self, folder: Path) -> None:
        assert SERVER, "victoria-metrics is not installed"
        self.port = free_port()
        self._args = [
            SERVER,
            "-httpListenAddr",
            f"127.0.0.1:{self.port}",
            "-storageDataPath",
            str(folder / "store"),
            "-retentionPeriod",
            "100y",
            "-search.latencyOffset",
            "0s",
            "-dedup.minScrapeInterval",
            "1ms",
        ]
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen(self._args, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until(self._up, 20, "the store did not start")

    def _up(self) -> bool:
        try:
            return bool(self.get("/health") == b"OK")
        except OSError:
            return False

    def kill(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(10)

    def stop(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(15)
            except subprocess.TimeoutExpired:
                self._process.kill()

    def get(self, path: str) -> bytes:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=10) as answer:
            return bytes(answer.read())

    def points(self) -> dict[tuple[str, frozenset[tuple[str, str]], int], float]:
        """Everything in the store: name with field, tags, milliseconds since 1970 -> value."""
        self.get("/internal/force_flush")
        match = urllib.parse.quote('{__name__!=""}')
        out = {}
        for line in self.get(f"/api/v1/export?match[]={match}").splitlines():
            series = json.loads(line)
            name = series["metric"].pop("__name__")
            tags = frozenset(series["metric"].items())
            for at_ms, value in zip(series["timestamps"], series["values"], strict=True):
                out[name, tags, at_ms] = value
        return out

    def query(self, text: str, at_s: float) -> list[Any]:
        """The result of a query as dashboards ask it."""
        self.get("/internal/force_flush")
        asked = urllib.parse.urlencode({"query": text, "time": at_s, "nocache": 1})
        found = json.loads(self.get(f"/api/v1/query?{asked}"))
        assert found["status"] == "success", found
        return list(found["data"]["result"])


class Front(http.server.ThreadingHTTPServer):
    """Passes on what carries the token.  `rule` may answer instead, as a store in trouble does.

    `rule(body)` returns None to pass the request on, or a status and a text; it may also wait.
    """

    daemon_threads = True
    allow_reuse_address = True

    def __init__(self, target_port: int, token: str = TOKEN, tls: ssl.SSLContext | None = None) -> None:
        super().__init__(("127.0.0.1", 0), _FrontHandler)
        if tls is not None:
            self.socket = tls.wrap_socket(self.socket, server_side=True)
        self.port = self.server_address[1]
        self.target_port, self.token = target_port, token
        self.rule: Callable[[bytes], tuple[int, str] | None] = lambda _body: None
        self.requests: list[tuple[int, int, str]] = []
        """Status, number of lines and query of each write."""
        threading.Thread(target=self.serve_forever, daemon=True).start()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that hangs up is no news."""


class _FrontHandler(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_POST(self) -> None:
        assert isinstance(self.server, Front)
        front = self.server
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        status, answer = 401, b'{"code":"unauthorized","message":"unauthorized access"}'
        if self.headers.get("Authorization") in {f"Token {front.token}", f"Bearer {front.token}"}:
            said = front.rule(body)
            status, answer = self._pass_on(body) if said is None else (said[0], said[1].encode())
        front.requests.append((status, body.count(b"\n") + 1, urllib.parse.urlsplit(self.path).query))
        self.send_response(status)
        self.send_header("Content-Length", "0" if status == 204 else str(len(answer)))
        self.end_headers()
        if status != 204:
            self.wfile.write(answer)

    def _pass_on(self, body: bytes) -> tuple[int, bytes]:
        assert isinstance(self.server, Front)
        there = http.client.HTTPConnection("127.0.0.1", self.server.target_port, timeout=10)
        try:
            there.request("POST", self.path, body, {"Content-Type": "text/plain"})
            answer = there.getresponse()
            return answer.status, answer.read()
        except OSError:
            return 502, b"the store behind is away"
        finally:
            there.close()

    def log_message(self, *_: Any) -> None:
        pass


@contextmanager
def server(folder: Path) -> Iterator[Server]:
    s = Server(folder)
    try:
        yield s
    finally:
        s.stop()


@contextmanager
def front(target: Server, tls: ssl.SSLContext | None = None) -> Iterator[Front]:
    f = Front(target.port, tls=tls)
    try:
        yield f
    finally:
        f.shutdown()
        f.server_close()


@contextmanager
def real_front(folder: Path, target: Server) -> Iterator[str]:
    """The base address of the server's own token check."""
    assert AUTH
    port = free_port()
    file = folder / "auth.yml"
    file.write_text(f'users:\n- bearer_token: {TOKEN}\n  url_prefix: "http://127.0.0.1:{target.port}/"\n')
    process = subprocess.Popen(
        [AUTH, "-httpListenAddr", f"127.0.0.1:{port}", "-auth.config", str(file)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        until(lambda: _answers(port), 10)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(10)


def _answers(port: int) -> bool:
    there = http.client.HTTPConnection("127.0.0.1", port, timeout=2)
    try:
        there.request("GET", "/health")
        there.getresponse().read()
        return True
    except OSError:
        return False
    finally:
        there.close()


# ---------------------------------------------------------------------- a daemon that may be killed


class Daemon:
    """A process with a journal and the store's feed, writing readings until there are `total`.

    `settle_s` stands in for the feed's `SETTLE_S`; this server writes to its disk every five seconds at the latest.
    """

    def __init__(self, folder: Path, url: str, total: int, per_s: int, settle_s: float = 7.0) -> None:
        self._args = [sys.executable, __file__, str(folder), url, str(total), str(per_s), str(settle_s)]
        self._env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
        self._status = folder / "status"
        self.start()

    def start(self) -> None:
        self._process = subprocess.Popen(self._args, env=self._env)

    def kill(self) -> None:
        self._process.kill()
        self._process.wait(10)

    def settled_upto(self) -> int:
        """How far the feed's cursor in the journal has come, in arrival numbers."""
        try:
            return int(self._status.read_text() or 0)
        except (FileNotFoundError, ValueError):
            return 0

    def alive(self) -> bool:
        return self._process.poll() is None

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(20)


def main(folder: Path, url: str, total: int, per_s: int, settle_s: float) -> None:
    """The daemon's process: one thread owns the journal, one feeds the store."""
    from helpers.timeseries import START_S, config, events
    from rushlight.clock import SystemClock
    from rushlight.journal.rows import Recorded
    from rushlight.journal.store import Journal
    from rushlight.outlets.timeseries import feed
    from rushlight.outlets.timeseries.journal_walk import JournalHistory
    from rushlight.outlets.timeseries.points import Points
    from rushlight.settings import Timeseries

    feed.SETTLE_S = settle_s
    stop, lock = threading.Event(), threading.Lock()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    journal = Journal(folder / "journal.sqlite", boot_id="boot")
    journal.open(START_S)

    def on_journal(work: Callable[[Journal], int]) -> int:
        with lock:
            return work(journal)

    conf = config()
    settings = Timeseries(url=url, org="library", bucket="tanks", every_seconds=1.0)
    history = JournalHistory(journal.reader, on_journal, ["foyer"], folder / "aside.jsonl", "timeseries")
    outlet = feed.TimeseriesOutlet(settings, history, lambda: Points(conf, "inst"), SystemClock(), stop, token=TOKEN)
    outlet.start()
    batch = max(1, per_s // 10)
    while not stop.is_set():
        with lock:
            n = journal.last_seq
            if n < total:
                new = [Recorded(e) for e in events(n, min(total, n + batch))]
                journal.append(new, urgent=True, at_s=START_S)
            else:
                journal.commit(START_S)
        beside = folder / "status.new"
        beside.write_text(str(journal.steering.cursor("timeseries.events")))
        beside.replace(folder / "status")
        stop.wait(0.1)
    outlet.join(15)
    journal.close(START_S)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), float(sys.argv[5]))
