"""The documents: their links hold, and every command in them that can run here is run, in the order of the page.

A `sh` block is run, and a `toml` block is put at the end of the configuration.  `sh on-the-pi` needs the real board,
`sh not-now` would undo the page, `sh on-another-computer` needs a network; these are only parsed (rolling back is tried
in test_installation.py, and packages from a folder are what every test here installs).  `sh with-broker` is run once
there is a broker, `sh by-hand` asks questions.  A comment `by hand: …` stands for what a person does there; the tests
do it too.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from helpers import debian, machines
from helpers.debian import UnobtainableError
from helpers.machines import Machine
from helpers.wireless import WirelessBoard

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
PAGES = sorted(DEPLOY.glob("*.md"))
OWN = [DEPLOY / f"{n}.md" for n in ("electrical-safety", "hardware", "hub", "install", "recovery")]
KINDS = {"run", "toml", "on-the-pi", "not-now", "with-broker", "by-hand", "on-another-computer"}
RUSHLIGHT = str(Path(sys.executable).with_name("rushlight"))


@dataclass(frozen=True)
class Step:
    """A block of commands, or what is done by hand (`kind` is then `by hand`)."""

    heading: str
    kind: str
    text: str


def steps(page: Path) -> list[Step]:
    """The page's blocks and hand work, top to bottom."""
    found, heading = [], ""
    rows = iter(page.read_text().splitlines())
    for row in rows:
        if row.startswith("#"):
            heading = row.lstrip("# ")
        elif match := re.fullmatch(r"\s*<!-- by hand: (.*) -->", row):
            found.append(Step(heading, "by hand", match[1]))
        elif match := re.fullmatch(r"(\s*)```(?:sh ?(.*)|toml)", row):
            block = []
            for inner in rows:
                if inner.strip() == "```":
                    break
                block.append(inner.removeprefix(match[1]))
            kind = "toml" if row.strip() == "```toml" else match[2] or "run"
            found.append(Step(heading, kind, "\n".join(block)))
    return found


SHELL_PAGES = [ROOT / "README.md", *PAGES]
BLOCKS = [(page, step) for page in SHELL_PAGES for step in steps(page) if step.kind not in {"by hand", "toml"}]


