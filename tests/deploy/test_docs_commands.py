"""The documents played: every command in them that can run here is run, in the order of the page.

`helpers/pages.py` says what the kinds of blocks mean, `test_docs_blocks.py` which test plays which.  A comment
`by hand: …` stands for what a person does there; the tests do it too.
"""

from __future__ import annotations

import contextlib
import gzip
import http.server
import json
import os
import re
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from helpers import debian, machines
from helpers.debian import UnobtainableError
from helpers.machines import Machine
from helpers.pages import DEPLOY, ROOT, Step, inline_commands, steps
from helpers.wireless import WirelessBoard

RUSHLIGHT = str(Path(sys.executable).with_name("rushlight"))


# ---------------------------------------------------------------------- at the desk


class Store(http.server.BaseHTTPRequestHandler):
    """A time-series store that takes everything; `lines` counts what it was given."""

    lines = 0

    def do_POST(self) -> None:
        sent = self.rfile.read(int(self.headers["Content-Length"]))
        sent = gzip.decompress(sent) if self.headers.get("Content-Encoding") == "gzip" else sent
        Store.lines += sent.count(b"\n") + 1
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[dict[str, str]]:
    """A folder with the invented library's configuration and a daemon that runs on it, and a store to send to."""
    text = (ROOT / "daemon/rushlight/demo/rowan_street.toml").read_text()
    text = text.replace('id = "foyer-ph"', 'id = "foyer-ph"\nunit = "mV"')  # as the hardware page writes it
    [table] = [s.text for s in steps(DEPLOY / "timeseries.md") if s.kind == "toml"]
    store = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Store)
    threading.Thread(target=store.serve_forever, daemon=True).start()
    (tmp_path / "config.toml").write_text(
        f"{text}\n{table}\n".replace("https://store.example.org:8086", f"http://127.0.0.1:{store.server_address[1]}")
    )
    (tmp_path / "store-token").write_text("a token\n")
    home = {"HOME": str(tmp_path), "PATH": f"{Path(RUSHLIGHT).parent}:{os.environ['PATH']}", "LC_ALL": "C.UTF-8"}
    with subprocess.Popen([RUSHLIGHT, "run"], cwd=tmp_path, env=home, stderr=subprocess.PIPE, text=True) as daemon:
        try:
            deadline = time.monotonic() + 30
            while subprocess.run(
                [RUSHLIGHT, "status"], cwd=tmp_path, env=home, capture_output=True, check=False
            ).returncode:
                assert time.monotonic() < deadline, "the daemon does not come up"
                assert daemon.poll() is None, daemon.stderr.read() if daemon.stderr else ""
                time.sleep(0.2)
            yield home
        finally:
            daemon.terminate()
            daemon.communicate(timeout=30)
            store.shutdown()
            store.server_close()


@pytest.mark.slow
def test_commands_of_the_pages_work_at_the_desk(desk: dict[str, str]) -> None:
    """Those of the hardware page, of the time-series page, the everyday ones, and those inside sentences."""
    wanted = [s.text for s in steps(DEPLOY / "hardware.md") if s.kind == "run"]
    wanted += [s.text for s in steps(ROOT / "README.md") if s.heading == "Every day" and s.kind == "run"]
    wanted += inline_commands(DEPLOY / "finer-tests.md")
    wanted += [s.text for s in steps(DEPLOY / "timeseries.md") if s.kind == "run"]
    assert len(wanted) >= 9
    for text in wanted:
        done = subprocess.run(
            ["bash", "-c", f"set -e\n{text}"], cwd=desk["HOME"], env=desk, capture_output=True, text=True, check=False,
            timeout=60,
        )  # fmt: skip
        assert done.returncode == 0, f"{text}\n{done.stdout}{done.stderr}"
    assert re.search(r"[1-9]\d* points sent", done.stdout), done.stdout
    assert Store.lines >= 5


# ---------------------------------------------------------------------- on a clean machine

