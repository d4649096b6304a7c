"""What a home-automation hub gets to see: descriptions of entities and their states, as topics and payloads.

Owns names, ids, units, device classes and topics of the discovery convention that the common hubs share: one
retained JSON document per entity at `<prefix>/<component>/<node>/<object>/config`.  Pure: a view in, text out;
publishes nothing, remembers nothing.

Ids are made of the installation's id and the ids of tank and probe, never of a name or a port, so that renaming
a tank or moving a cable keeps its history.  Units and classes are frozen: a hub stops its statistics when a unit
changes.  A value that is not known, not fresh or not finite is not published; it then expires in the hub.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Any

from rushlight import __version__
from rushlight.alarms.table import TABLE
from rushlight.effects import Estimate
from rushlight.science.measuring import units
from rushlight.settings import Hub, Substance
from rushlight.views import STANDING, AlarmView, ProbeView, SiteView, TankView

Publication = tuple[str, str]
"""Topic and payload."""

_ABOUT: dict[str, frozenset[str]] = {
    "temperature_": frozenset({"temperature"}),
    "ph_": frozenset({"ph"}),
    "level_": frozenset({"level"}),
    "conductivity_": frozenset({"conductivity"}),
    "lamp_": frozenset({"light"}),
    "light_": frozenset({"light"}),
    "ammonia_": frozenset({"ammonia"}),
    "nitrite_": frozenset({"nitrite"}),
    "chlorine_": frozenset({"chlorine"}),
    "alkalinity_": frozenset({"kh"}),
    "hardness_": frozenset({"gh"}),
}
"""Beginning of an alarm's name to what has to be measured for it."""
SITE_ALARMS = ("delivery_failing", "storage_low", "clock_untrusted", "config_refused")
"""Alarms of the installation itself; every other one belongs to a tank."""

UNSEEN_STATES = frozenset({"unacknowledged", "returned"})
"""Alarm states that wait for an acknowledgement."""

_LEAST_EXPIRE_S = 180
_TEXT_MOST = 250  # a hub's state holds 255 characters


@dataclass(frozen=True, slots=True)
class Look:
    """How a hub shows a number.  `unit` is frozen to the byte; `scale` turns our value into that unit."""

    name: str
    unit: str | None
    device_class: str | None = None
    digits: int = 1
    scale: float = 1.0
    state_class: str = "measurement"


PROBES: Mapping[tuple[str, str], Look] = {
    ("temperature", "°C"): Look("Water temperature", "°C", "temperature", 2),
    ("air_temperature", "°C"): Look("Air temperature", "°C", "temperature", 2),
    ("humidity", "%"): Look("Air humidity", "%", "humidity", 1),
    ("ph", "pH"): Look("pH", None, "ph", 2),
    ("light", "lx"): Look("Light", "lx", "illuminance", 0),
    ("light", "µmol/m²/s"): Look("Light", "µmol/m²/s", None, 1),
    ("nitrate", "mg/L"): Look("Nitrate electrode as NO3", "mg/L", None, 1),
    # In milli, so that no hub has to tell the two characters for 'micro' apart.
    ("conductivity", "µS/cm"): Look("Conductivity", "mS/cm", "conductivity", 3, 1e-3),
    ("level", "cm"): Look("Water level", "cm", "distance", 1),
    ("level", "%"): Look("Water level", "%", None, 1),
}
"""By quantity and canonical unit.  The class `ph` takes no unit; mg/L has no class."""

_Figure = Callable[[TankView], float | None]


def _of(name: str, part: str) -> _Figure:
    def figure(tank: TankView) -> float | None:
        estimate: Estimate | None = getattr(tank, name)
        return None if estimate is None else float(getattr(estimate, part))

    return figure


