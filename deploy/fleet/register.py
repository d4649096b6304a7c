"""Who belongs to the fleet: the register, and what each Pi is handed.

Owns `register.json` in the fleet's folder, the authority that signs the store's certificate, and the form of a parcel.
Standard library and openssl alone, so that it runs on a bare Debian system.
"""

from __future__ import annotations

import dataclasses
import json
import os
import re
import secrets
import subprocess
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

RINGS = ("one", "ten", "rest")
"""In which order a new version goes out."""
_NAME = re.compile(r"[a-z0-9][a-z0-9-]{1,62}")

SETTINGS = """\
# The fleet's own settings.  After a change: fleet render, then restart what it names.
host = "{host}"                  # under this name or address the Pis reach this machine
port = 8427                      # TLS, tokens checked
packages_port = 8426             # the local package source; its files are signed

# Stores: each inner list holds the same installations, on as many nodes as it is long; the installations are spread
# over the lists.  One node: [["http://127.0.0.1:8428"]].  Two times two:
# [["http://store-a:8428", "http://store-b:8428"], ["http://store-c:8428", "http://store-d:8428"]]
shards = [["http://127.0.0.1:8428"]]
routers = ["127.0.0.1:9093", "127.0.0.1:9095"]   # two that know each other: when one dies, nothing is told twice

[desk]                           # who is told; not the keepers, whom their own Pi wakes
mail_to = ""
mail_from = ""
mail_server = ""                 # host:port
webhook = ""                     # or an address that takes the router's JSON
watcher = ""                     # an outside address pinged while all of this runs
"""


class FleetError(Exception):
    """Something a person has to mend; its text says what."""


@dataclass(slots=True, kw_only=True)
class Member:
    """One installation; `keeper` is `desk` where the people at the desk are also the ones its own alarms wake."""

    token: str
    site: str
    route: str = ""
    ring: str = "rest"
    keeper: str = "own"


@dataclass(slots=True)
class Fleet:
    """The folder with everything; `save` writes what changed."""

    folder: Path
    settings: dict[str, Any]
    members: dict[str, Member]
    label: str
    """Under this name the token check passes the member's name on; random, so that no Pi can claim another's."""
    reader: str
    """The reading role's password."""
    wanted: dict[str, str] = field(default_factory=dict)
    """Version by ring."""

    def save(self) -> None:
        known = {
            "label": self.label,
            "reader": self.reader,
            "wanted": self.wanted,
            "members": {name: dataclasses.asdict(m) for name, m in sorted(self.members.items())},
        }
        write(self.folder / "register.json", json.dumps(known, indent=1) + "\n", 0o600)


def write(file: Path, text: str, mode: int = 0o644) -> None:
    """Whole or not at all."""
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_name(f"{file.name}.part")
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode), "w", encoding="utf-8") as f:
        f.write(text)
        f.flush()
        os.fsync(f.fileno())
    part.chmod(mode)
    part.replace(file)


def load(folder: Path) -> Fleet:
    """Raises FleetError."""
    try:
        known = json.loads((folder / "register.json").read_text("utf-8"))
        settings = tomllib.loads((folder / "fleet.toml").read_text("utf-8"))
    except FileNotFoundError as e:
        raise FleetError(f"{e.filename} is not there; begin with: fleet init") from None
    except ValueError as e:
        raise FleetError(f"{folder}: {e}") from None
    members = {name: Member(**m) for name, m in known["members"].items()}
    return Fleet(folder, settings, members, known["label"], known["reader"], known["wanted"])


def begin(folder: Path, host: str) -> Fleet:
    """Make folder, settings, authority and certificate where there are none.  Raises FleetError."""
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "fleet.toml").exists():
        write(folder / "fleet.toml", SETTINGS.format(host=host))
    if not (folder / "register.json").exists():
        Fleet(folder, {}, {}, f"__from_{secrets.token_hex(8)}", secrets.token_urlsafe(18)).save()
    fleet = load(folder)
    if not (folder / "ca.crt").exists():
        _authority(folder)
    if not (folder / "hub.crt").exists():
        _certificate(folder, fleet.settings["host"])
    return fleet


def _openssl(*words: str | Path) -> None:
    done = subprocess.run(["openssl", *map(str, words)], capture_output=True, text=True, check=False)  # noqa: S603, S607
    if done.returncode:
        raise FleetError(f"openssl {words[0]}: {done.stderr.strip()[-300:]}")


def _key(file: Path) -> None:
    write(file, "", 0o600)
    _openssl("genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:P-256", "-out", file)


def _authority(folder: Path) -> None:
    key = folder / "ca.key"
    _key(key)
    _openssl(
        "req", "-x509", "-new", "-key", key, "-days", "7300", "-subj", "/CN=fleet authority", "-out", folder / "ca.crt"
    )


def _certificate(folder: Path, host: str) -> None:
    """For the fleet's host, by name or address, and for this machine itself."""
    kind = "IP" if re.fullmatch(r"[0-9.]+|[0-9a-f:]+:[0-9a-f:]*", host) else "DNS"
    key, asked, names = folder / "hub.key", folder / "hub.csr", folder / "hub.ext"
    _key(key)
    write(names, f"subjectAltName={kind}:{host},DNS:localhost,IP:127.0.0.1\nextendedKeyUsage=serverAuth\n")
    _openssl("req", "-new", "-key", key, "-subj", "/CN=fleet store", "-out", asked)
    _openssl(
        "x509", "-req", "-in", asked, "-CA", folder / "ca.crt", "-CAkey", folder / "ca.key", "-CAcreateserial",
        "-days", "3650", "-extfile", names, "-out", folder / "hub.crt",
    )  # fmt: skip
    asked.unlink()
    names.unlink()


def add(fleet: Fleet, name: str, member: Member) -> None:
    """Raises FleetError."""
    if not _NAME.fullmatch(name):
        raise FleetError(f"{name!r}: a name is of small letters, digits and hyphens, two at least")
    if name in fleet.members:
        raise FleetError(f"{name} belongs to the fleet already; for a new token take it out first")
    if member.ring not in RINGS:
        raise FleetError(f"{member.ring!r}: the rings are {', '.join(RINGS)}")
    fleet.members[name] = member
    fleet.save()


def parcel(fleet: Fleet, name: str) -> str:
    """What the Pi takes: where to send, its token, the authority, the packages' key.  A secret, by its token."""
    member, conf = fleet.members[name], fleet.settings
    signer = fleet.folder / "packages.asc"
    made = {
        "parcel": 1,
        "member": name,
        "url": f"https://{conf['host']}:{conf['port']}",
        "token": member.token,
        "authority": (fleet.folder / "ca.crt").read_text("utf-8"),
        "ring": member.ring,
        "packages": f"http://{conf['host']}:{conf['packages_port']}" if signer.exists() else "",
        "packages_key": signer.read_text("utf-8") if signer.exists() else "",
    }
    return json.dumps(made, indent=1) + "\n"
