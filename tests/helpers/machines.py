"""Clean Debian machines with a real systemd, booted in systemd-nspawn without any network."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from helpers.debian import UnobtainableError, made_once, mirror, run
from helpers.pages import blocks
from helpers.waiting import until

REPOSITORY = Path(__file__).parents[2]
PYTHON = {"bookworm": "3.11", "trixie": "3.13"}
_INCLUDED = "systemd,systemd-sysv,dbus,udev,libpam-systemd,procps,python3,sudo"
_FETCHED = ("python3-venv", "mosquitto", "openssl")
"""Packages that install.sh asks for; fetched beforehand, not installed, for there is no network inside."""


def _need_tools() -> None:
    if os.geteuid() != 0:
        raise UnobtainableError("needs root")
    for tool in ("debootstrap", "systemd-nspawn", "nsenter"):
        if shutil.which(tool) is None:
            raise UnobtainableError(f"needs {tool}")


def clean_root(suite: str) -> Path:
    """A minimal root of that release, as debootstrap makes it; raises UnobtainableError."""
    _need_tools()
    digest = hashlib.sha256(f"{_INCLUDED} {_FETCHED}".encode()).hexdigest()[:8]
    with made_once(f"root-{suite}-{digest}") as (final, part):
        if part is not None:
            run("debootstrap", "--variant=minbase", f"--include={_INCLUDED}", suite, part, mirror())
            run("chroot", part, "apt-get", "-qq", "update")
            run(
                "chroot", part, "env", "DEBIAN_FRONTEND=noninteractive",
                "apt-get", "-qq", "install", "--download-only", "--no-install-recommends", "-y", *_FETCHED,
            )  # fmt: skip
    return final


def wheels(suite: str, extra: str = "") -> Path:
    """A folder with wheels of everything for that release's Python, and for one extra; raises UnobtainableError."""
    python = PYTHON[suite]
    name = f"{python}-{extra}" if extra else python
    lock = REPOSITORY / f"deploy/lock/py{name}.txt"
    digest = hashlib.sha256(lock.read_bytes()).hexdigest()[:8]
    with made_once(f"wheels-{name}-{digest}") as (final, part):
        if part is not None:
            fetch(python, os.uname().machine, part, lock.name)
    return final


def fetch(python: str, machine: str, folder: Path, lock: str = "") -> None:
    """Packages for that Python on that kind of machine, by the very command of install.md.  Raises UnobtainableError."""
    [page] = [s.text for s in blocks("install.md") if s.kind == "on-another-computer"]
    command = page
    for was, becomes in (
        ("py3.13.txt", lock or f"py{python}.txt"), ("3.13", python), ("aarch64", machine), ("-d wheels", f"-d {shlex.quote(str(folder))}"),
        ("python3 -m pip", f"{shlex.quote(sys.executable)} -m pip -q"),
    ):  # fmt: skip
        assert was in command, was
        command = command.replace(was, becomes)
    run("bash", "-c", command, cwd=REPOSITORY)


