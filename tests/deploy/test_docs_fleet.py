"""The blocks of fleet.md in order: the fleet's own commands for real, the system's by stand-ins that know their names.

What it does not show is a real system with all the services running: `tests/bench/fleet_steps.py` types the same blocks
on a clean machine, which takes half an hour.
"""

from __future__ import annotations

import contextlib
import http.server
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import urllib.parse
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers import store
from helpers.daemon import LIBRARY, STRIP
from helpers.pages import DEPLOY, ROOT, steps
from rushlight.config import loading

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not store.SERVER or any(shutil.which(t) is None for t in ("gpg", "apt-ftparchive", "openssl")),
        reason="gnupg, apt-utils or victoria-metrics is missing",
    ),
]
UNITS = {"rushlight", "prometheus", "prometheus-alertmanager", "victoria-metrics"} | {
    p.stem for p in (DEPLOY / "fleet/systemd").glob("*.service")
}
STAND_INS = {
    # What the installing scripts do to a system is left out; what they do to the fleet's folder is done.
    "sudo": """
case "$*" in
"bash deploy/fleet/install.sh hub "*) exec fleet init --host "$4" ;;
"bash deploy/fleet/install.sh pi" | "bash deploy/install.sh --yes") exit 0 ;;
tar* | cp*) set -- "${@/#\\/etc/$HOME/etc}" ;;
esac
exec "$@"
""",
    "systemctl": 'echo "$@" >>"$HOME/asked"',
    "fleet": f'exec {sys.executable} "$HOME/fleet.py" --folder "$HOME/etc/rushlight-fleet" --root "$HOME/pi" "$@"',
    "curl": """
if [[ $* == *wall.html* ]]; then echo "$@" >>"$HOME/asked"; exit 0; fi
exec /usr/bin/curl --fail "${@//store-a:8428/$STORE_A}"
""",
}
CONFIG = (LIBRARY + STRIP).format()


class Rules(http.server.BaseHTTPRequestHandler):
    """The rule engine that has heard the version asked for from so many members of a ring as there are."""

    members: dict[str, int] = {}  # noqa: RUF012 - set by the test

    def do_GET(self) -> None:
        asked = urllib.parse.unquote_plus(self.path)
        [ring] = re.findall(r'ring="(\w+)"', asked)
        body = json.dumps({"data": {"result": [{"value": [0, str(self.members[ring])]}]}}).encode()
        self.send_response(200)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        pass


class Desk:
    """A shell in a folder that has the fleet's folder and a Pi's root below it."""

    def __init__(self, folder: Path, stores: list[str], rules: int) -> None:
        self.folder = folder
        for name in ("bin", "etc/rushlight-fleet", "pi/etc/rushlight"):
            (folder / name).mkdir(parents=True)
        shutil.rmtree(folder / "etc/rushlight-fleet")
        (folder / "pi/etc/rushlight/config.toml").write_text(CONFIG)
        for name, body in STAND_INS.items():
            (folder / "bin" / name).write_text(f"#!/bin/bash\n{body.strip()}\n")
            (folder / "bin" / name).chmod(0o755)
        (folder / "fleet.py").write_text(
            f"import sys; sys.path.insert(0, {str(DEPLOY / 'fleet')!r}); import render\n"
            f"render.RULES = '127.0.0.1:{rules}'\n"
            f"import runpy; runpy.run_path({str(DEPLOY / 'fleet/__main__.py')!r}, run_name='__main__')\n"
        )
        self.env = {
            "HOME": str(folder), "PATH": f"{folder / 'bin'}:{os.environ['PATH']}", "LC_ALL": "C.UTF-8",
            "STORE_A": stores[0], "STORE_B": stores[1],
        }  # fmt: skip

    def type(self, text: str) -> str:
        text = text.replace("store-b:8428", self.env["STORE_B"])
        script = f'set -euo pipefail\ncd "$(cat ~/.cwd 2>/dev/null || echo ~)"\n{text}\npwd >~/.cwd\n'
        done = subprocess.run(
            ["bash", "-c", script], env=self.env, capture_output=True, text=True, check=False, timeout=120
        )
        assert done.returncode == 0, f"{text}\n{done.stdout}{done.stderr}"
        return done.stdout

    def asked(self) -> str:
        return (self.folder / "asked").read_text()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    rules = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Rules)
    threading.Thread(target=rules.serve_forever, daemon=True).start()
    with contextlib.ExitStack() as stack:
        stack.callback(rules.server_close)
        stack.callback(rules.shutdown)
        stores = [stack.enter_context(store.server(tmp_path / name)) for name in ("a", "b")]
        # The agent that keeps the key has its socket there, whose address may not be long.
        home = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="fleet-")))
        yield Desk(home, [f"127.0.0.1:{s.port}" for s in stores], rules.server_address[1])


def test_the_pages_blocks_in_order(desk: Desk) -> None:
    subprocess.run(["bash", ROOT / "deploy/archive.sh", desk.folder], check=True, capture_output=True)
    [archive] = desk.folder.glob("*.tar.gz")
    archive.rename(desk.folder / "rushlight.tar.gz")
    config = desk.folder / "pi/etc/rushlight/config.toml"
    for step in steps(DEPLOY / "fleet.md"):
        if step.kind not in {"run", "at-a-pi", "later"}:
            continue
        if "fleet publish" in step.text:
            _bring_in_others(desk)
        if "export/native" in step.text:
            _fill(desk)
        said = desk.type(step.text)
        if "fleet take" in step.text:
            assert loading.load(config).timeseries.url == "https://hub.example.org:8427"
        if "fleet-copy" in step.text:
            inside = subprocess.run(
                ["tar", "-tzf", desk.folder / "rushlight/fleet-copy.tar.gz"], capture_output=True, text=True, check=True
            ).stdout
            assert "rushlight-fleet/fleet.toml" in inside
    assert loading.load(config).timeseries.url == "", "it has left"
    assert "rowan-foyer" not in desk.type("sudo fleet list")
    named = {w for row in desk.asked().splitlines() if row.startswith(("re", "en")) for w in row.split()[1:]}
    assert named and named <= UNITS, named - UNITS
    found = desk.type("curl -sS http://store-b:8428/api/v1/export -d 'match[]=reading_value'")
    assert '"values":[24.5]' in found, "the sister's points"
    assert said.count("0.0.9 is offered to ring") == 3, "gone back to the version before"


def _bring_in_others(desk: Desk) -> None:
    """Another in the place of the one that was taken out, and an older version that all run."""
    desk.type('fleet add oak-hall --site "Oak Row" --ring one >/dev/null')
    Rules.members = {"one": 1, "ten": 1}
    tree, deb = desk.folder / "old", desk.folder / "old.deb"
    (tree / "DEBIAN").mkdir(parents=True)
    (tree / "DEBIAN/control").write_text(
        "Package: rushlight\nVersion: 0.0.9\nArchitecture: all\nMaintainer: t <t@example.org>\nDescription: t\n"
    )
    subprocess.run(["dpkg-deb", "--root-owner-group", "-b", tree, deb], check=True, capture_output=True)
    for ring in ("one", "ten", "rest"):
        desk.type(f"fleet publish {deb} --ring {ring} --anyway")


def _fill(desk: Desk) -> None:
    """A point that the one node has and its sister lacks."""
    line = '{"metric":{"__name__":"reading_value"},"values":[24.5],"timestamps":[1750000000000]}'
    desk.type(f"/usr/bin/curl -sS --fail -d '{line}' http://$STORE_A/api/v1/import; sleep 1")
    desk.type("/usr/bin/curl -sS http://$STORE_A/internal/force_flush >/dev/null")
