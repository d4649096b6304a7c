"""A new version through the rings and back, on six clean Debian 12 machines with a real systemd.

    python tests/bench/fleet_rings.py

One machine is the store's side, with a link to each of five Pis: one in ring `one`, two in `ten`, two in `rest`.  The
packages are built from this tree under three versions, the last of which cannot start.  The Pis' hourly unit is started
by hand; what it does is real, from the signed source to the installer's way back.  The machines have no other network.
Prints each step with its seconds and exits with 1 at the first that fails.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import time
import urllib.parse
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from fleet_steps import provide
from package_drill import BROKEN, Drill, package

from helpers import machines
from helpers.debian import run
from helpers.machines import Machine

OLD, NEW, BAD = "0.1.0", "0.1.1", "0.1.2"
PIS = {"rowan-foyer": "one", "elm-hall": "ten", "ash-hall": "ten", "oak-hall": "rest", "birch-hall": "rest"}
RINGS = tuple(dict.fromkeys(PIS.values()))
HEARD_S = 300
"""A Pi says every two minutes which version it runs."""


class Rollout:
    """The store's side and its Pis."""

    def __init__(self, hub: Machine, pis: dict[str, Machine], debs: dict[str, Path]) -> None:
        self.hub, self.pis, self.debs = hub, pis, debs

    @contextlib.contextmanager
    def step(self, what: str) -> Iterator[None]:
        begun_s = time.monotonic()
        yield
        sys.stdout.write(f"{time.monotonic() - begun_s:8.1f} s  {what}\n")
        sys.stdout.flush()

    # ------------------------------------------------------------------ what is asked

    def ask(self, query: str, port: int = 9090) -> list[dict[str, str]]:
        """Labels of what the rule engine finds, or the store at its port."""
        asked = urllib.parse.urlencode({"query": query})
        said = self.hub.run("curl", "-sS", "--fail", f"http://127.0.0.1:{port}/api/v1/query?{asked}").stdout
        return [row["metric"] for row in json.loads(said)["data"]["result"]]

    def heard(self, version: str, *members: str) -> None:
        """Rule engine and store hear of that version from just these; waits for what they say after now."""
        query = f'last_over_time(state_at_s{{version="{version}"}}[150s]) > {time.time():.0f}'
        for port in (9090, 8428):
            self.hub.until(
                f"{version} of {members} at {port}",
                lambda port=port: {row["member"] for row in self.ask(query, port)} == set(members),  # type: ignore[misc]
                HEARD_S,
            )

    def runs(self, member: str, version: str, *, whole: bool = True) -> None:
        """By the release that is linked, the unit, the journal's strip test and the package manager."""
        pi = self.pis[member]
        assert pi.show("ActiveState") == "active"
        assert (pi.root / "opt/rushlight/current").readlink().name.startswith(f"{version}-")
        kept = pi.run("rushlight", "export").stdout
        assert sum(json.loads(line)["kind"] == "test" for line in kept.splitlines()) == 1, kept
        state = pi.run("dpkg-query", "-W", "-f=${Status} ${Version}", "rushlight").stdout
        assert not whole or state == f"install ok installed {version}", state

    # ------------------------------------------------------------------ what is done

    def fleet(self, *words: str | Path, check: bool = True) -> subprocess.CompletedProcess[str]:
        return self.hub.run("fleet", *map(str, words), check=check)

    def publish(self, version: str, ring: str, *more: str, check: bool = True) -> str:
        done = self.fleet("publish", f"/root/{self.debs[version].name}", "--ring", ring, *more, check=check)
        if done.returncode == 0:
            self.hub.run("systemctl", "reload", "prometheus")
        return done.stderr

    def refused(self, version: str, ring: str, why: str) -> None:
        said = self.publish(version, ring, check=False)
        assert why in said, said

    def hour(self, *members: str) -> dict[str, str]:
        """What the hourly unit of these Pis says, or of each, by member."""
        said = {}
        for member in members or PIS:
            pi = self.pis[member]
            pi.run("systemctl", "start", "rushlight-fleet-update.service", check=False, timeout=900)
            log = pi.run("journalctl", "-u", "rushlight-fleet-update", "-o", "cat", "--no-pager").stdout
            said[member] = next((row for row in reversed(log.splitlines()) if row.startswith(("fleet:", "0."))), log)
        return said

    def bring_in(self) -> None:
        for member, pi in self.pis.items():
            parcel = f"/root/{member}.parcel"
            self.fleet("add", member, "--site", member.title(), "--ring", PIS[member], "--parcel", parcel)
            (pi.root / parcel[1:]).write_bytes((self.hub.root / parcel[1:]).read_bytes())
            with tempfile.TemporaryDirectory() as t:
                Drill(pi, Path(t)).install(self.debs[OLD])
            pi.run("sed", "-i", r"/^\[site\]/a trust_clock = true", "/etc/rushlight/config.toml")
            pi.run("tee", "/etc/pip.conf", stdin="[global]\nno-index = true\nfind-links = /wheels /srv/wheels\n")
            pi.run("bash", "/src/deploy/fleet/install.sh", "pi")
            pi.run("fleet", "take", parcel, timeout=600)
            pi.run("rushlight", "record", "test", "--tank", "tank", "nitrate=25")
        self.hub.run("systemctl", "reload", "rushlight-fleet-auth", "rushlight-fleet-agent", "prometheus")

    def forward(self) -> None:
        reached: list[str] = []
        for ring, after in zip(RINGS, (*RINGS[1:], ""), strict=True):
            members = [m for m, of in PIS.items() if of == ring]
            with self.step(f"{NEW} to ring {ring}: {', '.join(members)} take it up, no ring after it does"):
                if reached:
                    self.heard(NEW, *reached)
                self.publish(NEW, ring)
                for done, member in enumerate(members):
                    if after:  # a part of a ring is no ring
                        self.refused(NEW, after, f"{done} of {len(members)} in ring {ring}")
                    said_by = self.hour(member)
                    assert said_by[member] == f"{NEW} runs in the place of {OLD}", said_by
                    reached.append(member)
                    if member != members[-1]:
                        self.heard(NEW, *reached)
                for member in PIS:
                    if member not in reached:
                        assert self.hour(member) == {member: f"{OLD} is what the ring is offered"}
                    self.runs(member, NEW if member in reached else OLD)
        with self.step("the store knows it of all"):
            self.heard(NEW, *reached)

    def back(self) -> None:
        with self.step("one command back: all run the older one again, on the newer one's journal"):
            said = self.fleet("back").stdout
            assert said.count(f"{OLD} is offered to ring") == len(RINGS), said
            self.hub.run("systemctl", "reload", "prometheus")
            said_by = self.hour()
            assert set(said_by.values()) == {f"{OLD} runs in the place of {NEW}"}, said_by
            for member in PIS:
                self.runs(member, OLD)
            self.heard(OLD, *PIS)

    def bad(self) -> None:
        [first, *_] = PIS
        failed = "max by (member) (state_upgrade_failed == 1)"
        with self.step(f"{BAD} cannot start: ring one runs {OLD} on, and the store is told"):
            self.publish(BAD, "one")
            said_by = self.hour()
            assert said_by[first] == f"fleet: {BAD} did not come up; what ran before goes on", said_by
            self.runs(first, OLD, whole=False)
            self.hub.until("the store is told", lambda: self.ask(failed) == [{"member": first}], HEARD_S)
            self.refused(BAD, "ten", "0 of 1 in ring one")
        with self.step("at the unit's next turn it is not tried again and still said to have failed"):
            said_by = self.hour()
            assert said_by[first] == f"{BAD} did not come up here before; it is not tried again", said_by
            assert (self.pis[first].root / "var/lib/rushlight/upgrade-failed").read_text() == f"{BAD}\n"
            self.hub.until(
                "the desk's rule", lambda: bool(self.ask('ALERTS{alertname="UpgradeFailed", alertstate="firing"}')), 300
            )
        with self.step("one command back: nothing is said to have failed any more"):
            said = self.fleet("back").stdout
            assert said == f"{OLD} is offered to ring one\n", said
            self.hub.run("systemctl", "reload", "prometheus")
            self.hour()
            self.runs(first, OLD)
            self.hub.until("the store is told", lambda: not self.ask(failed), HEARD_S)

    def all(self) -> None:
        with self.step("the store's side"):
            self.hub.run("bash", "/src/deploy/fleet/install.sh", "hub", "hub.example.org", timeout=600)
            for deb in self.debs.values():
                (self.hub.root / "root" / deb.name).write_bytes(deb.read_bytes())
        with self.step(f"{len(PIS)} Pis with {OLD} as a package, brought in; all rings offer it"):
            self.bring_in()
            for ring in RINGS:
                self.publish(OLD, ring, "--anyway")
            self.heard(OLD, *PIS)
        self.forward()
        self.back()
        self.bad()