BOARD = '''\
"""A board with the project's firmware on a serial port: a pseudo-terminal under a by-id name."""
import os, pathlib, sys, time, tty
sys.path.insert(0, "/src/deploy/board")
import framing
ours, theirs = os.openpty()
tty.setraw(theirs)
os.chmod(os.ttyname(theirs), 0o666)
link = pathlib.Path("/dev/serial/by-id/usb-Board_0001-if00")
link.parent.mkdir(parents=True, exist_ok=True)
link.unlink(missing_ok=True)
link.symlink_to(os.ttyname(theirs))
os.set_blocking(ours, False)
n = 0
while True:
    n += 1
    try:
        os.write(ours, framing.line([("id", "foyer-board"), ("temp", 24.5), ("light", 812.0), ("status", "ok"), ("n", n)]))
    except BlockingIOError:
        pass
    time.sleep(0.5)
'''
SERVER = '''\
"""Takes any post and writes down what it was."""
import http.server, json
class Handler(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
        with open("/run/posts.jsonl", "a") as f:
            f.write(json.dumps({"path": self.path, "title": self.headers.get("Title"), "body": body}) + "\\n")
        self.send_response(200)
        self.send_header("Content-Length", "2")
        self.end_headers()
        self.wfile.write(b"{}")
    do_GET = do_POST
http.server.ThreadingHTTPServer(("127.0.0.1", 8090), Handler).serve_forever()
'''
ANSWERS = {
    "Name of the place": "Rowan Street library, Europe/Dublin",
    "Your tanks": "Foyer 140 0.9, Reading room 54 0.4",
    "Who lives in": "mixed 2025-01-10, mixed -",
    "push server": "http://127.0.0.1:8090",
    "to be pinged": "http://127.0.0.1:8090/watch",
    "in front of you": "yes",
}
"""What the keeper says; the rest gets Enter."""
READING_ROOM = """
import ds18x20
ds18x20.PADS.append(bytes.fromhex("72014b467fff0e1057"))
settings.NAME, settings.ONEWIRE_PIN = "reading-room-board", 16
"""
TYPED = {"run", "by-hand"}
INSTALL = "sudo bash deploy/install.sh"
SERVERS = ("https://push.example.org", "https://watch.example.org")


class Keeper:
    """Somebody with a shell on a fresh machine who follows a page."""

    def __init__(self, machine: Machine) -> None:
        self.machine, self.boards, self.questions = machine, 0, 0
        self.steps: list[tuple[float, str]] = []
        """Seconds and first line of each block that was typed."""
        self.typed: list[str] = []
        machine.run("useradd", "-m", "-s", "/bin/bash", "keeper")
        machine.run("tee", "/etc/sudoers.d/keeper", stdin="keeper ALL=(ALL) NOPASSWD: ALL\n")
        # The machine has no network: packages come from a folder, posts go to a server on the machine itself.
        machine.run("tee", "/etc/pip.conf", stdin="[global]\nno-index = true\nfind-links = /wheels\n")
        machine.run("tee", "/run/board.py", stdin=BOARD)
        machine.run("tee", "/run/server.py", stdin=SERVER)
        machine.run("systemd-run", "-q", "--unit=server", "python3", "/run/server.py")
        packed = machine.root / "run/packed"
        subprocess.run(["bash", machine.source / "deploy/archive.sh", packed], check=True, capture_output=True)
        [archive] = packed.glob("*.tar.gz")
        shutil.copy(archive, machine.root / "home/keeper/rushlight.tar.gz")
        self.plug_in()

    def plug_in(self) -> None:
        self.boards += 1  # the unit of a board that was pulled out may linger under its name
        self.machine.run("systemd-run", "-q", f"--unit=board-{self.boards}", "python3", "/run/board.py")

    def unplug(self) -> None:
        self.machine.run("systemctl", "stop", f"board-{self.boards}")
        self.machine.run("rm", "/dev/serial/by-id/usb-Board_0001-if00")

    def type(self, text: str) -> str:
        self.typed.append(text)
        for address in SERVERS:
            text = text.replace(address, "http://127.0.0.1:8090")
        script = f'set -euo pipefail\ncd "$(cat ~/.cwd 2>/dev/null || echo ~)"\n{text}\npwd >~/.cwd\n'
        with self.timed(text):
            return self.machine.run("su", "-", "keeper", "-c", script).stdout

    @contextlib.contextmanager
    def timed(self, text: str) -> Iterator[None]:
        begun_s = time.monotonic()
        yield
        self.steps.append((round(time.monotonic() - begun_s, 1), text.splitlines()[0]))

    def answer(self, text: str, answers: dict[str, str]) -> str:
        """Type commands that ask questions, at a terminal; what is not in `answers` gets Enter.  Returns what was said."""
        self.typed.append(text)
        ours, theirs = os.openpty()
        script = f'set -euo pipefail\ncd "$(cat ~/.cwd 2>/dev/null || echo ~)"\n{text}\npwd >~/.cwd\n'
        command = self.machine.enter("su", "-", "keeper", "-c", script)
        said = b""
        with (
            self.timed(text),
            subprocess.Popen(command, stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.STDOUT) as typed,
        ):
            os.close(theirs)
            assert typed.stdout is not None
            while more := os.read(typed.stdout.fileno(), 4096):
                said += more
                question = said.rpartition(b"\n")[2].decode(errors="replace")
                if question.endswith("]: "):
                    self.questions += 1
                    given = next((a for k, a in answers.items() if k in question), "")
                    os.write(ours, given.encode() + b"\n")
                    said += b"\n"
            os.close(ours)
        assert typed.returncode == 0, said.decode(errors="replace")
        return said.decode(errors="replace")

    def newer(self) -> None:
        """The tree of a newer archive: a comment makes another release of it."""
        self.machine.run("sh", "-c", "echo '# newer' >>/home/keeper/rushlight/daemon/rushlight/__init__.py")

    def release(self) -> str:
        return str((self.machine.root / "opt/rushlight/current").readlink())

    def configure(self, text: str) -> None:
        """Put a table from a page at the end of the configuration, unless such a table stands there already."""
        file = self.machine.root / "etc/rushlight/config.toml"
        for table in re.split(r"\n(?=\[)", text):
            head = table.splitlines()[0]
            if head.startswith("[[") or f"\n{head}\n" not in file.read_text():
                file.write_text(f"{file.read_text()}\n{table}\n")

    def hurry(self) -> None:
        """Shorten the patience that the page says to have, so that the test need not wait a quarter of an hour."""
        file = self.machine.root / "etc/rushlight/config.toml"
        text = file.read_text().replace('driver = "lines"', 'driver = "lines"\nevery_seconds = 1\nsilent_seconds = 4')
        text += "\n[alarms]\non_delay_s = { probe_silent = 1 }\noff_delay_s = { probe_silent = 1 }\n"
        text += 'priority = { probe_silent = "high" }\n'  # the others wait a minute for company
        file.write_text(text + '\n[contacts]\nquiet_from = "00:00"\nquiet_until = "00:00"\n')

    def posts(self) -> list[dict[str, str]]:
        said = self.machine.run("cat", "/run/posts.jsonl", check=False).stdout
        return [json.loads(line) for line in said.splitlines()]

    def probes(self) -> list[dict[str, Any]]:
        view = json.loads(self.machine.run("rushlight", "status", "--json").stdout)
        return [p for t in view["tanks"] for p in t["probes"]]

    def sees_values(self) -> bool:
        return all(p["value"] is not None for p in self.probes()) and not self.alarms()

    def alarms(self) -> list[dict[str, str]]:
        view = json.loads(self.machine.run("rushlight", "status", "--json").stdout)
        return [a for t in view["tanks"] for a in t["alarms"]]


