"""Several probes behind one board, bus or broker: when all of them fall silent, that is one thing and told as one.

Owns which probes share a way in, the sentence with its first aid, and how long the silence was once it is over.
Never decides that a probe is silent (`probes.health` does).  Pure.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from rushlight.alarms.evidence import SITE, ProbeEvidence
from rushlight.alarms.finding import Finding
from rushlight.localtime import DAY_S, local_time
from rushlight.settings import Probe
from rushlight.tank.probes.health import ProbeState, span

FIRST_AID = (
    "Look whether the pump runs. If it stands: move the surface by hand, give no food, keep the tank covered and warm, "
    "and see to the breaker only if you may"
)
TOGETHER_S = 120.0
"""Probes that were last heard within so long of each other fell silent at the same time (own choice)."""


@dataclass(frozen=True, slots=True)
class Gateway:
    """One way in, and the probes that come by it, two or more."""

    name: str
    probes: tuple[str, ...]


def gateways(probes: Sequence[Probe]) -> dict[str, tuple[Gateway, ...]]:
    """For each probe that shares its way in with others: the ways, widest first."""
    members: dict[str, list[str]] = {}
    for p in probes:
        for name in _ways(p):
            members.setdefault(name, []).append(p.id)
    shared = [Gateway(name, tuple(ids)) for name, ids in members.items() if len(ids) > 1]
    # Of two ways with the same probes the narrower one says more: a board rather than its broker.
    telling = [g for n, g in enumerate(shared) if not any(h.probes == g.probes for h in shared[n + 1 :])]
    widest = sorted(telling, key=lambda g: -len(g.probes))
    return {p.id: found for p in probes if (found := tuple(g for g in widest if p.id in g.probes))}


def _ways(probe: Probe) -> list[str]:
    """What the probe's values come through, as the driver's options name it, the wider one first."""
    port, host, topic = (getattr(probe.options, key, "") for key in ("port", "host", "topic"))
    if topic:
        return [SITE, f"the broker on {host}", f"the board that publishes {topic} on {host}"]
    return [SITE, f"the device on {port}"] if isinstance(port, str) and port else [SITE]


def told_as_one(
    findings: Iterable[Finding],
    ways: Mapping[str, tuple[Gateway, ...]],
    states: Mapping[str, ProbeState],
    at_s: float,
    zone: ZoneInfo,
) -> list[Finding]:
    """The findings, where a silence that is the whole gateway's says so instead of naming one probe."""
    out = []
    for f in findings:
        silent = f.alarm == "probe_silent" and f.says == "raise"
        gateway = _fallen(ways.get(f.subject, ()), states, at_s) if silent else None
        if gateway is not None:
            told = ProbeEvidence(
                probe=f.subject,
                gateway=gateway.name,
                sentence=sentence(gateway, states, at_s, zone),
                dark_since="" if _never(gateway, states) else _when(gateway, states, at_s, zone),
                action_sentence="" if _never(gateway, states) else FIRST_AID,
            )
            f = dataclasses.replace(f, evidence=told)  # noqa: PLW2901 - the same finding, told otherwise
        out.append(f)
    return out


def power_back(ways: Sequence[Gateway], states: Mapping[str, ProbeState], at_s: float) -> tuple[Gateway, float] | None:
    """The widest gateway that is silent as a whole until now, and since when; asked when one of its probes speaks."""
    gateway = _fallen(ways, states, at_s)
    if gateway is None or _never(gateway, states):
        return None
    return gateway, max(s for p in gateway.probes if (s := states[p].heard_at_s) is not None)


def _never(gateway: Gateway, states: Mapping[str, ProbeState]) -> bool:
    return all(states[p].heard_at_s is None for p in gateway.probes)


def _since_s(state: ProbeState) -> float | None:
    return state.heard_at_s if state.heard_at_s is not None else state.asked_at_s


def _fallen(ways: Sequence[Gateway], states: Mapping[str, ProbeState], at_s: float) -> Gateway | None:
    """The widest gateway all of whose probes fell silent together."""
    for gateway in ways:
        since = [_since_s(states[p]) for p in gateway.probes]
        known = [s for s in since if s is not None]
        if len(known) == len(since) and max(known) - min(known) <= TOGETHER_S and at_s - max(known) > TOGETHER_S:
            return gateway
    return None


def _when(gateway: Gateway, states: Mapping[str, ProbeState], at_s: float, zone: ZoneInfo) -> str:
    last_s = max(s for p in gateway.probes if (s := _since_s(states[p])) is not None)
    since = local_time(last_s, zone)
    return f"{since:%H:%M}" if at_s - last_s < DAY_S else f"{since.day} {since:%B, %H:%M}"


def sentence(gateway: Gateway, states: Mapping[str, ProbeState], at_s: float, zone: ZoneInfo) -> str:
    """One sentence without its full stop."""
    last_s = max(s for p in gateway.probes if (s := _since_s(states[p])) is not None)
    *first, last = gateway.probes
    names = f"{', '.join(first)} and {last}"
    if _never(gateway, states):
        return (
            f"{gateway.name} has never been heard: nothing from {names} for {span(at_s - last_s)}; "
            "look at its power and its cable or network first, not at the probes"
        )
    return (
        f"probably no power since {_when(gateway, states, at_s, zone)}: {gateway.name} is silent, "
        f"nothing from {names} for {span(at_s - last_s)}; "
        "if there is power, look at the cable or network, not at the probes"
    )
