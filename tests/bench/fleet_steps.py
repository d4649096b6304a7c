"""The ten steps of deploy/fleet.md, typed as they stand on a clean Debian with a real systemd.

    python tests/bench/fleet_steps.py [bookworm|trixie] [--quick]

Store's side and Pi are one machine here, under the page's names.  The machine has no network: Debian's packages lie in
its cache and Python's in a folder.  It has no time source either, so its keeper vouches for its clock.  Prints each
block with its seconds, what the wall shows, and, as step 7 has it, what the desk is told of a Pi that has fallen silent
(here its daemon is stopped; 25 minutes, left out with `--quick`).  The Pi had an older release before it joined, and
goes back to that by hand: it has to go on sending.  Not typed: the import of step 9.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import time
import urllib.parse
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[1] / "deploy"))

from test_docs_commands import Keeper

from helpers import machines
from helpers.debian import run
from helpers.pages import DEPLOY, steps

PACKAGES = ("victoria-metrics", "prometheus", "prometheus-alertmanager", "openssl", "apt-utils", "gnupg", "curl")


def provide(machine: machines.Machine, suite: str) -> None:
    """What a network would have brought."""
    root = machine.root
    (root / "etc/hosts").write_text("127.0.0.1 localhost hub.example.org\n127.0.1.1 reading-pi\n")
    run("chroot", root, "apt-get", "-qq", "update")
    run("chroot", root, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-qq", "-y", "--no-install-recommends",
        "--download-only", "install", *PACKAGES)  # fmt: skip
    run("chroot", root, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", "-qq", "-y", "--no-install-recommends",
        "install", "curl")  # fmt: skip
    shutil.copytree(machines.wheels(suite, "timeseries"), root / "srv/wheels")


def main(suite: str = "bookworm", *, quick: bool = False) -> None:
    with machines.machine(suite) as machine:
        provide(machine, suite)
        machine.boot()
        keeper = Keeper(machine)
        machine.run("tee", "/etc/pip.conf", stdin="[global]\nno-index = true\nfind-links = /wheels /srv/wheels\n")
        password = ""
        for step in steps(DEPLOY / "fleet.md"):
            if step.kind in {"toml", "later", "on-the-pi", "drawing"}:
                continue
            text = step.text.replace("--user wall", f"--user wall:{password}")
            if text.startswith("sudo fleet render"):
                desk = 's|^webhook = ""|webhook = "http://127.0.0.1:8090/desk"|'
                machine.run("sed", "-i", desk, "/etc/rushlight-fleet/fleet.toml")
            if "fleet take" in text:  # the Pi has been installed before, says the page
                installed(keeper, "0.1.0", "0.0.9")
                installed(keeper, "0.0.9", "0.1.0")
                machine.run("sed", "-i", r"/^\[site\]/a trust_clock = true", "/etc/rushlight/config.toml")
            if "curl" in text:
                seen(keeper)
            said = keeper.type(text)
            print(f"{keeper.steps[-1][0]:6.1f} s  {text.splitlines()[0]}", flush=True)
            if found := re.search(r"password: (\S+)", said):
                password = found[1]
            if "wall.html" in text:
                print("        the wall:", re.findall(r"<td>(.*?)</td>", said)[:3])
                assert "Rowan Street library" in said
                gone_back(keeper)
                if not quick:
                    silenced(machine)
        failed = machine.run("systemctl", "--failed", "--plain", "--no-legend").stdout
        print("failed units:", failed.strip() or "none")


def installed(keeper: Keeper, was: str, version: str) -> None:
    """That version, by the installer of the unpacked archive."""
    keeper.type(f'sed -i \'s|^\\(.*ersion.* = \\)"{was}"|\\1"{version}"|\' pyproject.toml daemon/rushlight/__init__.py')
    keeper.type("sudo bash deploy/install.sh --yes")
    assert runs(keeper, version), keeper.type("readlink /opt/rushlight/current")


def runs(keeper: Keeper, version: str) -> bool:
    return keeper.type("readlink /opt/rushlight/current").startswith(f"{version}-")


def gone_back(keeper: Keeper) -> None:
    """The release before, taken up by hand, sends too."""
    for version in ("0.0.9", "0.1.0"):
        print("        by hand:", keeper.type("sudo bash deploy/install.sh --roll-back").splitlines()[-1], flush=True)
        assert runs(keeper, version)
        seen(keeper, version)
        print(f"        {version} is heard", flush=True)


def silenced(machine: machines.Machine) -> None:
    """What the desk is told of a Pi that is silent, and that it is told once."""
    before = told(machine)
    machine.run("systemctl", "stop", "rushlight")
    machine.until("the desk is told", lambda: len(told(machine)) > len(before), 25 * 60)
    time.sleep(6 * 60)  # longer than the router waits between two messages of one matter
    machine.run("systemctl", "start", "rushlight")
    print("        the desk was told:", told(machine)[len(before) :], flush=True)
    assert len(told(machine)) == len(before) + 1


def told(machine: machines.Machine) -> list[str]:
    """The rules that the router's posts to the desk name."""
    posts = map(json.loads, machine.run("cat", "/run/posts.jsonl", check=False).stdout.splitlines())
    return [a["labels"]["alertname"] for p in posts if p["path"] == "/desk" for a in json.loads(p["body"])["alerts"]]


def seen(keeper: Keeper, version: str = "0.1.0") -> None:
    """Until the Pi says that it sends and the engine has heard from that version what it said after now."""
    begun_s, end = time.time(), time.monotonic() + 300
    query = urllib.parse.quote(f'state_at_s{{version="{version}"}} > {begun_s:.0f}')
    while "Sending without trouble" not in (said := keeper.type("sudo rushlight status")):
        assert time.monotonic() < end, said
        time.sleep(3)
    while "state_at_s" not in keeper.type(f"curl -s 'http://127.0.0.1:9090/api/v1/query?query={query}'"):
        assert time.monotonic() < end, keeper.type("sudo rushlight status")
        time.sleep(3)
    time.sleep(70)  # the rules run once a minute


if __name__ == "__main__":
    try:
        words = sys.argv[1:]
        main(*(w for w in words if w != "--quick"), quick="--quick" in words)
    except (AssertionError, subprocess.CalledProcessError) as e:
        sys.exit(f"{e}")