@pytest.fixture
def fresh() -> Iterator[Callable[[], Keeper]]:
    """Makes fresh machines with somebody at the keyboard."""
    with contextlib.ExitStack() as stack:

        def make() -> Keeper:
            try:
                machine = stack.enter_context(machines.machine(os.environ.get("RUSHLIGHT_DRILL_SUITE", "bookworm")))
            except UnobtainableError as e:
                pytest.skip(str(e))
            machine.boot()
            return Keeper(machine)

        yield make


def follow_install_page(keeper: Keeper, part: list[Step]) -> list[str]:
    """Do what the page says, by hand too; returns what each block answered."""
    machine, back = keeper.machine, {"returned", "normal"}

    def pull_the_plug() -> None:
        keeper.hurry()
        machine.run("systemctl", "restart", "rushlight")
        machine.until("values to lose", keeper.sees_values, 60)
        keeper.unplug()

    def arrived() -> bool:
        """What stands as an alarm on the Pi is on the phone, in the same sentence."""
        standing = {a["text"] for a in keeper.alarms() if a["alarm"] == "probe_silent"}
        told = " ".join(json.dumps(p) for p in keeper.posts()).lower()
        # The message puts what to do first; how long it has lasted goes on counting here.
        said = [text.partition(": ")[2].partition(" for ")[0].lower() for text in standing]
        return bool(said) and all(words and words in told for words in said)

    def wait_for_the_phone() -> None:
        machine.until("the alarm on the phone", arrived, 120)

    def put_the_plug_back() -> None:
        keeper.plug_in()
        machine.until("the alarm over", lambda: all(a["state"] in back for a in keeper.alarms()), 60)

    by_hand = {
        "pull the board's plug": pull_the_plug,
        "wait for the phone": wait_for_the_phone,
        "put the plug back": put_the_plug_back,
    }
    said = []
    for step in part:
        if step.kind == "by hand":
            by_hand[step.text]()
        elif step.kind in TYPED:
            said.append(typed(keeper, step))
    return said


