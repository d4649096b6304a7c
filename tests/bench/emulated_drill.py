"""The Debian package on 64-bit and 32-bit ARM, emulated: machines of that architecture with a real systemd.

    python tests/bench/emulated_drill.py [arm64] [armhf]

Needs root, debootstrap, systemd-nspawn and the packages qemu-user-static and binfmt-support (or a kernel whose
binfmt_misc can be mounted), and the network once for each root and its wheels.  On each machine: apt installs the
package, whose script builds the environment from the locked wheels of that architecture and starts the service; then
a simulated probe, `rushlight check`, the page, a test entered by the command line, the export, and replays of that export and of sixty
invented days, which must give the same bytes as on this machine; then removal and purge.  Emulation says nothing about
speed.  What it does not show: devices, the kernel of a Pi, whether the sandbox that the unit asks for holds there.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from helpers import machines  # noqa: E402
from helpers.debian import made_once, mirror, run  # noqa: E402
from helpers.machines import Machine  # noqa: E402

MACHINES = {"arm64": ("aarch64", "qemu-aarch64", 64), "armhf": ("armv7l", "qemu-arm", 32)}
PYTHON, SUITE = "3.11", "bookworm"
BINFMT = Path("/proc/sys/fs/binfmt_misc")
LIBRARY = ROOT / "daemon/rushlight/demo/rowan_street.toml"
PATIENT_S = 2400
PROBE = """
[[probe]]
id = "tank-temperature"
tank = "tank"
quantity = "temperature"
driver = "simulated"
every_seconds = 2
"""
PAGE = (
    "import urllib.request as u; r = u.urlopen('http://127.0.0.1:8080/', timeout=120); print(r.status, len(r.read()))"
)


def register(emulator: str) -> None:
    """Have the kernel run that architecture's programs; Debian's package says how."""
    if not (BINFMT / "register").exists():
        run("mount", "-t", "binfmt_misc", "binfmt_misc", BINFMT)
    if not (BINFMT / emulator).exists():
        line = Path(f"/usr/lib/binfmt.d/{emulator}.conf").read_text().strip()
        (BINFMT / "register").write_text(line)


def root_of(arch: str) -> Path:
    with made_once(f"root-{SUITE}-{arch}-init") as (final, part):
        if part is not None:
            include = f"--include={machines._INCLUDED},python3-venv"
            run("debootstrap", "--variant=minbase", f"--arch={arch}", include, SUITE, part, mirror())
    return final


def wheels_of(machine: str) -> Path:
    with made_once(f"wheels-{PYTHON}-{machine}") as (final, part):
        if part is not None:
            machines.fetch(PYTHON, machine, part)
    return final


def sixty_days() -> str:
    """Events of the demonstration's library: readings every hour, strips, feed, changes of water."""
    lines = []
    for hour in range(60 * 24):
        at = f"{dt.datetime(2026, 3, 1, tzinfo=dt.UTC) + dt.timedelta(hours=hour):%Y-%m-%dT%H:%M:%SZ}"
        light = max(0.0, 9000.0 * math.sin((hour % 24 - 6) / 12 * math.pi)) * (1.0 - hour / 9000)
        for probe, value in (("temperature", 24 + math.sin(hour / 40)), ("light", light), ("ph", 6.9 + hour % 7 / 50)):
            lines.append({"at": at, "kind": "reading", "probe": f"foyer-{probe}", "value": round(value, 3)})
        if hour % 24 == 10:
            lines.append({"at": at, "kind": "feeding", "tank": "foyer", "grams": 0.9})
        if hour % 168 == 11:
            nitrate = (10, 10, 25, 25, 50, 50, 50, 100, 100)[hour // 168]
            lines.append({"at": at, "kind": "test", "tank": "foyer", "method": "strip", "values": {"nitrate": nitrate}})
        if hour % 336 == 12:
            lines.append({"at": at, "kind": "water_change", "tank": "foyer", "fraction": 0.2})
    return "".join(f"{json.dumps(line)}\n" for line in lines)


class Drill:
    """One emulated machine that runs."""

    def __init__(self, machine: Machine, uname: str, bits: int, folder: Path) -> None:
        self.machine, self.uname, self.bits, self.folder = machine, uname, bits, folder
        machine.run("tee", "/etc/pip.conf", stdin="[global]\nno-index = true\nfind-links = /wheels\n")

    def apt(self, *words: str) -> str:
        apt = ("env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-y", "-q")
        return self.machine.run(*apt, *words, timeout=PATIENT_S).stdout

    def said(self, *words: str) -> str:
        return self.machine.run("rushlight", *words, timeout=PATIENT_S).stdout

    def package(self) -> str:
        deb = subprocess.run(
            ["bash", ROOT / "deploy/deb.sh", self.folder], check=True, capture_output=True, text=True
        ).stdout.strip()
        shutil.copy(deb, self.machine.root / "srv" / Path(deb).name)
        self.apt("install", "--no-install-recommends", f"/srv/{Path(deb).name}")
        how = "import platform, struct; print(platform.machine(), struct.calcsize('P') * 8)"
        assert self.machine.run("python3", "-c", how).stdout.split() == [self.uname, str(self.bits)]
        return f"{self.uname}, {self.bits} bit, {self.said('--version').strip()}"

    def first_start(self) -> str:
        assert self.machine.show("ActiveState") == "active"
        self.machine.until("the line", lambda: "Tank: no alarm" in self.machine.show("StatusText"), 600)
        return self.machine.show("StatusText")

    def check(self) -> str:
        done = self.machine.run("rushlight", "check", timeout=PATIENT_S)
        assert "The configuration is sound" in done.stdout
        return done.stdout.splitlines()[0]

    def probe(self) -> str:
        """A simulated one: a worker's thread, the engine and the journal at work."""
        config = self.machine.root / "etc/rushlight/config.toml"
        config.write_text(f"{config.read_text()}\n{PROBE}")
        self.machine.run("systemctl", "restart", "rushlight", timeout=PATIENT_S)

        def value() -> float | None:
            [tank] = json.loads(self.said("status", "--json"))["tanks"]
            return next((p["value"] for p in tank["probes"]), None)

        self.machine.until("a value", lambda: value() is not None, 600)
        return f"{value():.1f} °C"

    def page(self) -> str:
        said = self.machine.run("python3", "-c", PAGE, timeout=PATIENT_S).stdout.split()
        assert said[0] == "200" and int(said[1]) > 1000, said
        return f"{said[1]} bytes"

    def entry(self) -> str:
        self.said("record", "test", "--tank", "tank", "nitrate=25", "--id", "by-hand")
        [line] = [row for row in self.said("export").splitlines() if '"by-hand"' in row]
        assert json.loads(line)["values"]["nitrate"] == 25
        return line

    def replays(self) -> str:
        own = (self.machine.root / "etc/rushlight/config.toml").read_text()
        found = [self._same("export", own, self.said("export"))]
        found.append(self._same("sixty days", LIBRARY.read_text(), sixty_days()))
        return ", ".join(found)

    def _same(self, name: str, config: str, events: str) -> str:
        folder = self.machine.root / "srv"
        for file, text in (("replay.toml", config), ("events.jsonl", events)):
            (folder / file).write_text(text)
            (folder / file).chmod(0o644)
        words = ("replay", "--daily", "--messages", "--config")
        there = self.said(*words, "/srv/replay.toml", "/srv/events.jsonl")
        here = subprocess.run(
            [Path(sys.executable).with_name("rushlight"), *words, folder / "replay.toml", folder / "events.jsonl"],
            capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        assert there == here, f"{name}: the same events do not give the same bytes"
        return f"{name}: {len(here.encode())} bytes alike"

    def removed(self) -> str:
        self.apt("purge", "rushlight")
        assert not (self.machine.root / "opt/rushlight").exists()
        assert (self.machine.root / "etc/rushlight/config.toml").exists()
        assert (self.machine.root / "var/lib/rushlight/journal.sqlite").exists()
        return "configuration and journal stay"

    def all(self) -> None:
        steps: tuple[Callable[[], str], ...] = (
            self.package, self.first_start, self.probe, self.check, self.page, self.entry, self.replays, self.removed
        )  # fmt: skip
        for step in steps:
            begun_s = time.monotonic()
            said = step()
            sys.stdout.write(f"{time.monotonic() - begun_s:8.1f} s  {step.__name__}: {said}\n")
            sys.stdout.flush()


def main(archs: list[str]) -> None:
    """Each architecture, step by step, with its seconds."""
    assert os.geteuid() == 0, "needs root"
    for arch in archs:
        uname, emulator, bits = MACHINES[arch]
        register(emulator)
        begun_s = time.monotonic()
        root, wheels = root_of(arch), wheels_of(uname)
        with tempfile.TemporaryDirectory() as folder, machines.of_root(root, wheels) as machine:
            machine.boot()
            sys.stdout.write(f"{arch}: root and wheels at hand and booted after {time.monotonic() - begun_s:.0f} s\n")
            failed = machine.run("systemctl", "--failed", "--plain", "--no-legend").stdout.split("\n")
            sys.stdout.write(f"          units that emulation fails: {', '.join(f.split()[0] for f in failed if f)}\n")
            Drill(machine, uname, bits, Path(folder)).all()


if __name__ == "__main__":
    main(sys.argv[1:] or ["arm64", "armhf"])
