"""What the guide writes: additions to the configuration, and a folder with everything that goes onto a wireless board.

Owns how a file is written whole and for whom it is readable.  What is new is added at a configuration's end; a line
that is there is changed where a person asked for just that.  The whole is checked first.
"""

from __future__ import annotations

import configparser
import contextlib
import os
import shutil
import socket
from collections.abc import Sequence
from pathlib import Path

from rushlight.config import loading as configuration

BOARD_FILES = ("main.py", "board.py", "framing.py", "measure.py", "mqtt.py", "probes.py", "wireless.py")


def write_config(file: Path, text: str) -> None:
    """Check the text as a configuration, then put it in the file's place.  Raises ConfigError, OSError."""
    configuration.check(configuration.parse(text, file), file)
    _write(file, text, 0o640)


def add_to_config(file: Path, *tables: str) -> None:
    """Add tables at the end, if the whole is a good configuration then.  Raises ConfigError, OSError."""
    text = file.read_text()
    write_config(file, "\n".join([text.rstrip("\n") + "\n", *tables]))


def with_value(text: str, table: str, nth: int, key: str, value: str) -> str | None:
    """The text with one value changed: `key` in the `nth` table of that name, counted from 0, everything else as it is.

    A table within others, such as `tank.limits`, is the one within the `nth` of those.  None where no such line stands
    there, as when somebody wrote it in another form.
    """
    outer = table.rpartition(".")[0]
    lines, seen, here = text.splitlines(keepends=True), -1, False
    for n, line in enumerate(lines):
        if line.startswith("["):
            head = line.strip().partition("#")[0].strip()
            here = head == f"[{table}]"
            seen += head == f"[[{outer}]]" if outer else here
        elif here and seen == nth and line.partition("=")[0].strip() == key:
            lines[n] = f"{key} = {value}\n"
            return "".join(lines)
    return None


def write_board(folder: Path, firmware: Path, settings: str, authority: Path) -> list[str]:
    """Everything that is to be copied onto one board; returns the names.  Raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in BOARD_FILES:
        shutil.copyfile(firmware / name, folder / name)
    shutil.copyfile(authority, folder / "ca.der")
    _write(folder / "settings.py", settings, 0o640)  # it holds two passwords
    for made in folder.iterdir():
        _belong_to(folder.parent.parent, made)
    for made in (folder, folder.parent):
        _belong_to(folder.parent.parent, made)
    return sorted([*BOARD_FILES, "ca.der", "settings.py"])


def board_settings(template: str, name: str, wifi: tuple[str, str], hosts: Sequence[str], password: str) -> str:
    """A board's settings.py: the one that comes with the firmware, with name and broker filled in."""
    mqtt = {"wifi": wifi, "hosts": tuple(hosts), "user": "board", "password": password, "ca": "ca.der"}
    lines = []
    for line in template.splitlines():
        key = line.partition(" = ")[0]
        lines.append({"NAME": f"NAME = {name!r}", "MQTT": f"MQTT = {mqtt!r}"}.get(key, line) if "=" in line else line)
    return "\n".join(lines) + "\n"


def own_wifi(root: Path) -> tuple[str, str] | None:
    """Name and password of a Wi-Fi that this computer itself joins, as NetworkManager keeps them; None: none is found.

    The form is that of nm-settings-keyfile(5).
    """
    for file in sorted((root / "etc/NetworkManager/system-connections").glob("*.nmconnection")):
        kept = configparser.RawConfigParser(strict=False)
        with contextlib.suppress(OSError, configparser.Error, UnicodeDecodeError):
            kept.read_string(file.read_text())
            name, password = kept.get("wifi", "ssid"), kept.get("wifi-security", "psk")
            if name and password:
                return name, password
    return None


def addresses() -> list[str]:
    """What this machine is called in the home network, and its address there as far as one can be found."""
    host = socket.gethostname()
    found = [host if "." in host else f"{host}.local"]
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        s.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737); nothing is sent, only the way is chosen
        found.append(s.getsockname()[0])
    return found


def _write(file: Path, text: str, mode: int) -> None:
    beside = file.with_name(file.name + ".new")
    with contextlib.suppress(FileNotFoundError):
        beside.unlink()
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "w") as out:
        out.write(text)
        out.flush()
        os.fsync(out.fileno())
    beside.chmod(mode)
    _belong_to(file if file.exists() else file.parent, beside)
    beside.replace(file)


def _belong_to(like: Path, file: Path) -> None:
    """Give the file the owner and the group of another; only root can, and only then is it needed."""
    if os.geteuid() == 0:
        there = like.stat()
        os.chown(file, there.st_uid, there.st_gid)