def typed(keeper: Keeper, step: Step) -> str:
    """Type a block of the install page, with what its place on the page needs; returns what was answered."""
    if step.heading == "Without a network":
        return without_network(keeper, step.text)
    if step.heading == "Upgrade" and "--roll-back" not in step.text:
        keeper.newer()
        return keeper.type(step.text)
    first = step.text == INSTALL and not (keeper.machine.root / "etc/rushlight/config.toml").exists()
    if step.kind == "run" and not first:
        return keeper.type(step.text)
    said = keeper.answer(step.text, ANSWERS)
    # Six of the installation and two of the guide: the board's name says in which of the two tanks it is.
    assert not first or keeper.questions == 6 + 2, said
    return said


def without_network(keeper: Keeper, text: str) -> str:
    """A newer tree with the folder of packages beside it, and no other way to any package."""
    machine = keeper.machine
    keeper.newer()
    machine.run("ln", "-s", "/wheels", "/home/keeper/rushlight/wheels")
    machine.run("mv", "/etc/pip.conf", "/etc/pip.conf.away")
    machine.run("tee", "/etc/pip.conf", stdin="[global]\nno-index = true\n")
    said = keeper.type(text)
    machine.run("mv", "/etc/pip.conf.away", "/etc/pip.conf")
    assert "build release" in said and "switch /opt/rushlight/current" in said, said
    return said


def follow_broker_pages(keeper: Keeper, command: list[str], folder: Path) -> WirelessBoard:
    """The hub's page, then the wireless part of the hardware page; returns the board, which is heard."""
    machine = keeper.machine
    for step in steps(DEPLOY / "hub.md"):
        if step.kind == "run":
            keeper.type(step.text)
        elif step.kind == "toml":
            keeper.configure(step.text)
    password = ""
    for step in steps(DEPLOY / "hardware.md"):
        if step.kind == "toml" and 'driver = "mqtt"' in step.text:
            keeper.configure(step.text)
        elif step.kind == "with-broker":
            said = keeper.type(step.text)
            password = said.split()[0] if "board.password" in step.text else password
    (folder / "ca.der").write_bytes((machine.root / "etc/rushlight/broker/ca.der").read_bytes())
    with contextlib.ExitStack() as stack:
        board = wireless_board(keeper, command, folder, password)
        stack.callback(board.close)
        machine.until("the page's half a minute", lambda: all(p["fresh"] for p in keeper.probes()), 60)
        [proof] = [s.text for s in steps(DEPLOY / "hardware.md") if s.kind == "with-board"]
        assert re.search(r"reading-room-temperature +well", keeper.type(proof))
        stack.pop_all()
    return board


def wireless_board(keeper: Keeper, command: list[str], folder: Path, password: str) -> WirelessBoard:
    machine = keeper.machine
    board = WirelessBoard(
        machine.on_its_network(*command), folder / "board", port=8883, ca=folder / "ca.der", password=password,
        scene=READING_ROOM,
    )  # fmt: skip

    def heard() -> bool:
        return any(p["fresh"] for p in keeper.probes() if p["id"] == "reading-room-temperature")

    try:
        machine.until("the wireless board's value", heard, 120)
    except BaseException:
        board.close()
        raise
    return board


def readings(keeper: Keeper) -> set[tuple[str, str, float | None]]:
    lines = (json.loads(line) for line in keeper.type("sudo rushlight export").splitlines())
    return {(line["at"], line["probe"], line["value"]) for line in lines if line["kind"] == "reading"}


def in_order(texts: list[str], typed: list[str]) -> bool:
    """Whether all of these were typed, in this order."""
    rest = iter(typed)
    return all(text in rest for text in texts)


