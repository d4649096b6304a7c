"""The program on 64-bit and 32-bit ARM, emulated: roots of that architecture, the locked packages, a daemon that runs.

    python tests/bench/emulated_drill.py [arm64] [armhf]

Needs root, debootstrap and the packages qemu-user-static and binfmt-support (or a kernel whose binfmt_misc can be
mounted), and the network once for each root and its wheels.  In each root: the environment is built as install.sh
builds it (`--require-hashes`, ready-made packages only), `rushlight --version`, a replay that must give the same bytes
as on this machine, and a daemon that hears a simulated probe, answers `status` and takes a test.  Emulation says
nothing about speed.  What it does not show: devices, systemd as the first process, the kernel of a Pi.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Self

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from helpers import machines  # noqa: E402
from helpers.debian import made_once, mirror, run  # noqa: E402

MACHINES = {"arm64": ("aarch64", "qemu-aarch64"), "armhf": ("armv7l", "qemu-arm")}
PYTHON, SUITE = "3.11", "bookworm"
BINFMT = Path("/proc/sys/fs/binfmt_misc")
CONFIG = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
litres = 140
[[kit]]
id = "strip"
pads = { nitrate = [0, 10, 25, 50, 100, 250] }
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
driver = "simulated"
every_seconds = 2
[page]
enabled = false
[heartbeat]
accept_none = true
[storage]
folder = "/root/data"
"""


def register(emulator: str) -> None:
    """Have the kernel run that architecture's programs; Debian's package says how."""
    if not (BINFMT / "register").exists():
        run("mount", "-t", "binfmt_misc", "binfmt_misc", BINFMT)
    if not (BINFMT / emulator).exists():
        line = Path(f"/usr/lib/binfmt.d/{emulator}.conf").read_text().strip()
        (BINFMT / "register").write_text(line)


def root_of(arch: str) -> Path:
    with made_once(f"root-{SUITE}-{arch}") as (final, part):
        if part is not None:
            run(
                "debootstrap",
                "--variant=minbase",
                f"--arch={arch}",
                "--include=python3,python3-venv",
                SUITE,
                part,
                mirror(),
            )
    return final


def wheels_of(machine: str) -> Path:
    lock = ROOT / f"deploy/lock/py{PYTHON}.txt"
    with made_once(f"wheels-{PYTHON}-{machine}") as (final, part):
        if part is not None:
            platforms = [
                f"--platform={p}_{machine}" for p in ("manylinux2014", "manylinux_2_28", "manylinux_2_31", "linux")
            ]
            run(
                sys.executable, "-m", "pip", "-q", "download", "--only-binary=:all:", "--implementation=cp",
                "--require-hashes", f"--python-version={PYTHON}", *platforms, "-d", part, "-r", lock,
            )  # fmt: skip
    return final


