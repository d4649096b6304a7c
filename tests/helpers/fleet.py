"""The fleet's side as it is installed, on loopback ports: token check, agent, store nodes, rule engine, router.

Every part is a Debian package's own program with the files that `deploy/fleet` writes; only ports and data folders are
the test's.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
import signal
import ssl
import subprocess
import sys
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from helpers.hub import free_port
from helpers.waiting import until

TOOL = Path(__file__).parents[2] / "deploy/fleet"
sys.path.insert(0, str(TOOL))  # as `python3 deploy/fleet` has it

import register  # noqa: E402
import render  # noqa: E402
from register import Member  # noqa: E402

PROGRAMS = ("victoria-metrics", "vmagent", "vmauth", "prometheus", "prometheus-alertmanager", "promtool", "amtool")
MISSING = [name for name in PROGRAMS if shutil.which(name) is None]


class Part:
    """One program, started, killed and started again with the same data."""

    def __init__(self, name: str, words: list[str], up: str, folder: Path) -> None:
        self.name, self._words, self.up, self._log = name, words, up, folder / f"{name}.log"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, *, wait: bool = True) -> None:
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(self._words, stdout=log, stderr=log)
        if wait:
            until(self.answers, 30, f"{self.name} does not start; see {self._log}")

    def answers(self) -> bool:
        try:
            with urllib.request.urlopen(self.up, timeout=5, context=ssl._create_unverified_context()):
                return True
        except urllib.error.HTTPError:
            return True
        except OSError:
            return False

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def signal(self, number: int) -> None:
        os.kill(self.pid, number)

    def kill(self) -> None:
        """Without warning."""
        assert self._process is not None
        self._process.kill()
        self._process.wait(10)

    def stop(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(20)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(10)


class Hub:
    """All of it.  `shards` counts nodes: (1,) is one node, (2, 2) two shards on two nodes each."""

    def __init__(self, folder: Path, shards: tuple[int, ...] = (1,), desk: str = "", watcher: str = "") -> None:
        self.folder = folder
        self.fleet = register.begin(folder / "etc", "localhost")
        ports = [[free_port() for _ in range(n)] for n in shards]
        self.agent_port, self.rules_port, self.port = (free_port() for _ in range(3))
        at = "127.0.0.1"
        self.routers = {
            name: (f"{at}:{free_port()}", f"{at}:{free_port()}", f"{folder}/data/{name}") for name in render.ROUTERS
        }
        self.fleet.settings |= {
            "shards": [[f"http://127.0.0.1:{p}" for p in nodes] for nodes in ports],
            "routers": [listens for listens, _, _ in self.routers.values()],
            "port": self.port,
            "desk": {"webhook": desk, "watcher": watcher},
        }
        self.out = folder / "etc/out"
        self.nodes = {f"store-{n}-{k}": port for n, nodes in enumerate(ports) for k, port in enumerate(nodes)}
        self.parts: dict[str, Part] = {}
        self.quick: dict[str, str] = {}
        """Spans in rules and routes, and what stands for them where time runs quicker."""

    def add(self, name: str, site: str, **more: str) -> str:
        """Bring in a member; returns its token."""
        member = Member(token=f"token-of-{name}", site=site, **more)
        register.add(self.fleet, name, member)
        return member.token

    def write(self) -> None:
        render.render(self.fleet, f"127.0.0.1:{self.agent_port}", f"127.0.0.1:{self.rules_port}")
        for file in ("prometheus.yml", "fleet.rules.yml", "router.yml") if self.quick else ():
            text = (self.out / file).read_text()
            for span, other in self.quick.items():
                text = text.replace(span, other)
            (self.out / file).write_text(text)

    def start(self) -> None:
        self.write()
        data = self.folder / "data"
        data.mkdir(exist_ok=True)
        at = "http://127.0.0.1"

        def flags(given: list[str], *more: str) -> list[str]:
            """The installed flags, without those that the test has its own of."""
            own = {m.split("=")[0] for m in more}
            return [f for f in given if f.split("=")[0] not in own] + list(more)

        for name, port in self.nodes.items():
            words = flags(render.STORE_FLAGS, f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={data}/{name}")
            self._part(name, ["victoria-metrics", *words, "-search.latencyOffset=0s"], f"{at}:{port}/health")
        rules = flags(
            render.RULES_FLAGS,
            f"--storage.tsdb.path={data}/rules",
            f"--config.file={self.out}/prometheus.yml",
            f"--web.listen-address=127.0.0.1:{self.rules_port}",
            f"--web.console.templates={self.out}/wall",
            # An alarm is handed to the router again well within the time that the router waits for its like.
            *(["--rules.alert.resend-delay=5s"] if self.quick else ()),
        )
        self._part("rules", ["prometheus", *rules], f"{at}:{self.rules_port}/-/ready")
        self.start_routers()
        agent = flags(
            render.agent_flags(self.fleet, self.out, f"127.0.0.1:{self.agent_port}", f"127.0.0.1:{self.rules_port}"),
            f"-remoteWrite.tmpDataPath={data}/agent",
        )
        self._part("agent", ["vmagent", *agent], f"{at}:{self.agent_port}/health")
        tls = ["-tls", f"-tlsCertFile={self.folder}/etc/hub.crt", f"-tlsKeyFile={self.folder}/etc/hub.key"]
        auth = ["vmauth", f"-httpListenAddr=127.0.0.1:{self.port}", f"-auth.config={self.out}/auth.yml", *tls]
        self._part("auth", auth, f"https://127.0.0.1:{self.port}/health")

    def start_routers(self) -> None:
        """The two of them, without the rest."""
        if not self.out.exists():
            self.write()
        for name, (listens, _, _) in self.routers.items():
            router = render.router_flags(name, self.out, self.routers)
            # The twin tells what the first leaves untold, after so long.
            quick = ["--cluster.peer-timeout=2s"] if self.quick else []
            self._part(name, ["prometheus-alertmanager", *router, *quick], f"http://{listens}/-/ready")

    def _part(self, name: str, words: list[str], up: str) -> None:
        self.parts[name] = Part(name, words, up, self.folder)
        self.parts[name].start()

    def stop(self) -> None:
        for part in self.parts.values():
            part.stop()

    @property
    def url(self) -> str:
        return f"https://localhost:{self.port}"

    @property
    def ca(self) -> Path:
        return self.folder / "etc/ca.crt"

    def get(self, path: str, user: str = "", token: str = "", body: bytes | None = None) -> tuple[int, bytes]:
        """Through the token check, as anybody outside has to."""
        asked = urllib.request.Request(f"{self.url}{path}", data=body)
        if user:
            word = base64.b64encode(f"{user}:{self.fleet.reader}".encode()).decode()
            asked.add_header("Authorization", f"Basic {word}")
        if token:
            asked.add_header("Authorization", f"Token {token}")
        context = ssl.create_default_context(cafile=str(self.ca))
        try:
            with urllib.request.urlopen(asked, timeout=10, context=context) as answer:
                return answer.status, bytes(answer.read())
        except urllib.error.HTTPError as e:
            return e.code, bytes(e.read())

    def query(self, user: str, text: str, at_s: float | None = None) -> list[Any]:
        """A query by the reading role: `wall`, or `history-0` and so on."""
        words = {"query": text} | ({"time": str(at_s)} if at_s else {})
        status, body = self.get(f"/api/v1/query?{urllib.parse.urlencode(words)}", user)
        assert status == 200, body
        return list(json.loads(body)["data"]["result"])

    def flush(self) -> None:
        for port in self.nodes.values():
            urllib.request.urlopen(f"http://127.0.0.1:{port}/internal/force_flush", timeout=30).close()

    def hang_up(self) -> None:
        """Have the parts read their files again, as after a command."""
        for name in ("auth", "agent", "rules", *self.routers):
            self.parts[name].signal(signal.SIGHUP)


@contextmanager
def running(hub: Hub) -> Iterator[Hub]:
    try:
        hub.start()
        yield hub
    finally:
        hub.stop()


__all__ = ["MISSING", "Hub", "Member", "Part", "running"]
