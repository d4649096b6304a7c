"""What a hub is told: topics, units to the byte, device classes, and nothing that is not a finite number."""

from __future__ import annotations

import json
import math
from dataclasses import fields, replace
from typing import Any, get_args, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from helpers.hub import COMMANDS, probe, standing, view, with_tank
from rushlight.alarms.table import TABLE
from rushlight.effects import Estimate
from rushlight.events import Condition
from rushlight.outlets.hub.entities import (
    FIELDS,
    FIGURES,
    PROBES,
    SITE_ALARMS,
    Topics,
    entities,
    slug,
    states,
    unslug,
)
from rushlight.science.measuring import units
from rushlight.science.measuring.units import spoken
from rushlight.settings import Hub, Quantity, Substance
from rushlight.views import SiteView

# The convention's own table (its sensor documentation, `device_class`): which class takes which units.  Bytes are
# spelt out because two characters look like 'micro' and two like 'degree'.
ALLOWED_UNITS: dict[str, set[bytes | None]] = {
    "temperature": {b"\xc2\xb0C", b"\xc2\xb0F", b"K"},
    "humidity": {b"%"},
    "ph": {None},
    "illuminance": {b"lx"},
    "conductivity": {b"S/cm", b"mS/cm", b"\xc2\xb5S/cm"},
    "distance": {b"km", b"m", b"cm", b"mm", b"mi", b"nmi", b"yd", b"ft", b"in"},
}
SENSOR_STATE_CLASSES = {"measurement", "total_increasing"}

GOLDEN = """
sensor         probe__foyer-temp__temperature           temperature  c2b043              measurement
sensor         probe__foyer-temp__temperature__last     timestamp    -                   -
binary_sensor  probe__foyer-temp__temperature__trouble  problem      -                   -
sensor         probe__foyer-ph__ph                      ph           -                   measurement
sensor         probe__foyer-ph__ph__last                timestamp    -                   -
binary_sensor  probe__foyer-ph__ph__trouble             problem      -                   -
sensor         probe__foyer-light__light                illuminance  6c78                measurement
sensor         probe__foyer-light__light__last          timestamp    -                   -
binary_sensor  probe__foyer-light__light__trouble       problem      -                   -
sensor         nitrate                                  -            6d672f4c            measurement
sensor         nitrate_low                              -            6d672f4c            measurement
sensor         nitrate_high                             -            6d672f4c            measurement
sensor         net_rate                                 -            6d672f4c2f64        measurement
sensor         kept_up                                  -            25                  measurement
sensor         light_dose                               -            6d6f6c2f6dc2b2      total_increasing
sensor         lamp_percent                             -            25                  measurement
sensor         due                                      timestamp    -                   -
sensor         headline                                 -            -                   -
sensor         todo                                     -            -                   -
binary_sensor  overdue                                  problem      -                   -
number         field__nitrate                           -            6d672f4c206173204e4f33            -
number         field__nitrite                           -            6d672f4c206173204e4f32            -
number         field__ammonia                           -            6d672f4c206173204e4834            -
number         field__ph                                -            -                   -
number         field__kh                                -            c2b06448            -
number         field__gh                                -            c2b06448            -
number         field__chlorine                          -            6d672f4c            -
number         field__chloride                          -            6d672f4c            -
button         press__record                            -            -                   -
button         press__acknowledge                       -            -                   -
sensor         answer                                   -            -                   -
"""


def documents(site: SiteView, installation: str = "library", **more: Any) -> dict[str, dict[str, Any]]:
    chosen = {"hub": Hub(commands=COMMANDS)} | more
    return {t: json.loads(p) for t, p in entities(site, installation, **chosen)}


def hexed(text: str | None) -> str:
    return text.encode().hex() if text else "-"


def test_the_table_of_one_tank_to_the_byte() -> None:
    rows = []
    for topic, d in documents(view()).items():
        prefix, component, node, key, end = topic.split("/")
        assert (prefix, end) == ("homeassistant", "config")
        if node == "rushlight__library__foyer" and not key.startswith("alarm__"):
            row = (
                component,
                key,
                d.get("device_class", "-"),
                hexed(d.get("unit_of_measurement")),
                d.get("state_class", "-"),
            )
            rows.append(row)
    assert rows == [tuple(line.split()) for line in GOLDEN.strip().splitlines()]


def test_every_class_takes_its_unit() -> None:
    looks = [*PROBES.values(), *(look for look, _ in FIGURES.values())]
    for look in looks:
        assert look.state_class in SENSOR_STATE_CLASSES
        if look.device_class is not None:
            assert (look.unit.encode() if look.unit else None) in ALLOWED_UNITS[look.device_class], look.name
        for text in (look.unit or "", look.name):
            assert not {"μ", "º", "˚"} & set(text), "a look-alike character"
    for substance in FIELDS:
        assert "μ" not in spoken(substance)


def test_every_quantity_and_canonical_unit_has_a_look() -> None:
    for quantity in get_args(Quantity):
        families = {u.standard for u in units.UNITS[quantity].values()} - {"mV"}
        assert families <= {unit for q, unit in PROBES if q == quantity}, quantity
    assert set(FIELDS) == set(get_args(Substance))


