"""What `rushlight check` tries: each probe once, each channel, and what the configuration leaves open.

While the daemon runs it alone may open a port, so the probes' state is then the daemon's own.
"""

from __future__ import annotations

import stat
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from rushlight.clock import Clock
from rushlight.config import implied
from rushlight.localunits import Units
from rushlight.outlets.hub import broker
from rushlight.outlets.result import Done, Parcel, Result
from rushlight.service import notifying
from rushlight.service.starting.heard import Live
from rushlight.settings import Config, Probe, Tank
from rushlight.views import SiteView
from rushlight_drivers import Sample

_PATIENCE_S = 15.0
_TRIAL_S = 30.0
_TRIAL = "This message was asked for with 'rushlight check --send'. Nothing to do."
_NOT_EVALUATED = 2
"""The flag of millivolts that no calibration makes sense of yet: the probe is heard, and nothing is wrong with it."""


@dataclass(frozen=True, slots=True)
class Line:
    """One thing tried."""

    what: str
    well: bool
    said: str


def probes(config: Config, clock: Clock) -> list[Line]:
    """Open each link and wait up to fifteen seconds for a value from every probe behind it."""
    driven = [p.id for p in config.probe if p.driver != "none"]
    until_s = clock.mono_s() + _PATIENCE_S
    with Live(config.probe, clock) as live:
        while clock.mono_s() < until_s and any(live.value(p) is None and p not in live.why for p in driven):
            live.wait(0.2)
        units, why = Units(config.site.units), "nothing heard within 15 s"
        found = {
            p.id: _verdict(p, live.latest.get(p.id), live.why.get(p.id, why), units)
            for p in config.probe
            if p.id in driven
        }
    return [found.get(p.id, Line(p.id, True, "fed by import alone")) for p in config.probe]


def probes_of_daemon(config: Config, clock: Clock, ask: Callable[[], Any]) -> list[Line]:
    """What the running daemon heard last from each probe; it holds the ports, so that nobody else may open them.

    `ask` gets its view; one that was only just started is given fifteen seconds to hear from every probe.
    """
    driven = {p.id for p in config.probe if p.driver != "none"}
    until_s, pause = clock.mono_s() + _PATIENCE_S, threading.Event()
    while True:
        view = TypeAdapter(SiteView).validate_python(ask())
        waiting = any(p.heard_at_s is None and not p.trouble and p.id in driven for t in view.tanks for p in t.probes)
        if not waiting or clock.mono_s() >= until_s:
            return _heard(config, view)
        clock.wait(pause, 0.5)


def _heard(config: Config, view: SiteView) -> list[Line]:
    seen = {p.id: p for t in view.tanks for p in t.probes}
    found = []
    for p in config.probe:
        probe = seen.get(p.id)
        if probe is None:
            found.append(Line(p.id, False, "the running daemon does not know it; restart the daemon"))
        elif probe.fresh and probe.value is not None:
            age_s = max(0.0, view.at_s - (probe.value_at_s or view.at_s))
            value = Units(config.site.units).say(probe.value, "" if probe.unit == "pH" else probe.unit, 3)
            said = f"{value}, {age_s:.0f} s ago" + (f"; {probe.trouble}" if probe.trouble else "")
            found.append(Line(p.id, not probe.trouble, said))
        elif p.driver == "none":
            found.append(Line(p.id, True, "fed by import alone"))
        elif probe.flag == _NOT_EVALUATED and probe.heard_at_s is not None:
            found.append(Line(p.id, True, f"heard; {probe.trouble}"))
        else:
            found.append(Line(p.id, False, probe.trouble or "the daemon has no fresh value from it yet"))
    return found


def _verdict(probe: Probe, sample: Sample | None, why: str, units: Units) -> Line:
    name = probe.id
    if sample is None:
        return Line(name, False, why)
    if sample.trouble or sample.value is None:
        return Line(name, False, f"{sample.trouble or 'no value'}: {sample.detail}".rstrip(": "))
    return Line(name, True, _given(probe, sample.value, sample.unit, units))


def _given(probe: Probe, value: float, unit: str, units: Units) -> str:
    """What the device gives, in its own unit; a length or temperature in the site's, where that is another one."""
    record = {"temperature": "°C", "air_temperature": "°C", "level": "cm"}.get(probe.quantity, "")
    try:
        if record and units.word(record) != record:
            return units.say(units.in_record(value, probe.quantity, unit or probe.unit or record), record, 3)
    except ValueError:
        pass  # a unit that does not fit is for the daemon to complain of
    return f"{value:g} {unit}".strip()


def channels(config: Config, clock: Clock, *, send: bool) -> list[Line]:
    """Prove each channel's credentials, or send a trial message when asked."""
    found = []
    try:
        outlets = notifying.outlets(config, clock.wall_s)
    except OSError as e:
        return [Line("channels", False, f"a secret can't be read: {e}")]
    for name, outlet in outlets.items():
        if send:
            trial = Parcel(
                key=f"trial:{clock.wall_s():.0f}",
                priority="medium",
                title=f"Trial from {config.site.name}",
                body=_TRIAL,
            )
            result: Result | None = outlet.send(trial)
        else:
            result = outlet.check()
        if result is None:
            found.append(Line(name, True, "configured; try it with --send"))
        elif isinstance(result, Done):
            found.append(Line(name, True, "delivered" if send else "answers, credentials accepted"))
        else:
            found.append(Line(name, False, result.why))
    return found


