"""The fleet's commands, for the machine with the store and for each Pi: `fleet COMMAND --help` tells more.

Exit status: 0 done; 1 it did not work, the reason on standard error; 2 wrong usage.
"""

from __future__ import annotations

import argparse
import json
import secrets
import sys
import urllib.parse
import urllib.request
from pathlib import Path

import packages
import pi
import register
import render
from register import FleetError, Member

_RELOAD = (
    "systemctl reload rushlight-fleet-auth rushlight-fleet-agent prometheus prometheus-alertmanager "
    "rushlight-fleet-router-twin"
)


def main(words: list[str]) -> int:
    """Run one command; returns its exit status."""
    options = _parser().parse_args(words)
    try:
        options.act(options)
    except (FleetError, OSError) as e:
        sys.stderr.write(f"fleet: {e}\n")
        return 1
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="fleet", description="Many installations, one store.")
    parser.add_argument("--folder", type=Path, default=Path("/etc/rushlight-fleet"), help="the fleet's folder")
    parser.add_argument("--root", type=Path, default=Path("/"), help="the Pi's root, where it is not this machine")
    commands = parser.add_subparsers(required=True)

    def command(name: str, act: object, text: str) -> argparse.ArgumentParser:
        made = commands.add_parser(name, help=text, description=text)
        made.set_defaults(act=act)
        return made

    first = command("init", _init, "Make folder, authority and certificate, and write every part's configuration.")
    first.add_argument("--host", required=True, help="name or address under which the Pis reach this machine")
    command("render", _render, "Write every part's configuration again, after a change in fleet.toml.")
    new = command("add", _add, "Bring in a Pi: its token and a parcel for it, on standard output or in a file.")
    new.add_argument("member", help="its name in the fleet, such as rowan-street-foyer")
    new.add_argument("--site", required=True, help="the building; a building's failure is one message")
    new.add_argument("--route", default="", help="the service round that visits it")
    new.add_argument("--ring", default="rest", choices=register.RINGS, help="when it gets new versions")
    new.add_argument("--kept-by-desk", action="store_true", help="its own alarms wake the desk: not told twice")
    new.add_argument("--parcel", type=Path, help="the file to write")
    command("out", _out, "Take a Pi out again: its token is worth nothing any more.").add_argument("member")
    command("list", _list, "Who belongs to the fleet.")
    offer = command("publish", _publish, "Offer a package to a ring: one, then ten, then rest.")
    offer.add_argument("deb", type=Path)
    offer.add_argument("--ring", required=True, choices=register.RINGS)
    offer.add_argument("--anyway", action="store_true", help="although the ring before does not run it yet")
    command("back", _back, "Withdraw the newest version: every ring gets what it had before.")
    command("take", _take, "On the Pi: take a parcel.").add_argument("parcel", type=Path)
    command("leave", _leave, "On the Pi: leave the fleet.")
    command("update", _update, "On the Pi: take up the version that its ring is offered; a timer does.")
    return parser


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")


def _again(fleet: register.Fleet) -> None:
    files = render.render(fleet)
    sys.stderr.write(f"{len(files)} files written below {fleet.folder / 'out'}; now: {_RELOAD}\n")


def _init(options: argparse.Namespace) -> None:
    fleet = register.begin(options.folder, options.host)
    packages.signer(fleet)
    _again(fleet)
    _say(f"the reading role's password: {fleet.reader}")


def _render(options: argparse.Namespace) -> None:
    _again(register.load(options.folder))


def _add(options: argparse.Namespace) -> None:
    fleet = register.load(options.folder)
    member = Member(
        token=secrets.token_urlsafe(32),
        site=options.site,
        route=options.route,
        ring=options.ring,
        keeper="desk" if options.kept_by_desk else "own",
    )
    register.add(fleet, options.member, member)
    text = register.parcel(fleet, options.member)
    if options.parcel:
        register.write(options.parcel, text, 0o600)
    else:
        _say(text.rstrip())
    _again(fleet)


def _out(options: argparse.Namespace) -> None:
    fleet = register.load(options.folder)
    if fleet.members.pop(options.member, None) is None:
        raise FleetError(f"{options.member} does not belong to the fleet")
    fleet.save()
    _again(fleet)


def _list(options: argparse.Namespace) -> None:
    for name, m in sorted(register.load(options.folder).members.items()):
        _say("\t".join((name, m.site, m.route or "-", m.ring, m.keeper)))


def _publish(options: argparse.Namespace) -> None:
    fleet = register.load(options.folder)
    before, version = packages.earlier(options.ring), packages.version_of(options.deb)
    if before and not options.anyway:
        _must_run(fleet, before, version)
    packages.put(fleet, options.deb, options.ring)
    _again(fleet)
    _say(f"{version} is offered to ring {options.ring}")


def _must_run(fleet: register.Fleet, ring: str, version: str) -> None:
    """The store must have heard that version from every member of the ring before, and no failure."""
    runs = f"max by (member) (state_at_s{{version={json.dumps(version)}}})"
    inside = f"on (member) group_left (ring) fleet:member{{ring={json.dumps(ring)}}}"
    query = f"count({runs} * {inside} unless on (member) (state_upgrade_failed == 1))"
    asked = urllib.parse.urlencode({"query": query})
    with urllib.request.urlopen(f"http://{render.RULES}/api/v1/query?{asked}", timeout=10) as answer:
        found = json.load(answer)["data"]["result"]
    heard, all_of = (
        int(float(found[0]["value"][1])) if found else 0,
        sum(m.ring == ring for m in fleet.members.values()),
    )
    if not all_of or heard < all_of:
        raise FleetError(f"{heard} of {all_of} in ring {ring} run {version} without a failure; wait, or say --anyway")


def _back(options: argparse.Namespace) -> None:
    fleet = register.load(options.folder)
    for ring, version in packages.back(fleet).items():
        _say(f"{version} is offered to ring {ring}")
    _again(fleet)


def _take(options: argparse.Namespace) -> None:
    parcel = pi.read_parcel(options.parcel)
    pi.take(parcel, options.root)
    _say(f"this Pi is {parcel['member']} and sends to {parcel['url']}; delete the parcel, it holds the token")


def _leave(options: argparse.Namespace) -> None:
    pi.leave(options.root)
    _say("this Pi belongs to no fleet any more; have it taken out on the hub's side too")


def _update(options: argparse.Namespace) -> None:
    _say(pi.update(options.root))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
