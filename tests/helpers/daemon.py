"""A real daemon in a process of its own, and a fake kernel tree for it to read."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

from helpers.waiting import until
from rushlight.service import control

LIBRARY = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
litres = 140
"""
"""The foyer tank, to be filled by `format`; what a test adds stands behind it."""
TRUSTED_LIBRARY = LIBRARY.replace("[[tank]]", "trust_clock = true\n[[tank]]")
LIMITS = """\
limits = {{ temperature = {{ low = 21, high = 27 }} }}
"""
STRIP = """\
[[kit]]
id = "strip"
pads = {{ nitrate = [0, 10, 25, 50, 100, 250] }}
"""
THERMOMETER = """\
[[probe]]
id = "foyer-temperature"
tank = "foyer"
quantity = "temperature"
driver = "onewire"
device = "28-000000000001"
root = "{tree}"
every_seconds = 1
"""
RUSHLIGHT = [sys.executable, "-m", "rushlight"]


def one_wire(root: Path, device: str, temp_c: float) -> Path:
    """A thermometer as the kernel shows it: nine bytes with their CRC and the temperature."""
    folder = root / device
    folder.mkdir(parents=True, exist_ok=True)
    word = round(temp_c * 16) & 0xFFFF
    pad = [word & 0xFF, word >> 8, 0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10]
    crc = 0
    for byte in pad:
        for n in range(8):
            mix = (crc ^ byte >> n) & 1
            crc = crc >> 1 ^ (0x8C if mix else 0)
    text = " ".join(f"{b:02x}" for b in [*pad, crc])
    file = folder / "w1_slave"
    beside = folder / ".new"
    beside.write_text(f"{text} : crc={crc:02x} YES\n{text} t={round(temp_c * 1000)}\n")
    beside.replace(file)
    return file


class Daemon:
    """`rushlight run` with its own configuration; `log` collects what it says."""

    def __init__(self, config: Path) -> None:
        self.config, self.log = config, config.with_name("daemon.log")
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def folder(self) -> Path:
        """Where its journal and its socket are."""
        return Path(tomllib.loads(self.config.read_text())["storage"]["folder"])

    def spawn(self) -> None:
        with self.log.open("ab") as out:
            self.process = subprocess.Popen([*RUSHLIGHT, "run", "--config", str(self.config)], stdout=out, stderr=out)

    def pause(self, seconds: float) -> None:
        time.sleep(seconds)

    def start(self) -> Daemon:
        self.spawn()
        until(lambda: control.answers(self.folder), 60, f"the daemon, {self.log}")
        self.view()
        return self

    def command(self, *words: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        command = [*RUSHLIGHT, *words, "--config", str(self.config)]
        got = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert not check or got.returncode == 0, f"{words}: {got.stdout} {got.stderr}"
        return got

    def view(self) -> dict[str, Any]:
        """What `rushlight status --json` prints, without a process for each look."""
        view: dict[str, Any] = control.ask(self.folder, do="view")["view"]
        return view

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)

    def stop(self) -> int:
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(30)