FIGURES: Mapping[str, tuple[Look, _Figure]] = {
    "nitrate": (Look("Nitrate estimate as NO3", "mg/L"), _of("nitrate", "mean")),
    "nitrate_low": (Look("Nitrate estimate as NO3, low", "mg/L"), _of("nitrate", "low")),
    "nitrate_high": (Look("Nitrate estimate as NO3, high", "mg/L"), _of("nitrate", "high")),
    "net_rate": (Look("Nitrate net rate as NO3", "mg/L/d", None, 2), _of("net_rate", "mean")),
    "kept_up": (Look("Share kept up", "%", None, 0, 100.0), _of("kept_up", "mean")),
    "light_dose": (
        Look("Light dose today", "mol/m²", None, 2, 1.0, "total_increasing"),
        lambda tank: tank.light_dose_today_mol,
    ),
    "lamp_percent": (Look("Lamp output", "%", None, 1), lambda tank: tank.lamp_percent),
}
"""What is worked out for a tank, besides the next test's date."""
ACCOUNT: Mapping[str, str] = {"headline": "What matters", "todo": "To do"}
"""What is said of a tank in words; what else belongs to it stands beside it."""


@dataclass(frozen=True, slots=True)
class FieldLook:
    """How a test's value is entered: a number between 0 and `most`."""

    name: str
    most: float
    step: float


FIELDS: Mapping[Substance, FieldLook] = {
    "nitrate": FieldLook("Test: nitrate", 1000, 0.1),
    "nitrite": FieldLook("Test: nitrite", 100, 0.01),
    "ammonia": FieldLook("Test: ammonia", 100, 0.01),
    "ph": FieldLook("Test: pH", 14, 0.05),
    "kh": FieldLook("Test: KH", 100, 0.1),
    "gh": FieldLook("Test: GH", 100, 0.1),
    "chlorine": FieldLook("Test: chlorine", 100, 0.01),
    "chloride": FieldLook("Test: chloride", 10000, 1),
}


def slug(text: str) -> str:
    """An id as letters, digits, hyphens and `_xx` for any other byte; two ids never give the same one."""
    plain = (chr(b) if (chr(b).isalnum() and b < 128) or b == ord("-") else f"_{b:02x}" for b in text.encode())
    return "".join(plain)


def unslug(text: str) -> str:
    """What `slug` was given; raises ValueError for what it can't have made."""
    out, i = bytearray(), 0
    while i < len(text):
        if text[i] == "_":
            out.append(int(text[i + 1 : i + 3], 16))
            i += 3
        else:
            out.append(ord(text[i]))
            i += 1
    found = out.decode()
    if slug(found) != text:
        raise ValueError(text)
    return found


class Topics:
    """Where everything of one installation goes; ids in it are `slug`s, so no id can break out of its place."""

    def __init__(self, installation_id: str, hub: Hub) -> None:
        self.base = f"{hub.topic}/{slug(installation_id)}"
        self.status = f"{self.base}/status"
        self.command = f"{self.base}/command"
        self.answer = f"{self.base}/answer"
        self.birth = hub.birth_topic or f"{hub.discovery_prefix}/status"

    def place(self, tank: str | None) -> str:
        """The part of the tree for one tank, or for the installation itself."""
        return f"{self.base}/site" if tank is None else f"{self.base}/tank/{slug(tank)}"


def expire_s(hub: Hub) -> int:
    """Seconds after which a value that is not renewed is no longer shown."""
    return max(_LEAST_EXPIRE_S, math.ceil(3 * hub.publish_seconds))


# ---------------------------------------------------------------------- descriptions


def entities(
    view: SiteView,
    installation_id: str,
    hub: Hub | None = None,
    fields: Mapping[str, Mapping[Substance, str]] | None = None,
) -> list[Publication]:
    """The retained descriptions of everything that `view` has, in a steady order.

    `fields` names the substances that a tank's kit measures and that can be entered, each with its unit as people read
    it; None: all of them, in the usual units.
    """
    hub = hub or Hub()
    maker = _Maker(view, installation_id, hub)
    out = list(maker.site())
    for tank in view.tanks:
        wanted = {s: units.spoken(s) for s in FIELDS} if fields is None else fields.get(tank.id, {})
        out += maker.tank(tank, wanted)
    return out


