"""A wireless board and its broker for tests: the firmware's own programme under MicroPython, the broker as
install.sh sets it up.  Only the radio, the pins and the size of the waits are not the board's."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import textwrap
import threading
from pathlib import Path

import paho.mqtt.client as paho

from helpers.waiting import until

ROOT = Path(__file__).parents[2]
INSTALL = ROOT / "deploy/install"
BOARD = ROOT / "deploy/board"
HARDWARE = ROOT / "tests/deploy/board_hardware"
CERTIFICATE = INSTALL / "certificate.sh"

PROGRAMME = """
import sys
sys.path[0:0] = [{hardware!r}, {board!r}]
import machine, settings
settings.EVERY_S, settings.ONEWIRE_PIN, settings.LIGHT = 0.2, None, None
settings.MQTT = {options!r}
machine.scene(adc=[29243], lamp={lamp!r}, radio={radio!r})
import board, wireless
board.READ_EVERY_MS = 50
board.Lamp.ON_MS = board.Lamp.OFF_MS = 1
flash = board.Lamp.flash
def in_a_row(lamp, count):
    with open({lamp!r}, "a") as file:
        file.write("\\n")
    flash(lamp, count)
board.Lamp.flash = in_a_row
wireless.PAUSES_MS = (200, 400)
wireless.CONNECT_MS = wireless.ANSWER_MS = {wait_ms}
wireless.WIFI_ASK_MS = 200
{scene}
board.run()
"""

_FILES = """
set -euo pipefail
put() { cat >"$out/$(basename "$3")"; put_changed=no; }
change() { :; }
folder() { :; }
systemctl() { :; }
dry_run=no etc=/none here={here}
source {here}/install/broker.sh
broker_passwords() { :; }
broker_certificates() { :; }
broker_timer() { :; }
broker_folder=$out
install_broker
"""


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Broker:
    """mosquitto with the configuration and the rights that broker.sh writes, in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.plain, self.tls = folder, free_port(), free_port()
        self.authority = folder / "authority"
        for made in (folder, self.authority):
            made.mkdir(parents=True, exist_ok=True)
            made.chmod(0o755)
        code = _FILES.replace("{here}", str(ROOT / "deploy"))
        subprocess.run(["bash", "-c", code], env={**os.environ, "out": str(folder)}, check=True)
        conf = (folder / "rushlight.conf").read_text()
        conf = conf.replace("listener 1883", f"listener {self.plain}").replace(
            "listener 8883", f"listener {self.tls} 127.0.0.1"
        )
        # The test's root owns the files; the installed broker runs as a user of its own.
        (folder / "rushlight.conf").write_text("user root\n" + conf)
        self.certify()
        self.passwords = {"rushlight": "own", "board": "right", "hub": "house"}
        self.write_passwords()
        self._process: subprocess.Popen[bytes] | None = None

    def certify(self) -> None:
        subprocess.run(["bash", CERTIFICATE, "--group", "root", self.authority, self.folder], check=True)

    def write_passwords(self) -> None:
        file = self.folder / "passwords"
        file.write_text("".join(f"{name}:{word}\n" for name, word in self.passwords.items()))
        subprocess.run(["mosquitto_passwd", "-U", file], check=True)

    def setting(self, line: str) -> None:
        file = self.folder / "rushlight.conf"
        key = line.split(maxsplit=1)[0]
        file.write_text("".join(f"{r}\n" for r in file.read_text().splitlines() if r.split()[:1] != [key]))
        file.write_text(f"{line}\n{file.read_text()}")

    def start(self) -> None:
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                ["mosquitto", "-c", self.folder / "rushlight.conf"], stdout=log, stderr=log
            )
        until(lambda: _open(self.plain), what="the broker is up")

    def stop(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def restart(self) -> None:
        self.stop()
        self.start()

    def signal(self, number: int) -> None:
        assert self._process is not None
        self._process.send_signal(number)


class Listener:
    """The daemon's ears: every pack below boards/, as the account `rushlight` hears it."""

    def __init__(self, port: int, *, name: str = "", keep: bool = False) -> None:
        self.packs: list[bytes] = []
        self._heard = threading.Condition()
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id=name or None, clean_session=not keep)
        self._client.username_pw_set("rushlight", "own")
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda c, *_: c.subscribe("boards/#", qos=1)
        self._client.on_message = self._take
        self._client.connect_async("127.0.0.1", port)
        self._client.loop_start()

    def _take(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        with self._heard:
            self.packs.append(message.payload)

    def numbers(self) -> list[int]:
        return [int(r["v"]) for p in list(self.packs) for r in json.loads(p) if r["n"] == "n"]

    def hears(self, more: int = 1, within_s: float = 20.0) -> None:
        """Wait until so many further packs are in."""
        before = len(self.packs)
        until(lambda: len(self.packs) >= before + more, within_s, "packs from the board")

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class WirelessBoard:
    """The firmware, running; what it says on its serial line is in `said`."""

    def __init__(
        self,
        command: list[str],
        folder: Path,
        *,
        port: int,
        ca: Path,
        hosts: tuple[str, ...] = ("127.0.0.1",),
        password: str = "right",
        wait_ms: int = 1500,
        scene: str = "",
    ) -> None:
        folder.mkdir(exist_ok=True)
        self.radio, self.lamp, self.ca = folder / "radio", folder / "lamp", folder / "ca.der"
        self.radio.write_text("joined")
        self.lamp.write_text("\n")
        if ca.exists():
            shutil.copy(ca, self.ca)
        options = {
            "wifi": ("house", "word"),
            "hosts": hosts,
            "port": port,
            "user": "board",
            "password": password,
            "ca": str(self.ca),
        }
        code = PROGRAMME.format(
            hardware=str(HARDWARE), board=str(BOARD), options=options, lamp=str(self.lamp), radio=str(self.radio),
            wait_ms=wait_ms, scene=textwrap.dedent(scene),
        )  # fmt: skip
        self.said: list[str] = []
        self._process = subprocess.Popen([*command, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.said.append(line.decode(errors="replace").rstrip())

    def says(self, pattern: str, within_s: float = 20.0) -> None:
        until(lambda: self._find(pattern), within_s, f"{pattern!r} on the serial line, not {self.said}")

    def _find(self, pattern: str) -> bool:
        assert self._process.poll() is None, f"the board's programme ended: {self.said}"
        return any(re.search(pattern, line) for line in list(self.said))

    def flashes(self) -> int:
        """How often in a row the lamp flashed last, counted at the pin."""
        return len(self.lamp.read_text().split("\n")[-2])

    def status(self) -> int | None:
        return self._process.poll()

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()


def _open(port: int) -> bool:
    with socket.socket() as s:
        return s.connect_ex(("127.0.0.1", port)) == 0
