"""Every option that a command's help names is typed once, against a running daemon, and does not fail.

What an option does is tested where its command is; here no option can be there that nobody ever typed.
"""

from __future__ import annotations

import datetime as dt
import http.server
import json
import shlex
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from helpers.daemon import RUSHLIGHT
from helpers.receivers import Postbox
from helpers.site import CONFIG
from helpers.waiting import until
from rushlight.cli import main
from rushlight.service import control

pytestmark = pytest.mark.slow

ELSEWHERE = {
    **dict.fromkeys((f"demo --{o}" for o in ("folder", "no-live", "port", "push")), "cli/test_demonstration.py"),
    **dict.fromkeys((f"record --{o}" for o in ("picture", "strip-frame", "chart-frame")), "cli/test_strip_picture.py"),
}
"""Typed in that file, as it takes more than a line."""
RUN = "run --log-level DEBUG"
LINES = [
    "--version",
    "check --no-probes --send",
    "check --access-list",
    "record test --tank foyer nitrate=25 --at '{yesterday} 18:30' --note 'by lamplight' --id one",
    "record feeding --tank foyer grams=400 --sure",
    "record calibration --probe foyer-ph 6.86=6.8@24 4.01=4.1@24",
    "entries --tank foyer",
    "edit one --at '{yesterday} 19:30' nitrate=10",
    "undo one",
    "status --json",
    "alarms",
    "alarms acknowledge foyer.temperature_high --by Ann",
    "alarms shelve foyer.temperature_high --hours 2 --by Ann",
    "plan --tank foyer --target 20 --nitrate 60 --daily-cap 0.3",
    "summary --output {folder}/week.html",
    "summary --send",
    "export --since 2026-01-01 --until 2027-12-31 --format events --output {folder}/out.jsonl --pictures {folder}/out",
    "replay {folder}/out.jsonl --daily --messages",
    "backfill --since 2026-01-01 --until 2027-12-31",
    "backup --to {folder}/stick",
    "setup --again limits",
]
STOPPED = ["import {folder}/out.jsonl --format events --pictures {folder}/out", "restore --replace"]
"""Those for which no daemon may run."""


class Taker(http.server.BaseHTTPRequestHandler):
    """Takes everything: a push server and a store."""

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers.get("Content-Length", 0)))
        self.send_response(200 if self.path == "/" else 204)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """A folder with a configuration in which everything that an option may need is set up."""
    server, post = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Taker), Postbox(None, "none")
    threading.Thread(target=server.serve_forever, daemon=True).start()
    url = f"http://127.0.0.1:{server.server_address[1]}"
    (tmp_path / "config.toml").write_text(
        f'{CONFIG}\n[storage]\nfolder = "{tmp_path / "data"}"\nbackup_folder = "{tmp_path / "stick"}"\n'
        f'[page]\nenabled = false\n[push]\nserver = "{url}"\ntopic = "alarms"\n'
        f'[timeseries]\nurl = "{url}"\norg = "o"\nbucket = "b"\ntoken = "t"\n'
        f'[email]\nhost = "127.0.0.1"\nport = {post.port}\nsecurity = "none"\nsender = "a@example.org"\n'
        'to = ["b@example.org"]\n[alarms]\non_delay_s = { temperature_high = 0 }\n'
    )
    (tmp_path / "config.toml").chmod(0o600)
    for name in ("out", "stick"):
        (tmp_path / name).mkdir()
    yield tmp_path
    server.shutdown()
    server.server_close()
    post.close()


def options(command: click.Command = main, path: tuple[str, ...] = ()) -> Iterator[str]:
    """Each command with each of its options, but help."""
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from options(inner, (*path, name))
    for param in command.params:
        if isinstance(param, click.Option):
            long = next(o for o in param.opts if o.startswith("--"))
            if long != "--help":
                yield " ".join((*path, long))


def test_every_option_is_typed_here_or_where_it_is_said() -> None:
    lines = [RUN, *LINES, *STOPPED]
    for option in options():
        *path, long = option.split(" ")
        if long == "--config":
            continue  # every line here has it
        if option in ELSEWHERE:
            assert long in (Path(__file__).parents[1] / ELSEWHERE[option]).read_text(), option
            continue
        start = " ".join(path)
        assert any(line.startswith(start) and long in line.split() for line in lines), f"nobody types {option}"


def test_every_line_is_taken(folder: Path) -> None:
    config = ["--config", str(folder / "config.toml")]
    with (folder / "log").open("wb") as log:
        daemon = subprocess.Popen([*RUSHLIGHT, *shlex.split(RUN), *config], stdout=log, stderr=log)
    try:
        until(lambda: control.answers(folder / "data") or daemon.poll() is not None, 60, "the daemon")
        assert daemon.poll() is None, (folder / "log").read_text()
        _warm(folder)
        for line in LINES:
            _type(line, folder, config)
    finally:
        daemon.terminate()
        daemon.wait(30)
    assert daemon.returncode == 0
    for line in STOPPED:
        _type(line, folder, config)
    assert (folder / "week.html").stat().st_size > 1000
    assert (folder / "out.jsonl").read_text().count("\n") > 3


def _warm(folder: Path) -> None:
    """An alarm that somebody can acknowledge."""
    line = {"at": "2026-03-01T12:00:00Z", "kind": "reading", "probe": "foyer-temperature", "value": 31.0}
    for n in range(3):
        control.ask(folder / "data", do="record", line=line | {"id": f"warm-{n}"}, now=True)
    view = lambda: control.ask(folder / "data", do="view")["view"]  # noqa: E731
    until(lambda: "temperature_high" in json.dumps(view()["tanks"][0]["alarms"]), 20, "the alarm")


def _type(line: str, folder: Path, config: list[str]) -> None:
    yesterday = dt.datetime.now(dt.UTC).date() - dt.timedelta(days=1)
    words = shlex.split(line.format(folder=folder, yesterday=yesterday))
    words += [] if line == "--version" else config
    got = CliRunner().invoke(main, words, input="\n" * 20)
    assert got.exit_code == 0, f"{line}\n{got.output}\n{got.exception!r}"