def test_every_alarm_is_a_problem_of_its_tank_or_of_the_installation() -> None:
    own = get_args(get_type_hints(Condition)["alarm"])
    assert set(SITE_ALARMS) == set(own)
    found = documents(view())
    for node, names in (
        ("rushlight__library", SITE_ALARMS),
        ("rushlight__library__foyer", [n for n in TABLE if n not in SITE_ALARMS]),
    ):
        have = {t.split("/")[3] for t in found if t.split("/")[2] == node and "alarm__" in t}
        assert have == {f"alarm__{n}" for n in names}
    assert all(d["device_class"] == "problem" for t, d in found.items() if "alarm__" in t)


def test_ids_are_unique_and_made_of_ids_alone() -> None:
    before = documents(view())
    ids = [d["unique_id"] for d in before.values()]
    assert len(set(ids)) == len(ids)
    renamed = replace(view(), name="Elsewhere", timezone="UTC")
    renamed = with_tank(renamed, "foyer", title="Hall", litres=141)
    after = documents(renamed)
    assert list(after) == list(before)
    assert [d["unique_id"] for d in after.values()] == ids
    assert set(documents(view(), "other")) & set(before) == set()
    assert not set(ids) & {d["unique_id"] for d in documents(view(), "other").values()}


def test_one_device_a_tank_below_the_installation() -> None:
    devices = {}
    for d in documents(view()).values():
        devices.setdefault(d["device"]["identifiers"][0], d["device"])
    assert {k: (v["name"], v.get("via_device")) for k, v in devices.items()} == {
        "rushlight__library": ("Rowan Street library", None),
        "rushlight__library__foyer": ("Foyer", "rushlight__library"),
        "rushlight__library__reading-room": ("Reading room", "rushlight__library"),
    }


def test_two_alike_probes_are_told_apart_by_their_ids() -> None:
    probes = (probe("foyer-a", "temperature", "°C", 24.0), probe("foyer-b", "temperature", "°C", 25.0))
    names = [
        d["name"]
        for t, d in documents(with_tank(view(), "foyer", probes=probes)).items()
        if "/sensor/" in t and "__foyer/probe__" in t and "__last" not in t
    ]
    assert names == ["Water temperature (foyer-a)", "Water temperature (foyer-b)"]


def test_the_daemons_own_sign_of_life_outlives_it() -> None:
    d = next(d for t, d in documents(view()).items() if t.endswith("/daemon/config"))
    assert d["state_topic"] == "rushlight/library/status"
    assert (d["payload_on"], d["payload_off"]) == ("online", "offline")
    assert "availability_topic" not in d
    assert "expire_after" not in d
    others = [d for t, d in documents(view()).items() if not t.endswith("/daemon/config")]
    assert all(d["availability_topic"] == "rushlight/library/status" for d in others)


@pytest.mark.parametrize(("every_s", "expire_s"), [(10.0, 180), (60.0, 180), (61.5, 185), (600.0, 1800)])
def test_values_expire_after_three_intervals(every_s: float, expire_s: int) -> None:
    found = documents(view(), hub=Hub(publish_seconds=every_s))
    expiring = [
        d for t, d in found.items() if "sensor" in t.split("/")[1] and t.split("/")[3] not in {"daemon", "answer"}
    ]
    assert {d["expire_after"] for d in expiring} == {expire_s}


def test_every_state_has_a_description_and_every_description_a_state() -> None:
    site = with_tank(view(), "foyer", alarms=(standing(),))
    described = {d["state_topic"] for d in documents(site).values() if "state_topic" in d}
    described |= {d["json_attributes_topic"] for d in documents(site).values() if "json_attributes_topic" in d}
    said = {t for t, _ in states(site, "library")}
    assert said <= described
    unsaid = {t.split("/")[-1] for t in described - said if "/tank/foyer/" in t}
    assert unsaid == {f"field__{s}" for s in FIELDS} | {"answer"}


def test_values_as_they_are_said() -> None:
    said = dict(states(view(), "library"))
    foyer = "rushlight/library/tank/foyer"
    assert said[f"{foyer}/probe__foyer-temp__temperature"] == "24.56"
    assert said[f"{foyer}/probe__foyer-ph__ph"] == "7.12"
    assert said[f"{foyer}/probe__foyer-light__light"] == "8123"
    assert said[f"{foyer}/nitrate"] == "18.2"
    assert said[f"{foyer}/nitrate_low"] == "12.0"
    assert said[f"{foyer}/nitrate_high"] == "25.5"
    assert said[f"{foyer}/net_rate"] == "0.12"
    assert said[f"{foyer}/kept_up"] == "93"
    assert said[f"{foyer}/light_dose"] == "1.23"
    # 1.75e9 s since 1970: `date -u -d @1750000000`
    assert said[f"{foyer}/due"] == "2025-06-15T15:06:40+00:00"
    room = "rushlight/library/tank/reading-room"
    assert said[f"{room}/probe__reading-room-light__light"] == "0"
    assert f"{room}/nitrate" not in said, "what is not known is not said"


