"""The installation on clean Debian machines with a real systemd: minutes, and root.

Runs alone as well: `python tests/deploy/test_installation.py`.  The tests of one machine build on each other.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers import debian, machines
from helpers.debian import UnobtainableError
from helpers.machines import Machine
from helpers.pages import blocks
from helpers.wireless import WirelessBoard

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]

INSTALL = ("bash", "/src/deploy/install.sh")
WHEELS = ("--wheels", "/wheels")
WATCHED = ("etc", "opt", "usr/local", "usr/lib/systemd", "var/lib/rushlight")
HANGING = '''\
"""The real daemon, but the poll of its simulated probe never comes back."""
import threading
from rushlight.cli import main
from rushlight.service import service
from rushlight_drivers import simulated
service._LINK_LIMIT_S = 3.0
simulated.SPEC.build(  # the class behind the driver
    (), lambda: 0.0
).__class__.poll = lambda self, timeout_s: threading.Event().wait()
main()
'''

READING_ROOM = """
import ds18x20
ds18x20.PADS.append(bytes.fromhex("72014b467fff0e1057"))
settings.NAME, settings.ONEWIRE_PIN = "reading-room-board", 16
"""
"""A wireless board with a thermometer at 23.125 °C."""

Picture = dict[str, tuple[str, ...]]


def picture(machine: Machine) -> Picture:
    """Each file's kind, mode, owner and content, as seen from outside."""
    found: Picture = {}
    for top in WATCHED:
        for folder, folders, names in os.walk(machine.root / top):
            for name in [*folders, *names]:
                path = Path(folder, name)
                there = path.lstat()
                what = str(path.readlink()) if path.is_symlink() else ""
                if not what and path.is_file():
                    what = hashlib.sha256(path.read_bytes()).hexdigest()
                inside = f"/{path.relative_to(machine.root)}"
                found[inside] = (oct(there.st_mode), f"{there.st_uid}:{there.st_gid}", what)
    return found


def differing(a: Picture, b: Picture) -> set[str]:
    return {path for path in a.keys() | b.keys() if a.get(path) != b.get(path)}


@dataclass
class Installed:
    """A machine on which the installation has been run, and what was seen on the way."""

    machine: Machine
    before: Picture = field(default_factory=dict)
    after_dry_run: Picture = field(default_factory=dict)
    after: Picture = field(default_factory=dict)
    dry_run: str = ""
    said: str = ""


@pytest.fixture(scope="module")
def installed(request: pytest.FixtureRequest) -> Iterator[Installed]:
    try:
        with machines.machine(request.param) as machine:
            seen = Installed(machine)
            machine.boot()
            if request.param == "bookworm":
                # Packages bring files of their own; on this machine they are there before, so that what the
                # script itself does can be told apart.  The other machine is left bare.
                machine.run("env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-qq", "install", "-y",
                            "--no-install-recommends", "python3-venv", "mosquitto", "openssl")  # fmt: skip
            seen.before = picture(machine)
            seen.dry_run = machine.run(*INSTALL, "--dry-run", "--broker", *WHEELS).stdout
            seen.after_dry_run = picture(machine)
            seen.said = machine.run(*INSTALL, "--yes", "--broker", *WHEELS).stdout
            seen.after = picture(machine)
            yield seen
    except UnobtainableError as e:
        pytest.skip(str(e))


def on(*suites: str) -> pytest.MarkDecorator:
    """Run the test on a machine of each of these releases; what does not depend on the release needs only one."""
    return pytest.mark.parametrize("installed", suites, indirect=True, scope="module")


# ---------------------------------------------------------------------- what the script does


@on("bookworm", "trixie")
def test_a_dry_run_changes_nothing(installed: Installed) -> None:
    assert differing(installed.before, installed.after_dry_run) == set()


@on("bookworm")
def test_the_dry_run_lists_every_change(installed: Installed) -> None:
    named = set(re.findall(r"(/(?:etc|opt|usr|var)/[^\s,()]*)", installed.dry_run))
    if "create system user" in installed.dry_run:
        named |= {f"/etc/{f}" for f in ("passwd", "shadow", "group", "gshadow", "subuid", "subgid")}
        named |= {f"/etc/{f}-" for f in ("passwd", "shadow", "group", "gshadow", "subuid", "subgid")}
    if "enable rushlight.service" in installed.dry_run:
        named.add("/etc/systemd/system/multi-user.target.wants/rushlight.service")
    changed = differing(installed.before, installed.after)
    folders = {p for p in changed if any(n.startswith(p + "/") for n in named)}  # made on the way to a named file
    unnamed = {p for p in changed - folders if not any(p == n or p.startswith(n + "/") for n in named)}
    # What the daemon itself writes once it runs is not the script's.
    unnamed = {p for p in unnamed if not p.startswith("/var/lib/rushlight/")}
    assert unnamed == set()


