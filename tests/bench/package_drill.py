"""The Debian package on clean machines: installed, upgraded, a bad release rolled back, removed, purged, put back.

    python tests/bench/package_drill.py [bookworm] [trixie]

Needs root, systemd-nspawn and the network once, for the roots.  The machines have no network: Debian's packages come
from their own cache, Python's from a folder.  Prints each step with its seconds; exits with 1 at the first that fails.
"""

from __future__ import annotations

import json
import re
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
from helpers.machines import Machine  # noqa: E402

BROKEN = (
    "daemon/rushlight/service/service.py",
    "        self.notifier.ready()\n",
    '        raise RuntimeError("no")\n',
)


def package(version: str, folder: Path, *edit: str) -> Path:
    """This tree as a package of that version; `edit` is a file, what stands in it, and what shall."""
    tree = folder / version
    tree.mkdir()
    machines.snapshot(tree)
    for place in ("pyproject.toml", "daemon/rushlight/__init__.py"):
        text = (tree / place).read_text()
        assert text.count('0.1.0"') == 1, place
        (tree / place).write_text(text.replace('0.1.0"', f'{version}"'))
    if edit:
        file, was, becomes = tree / edit[0], edit[1], edit[2]
        assert was in file.read_text()
        file.write_text(file.read_text().replace(was, becomes))
    done = subprocess.run(["bash", tree / "deploy/deb.sh", folder], check=True, capture_output=True, text=True)
    return Path(done.stdout.strip())


class Drill:
    """One machine and the packages for it."""

    def __init__(self, machine: Machine, folder: Path) -> None:
        self.machine, self.folder = machine, folder
        machine.run("tee", "/etc/pip.conf", stdin="[global]\nno-index = true\nfind-links = /wheels\n")

    def step(self, what: str, act: Callable[[], None]) -> None:
        """Do it and say how long it took."""
        begun_s = time.monotonic()
        act()
        sys.stdout.write(f"{time.monotonic() - begun_s:8.1f} s  {what}\n")
        sys.stdout.flush()

    def apt(self, *words: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        return self.machine.run(
            "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-y", "-q", *words, check=check, timeout=900
        )

    def install(self, deb: Path, *, check: bool = True) -> subprocess.CompletedProcess[str]:
        shutil.copy(deb, self.machine.root / "root" / deb.name)
        return self.apt("install", "--no-install-recommends", f"/root/{deb.name}", check=check)

    # ------------------------------------------------------------------ what must be true

    def state(self) -> str:
        return self.machine.run("dpkg-query", "-W", "-f=${Status}", "rushlight", check=False).stdout

    def runs(self, version: str) -> None:
        show = self.machine.show
        assert show("ActiveState") == "active", show("ActiveState")
        assert (self.machine.root / "opt/rushlight/current").readlink().name.startswith(f"{version}-")
        line = r"Status: \"Tank: no alarm[^\"]*\""
        self.machine.until("how the tanks are, in a line", lambda: re.search(line, self.status()), 60)

    def status(self) -> str:
        return self.machine.run("systemctl", "status", "rushlight", "--no-pager", check=False).stdout

    def tests_kept(self, count: int) -> None:
        said = self.machine.run("rushlight", "export").stdout
        assert sum(json.loads(line)["kind"] == "test" for line in said.splitlines()) == count, said

    # ------------------------------------------------------------------ the steps

    def first(self) -> None:
        self.install(package("0.1.0", self.folder))
        assert self.state() == "install ok installed"
        self.runs("0.1.0")
        assert (self.machine.root / "etc/rushlight/config.toml").exists()

    def use(self) -> None:
        self.machine.run("rushlight", "record", "test", "--tank", "tank", "nitrate=25")
        config = self.machine.root / "etc/rushlight/config.toml"
        config.write_text(f"{config.read_text()}\n# the keeper's own line\n")

    def upgrade(self) -> None:
        self.install(package("0.1.1", self.folder))
        self.runs("0.1.1")
        self.tests_kept(1)
        assert "the keeper's own line" in (self.machine.root / "etc/rushlight/config.toml").read_text()
        assert (self.machine.root / "opt/rushlight/previous").readlink().name.startswith("0.1.0-")

    def bad(self) -> None:
        done = self.install(package("0.1.2", self.folder, *BROKEN), check=False)
        assert done.returncode, "apt says that it did not work"
        assert "rolled back to 0.1.1-" in done.stdout + done.stderr, done.stdout + done.stderr
        self.runs("0.1.1")
        self.tests_kept(1)

    def mended(self) -> None:
        self.install(package("0.1.3", self.folder))
        assert self.state() == "install ok installed"
        self.runs("0.1.3")
        self.tests_kept(1)

    def remove(self) -> None:
        self.apt("remove", "rushlight")
        self.gone()

    def purge(self) -> None:
        self.apt("purge", "rushlight")
        self.gone()

    def gone(self) -> None:
        root = self.machine.root
        assert self.machine.run("systemctl", "is-active", "rushlight", check=False).stdout.strip() == "inactive"
        assert not any((root / p).exists() for p in ("opt/rushlight", "usr/local/bin/rushlight", "usr/share/rushlight"))
        assert "the keeper's own line" in (root / "etc/rushlight/config.toml").read_text()
        assert (root / "var/lib/rushlight/journal.sqlite").exists()

    def again(self) -> None:
        self.install(self.folder / "rushlight_0.1.3_all.deb")
        self.runs("0.1.3")
        self.tests_kept(1)

    def all(self) -> None:
        self.step("installed; systemctl status says how the tanks are", self.first)
        self.step("used: a test entered, a line in the configuration", self.use)
        self.step("upgraded: journal, configuration and the release before are kept", self.upgrade)
        self.step("a release that does not come up: apt fails, the one before runs", self.bad)
        self.step("a mended release: apt is content again", self.mended)
        self.step("removed: program gone, configuration and journal there", self.remove)
        self.step("installed again: takes configuration and journal as they were", self.again)
        # It has no files of its own that a removal leaves, so that only an installed one can be purged.
        self.step("purged: configuration and journal are there all the same", self.purge)


def main(suites: list[str]) -> None:
    """Every suite, one after another."""
    for suite in suites:
        sys.stdout.write(f"{suite}\n")
        with tempfile.TemporaryDirectory() as folder, machines.machine(suite) as machine:
            machine.boot()
            Drill(machine, Path(folder)).all()


if __name__ == "__main__":
    main(sys.argv[1:] or ["bookworm", "trixie"])
