"""The page over a real engine and a real journal, served on a free port, with a client that behaves like a browser."""

from __future__ import annotations

import dataclasses
import http.client
import re
import threading
import urllib.parse
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from helpers.site import config_of
from helpers.waiting import until
from rushlight.clock import SystemClock
from rushlight.journal.store import Journal
from rushlight.service.engine import Engine
from rushlight.service.page_wiring import EnginePage
from rushlight.settings import Config, Pictures
from rushlight.web.app import App
from rushlight.web.serving.access import Access
from rushlight.web.serving.server import Server

PASSPHRASE = "sedge and water mint"


def with_pictures() -> Config:
    """The small installation, its picture diary switched on."""
    return dataclasses.replace(config_of(), pictures=Pictures(keep=True))


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    cookies: list[str]
    text: str


@dataclass
class Client:
    """Keeps cookies; sends forms with the token of the page it looked at last."""

    port: int
    cookies: dict[str, str] = field(default_factory=dict)
    page: str = ""

    def ask(self, method: str, path: str, form: dict[str, str] | bytes | None = None, **headers: str) -> Answer:
        conn = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        sent = {k.replace("_", "-"): v for k, v in headers.items()}
        if self.cookies:
            sent.setdefault("Cookie", "; ".join(f"{k}={v}" for k, v in self.cookies.items()))
        body = form if isinstance(form, bytes) else urllib.parse.urlencode(form) if form is not None else None
        if body is not None:
            sent.setdefault("Content-Type", "application/x-www-form-urlencoded")
        conn.request(method, path, body, sent)
        got = conn.getresponse()
        set_cookies = [v for k, v in got.getheaders() if k == "Set-Cookie"]
        for line in set_cookies:
            name, _, value = line.partition(";")[0].partition("=")
            self.cookies[name] = value
        answer = Answer(got.status, dict(got.getheaders()), set_cookies, got.read().decode())
        conn.close()
        return answer

    def get(self, path: str, **headers: str) -> Answer:
        answer = self.ask("GET", path, **headers)
        self.page = answer.text
        return answer

    def value(self, name: str) -> str:
        found = re.search(rf'name="{name}" value="([^"]*)"', self.page)
        assert found, f"no {name} in {self.page[:300]}"
        return found.group(1)

    def token(self) -> str:
        found = re.search(r'name="form-token" content="([^"]*)"', self.page)
        assert found, f"no token in {self.page[:300]}"
        return found.group(1)

    def post(self, path: str, form: dict[str, str], **headers: str) -> Answer:
        return self.ask("POST", path, {"token": self.token(), **form}, **headers)


@dataclass
class Site:
    engine: Engine
    access: Access
    port: int
    folder: Path

    def client(self, *, logged_in: bool = True) -> Client:
        client = Client(self.port)
        if logged_in:
            value = self.access.log_in(PASSPHRASE, "test", "phone at the desk")
            client.cookies["rushlight"] = value
        return client


@contextmanager
def page_site(
    folder: Path,
    config: Config | None = None,
    *,
    ready: bool = True,
    certificate: tuple[str, str] | None = None,
    proxy: str = "",
) -> Iterator[Site]:
    clock, stop = SystemClock(), threading.Event()
    journal = Journal(folder / "journal.db", boot_id="boot-1")
    journal.open(clock.wall_s())
    engine = Engine(config or config_of(), journal, clock, boot_id="boot-1", synchronised=lambda: True)
    access = Access(folder, engine.now_s, clock.mono_s)
    if ready:
        access.set_passphrase(access.code, PASSPHRASE, "test", "first")
    server = Server(App(EnginePage(engine), access), "127.0.0.1", 0, clock, certificate=certificate, proxy=proxy)
    threads = [
        threading.Thread(target=lambda: engine.run(stop), daemon=True),
        threading.Thread(target=lambda: server.run(stop, lambda: None), daemon=True),
    ]
    for thread in threads:
        thread.start()
    try:
        until(server.listening.is_set, 10, "the page")
        yield Site(engine, access, server.port, folder)
    finally:
        stop.set()
        engine.wake()
        server.wake()
        for thread in threads:
            thread.join(20)
        journal.close(clock.wall_s())