@on("bookworm", "trixie")
def test_everything_that_was_listed_was_done(installed: Installed) -> None:
    listed = [line.removeprefix("would ") for line in installed.dry_run.splitlines() if line.startswith("would ")]
    done = installed.said.splitlines()
    assert [line for line in done if line in listed] == listed


@on("bookworm", "trixie")
def test_a_second_run_has_the_same_result(installed: Installed) -> None:
    started = installed.machine.show("ExecMainStartTimestampMonotonic")
    broker_started = installed.machine.show("ExecMainStartTimestampMonotonic", "mosquitto.service")
    before = picture(installed.machine)
    said = installed.machine.run(*INSTALL, "--yes", "--broker", *WHEELS).stdout
    changed = {p for p in differing(before, picture(installed.machine)) if not p.startswith("/var/lib/rushlight/")}
    assert changed == set()
    assert "nothing to change" in said
    assert installed.machine.show("ExecMainStartTimestampMonotonic") == started, "the daemon was restarted for nothing"
    assert installed.machine.show("ExecMainStartTimestampMonotonic", "mosquitto.service") == broker_started


@on("bookworm", "trixie")
def test_secrets_are_for_the_service_alone(installed: Installed) -> None:
    root = installed.machine.root
    for name in (
        "etc/rushlight/config.toml",
        "etc/rushlight/broker/rushlight.password",
        "etc/mosquitto/rushlight/broker.key",
    ):
        assert (root / name).stat().st_mode & 0o007 == 0, name
    assert (root / "etc/rushlight/broker/ca.key").stat().st_mode & 0o077 == 0
    assert not (root / "etc/mosquitto/rushlight/ca.key").exists(), "the broker needs no key of the authority"


@on("bookworm", "trixie")
def test_log_limits_and_hardware_watchdog_are_in_force(installed: Installed) -> None:
    """Asked of the running journal and the running manager, not read from the files that were written."""
    machine = installed.machine
    limits = {"System": "64M", "Runtime": "32M"}
    said = machine.run("journalctl", "-t", "systemd-journald", "-o", "cat", "--no-pager").stdout
    kind, most = re.findall(r"(System|Runtime) Journal \(.*\) is .*, max ([\d.]+[KMG])", said)[-1]
    assert most.replace(".0", "") == limits[kind], said
    assert machine.run("systemctl", "show", "-P", "RuntimeWatchdogUSec").stdout.strip() == "14s"
    [line] = [row for row in installed.said.splitlines() if "hardware watchdog:" in row]
    assert re.search(r"hardware watchdog: (on|off|this board shows none)", line), "what the kernel says is read back"


# ---------------------------------------------------------------------- the service


@on("bookworm", "trixie")
def test_the_service_starts_and_says_that_it_is_ready(installed: Installed) -> None:
    show = installed.machine.show
    assert (show("ActiveState"), show("SubState"), show("Type")) == ("active", "running", "notify")
    assert show("User") == "rushlight"
    assert show("NRestarts") == "0"
    answer = installed.machine.run("rushlight", "status", "--json").stdout
    assert [t["id"] for t in json.loads(answer)["tanks"]] == ["tank"]
    machine = installed.machine
    machine.until("how the tanks are, in a line", lambda: show("StatusText").startswith("Tank: no alarm"), 60)


@on("bookworm", "trixie")
def test_the_unit_is_clean_where_it_is_installed(installed: Installed) -> None:
    done = installed.machine.run("systemd-analyze", "verify", "--man=no", "/etc/systemd/system/rushlight.service")
    assert done.stderr == ""
    installed.machine.run("systemd-analyze", "security", "--threshold=25", "--no-pager", "rushlight.service")


@on("trixie")
def test_device_rules_are_well_formed(installed: Installed) -> None:
    machine = installed.machine  # udevadm learnt to verify with systemd 254
    done = machine.run("udevadm", "verify", "/etc/udev/rules.d/60-rushlight.rules")
    assert "Success: 1" in done.stdout