class Machine:
    """A booted machine.  `root` is its file system as seen from outside, `source` the source tree that it sees."""

    def __init__(self, root: Path, log: Path, binds: dict[Path, str]) -> None:
        self.root, self._log, self._binds = root, log, binds
        self._nspawn: subprocess.Popen[bytes] | None = None
        self._leader = 0
        self.source = REPOSITORY

    def boot(self) -> None:
        binds = [f"--bind-ro={outside}:{inside}" for outside, inside in self._binds.items()]
        with self._log.open("ab") as log:
            self._nspawn = subprocess.Popen(
                ["systemd-nspawn", "-q", "-D", self.root, "--boot", "--register=no", "--keep-unit", "--private-network",
                 "--console=pipe", "--hostname=reading-pi", *binds],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline and self._nspawn.poll() is None:
            with contextlib.suppress(OSError, ValueError, IndexError):
                children = Path(f"/proc/{self._nspawn.pid}/task/{self._nspawn.pid}/children").read_text()
                self._leader = int(children.split()[0])
                if self.run("systemctl", "is-system-running", check=False).stdout.strip() in {"running", "degraded"}:
                    return
            time.sleep(0.1)
        raise AssertionError(f"the machine does not come up:\n{self._log.read_text()[-3000:]}")

    def run(
        self, *command: str, check: bool = True, timeout: float = 300, stdin: str = ""
    ) -> subprocess.CompletedProcess[str]:
        """Run a command inside as root, with a plain environment."""
        done = subprocess.run(
            self.enter(*command),
            input=stdin,
            capture_output=True,
            text=True,
            timeout=timeout,
            check=False,
        )
        if check and done.returncode:
            raise AssertionError(
                f"{' '.join(command)}: status {done.returncode}\n{done.stdout[-4000:]}\n{done.stderr[-4000:]}"
            )
        return done

    def enter(self, *command: str) -> list[str]:
        """That command inside, as root and with a plain environment, for whoever runs it otherwise than `run`."""
        path = "PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
        return ["nsenter", "-t", str(self._leader), "-a", "env", "-i", path, "LC_ALL=C.UTF-8", "HOME=/root", *command]

    @property
    def pid(self) -> int:
        """The machine's first process, as seen from outside."""
        return self._leader

    def on_its_network(self, *command: str) -> list[str]:
        """That command as it would run beside the machine: a program of the outside, on the machine's network."""
        return ["nsenter", "-t", str(self._leader), "-n", *command]

    def show(self, property_: str, unit: str = "rushlight.service") -> str:
        return self.run("systemctl", "show", "-P", property_, unit).stdout.strip()

    def until(self, what: str, condition: object, within_s: float) -> None:
        """Wait until `condition()` is true."""
        assert callable(condition)
        try:
            until(condition, within_s, what)
        except AssertionError as e:
            log = self.run("journalctl", "-u", "rushlight", "-n", "40", "--no-pager", check=False).stdout
            raise AssertionError(f"{e}\n{log}") from None

    def power_off(self) -> None:
        if self._nspawn is None:
            return
        if self._nspawn.poll() is None:
            self.run("systemctl", "poweroff", check=False)
            try:
                self._nspawn.wait(40)
            except subprocess.TimeoutExpired:
                self._nspawn.terminate()
                self._nspawn.terminate()
                self._nspawn.wait(20)
        self._nspawn = None


def snapshot(folder: Path) -> Path:
    """A copy of what a keeper downloads, so that it stays as it is while a test runs."""
    skip = shutil.ignore_patterns("__pycache__", "*.egg-info")
    for part in ("daemon", "drivers", "deploy"):
        shutil.copytree(REPOSITORY / part, folder / part, ignore=skip)
    for part in ("pyproject.toml", "README.md", "config.example.toml"):
        if (REPOSITORY / part).exists():
            shutil.copy(REPOSITORY / part, folder)
    return folder


@contextlib.contextmanager
def machine(suite: str) -> Iterator[Machine]:
    """A fresh machine of that release, not yet booted, with this source tree in /src and the wheels in /wheels.

    `source` is the tree in /src as seen from outside.  What the machine writes is gone afterwards.  Raises
    UnobtainableError.
    """
    with of_root(clean_root(suite), wheels(suite)) as made:
        yield made


@contextlib.contextmanager
def of_root(root: Path, wheelhouse: Path) -> Iterator[Machine]:
    """The same of any root, of another architecture too where the kernel knows how to run that."""
    with tempfile.TemporaryDirectory(prefix="machine-") as t, contextlib.ExitStack() as mounted:
        tmp = Path(t)
        tmp.chmod(0o755)
        # What the machine writes stays in memory: nothing of it is wanted afterwards.
        _mount(mounted, "tmpfs", "size=3g,mode=755", tmp)
        for name in ("upper", "work", "root", "src"):
            (tmp / name).mkdir(mode=0o755)
        _mount(mounted, "overlay", f"lowerdir={root},upperdir={tmp}/upper,workdir={tmp}/work", tmp / "root")
        # debootstrap leaves these to the installer that follows it.
        (tmp / "root/etc/hostname").write_text("reading-pi\n")
        (tmp / "root/etc/hosts").write_text("127.0.0.1 localhost\n127.0.1.1 reading-pi\n")
        made = Machine(tmp / "root", tmp / "log", {snapshot(tmp / "src"): "/src", wheelhouse: "/wheels"})
        made.source = tmp / "src"
        mounted.callback(made.power_off)
        yield made


def _mount(mounted: contextlib.ExitStack, kind: str, options: str, where: Path) -> None:
    run("mount", "-t", kind, kind, "-o", options, where)
    mounted.callback(run, "umount", where)