class _Maker:
    """Writes the description documents of one installation."""

    def __init__(self, view: SiteView, installation_id: str, hub: Hub) -> None:
        self._hub = hub
        self._topics = Topics(installation_id, hub)
        self._node = f"rushlight__{slug(installation_id)}"
        self._view = view

    def site(self) -> Iterator[Publication]:
        daemon = {"name": "Daemon", "device_class": "connectivity", "entity_category": "diagnostic"}
        topic, payload = self._make(None, "binary_sensor", "daemon", daemon)
        # The daemon's own sign of life tells of its absence, so it must not vanish with it.
        document = json.loads(payload)
        document |= {"state_topic": self._topics.status, "payload_on": "online", "payload_off": "offline"}
        for key in ("availability_topic", "expire_after"):
            document.pop(key, None)
        yield topic, _json(document)
        trouble = {"name": "Daemon trouble", "device_class": "problem", "entity_category": "diagnostic"}
        yield self._make(None, "binary_sensor", "trouble", trouble | self._about(None, "trouble"))
        for outlet in self._view.outlets:
            if outlet.state:
                key = f"channel__{slug(outlet.name)}"
                channel = {"name": outlet.title, "entity_category": "diagnostic"}
                yield self._make(None, "sensor", key, channel | self._about(None, key))
        yield from self._alarms(None, SITE_ALARMS)
        yield from self._controls(None, {})

    def tank(self, tank: TankView, fields: Mapping[Substance, str]) -> Iterator[Publication]:
        for probe in tank.probes:
            yield from self._probe(tank, probe)
        for name, (look, _) in FIGURES.items():
            yield self._make(tank, "sensor", name, _look(look))
        due = {"name": "Next test due", "device_class": "timestamp"}
        yield self._make(tank, "sensor", "due", due)
        for name, title in ACCOUNT.items():
            yield self._make(tank, "sensor", name, {"name": title} | self._about(tank.id, name))
        overdue = {"name": "Test overdue", "device_class": "problem"}
        yield self._make(tank, "binary_sensor", "overdue", overdue)
        yield from self._alarms(tank, [name for name in TABLE if name not in SITE_ALARMS])
        yield from self._controls(tank, fields)

    def _probe(self, tank: TankView, probe: ProbeView) -> Iterator[Publication]:
        look, key = probe_look(probe), probe_key(probe)
        alike = sum(probe_look(p).name == look.name for p in tank.probes) > 1
        name = f"{look.name} ({probe.which or probe.id})" if alike else look.name
        yield self._make(tank, "sensor", key, _look(look) | {"name": name})
        last = {"name": f"{name}, last good value", "device_class": "timestamp", "entity_category": "diagnostic"}
        yield self._make(tank, "sensor", f"{key}__last", last)
        trouble = {"name": f"{name}, probe trouble", "device_class": "problem", "entity_category": "diagnostic"}
        about = self._about(tank.id, f"{key}__trouble")
        yield self._make(tank, "binary_sensor", f"{key}__trouble", trouble | about)

    def _alarms(self, tank: TankView | None, names: Iterable[str]) -> Iterator[Publication]:
        for name in names:
            key = f"alarm__{name}"
            body = {"name": f"Alarm: {TABLE[name].title}", "device_class": "problem"}
            yield self._make(tank, "binary_sensor", key, body | self._about(tank.id if tank else None, key))

    def _controls(self, tank: TankView | None, fields: Mapping[Substance, str]) -> Iterator[Publication]:
        """Fields and buttons, and where their answer is shown; none for what the hub may not do."""
        may = self._hub.commands
        if not may:
            return
        fields = fields if "test" in may else {}
        place = self._topics.place(tank.id if tank else None)
        for name, unit in fields.items():
            look = FIELDS[name]
            body: dict[str, Any] = {"name": look.name, "min": 0, "max": look.most, "step": look.step, "mode": "box"}
            body |= {"command_topic": f"{place}/set/{name}", "qos": 1}
            body |= {"unit_of_measurement": unit} if unit else {}
            yield self._make(tank, "number", f"field__{name}", body)
        buttons = {"record": "Record test"} if fields else {}
        buttons |= {"acknowledge": "Acknowledge alarms"} if "acknowledge" in may else {}
        for key, title in buttons.items():
            body = {"name": title, "command_topic": f"{place}/press/{key}", "qos": 1}
            yield self._make(tank, "button", f"press__{key}", body)
        answer = {"name": "Last answer", "entity_category": "diagnostic"}
        yield self._make(tank, "sensor", "answer", answer)

    def _about(self, tank: str | None, key: str) -> dict[str, str]:
        return {"json_attributes_topic": f"{self._topics.place(tank)}/{key}/about"}

    def _make(self, tank: TankView | None, component: str, key: str, body: Mapping[str, Any]) -> Publication:
        node = self._node if tank is None else f"{self._node}__{slug(tank.id)}"
        document: dict[str, Any] = dict(body)
        document["unique_id"] = f"{node}__{key}"
        document["availability_topic"] = self._topics.status
        document["device"] = self._device(tank, node)
        document["origin"] = {"name": "rushlight", "sw_version": __version__}
        if component != "button":
            document["state_topic"] = f"{self._topics.place(tank.id if tank else None)}/{key}"
        if component in {"sensor", "binary_sensor"} and key != "answer":
            document["expire_after"] = expire_s(self._hub)
        return f"{self._hub.discovery_prefix}/{component}/{node}/{key}/config", _json(document)

    def _device(self, tank: TankView | None, node: str) -> dict[str, Any]:
        common = {"identifiers": [node], "manufacturer": "rushlight", "sw_version": __version__}
        if tank is None:
            return common | {"name": self._view.name, "model": "installation"}
        return common | {"name": tank.title, "model": "tank", "via_device": self._node}