def test_conductivity_goes_out_in_milli() -> None:
    site = with_tank(view(), "foyer", probes=(probe("foyer-salt", "conductivity", "µS/cm", 350.4),))
    assert dict(states(site, "library"))["rushlight/library/tank/foyer/probe__foyer-salt__conductivity"] == "0.350"


@pytest.mark.parametrize(
    ("state", "on"),
    [
        ("unacknowledged", "ON"),
        ("acknowledged", "ON"),
        ("returned", "OFF"),
        ("shelved", "OFF"),
        ("out_of_service", "OFF"),
    ],
)
def test_an_alarm_is_a_problem_while_it_stands(state: str, on: str) -> None:
    site = with_tank(view(), "foyer", alarms=(standing(state=state),))
    said = dict(states(site, "library"))
    assert said["rushlight/library/tank/foyer/alarm__ph_low"] == on
    [about] = json.loads(said["rushlight/library/tank/foyer/alarm__ph_low/about"])["alarms"]
    assert about["state"] == state
    assert about["id"] == "foyer.ph_low"
    assert said["rushlight/library/tank/reading-room/alarm__test_overdue"] == "OFF"
    assert said["rushlight/library/tank/reading-room/alarm__ph_low"] == "None", "nobody measures it there"


def test_the_daemons_trouble_is_said_in_words() -> None:
    storage = standing("site.storage_low", tank=None)
    site = replace(view(), clock_ok=False, alarms=(storage,))
    said = dict(states(site, "library"))
    assert said["rushlight/library/site/trouble"] == "ON"
    assert "clock" in json.loads(said["rushlight/library/site/trouble/about"])["text"]
    assert dict(states(view(), "library"))["rushlight/library/site/trouble"] == "OFF"


weird = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True))
estimates = st.one_of(st.none(), st.builds(Estimate, mean=st.floats(), low=st.floats(), high=st.floats()))


@pytest.mark.slow
@given(value=weird, estimate=estimates, dose=weird, fresh=st.booleans())
def test_finite_numbers_or_nothing(
    value: float | None, estimate: Estimate | None, dose: float | None, fresh: bool
) -> None:
    site = with_tank(
        view(),
        "foyer",
        probes=(probe("foyer-temp", "temperature", "°C", value, fresh=fresh),),
        nitrate=estimate,
        net_rate=estimate,
        kept_up=estimate,
        light_dose_today_mol=dose,
        lamp_percent=dose,
    )
    sensors = {
        d["state_topic"] for d in documents(site).values() if "state_class" in d and "/tank/foyer/" in d["state_topic"]
    }
    for topic, payload in states(site, "library"):
        if topic in sensors:
            assert math.isfinite(float(payload))
            assert "e" not in payload
    if not fresh:
        assert "rushlight/library/tank/foyer/probe__foyer-temp__temperature" not in dict(states(site, "library"))


@given(st.text(min_size=1), st.text(min_size=1))
def test_no_id_breaks_out_of_its_place(a: str, b: str) -> None:
    try:
        a.encode(), b.encode()
    except UnicodeEncodeError:
        return
    assert unslug(slug(a)) == a
    assert (slug(a) == slug(b)) == (a == b)
    assert set(slug(a)) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")
    assert "__" not in slug(a)
    assert not slug(a).endswith("_")


@given(st.text(max_size=30))
def test_what_slug_never_made_is_refused(text: str) -> None:
    try:
        found = unslug(text)
    except ValueError:
        return
    assert slug(found) == text


def test_topics_follow_the_settings() -> None:
    hub = Hub(discovery_prefix="disco", topic="tanks", birth_topic="hub/born")
    assert Topics("a b", hub).birth == "hub/born"
    assert Topics("a b", hub).command == "tanks/a_20b/command"
    assert all(t.startswith("disco/") for t in documents(view(), hub=hub))
    assert Topics("x", Hub()).birth == "homeassistant/status"


def test_names_of_our_own_classes_do_not_reach_the_hub() -> None:
    """Nothing of the view's field names is part of the interface but what the table above lists."""
    text = json.dumps(list(documents(view()).values()))
    for field in fields(SiteView):
        assert f'"{field.name}"' not in text or field.name in {"name"}


def test_an_alarm_of_what_nobody_measures_is_unknown_and_not_off() -> None:
    bare = replace(view().tanks[0], probes=(), alarms=(), last_test={})
    told = dict(states(replace(view(), tanks=(bare,)), "library"))
    place = Topics("library", Hub()).place(bare.id)
    assert told[f"{place}/alarm__temperature_high"] == "None"
    assert told[f"{place}/alarm__ammonia_high"] == "None"
    assert told[f"{place}/alarm__test_overdue"] == "OFF"
    tested = replace(bare, last_test={"ammonia": 0.0})
    assert dict(states(replace(view(), tanks=(tested,)), "library"))[f"{place}/alarm__ammonia_high"] == "OFF"