def follow_the_rest(keeper: Keeper, parts: list[list[Step]]) -> None:
    """Packages from a folder, the Debian package, an upgrade and back, removal; and a purge, which leaves the same."""
    machine, root = keeper.machine, keeper.machine.root
    offline, package, upgrade, removal = parts
    follow_install_page(keeper, offline)
    said = follow_install_page(keeper, package)
    assert "Ready" in said[-1], said[-1]
    assert machine.run("dpkg-query", "-W", "-f=${Status}", "rushlight").stdout == "install ok installed"
    before = keeper.release()
    follow_install_page(keeper, upgrade)
    assert keeper.release() == before, "upgraded, and gone back"
    assert (root / "opt/rushlight/previous").readlink().name != before
    assert machine.show("ActiveState") == "active"
    follow_install_page(keeper, removal)
    for last in ("removal", "purge"):
        assert (root / "var/lib/rushlight/journal.sqlite").exists(), f"{last} leaves the data"
        assert (root / "etc/rushlight/config.toml").exists(), last
        assert not (root / "opt/rushlight").exists()
        if last == "removal":
            machine.run("env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-y", "-q", "purge", "rushlight")
    assert "rushlight" not in machine.run("dpkg-query", "-W", "-f=${Package}\n").stdout


@pytest.mark.slow
@pytest.mark.timeout(1500)  # five to eleven minutes were seen, with others at work on the two cores
def test_the_owners_path_and_the_way_back_after_a_dead_card(fresh: Callable[[], Keeper], tmp_path: Path) -> None:
    """Every page in order, as written: wired, with a hub, wireless; then the card dies."""
    micropython = debian.micropython()
    keeper = fresh()
    page = steps(DEPLOY / "install.md")
    later = ["Without a network", "As a Debian package", "Upgrade", "Remove"]
    said = follow_install_page(keeper, [s for s in page if s.heading not in later])
    assert any("temperature-foyer-board" in s and "NOT WELL" not in s for s in said), "all probes are heard"
    assert any("probe_silent" in s for s in said)
    assert any("Ready" in s and "Not ready" not in s for s in said), "the guide has come to its end"
    posts = [str(p) for p in keeper.posts()]
    assert any("Trial" in p and "rushlight-" in p for p in posts), f"the trial message, to the topic: {posts}"
    assert any("Rehearsal" in p for p in posts)

    board = follow_broker_pages(keeper, micropython, tmp_path)
    try:
        recovery = [s for s in steps(DEPLOY / "recovery.md") if s.kind == "run"]
        for step in recovery:
            if step.heading != "A dead card":
                keeper.type(step.text)
        before = readings(keeper)
        authority = (keeper.machine.root / "etc/rushlight/broker/ca.crt").read_bytes()
        password = (keeper.machine.root / "etc/rushlight/broker/board.password").read_text().strip()
    finally:
        board.close()
    stick = keeper.machine.root / "mnt/stick"
    assert list(stick.glob("rushlight/journal-*.sqlite")), "the backup went to the stick"

    follow_the_rest(keeper, [[s for s in page if s.heading == heading] for heading in later])
    for name in ("install", "hub", "recovery"):
        of_page = [s.text for s in steps(DEPLOY / f"{name}.md") if s.kind in TYPED and s.heading != "A dead card"]
        assert in_order(of_page, keeper.typed), f"{name}.md"
    wireless = {"with-broker", "with-board"}
    assert in_order([s.text for s in steps(DEPLOY / "hardware.md") if s.kind in wireless], keeper.typed)
    keeper.machine.power_off()

    after = fresh()
    # The new system gives the service's user another number; the stick keeps the old ones.
    after.machine.run("useradd", "--system", "somebody-else")
    subprocess.run(["cp", "-a", stick, after.machine.root / "mnt/"], check=True)
    after.type(page[0].text)
    for step in recovery:
        if step.heading == "A dead card":
            after.type(step.text)
    lines = [json.loads(line) for line in after.type("sudo rushlight export").splitlines()]
    tests = [line for line in lines if line["kind"] == "test"]
    assert [t["values"]["nitrate"] for t in tests] == [25, 25]
    assert in_order([s.text for s in recovery if s.heading == "A dead card"], after.typed)
    assert tests[0]["at"].startswith("2026-03-01"), "and what was typed in late"
    assert len(before & readings(after)) >= 3, "the readings from before the card died"
    assert after.machine.show("ActiveState") == "active"
    assert (after.machine.root / "etc/rushlight/broker/ca.crt").read_bytes() == authority
    wireless_board(after, micropython, tmp_path, password).close()  # the very board, untouched
    made = after.type("sudo rushlight backup").strip()
    assert made.startswith("/mnt/stick/rushlight/"), "backups go to the stick again"
    if report := os.environ.get("RUSHLIGHT_DRILL_REPORT"):
        told = {"questions": keeper.questions, "steps": keeper.steps, "restored": after.steps}
        Path(report).write_text(json.dumps(told))