def probe_look(probe: ProbeView) -> Look:
    """How the probe is shown; an unknown pair of quantity and unit gets no class, and its unit as it is."""
    try:
        unit = units.standard_unit(probe.quantity, probe.unit)
    except ValueError:
        unit = probe.unit
    return PROBES.get((probe.quantity, unit)) or Look(probe.quantity.replace("_", " ").capitalize(), unit or None)


def probe_key(probe: ProbeView) -> str:
    """The probe's part of ids and topics.  Its quantity belongs to it: another quantity is another history."""
    return f"probe__{slug(probe.id)}__{slug(probe.quantity)}"


def _look(look: Look) -> dict[str, Any]:
    body: dict[str, Any] = {"name": look.name, "state_class": look.state_class}
    body["suggested_display_precision"] = look.digits
    if look.unit is not None:
        body["unit_of_measurement"] = look.unit
    if look.device_class is not None:
        body["device_class"] = look.device_class
    return body


def _json(document: Mapping[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False)


# ---------------------------------------------------------------------- states


def states(view: SiteView, installation_id: str, hub: Hub | None = None) -> list[Publication]:
    """What is known now, for publishing unretained; what is not known is left out so that it expires."""
    topics = Topics(installation_id, hub or Hub())
    out = _site_states(view, topics.place(None))
    for tank in view.tanks:
        place = topics.place(tank.id)
        for probe in tank.probes:
            out += _probe_states(probe, f"{place}/{probe_key(probe)}")
        for name, (look, figure) in FIGURES.items():
            out += _number(f"{place}/{name}", figure(tank), look)
        if tank.due_at_s is not None:
            out.append((f"{place}/due", iso(tank.due_at_s)))
        out += _account(tank, place)
        out.append((f"{place}/overdue", _on(tank.overdue)))
        measured = {p.quantity for p in tank.probes} | set(tank.last_test)
        out += _alarm_states(place, [n for n in TABLE if n not in SITE_ALARMS], tank.alarms, measured)
    return out


def _account(tank: TankView, place: str) -> list[Publication]:
    told = tank.account
    due = None if told.next_test_at_s is None else iso(told.next_test_at_s)
    said: dict[str, tuple[str, dict[str, Any]]] = {
        "headline": (told.headline, {"text": list(told.evidence), "cause": told.cause, "priority": told.worst}),
        "todo": (
            told.todo,
            {
                "then": list(told.also),
                "next_test": due,
                "why": list(told.next_test_reasons),
                "kind": told.next_test_kind,
                "kind_why": told.next_test_kind_sentence,
            },
        ),
    }
    out: list[Publication] = []
    for name, (words, beside) in said.items():
        if words:
            out += [(f"{place}/{name}", shortened(words)), (f"{place}/{name}/about", _json(beside))]
    return out


def _site_states(view: SiteView, place: str) -> list[Publication]:
    wrong = [a.text for a in view.alarms if a.state in STANDING]
    wrong += [] if view.clock_ok else ["The clock cannot be trusted yet."]
    about = _json({"text": " ".join(wrong)[:_TEXT_MOST]})
    out = [(f"{place}/trouble", _on(bool(wrong))), (f"{place}/trouble/about", about)]
    for outlet in view.outlets:
        if outlet.state:
            topic = f"{place}/channel__{slug(outlet.name)}"
            seen = {"text": outlet.sentence[:_TEXT_MOST], "since": None if outlet.at_s is None else iso(outlet.at_s)}
            out += [(topic, outlet.state), (f"{topic}/about", _json(seen))]
    return out + _alarm_states(place, SITE_ALARMS, view.alarms)


def _probe_states(probe: ProbeView, topic: str) -> list[Publication]:
    out: list[Publication] = []
    if probe.fresh and probe.value is not None and math.isfinite(probe.value):
        try:
            value = units.to_standard(probe.quantity, probe.value, probe.unit)
        except ValueError:
            value = probe.value
        out += _number(topic, value, probe_look(probe))
    if probe.value_at_s is not None and math.isfinite(probe.value_at_s):
        out.append((f"{topic}__last", iso(probe.value_at_s)))
    out.append((f"{topic}__trouble", _on(bool(probe.trouble) or not probe.fresh)))
    about = {"text": probe.trouble, "flag": probe.flag, "probe": probe.id, "place": probe.place}
    out.append((f"{topic}__trouble/about", _json(about | {"carries": probe.carries})))
    return out


def _unknown(name: str, measured: AbstractSet[str]) -> bool:
    """Whether nobody measures what the alarm is about: then it is not off, nobody knows."""
    about = next((q for q in _ABOUT if name.startswith(q)), "")
    return bool(about) and not measured & _ABOUT[about]


def _alarm_states(
    place: str, names: Iterable[str], alarms: Iterable[AlarmView], measured: AbstractSet[str] | None = None
) -> list[Publication]:
    """`measured`: what the tank's probes and its last test tell; None where that does not matter."""
    by_name: dict[str, list[AlarmView]] = {}
    for alarm in alarms:
        by_name.setdefault(alarm.alarm, []).append(alarm)
    out: list[Publication] = []
    for name in names:
        found = by_name.get(name, [])
        unknown = not found and measured is not None and _unknown(name, measured)
        out.append((f"{place}/alarm__{name}", "None" if unknown else _on(any(a.state in STANDING for a in found))))
        about = [
            {
                "id": a.id,
                "state": a.state,
                "priority": a.priority,
                "since": iso(a.since_s),
                "text": a.text,
                "first_action": a.first_action,
            }
            for a in found
        ]
        out.append((f"{place}/alarm__{name}/about", _json({"alarms": about})))
    return out


def _number(topic: str, value: float | None, look: Look) -> list[Publication]:
    """A finite number in the hub's unit, or nothing."""
    if value is None or not math.isfinite(value * look.scale):
        return []
    text = f"{value * look.scale:.{look.digits}f}"
    return [(topic, text.removeprefix("-") if float(text) == 0 else text)]


def _on(value: bool) -> str:
    return "ON" if value else "OFF"


def iso(at_s: float) -> str:
    """A time as hubs read it: RFC 3339 in UTC, to the second."""
    return dt.datetime.fromtimestamp(round(at_s), dt.UTC).isoformat()


def shortened(text: str) -> str:
    """Words that fit into a hub's state."""
    return text if len(text) <= _TEXT_MOST else f"{text[: _TEXT_MOST - 1]}…"