def join(hub: Machine, pi: Machine, net: int) -> None:
    """A cable between the two."""
    run(
        *hub.on_its_network(
            "ip", "link", "add", f"pi{net}", "type", "veth", "peer", "name", "host0", "netns", str(pi.pid)
        )
    )
    for machine, link, end in ((hub, f"pi{net}", 1), (pi, "host0", 2)):
        run(*machine.on_its_network("ip", "addr", "add", f"10.77.{net}.{end}/24", "dev", link))
        run(*machine.on_its_network("ip", "link", "set", link, "up"))


def main() -> None:
    """All of it."""
    with tempfile.TemporaryDirectory() as t, contextlib.ExitStack() as stack:
        folder = Path(t)
        debs = {OLD: package(OLD, folder), NEW: package(NEW, folder), BAD: package(BAD, folder, *BROKEN)}
        hub = stack.enter_context(machines.machine("bookworm"))
        provide(hub, "bookworm")
        hub.boot()
        pis = {}
        for net, member in enumerate(PIS, 1):
            pi = pis[member] = stack.enter_context(machines.machine("bookworm"))
            (pi.root / "etc/hosts").write_text(
                f"127.0.0.1 localhost\n127.0.1.1 reading-pi\n10.77.{net}.1 hub.example.org\n"
            )
            run("cp", "-r", hub.root / "srv/wheels", pi.root / "srv/wheels")
            pi.boot()
            join(hub, pi, net)
        Rollout(hub, pis, debs).all()


if __name__ == "__main__":
    try:
        main()
    except AssertionError as e:
        sys.exit(f"{e}")