@on("bookworm", "trixie")
def test_the_sandbox_holds(installed: Installed) -> None:
    machine = installed.machine
    pid = machine.show("MainPID")
    # As root, so that only the mount namespace can be what refuses.
    enter = ("nsenter", "-t", pid, "-m")
    for place in ("/etc/rushlight/x", "/opt/rushlight/x", "/usr/x", "/x"):
        assert "Read-only file system" in machine.run(*enter, "touch", place, check=False).stderr, place
    machine.run("touch", "/home/seen", "/tmp/seen")
    assert machine.run(*enter, "ls", "-A", "/home", "/tmp").stdout.split() == ["/home:", "/tmp:"]
    machine.run("rm", "/home/seen", "/tmp/seen")
    machine.run(*enter, "touch", "/var/lib/rushlight/written")
    machine.run("rm", "/var/lib/rushlight/written")
    status = machine.run("cat", f"/proc/{pid}/status").stdout
    assert re.search(r"^CapBnd:\s+0+$", status, re.MULTILINE)
    assert re.search(r"^NoNewPrivs:\s+1$", status, re.MULTILINE)
    assert re.search(r"^Seccomp:\s+2$", status, re.MULTILINE)


@on("bookworm", "trixie")
def test_what_root_records_belongs_to_the_service(installed: Installed) -> None:
    machine = installed.machine
    said = machine.run("rushlight", "record", "test", "--tank", "tank", "nitrate=25", "ph=7.0").stdout
    assert said.strip()
    owner = machine.run("id", "-u", "rushlight").stdout.strip()
    folder = machine.root / "var/lib/rushlight"
    assert {str(p.stat().st_uid) for p in folder.rglob("*")} == {owner}
    exported = machine.run("rushlight", "export").stdout
    assert [json.loads(line)["values"]["nitrate"] for line in exported.splitlines() if '"test"' in line] == [25]


@on("bookworm", "trixie")
def test_a_killed_daemon_comes_back(installed: Installed) -> None:
    machine = installed.machine
    pid = machine.show("MainPID")
    machine.run("kill", "-KILL", pid)
    machine.until(
        "back after a kill", lambda: machine.show("ActiveState") == "active" and machine.show("MainPID") != pid, 30
    )


@on("bookworm", "trixie")
def test_a_hanging_worker_has_the_watchdog_restart_the_daemon(installed: Installed) -> None:
    machine = installed.machine
    config = (machine.root / "etc/rushlight/config.toml").read_text()
    probe = '\n[[probe]]\nid = "p"\ntank = "tank"\nquantity = "temperature"\ndriver = "simulated"\nevery_seconds = 1\n'
    config_file = machine.root / "run-hanging.toml"
    config_file.write_text(config + probe)
    (machine.root / "opt/hanging.py").write_text(HANGING)
    python = "/opt/rushlight/current/bin/python"
    drop_in = (
        f"[Service]\nWatchdogSec=5\nExecStart=\nExecStart={python} /opt/hanging.py run --config /run-hanging.toml\n"
    )
    machine.run("mkdir", "-p", "/run/systemd/system/rushlight.service.d")
    machine.run("tee", "/run/systemd/system/rushlight.service.d/hang.conf", stdin=drop_in)
    machine.run("systemctl", "daemon-reload")
    machine.run("systemctl", "reset-failed", "rushlight.service")
    try:
        machine.run("systemctl", "restart", "rushlight.service")
        assert machine.show("NRestarts") == "0"
        machine.until("the watchdog strikes", lambda: int(machine.show("NRestarts")) >= 1, 40)
        log = machine.run("journalctl", "-u", "rushlight", "--no-pager", "-n", "200").stdout
        assert "Watchdog timeout" in log
        assert "hanging.py" in log, "the stacks say where it hung"
    finally:
        machine.run("rm", "/run/systemd/system/rushlight.service.d/hang.conf", "/opt/hanging.py", "/run-hanging.toml")
        machine.run("systemctl", "daemon-reload")
        machine.run("systemctl", "restart", "rushlight.service")
    assert machine.show("ActiveState") == "active"