def trials(ask: Callable[..., Any], clock: Clock, name: str, *, rehearsal: bool = False) -> list[Line]:
    """Have the running daemon send a trial by every channel, and wait up to half a minute for what becomes of it.

    It goes the way that alarms go, so that status, page and letter know of it.  `ask` puts requests to the daemon.
    `rehearsal`: as loud as the most urgent alarm.
    """
    if rehearsal:
        keys = ask(do="rehearse")["keys"]
    else:
        keys = ask(do="trial", title=f"Trial from {name}", body=_TRIAL, priority="medium")["keys"]
    until_s, pause = clock.mono_s() + _TRIAL_S, threading.Event()
    while True:
        found = ask(do="trial outcome", keys=keys)["outcome"]
        waiting = [c for c in keys if found.get(c, ("waiting", ""))[0] == "waiting"]
        if not waiting or clock.mono_s() >= until_s:
            break
        clock.wait(pause, 0.5)
    return [_outcome(c, *found.get(c, ("waiting", ""))) for c in keys]


def _outcome(channel: str, state: str, why: str) -> Line:
    if state == "sent":
        return Line(channel, True, "delivered")
    again = f"; it is tried again by itself ({why})" if why else "; it is tried again by itself"
    return Line(channel, False, f"not delivered within {_TRIAL_S:.0f} s{again}" if state == "waiting" else why)


def warnings(config: Config) -> Iterator[str]:
    """What is no fault but should be known."""
    if not (config.heartbeat.url or config.heartbeat.url_file or config.heartbeat.accept_none):
        yield (
            "nothing outside watches this daemon; if the Pi dies, nobody is told. "
            "Set heartbeat.url, or heartbeat.accept_none = true."
        )
    if not notifying.outlets(config, lambda: 0.0):
        yield "no channel is configured, so no alarm reaches a phone; set [push], [webhook], [services] or [email]."
    yield from _open_brokers(config)
    if not any(t.lamp for t in config.tank):
        yield "no tank has a lamp section, so a fading lamp can't be told."
    for tank in config.tank:
        yield from _assumed_limits(config, tank)
        yield from _several(config, tank)
    for p in config.probe:
        port = getattr(p.options, "port", "")
        if isinstance(port, str) and port.startswith(("/dev/ttyUSB", "/dev/ttyACM")):
            yield f"{p.id}: {port} may get another number after a restart; use its name under /dev/serial/by-id."


def readable_topics(config: Config, file: Path) -> list[Line]:
    """Push topics that others on this machine may read: who knows a topic reads what is sent to it."""
    if not file.stat().st_mode & stat.S_IROTH:
        return []
    named = [("push.topic", config.push.topic), *((f"topic of {p.id}", p.topic) for p in config.contacts.person)]
    return [
        Line(key, False, f"stands in {file}, which others may read, and is as good as a password; chmod o-r it")
        for key, topic in named
        if topic
    ]


def access_list(config: Config, folder: Path) -> Iterator[str]:
    """Who needs what at the broker; '+' stands for an installation that has no name before its first start."""
    try:
        name = (folder / "installation").read_text().strip()
    except (OSError, ValueError):
        name = ""
    return broker.access_list(config, name or "+")


def _open_brokers(config: Config) -> Iterator[str]:
    """Brokers of ours that let in who has no password."""
    found: dict[tuple[str, int], bool] = {}
    if config.mqtt.host:
        found[config.mqtt.host, config.mqtt.port or (8883 if config.mqtt.tls else 1883)] = config.mqtt.tls
    for p in config.probe:
        if p.driver == "mqtt":
            found[p.options.host, p.options.port or (8883 if p.options.tls else 1883)] = p.options.tls
    for (host, port), tls in found.items():
        if broker.lets_anyone_in(host, port, tls=tls):
            chosen = ", ".join(config.hub.commands) if config.mqtt.host == host else ""
            may = f" and, as hub.commands allows it, {chosen}" if chosen else ""
            yield (
                f"broker {host}:{port} lets in anyone without a password: whoever reaches it can send readings{may}. "
                "Set its allow_anonymous to false; 'rushlight check --access-list' prints who needs what."
            )


def _assumed_limits(config: Config, tank: Tank) -> Iterator[str]:
    """Limits that were left out, and what is watched instead."""
    for quantity in implied.USUAL:
        sides = implied.assumed(tank, quantity)
        if not sides or not implied.alike(config, tank.id, quantity):
            continue
        band, unit = implied.band(tank, quantity), "°C" if quantity == "temperature" else ""
        units = Units(config.site.units)
        said = " and ".join(f"{side} = {units.say(getattr(band, side), unit, 3)}" for side in sides)
        yield (
            f"{tank.id}: no limit given for {'pH' if quantity == 'ph' else quantity}; {said} stands in "
            f"({implied.ASSUMED}). Set tank.limits.{quantity} to what your fish need."
        )


def _several(config: Config, tank: Tank) -> Iterator[str]:
    """Which of several probes of one quantity carries what is worked out from one alone."""
    for quantity, what in (("light", "the light dose"), ("nitrate", "the nitrate estimate")):
        alike = implied.alike(config, tank.id, quantity)
        carrier = implied.carrier(alike)
        if carrier is None or len(alike) < 2:
            continue
        others = " and ".join(p.title for p in alike if p is not carrier)
        how = ", as the first in the file (say dose = true at another to change that)"
        how = "" if carrier.dose or quantity != "light" else how
        yield f"{tank.id}: {carrier.title} carries {what}{how}; {others} is shown and watched but does not touch it."