class Emulated:
    """One root."""

    def __init__(self, arch: str) -> None:
        self.machine, emulator = MACHINES[arch]
        register(emulator)
        self.root = root_of(arch)
        for what, where in ((wheels_of(self.machine), "wheels"), (None, "src")):
            target = self.root / where
            shutil.rmtree(target, ignore_errors=True)
            if what is None:
                target.mkdir()
                machines.snapshot(target)
            else:
                shutil.copytree(what, target)

    def __enter__(self) -> Self:
        # The daemon's socket is named by way of /proc, as its folder may be deeper than an address is long.
        run("mount", "-t", "proc", "proc", self.root / "proc")
        return self

    def __exit__(self, *_: object) -> None:
        run("umount", self.root / "proc")

    def command(self, *words: str) -> list[str]:
        return ["chroot", str(self.root), "env", "-i", "PATH=/usr/bin:/bin:/usr/sbin:/sbin", "HOME=/root", *words]

    def said(self, *words: str, timeout: float = 600) -> str:
        done = subprocess.run(self.command(*words), capture_output=True, text=True, timeout=timeout, check=False)
        assert done.returncode == 0, f"{words}: {done.stdout[-2000:]} {done.stderr[-2000:]}"
        return done.stdout

    def build(self) -> None:
        """As install/release.sh does."""
        self.said("rm", "-rf", "/opt/rl", "/root/data")
        self.said("python3", "-m", "venv", "/opt/rl")
        pip = ("/opt/rl/bin/pip", "--disable-pip-version-check", "--no-cache-dir", "-q", "install")
        pip = (*pip, "--no-index", "--find-links", "/wheels")
        self.said(*pip, "--require-hashes", "--only-binary", ":all:", "-r", f"/src/deploy/lock/py{PYTHON}.txt")
        self.said(*pip, "--no-deps", "--no-build-isolation", "rushlight @ file:///src")

    def replay(self) -> None:
        events = ROOT / "daemon/rushlight/demo/rowan_street.toml"
        config = self.root / "root/replay.toml"
        shutil.copy(events, config)
        lines = [
            f'{{"at": "2026-0{m}-{d:02}T09:00:00Z", "kind": "test", "tank": "foyer", "method": "strip",'
            f' "values": {{"nitrate": {v}}}}}'
            for m, d, v in ((3, 1, 10), (3, 8, 10), (3, 15, 25), (3, 22, 25), (4, 1, 50), (4, 8, 50))
        ]
        (self.root / "root/events.jsonl").write_text("\n".join(lines) + "\n")
        words = ("replay", "--daily", "--messages", "--config")
        there = self.said("/opt/rl/bin/rushlight", *words, "/root/replay.toml", "/root/events.jsonl")
        here = subprocess.run(
            [Path(sys.executable).with_name("rushlight"), *words, config, self.root / "root/events.jsonl"],
            capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        assert len(here.splitlines()) > 30
        assert there == here, "the same events do not give the same bytes"

    def daemon(self) -> None:
        (self.root / "root/config.toml").write_text(CONFIG)
        config = ("--config", "/root/config.toml")
        with subprocess.Popen(
            self.command("/opt/rl/bin/rushlight", "run", *config), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        ) as daemon:
            try:
                end_s = time.monotonic() + 900
                while True:
                    ask = subprocess.run(
                        self.command("/opt/rl/bin/rushlight", "status", *config),
                        capture_output=True,
                        text=True,
                        check=False,
                    )
                    if ask.returncode == 0 and "°C" in ask.stdout:
                        break
                    assert daemon.poll() is None, "it ended"
                    assert time.monotonic() < end_s, ask.stdout + ask.stderr
                    time.sleep(1)
                self.said("/opt/rl/bin/rushlight", "record", "test", "--tank", "foyer", "nitrate=25", *config)
            finally:
                daemon.terminate()
                daemon.communicate(timeout=300)
        assert daemon.returncode == 0, daemon.returncode
        assert '"nitrate"' in self.said("/opt/rl/bin/rushlight", "export", *config)


def main(archs: list[str]) -> None:
    """Each architecture, step by step, with its seconds."""
    assert os.geteuid() == 0, "needs root"
    for arch in archs:
        begun_s = time.monotonic()
        with Emulated(arch) as there:
            sys.stdout.write(f"{arch}: root and wheels at hand after {time.monotonic() - begun_s:.0f} s\n")
            for step in (there.build, there.daemon, there.replay):
                begun_s = time.monotonic()
                step()
                sys.stdout.write(f"{time.monotonic() - begun_s:8.1f} s  {step.__name__}\n")
                sys.stdout.flush()
            uname = there.said(
                "python3", "-c", "import platform, struct; print(platform.machine(), struct.calcsize('P') * 8)"
            )
            version = there.said("/opt/rl/bin/rushlight", "--version")
            sys.stdout.write(f"          {uname.strip()} bit; {version.strip()}\n")


if __name__ == "__main__":
    main(sys.argv[1:] or ["arm64", "armhf"])