@on("bookworm", "trixie")
def test_it_stops_cleanly_and_starts_again(installed: Installed) -> None:
    machine = installed.machine
    machine.run("systemctl", "stop", "rushlight.service", timeout=40)
    assert (machine.show("Result"), machine.show("ExecMainStatus"), machine.show("ExecMainCode")) == (
        "success",
        "0",
        "1",
    )
    machine.run("systemctl", "start", "rushlight.service")


@on("bookworm", "trixie")
def test_it_comes_up_by_itself_after_a_power_cycle(installed: Installed) -> None:
    machine = installed.machine
    machine.power_off()
    machine.boot()
    machine.until("up after a boot", lambda: machine.show("ActiveState") == "active", 30)
    assert '"nitrate"' in machine.run("rushlight", "export").stdout


# ---------------------------------------------------------------------- the broker

TALK = """
import pathlib, ssl, sys, threading
import paho.mqtt.client as paho
user, topic = sys.argv[1:3]
password = pathlib.Path(f"/etc/rushlight/broker/{user}.password").read_text().strip() if user else ""
heard, connected = threading.Event(), []
client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
client.tls_set(ca_certs="/etc/rushlight/broker/ca.crt")
if user:
    client.username_pw_set(user, password)
def on_connect(c, u, f, reason, p):
    connected.append(str(reason))
    c.subscribe(topic)
def on_subscribe(c, u, mid, reasons, p):
    c.publish(topic, "x", qos=1)
client.on_connect, client.on_subscribe = on_connect, on_subscribe
client.on_message = lambda *_: heard.set()
client.connect(sys.argv[3], 8883)
client.loop_start()
print("heard" if heard.wait(3) else "silent", *connected[:1])
"""


@pytest.mark.parametrize(
    ("user", "topic", "expected"),
    [
        ("rushlight", "boards/foyer-board", "heard Success"),
        ("hub", "rushlight/status", "heard Success"),
        ("hub", "boards/foyer-board", "silent Success"),
        ("board", "boards/foyer-board", "silent Success"),  # boards speak and hear nothing
        ("", "boards/foyer-board", "silent Not authorized"),
    ],
)
@on("bookworm")
def test_the_broker_lets_each_do_its_own(installed: Installed, user: str, topic: str, expected: str) -> None:
    machine = installed.machine
    said = machine.run("/opt/rushlight/current/bin/python", "-c", TALK, user, topic, "localhost").stdout
    assert said.strip() == expected


@on("bookworm")
def test_the_broker_is_what_its_certificate_says(installed: Installed) -> None:
    machine = installed.machine
    done = machine.run(
        "/opt/rushlight/current/bin/python", "-c", TALK, "rushlight", "boards/x", "127.0.1.1", check=False
    )
    assert "CERTIFICATE_VERIFY_FAILED" in done.stderr  # an address that the certificate does not name
    # proc(5): addresses in hexadecimal, as this processor keeps them; 0A is listening.
    rows = [row.split() for row in machine.run("cat", "/proc/net/tcp", "/proc/net/tcp6").stdout.splitlines()]
    listening = {row[1] for row in rows if row[3] == "0A"}
    plain, tls = f":{1883:04X}", f":{8883:04X}"
    assert {a for a in listening if a.endswith(plain)} <= {f"0100007F{plain}", f"{'0' * 24}01000000{plain}"}, listening
    assert f"0100007F{plain}" in listening, "without TLS to this machine alone"
    assert any(a.endswith(tls) and set(a.removesuffix(tls)) == {"0"} for a in listening), "with TLS to the network"


@pytest.fixture(scope="module")
def micropython() -> list[str]:
    try:
        return debian.micropython()
    except UnobtainableError as e:
        pytest.skip(f"MicroPython can't be had here: {e}")


def values(machine: Machine) -> dict[str, float | None]:
    view = json.loads(machine.run("rushlight", "status", "--json").stdout)
    return {p["id"]: p["value"] for t in view["tanks"] for p in t["probes"]}


