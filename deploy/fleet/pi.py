"""What is done on the Pi: taking a parcel, leaving the fleet, and taking up the version that its ring is offered.

Owns the marked part at the end of the Pi's configuration, and the files named `fleet` beside it.  `root` stands before
every path, so that an image on a card can be changed too.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from register import FleetError, write

BEGIN, END = "# fleet: begin; 'fleet leave' takes this part out", "# fleet: end"
INSTALLER = "usr/share/rushlight/source/deploy/install.sh"
_PART = re.compile(rf"\n*{re.escape(BEGIN)}\n.*?{re.escape(END)}\n", re.DOTALL)
_KEYS = {"parcel", "member", "url", "token", "authority", "ring", "packages", "packages_key"}
Run = Callable[..., int]


def run(*words: str) -> int:
    """A command's exit status."""
    return subprocess.run(words, check=False).returncode  # noqa: S603


def _places(root: Path) -> dict[str, Path]:
    etc = root / "etc/rushlight"
    return {
        "config": etc / "config.toml",
        "token": etc / "fleet/token",
        "ca": etc / "fleet/ca.crt",
        "source": root / "etc/apt/sources.list.d/rushlight-fleet.list",
        "key": root / "etc/apt/keyrings/rushlight-fleet.asc",
        "pin": root / "etc/apt/preferences.d/rushlight-fleet",
        "failed": root / "var/lib/rushlight/upgrade-failed",
    }


def read_parcel(file: Path) -> dict[str, Any]:
    """Raises FleetError."""
    try:
        made = json.loads(file.read_text("utf-8"))
    except (OSError, ValueError) as e:
        raise FleetError(f"{file} is no parcel: {e}") from None
    if not isinstance(made, dict) or set(made) != _KEYS or made["parcel"] != 1:
        raise FleetError(f"{file} is no parcel of this fleet's version")
    return made


def take(parcel: dict[str, Any], root: Path = Path("/"), run: Run = run) -> None:
    """Put the parcel's parts in place.  Taken twice, or another in its stead, is well.  Raises FleetError."""
    at = _places(root)
    try:
        text = at["config"].read_text("utf-8")
    except FileNotFoundError:
        raise FleetError(f"{at['config']} is not there; install first (install.md)") from None
    text = _PART.sub("\n", text)
    if "timeseries" in tomllib.loads(text):
        raise FleetError(f"{at['config']} has a [timeseries] of its own; take it out first, a Pi has one store")
    part = (
        f"\n{BEGIN}\n[timeseries]\n"
        f"url = {json.dumps(parcel['url'])}\n"
        'org = "fleet"\nbucket = "fleet"\n'
        f"token_file = {json.dumps('/' + str(at['token'].relative_to(root)))}\n"
        f"ca_file = {json.dumps('/' + str(at['ca'].relative_to(root)))}\n"
        f"{END}\n"
    )
    write(at["ca"], parcel["authority"])
    write(at["token"], parcel["token"] + "\n", 0o640)
    write(at["config"], text.rstrip("\n") + "\n" + part, 0o640)
    if parcel["packages"]:
        _source(at, parcel)
    for place in (at["token"].parent, at["token"], at["config"]):
        if root == Path("/"):
            shutil.chown(place, group="rushlight")
    _take_up(root, run)


def _source(at: dict[str, Path], parcel: dict[str, Any]) -> None:
    host = urlsplit(parcel["packages"]).hostname
    write(at["key"], parcel["packages_key"])
    write(
        at["source"],
        f"deb [signed-by=/etc/apt/keyrings/rushlight-fleet.asc] {parcel['packages']} {parcel['ring']} main\n",
    )
    # Above 1000 an older version is taken too: so the fleet can go back.
    write(at["pin"], f"Package: rushlight\nPin: origin {host}\nPin-Priority: 1001\n")


def _take_up(root: Path, run: Run) -> None:
    """Have the installer fetch the store's client library, and the daemon read its configuration again."""
    installer = root / INSTALLER
    if root == Path("/") and installer.exists():
        if run("bash", str(installer), "--yes"):
            raise FleetError("the installer did not end well; what it said stands above")
        run("systemctl", "restart", "rushlight.service")
        run("systemctl", "enable", "--now", "rushlight-fleet-update.timer")


def leave(root: Path = Path("/"), run: Run = run) -> None:
    """Take everything out that `take` put in; the Pi goes on by itself.  Raises FleetError."""
    at = _places(root)
    text = at["config"].read_text("utf-8")
    if not _PART.search(text):
        raise FleetError("this Pi does not belong to a fleet")
    write(at["config"], _PART.sub("\n", text), 0o640)
    if root == Path("/"):
        shutil.chown(at["config"], group="rushlight")
        run("systemctl", "disable", "--now", "rushlight-fleet-update.timer")
    for name in ("token", "ca", "source", "key", "pin", "failed"):
        at[name].unlink(missing_ok=True)
    shutil.rmtree(at["token"].parent, ignore_errors=True)
    if root == Path("/"):
        run("systemctl", "restart", "rushlight.service")


def update(root: Path = Path("/"), run: Run = run) -> str:
    """Take up the version that the ring is offered, older or newer; returns what was done in a sentence.

    A version that failed is not tried again: the file `upgrade-failed` names it, and the store is told.
    """
    at = _places(root)
    only = f"Dir::Etc::sourcelist={at['source']}"
    run("apt-get", "-qq", "update", "-o", only, "-o", "Dir::Etc::sourceparts=-", "-o", "APT::Get::List-Cleanup=0")
    has, offered = _versions()
    failed = at["failed"].read_text("utf-8").strip() if at["failed"].exists() else ""
    if offered == has:
        at["failed"].unlink(missing_ok=True)
        return f"{has} is what the ring is offered"
    if offered == failed:
        return f"{offered} did not come up here before; it is not tried again"
    done = run("apt-get", "-qq", "-y", "--allow-downgrades", "install", f"rushlight={offered}")
    if done or run("systemctl", "is-active", "--quiet", "rushlight.service"):
        write(at["failed"], offered + "\n")
        raise FleetError(f"{offered} did not come up; what ran before goes on")
    at["failed"].unlink(missing_ok=True)
    return f"{offered} runs in the place of {has}"


def _versions() -> tuple[str, str]:
    """What is installed and what is offered, by the system's package manager.

    A package whose own script failed counts as installed there; here it does not, for it is not what runs.
    """
    done = subprocess.run(["apt-cache", "policy", "rushlight"], capture_output=True, text=True, check=False)  # noqa: S607
    found = dict(re.findall(r"^  (Installed|Candidate): (\S+)$", done.stdout, re.MULTILINE))
    if len(found) != 2 or "(none)" in found.values():
        raise FleetError("rushlight is not installed as a package here, so it is not upgraded by itself")
    words = ("dpkg-query", "-W", "-f=${db:Status-Abbrev}", "rushlight")
    state = subprocess.run(words, capture_output=True, text=True, check=False).stdout  # noqa: S603
    whole = "" if state.startswith("ii") else " (not whole)"
    return found["Installed"] + whole, found["Candidate"]