@pytest.mark.parametrize(("page", "step"), BLOCKS, ids=lambda x: x.name if isinstance(x, Path) else x.text[:40])
def test_every_block_is_well_formed_shell(page: Path, step: Step) -> None:
    assert step.kind in KINDS or page not in OWN
    done = subprocess.run(["bash", "-n"], input=step.text, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_what_is_not_run_needs_the_board() -> None:
    left_out = [s.text for page in OWN for s in steps(page) if s.kind == "on-the-pi"]
    for text in left_out:
        assert re.search(r"/boot/firmware|/sys/|/dev/serial|timedatectl set|iw dev", text), text
    assert sum(s.kind == "not-now" for page in OWN for s in steps(page)) == 4
    assert sum(s.kind == "on-another-computer" for page in OWN for s in steps(page)) == 2


def _commands(text: str) -> Iterator[list[str]]:
    for match in re.finditer(r"(?:^|sudo |\| )rushlight ((?:[a-z-]+ ?)+)?(.*)$", text, re.MULTILINE):
        yield (match[1] or "").split() + match[2].split()


@pytest.mark.slow
@pytest.mark.parametrize("page", [ROOT / "README.md", *OWN], ids=lambda p: p.name)
def test_every_option_in_the_page_is_one_the_command_has(page: Path) -> None:
    for step in steps(page):
        for words in _commands(step.text):
            options = {w.split("=")[0] for w in words if w.startswith("--")}
            inner = ["acknowledge"] if words[:2] == ["alarms", "acknowledge"] else []
            assert {o for o in options if o not in _help(words[0], *inner)} == set(), words


@functools.cache
def _help(*command: str) -> str:
    return subprocess.run([RUSHLIGHT, *command, "--help"], capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("page", [ROOT / "README.md", *PAGES], ids=lambda p: p.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text()):
        assert (page.parent / target).exists(), target


@pytest.mark.parametrize(
    "page",
    [p for p in [ROOT / "README.md", *PAGES] if p.name not in {"electrical-safety.md", "alarms.md"}],
    ids=lambda p: p.name,
)
def test_safety_is_linked_from_everywhere(page: Path) -> None:
    head = "\n".join(page.read_text().splitlines()[:40])
    assert "electrical-safety.md" in head


def test_every_option_of_the_installation_stands_in_a_page() -> None:
    told = subprocess.run(["bash", DEPLOY / "install.sh", "--help"], capture_output=True, text=True, check=True).stdout
    options = set(re.findall(r"^  (--[a-z-]+)", told, re.MULTILINE))
    pages = "".join(page.read_text() for page in PAGES)
    assert len(options) > 5
    assert {o for o in options if not re.search(rf"{o}\b", pages)} == set()


def test_cautions_stand_where_hands_and_wires_go() -> None:
    """Not at the end of another page: beside the sentence that sends a hand there."""
    hardware = re.sub(r"\s+", " ", (DEPLOY / "hardware.md").read_text())
    [wiping] = re.findall(r"[^.]*[Ww]ipe it[^.]*\.", hardware)
    assert "lamp unplugged first" in wiping
    electrode = hardware.split("**pH electrode.**")[1][:400]
    assert "3.3 V and no more" in electrode and "electrical-safety.md" in electrode
    safety = (DEPLOY / "electrical-safety.md").read_text()
    assert "5 V meets 3.3 V" in safety
    assert all(word in safety for word in ("licensed electrician", "electrical code where you live", "Not checked"))


def test_the_hubs_page_holds_no_count_that_ages() -> None:
    assert not re.search(r"\d+ (descriptions|entities)", (DEPLOY / "hub.md").read_text())


# ---------------------------------------------------------------------- at the desk


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[dict[str, str]]:
    """A folder with the invented library's configuration and a daemon that runs on it."""
    text = (ROOT / "daemon/rushlight/demo/rowan_street.toml").read_text()
    text = text.replace('id = "foyer-ph"', 'id = "foyer-ph"\nunit = "mV"')  # as the hardware page writes it
    (tmp_path / "config.toml").write_text(text)
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


@pytest.mark.slow
def test_commands_of_the_hardware_page_and_the_readme_work(desk: dict[str, str]) -> None:
    wanted = [s for s in steps(DEPLOY / "hardware.md") if s.kind == "run"]
    wanted += [s for s in steps(ROOT / "README.md") if s.heading == "Every day"]
    assert len(wanted) >= 4
    for step in wanted:
        script = f"set -e\n{step.text}"
        done = subprocess.run(
            ["bash", "-c", script], cwd=desk["HOME"], env=desk, capture_output=True, text=True, check=False, timeout=60
        )
        assert done.returncode == 0, f"{step.text}\n{done.stdout}{done.stderr}"


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
SERVERS = ("https://push.example.org", "https://watch.example.org")


class Keeper:
    """Somebody with a shell on a fresh machine who follows a page."""

    def __init__(self, machine: Machine) -> None:
        self.machine, self.boards, self.questions = machine, 0, 0
        self.steps: list[tuple[float, str]] = []
        """Seconds and first line of each block that was typed."""
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

    def sees_values(self) -> bool:
        view = json.loads(self.machine.run("rushlight", "status", "--json").stdout)
        probes = [p for t in view["tanks"] for p in t["probes"]]
        return all(p["value"] is not None for p in probes) and not self.alarms()

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
        elif step.kind == "by-hand":
            said.append(keeper.answer(step.text, ANSWERS))
        elif step.text == "sudo bash deploy/install.sh" and not (machine.root / "etc/rushlight/config.toml").exists():
            said.append(keeper.answer(step.text, ANSWERS))
            # Six of the installation and two of the guide: the board's name says in which of the two tanks it is.
            assert keeper.questions == 6 + 2, said[-1]
        elif step.kind == "run":
            said.append(keeper.type(step.text))
    return said


def follow_broker_pages(keeper: Keeper, command: list[str], folder: Path) -> WirelessBoard:
    """The hub's page, then the wireless part of the hardware page; returns the board, which is heard."""
    machine = keeper.machine
    for step in steps(DEPLOY / "hub.md"):
        if step.kind == "run":
            keeper.type(step.text)
        elif step.kind == "toml":
            keeper.configure(step.text)
    found = [s for s in steps(DEPLOY / "hardware.md") if s.kind == "with-broker"]
    told = [keeper.type(step.text).split() for step in found]
    [example] = [s.text for s in steps(DEPLOY / "hardware.md") if s.kind == "toml" and 'driver = "mqtt"' in s.text]
    keeper.configure(example)
    machine.run("systemctl", "restart", "rushlight")
    (folder / "ca.der").write_bytes((machine.root / "etc/rushlight/broker/ca.der").read_bytes())
    return wireless_board(keeper, command, folder, told[0][0])


def wireless_board(keeper: Keeper, command: list[str], folder: Path, password: str) -> WirelessBoard:
    machine = keeper.machine
    board = WirelessBoard(
        machine.on_its_network(*command), folder / "board", port=8883, ca=folder / "ca.der", password=password,
        scene=READING_ROOM,
    )  # fmt: skip

    def heard() -> bool:
        view = json.loads(machine.run("rushlight", "status", "--json").stdout)
        found = {p["id"]: p for t in view["tanks"] for p in t["probes"]}
        return bool(found["reading-room-temperature"]["fresh"])

    try:
        machine.until("the wireless board's value", heard, 120)
    except BaseException:
        board.close()
        raise
    return board


def readings(keeper: Keeper) -> set[tuple[str, str, float | None]]:
    lines = (json.loads(line) for line in keeper.type("sudo rushlight export").splitlines())
    return {(line["at"], line["probe"], line["value"]) for line in lines if line["kind"] == "reading"}


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_the_owners_path_and_the_way_back_after_a_dead_card(fresh: Callable[[], Keeper], tmp_path: Path) -> None:
    """Every page in order, as written: wired, with a hub, wireless; then the card dies."""
    micropython = debian.micropython()
    keeper = fresh()
    page = steps(DEPLOY / "install.md")
    later = {"Upgrade", "Remove"}
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

    follow_install_page(keeper, [s for s in page if s.heading in later])
    assert (keeper.machine.root / "var/lib/rushlight/journal.sqlite").exists(), "removal leaves the data"
    assert not (keeper.machine.root / "opt/rushlight").exists()
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