@on("bookworm", "trixie")
def test_a_wireless_board_is_heard_as_the_hardware_page_says(
    installed: Installed, micropython: list[str], tmp_path: Path
) -> None:
    """The page's commands, its example in the configuration, and the firmware's own programme; then the Pi is renamed.

    The board runs outside the machine and shares its network alone.
    """
    machine = installed.machine
    page = blocks("hardware.md")
    [commands] = [s.text for s in page if s.kind == "with-broker" and "board.password" in s.text]
    said = machine.run("bash", "-ec", f"cd /root\n{commands}").stdout.split()
    [example] = [s.text for s in page if s.kind == "toml" and 'driver = "mqtt"' in s.text]
    example = example.replace('"reading-room"', '"tank"')
    config = machine.root / "etc/rushlight/config.toml"
    before = config.read_text()
    config.write_text(f"{before}\n{example}")
    machine.run("systemctl", "restart", "rushlight.service")
    board = WirelessBoard(
        machine.on_its_network(*micropython), tmp_path, port=8883, ca=machine.root / "root/ca.der", password=said[0],
        hosts=("nowhere.invalid", "127.0.0.1"), scene=READING_ROOM,
    )  # fmt: skip
    try:
        machine.until("the board's value", lambda: values(machine)["reading-room-temperature"] == 23.125, 60)
        machine.run("hostname", "other-pi")
        held = ("openssl", "x509", "-in", "/etc/mosquitto/rushlight/broker.crt", "-noout", "-ext", "subjectAltName")
        assert "other-pi" not in machine.run(*held).stdout
        machine.run("systemctl", "start", "rushlight-broker.service")
        assert "DNS:other-pi.local" in machine.run(*held).stdout
        board.says("broke")
        count = len(board.said)
        machine.until("the board sends again", lambda: any("sending" in s for s in board.said[count - 1 :]), 60)
    finally:
        board.close()
        machine.run("hostname", "reading-pi")
        machine.run("systemctl", "start", "rushlight-broker.service")
        config.write_text(before)
        machine.run("systemctl", "restart", "rushlight.service")


# ---------------------------------------------------------------------- upgrade, roll back, removal


def edit(machine: Machine, file: str, was: str, becomes: str) -> None:
    path = machine.source / file
    text = path.read_text()
    assert was in text
    path.write_text(text.replace(was, becomes))


def release(machine: Machine) -> str:
    return str((machine.root / "opt/rushlight/current").readlink())


@on("bookworm")
def test_an_upgrade_keeps_the_journal_and_the_release_before(installed: Installed) -> None:
    machine = installed.machine
    old = release(machine)
    edit(machine, "pyproject.toml", 'version = "0.1.0"', 'version = "0.1.1"')
    machine.run(*INSTALL, "--yes", *WHEELS)
    assert release(machine).startswith("0.1.1-")
    assert str((machine.root / "opt/rushlight/previous").readlink()) == old
    assert machine.show("ActiveState") == "active"
    assert '"nitrate"' in machine.run("rushlight", "export").stdout
    assert len(list((machine.root / "var/lib/rushlight/before-upgrade").iterdir())) == 1


@on("bookworm")
def test_a_configuration_that_uses_the_store_gets_the_library_for_it(installed: Installed) -> None:
    machine = installed.machine
    config, pid, now = machine.root / "etc/rushlight/config.toml", machine.show("MainPID"), release(machine)
    before = config.read_text()
    adds = "add to /opt/rushlight/"
    assert adds not in machine.run(*INSTALL, "--dry-run").stdout
    config.write_text(f'{before}\n[timeseries]\nurl = "http://127.0.0.1:8428"\norg = "o"\nbucket = "b"\n')
    try:
        assert machine.run(*INSTALL, "--dry-run").stdout.count(adds) == 2
        # The folder with packages lacks it, and what runs is left alone.
        done = machine.run(*INSTALL, "--yes", *WHEELS, check=False)
        assert (done.returncode, machine.show("MainPID")) == (1, pid)
        assert "could not be installed" in done.stderr
        more = machines.wheels("bookworm", "timeseries")
        shutil.copytree(more, machine.root / "srv/wheels")
        machine.run(*INSTALL, "--yes", "--wheels", "/srv/wheels")
        assert release(machine) == now, "the release before stays the one before"
        assert machine.show("MainPID") != pid
        for name in ("current", "previous"):
            machine.run(f"/opt/rushlight/{name}/bin/python", "-c", "import influxdb_client")
        assert adds not in machine.run(*INSTALL, "--dry-run").stdout
    finally:
        config.write_text(before)
        machine.run("systemctl", "restart", "rushlight.service")


@on("bookworm")
def test_rolling_back_by_hand(installed: Installed) -> None:
    machine = installed.machine
    new, old = release(machine), str((machine.root / "opt/rushlight/previous").readlink())
    machine.run("rushlight", "record", "test", "--tank", "tank", "nitrate=50")
    machine.run(*INSTALL, "--roll-back")
    assert release(machine) == old
    assert str((machine.root / "opt/rushlight/previous").readlink()) == new
    assert machine.show("ActiveState") == "active"
    # Both releases know the same form of the journal, so what was entered in between is still in it.
    assert machine.run("rushlight", "export").stdout.count('"nitrate"') == 2


@on("bookworm")
def test_a_release_that_fails_its_self_test_is_not_switched_to(installed: Installed) -> None:
    machine = installed.machine
    old, pid = release(machine), machine.show("MainPID")
    edit(machine, "daemon/rushlight/service/starting/checks.py", "def probes(", "def probes_gone(")
    edit(machine, "daemon/rushlight/cli/running.py", "def check(", "oops\n\n\ndef check(")
    done = machine.run(*INSTALL, "--yes", *WHEELS, check=False)
    edit(machine, "daemon/rushlight/cli/running.py", "oops\n\n\ndef check(", "def check(")
    edit(machine, "daemon/rushlight/service/starting/checks.py", "def probes_gone(", "def probes(")
    assert done.returncode == 1
    assert "goes on running" in done.stderr
    assert (release(machine), machine.show("MainPID")) == (old, pid)


@on("bookworm")
def test_a_release_that_does_not_come_up_is_rolled_back_with_its_journal(installed: Installed) -> None:
    machine = installed.machine
    old = release(machine)
    # It brings the journal to a form that the older release can't read, and then dies.
    edit(machine, "daemon/rushlight/journal/schema.py", "\n)\n\"\"\"Name and statements;",
         '\n    ("more", "CREATE TABLE more (no INTEGER PRIMARY KEY) STRICT"),\n)\n"""Name and statements;')  # fmt: skip
    edit(
        machine,
        "daemon/rushlight/service/service.py",
        "        self.notifier.ready()\n",
        '        raise RuntimeError("no")\n',
    )
    done = machine.run(*INSTALL, "--yes", *WHEELS, check=False)
    assert done.returncode == 1
    assert f"rolled back to {old}" in done.stderr
    assert release(machine) == old
    assert machine.show("ActiveState") == "active"
    assert '"nitrate"' in machine.run("rushlight", "export").stdout
    machine.run("rushlight", "record", "test", "--tank", "tank", "nitrate=10")
    kept = [p.name for p in (machine.root / "var/lib/rushlight").iterdir()]
    assert [n for n in kept if re.match(r"journal.*\d{8}", n)], f"what the newer release left was kept beside: {kept}"


@on("bookworm")
def test_old_releases_do_not_pile_up(installed: Installed) -> None:
    machine = installed.machine
    places = list((machine.root / "opt/rushlight").iterdir())
    # The two that failed are gone, and nothing points to them.
    assert {p.name for p in places if p.is_dir() and not p.is_symlink()} == {
        str(p.readlink()) for p in places if p.is_symlink()
    }
    assert len(places) == 4


@on("bookworm", "trixie")
def test_removal_leaves_the_data_and_nothing_else(installed: Installed) -> None:
    machine = installed.machine
    said = machine.run(*INSTALL, "--uninstall").stdout
    assert "left in place" in said
    left = {
        p
        for p in differing(installed.before, picture(machine))
        if not p.startswith(("/etc/rushlight", "/var/lib/rushlight"))
    }
    accounts = {f"/etc/{f}{e}" for f in ("passwd", "shadow", "group", "gshadow", "subuid", "subgid") for e in ("", "-")}
    if "bookworm" in (machine.root / "etc/os-release").read_text():
        folders = {"/etc/systemd/system.conf.d", "/etc/systemd/journald.conf.d"}
        assert left - accounts - folders == set()
    assert not any("rushlight" in p for p in left)
    assert (machine.root / "var/lib/rushlight/journal.sqlite").exists()
    assert (machine.root / "etc/rushlight/config.toml").exists()
    assert machine.run("systemctl", "is-active", "rushlight", check=False).stdout.strip() == "inactive"
    assert "nothing to remove" in machine.run(*INSTALL, "--uninstall").stdout


if __name__ == "__main__":
    raise SystemExit(pytest.main([__file__, "-v", "-x", *sys.argv[1:]]))
