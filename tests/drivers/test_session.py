"""What all drivers have in common: their own defects, and probes that disagree about a shared link."""

from __future__ import annotations

import dataclasses
import time

import pytest

from rushlight_drivers import Channel, LinkError, load
from rushlight_drivers.links.session import Session


class Stumbling(Session):
    """A driver with a defect in the method that `where` names."""

    where = ""

    def _acquire(self):
        if self.where == "open":
            raise ZeroDivisionError("planted")

    def _pass(self, deadline_s):
        if self.where == "poll":
            raise ZeroDivisionError("planted")
        return []

    def _release(self):
        if self.where == "close":
            raise ZeroDivisionError("planted")

    def _wake(self):
        if self.where == "close":
            raise ZeroDivisionError("planted")


@pytest.mark.parametrize("where", ["open", "poll", "close", ""])
def test_a_drivers_own_defect_costs_its_link_and_not_the_thread(where):
    d = Stumbling([], time.monotonic)
    d.where = where
    if where == "open":
        with pytest.raises(LinkError, match=r"stumbled \(ZeroDivisionError: planted\)"):
            d.open()
        with pytest.raises(LinkError, match="is not open"):
            d.poll(0.1)
    else:
        d.open()
    if where == "poll":
        with pytest.raises(LinkError, match="stumbled"):
            d.poll(0.1)
    d.close()
    d.close()


SHARED = {
    "lines": ({"port": "x", "field": "a"}, {"baud": 9600, "format": "pairs", "checksum": "xor", "settle_s": 1.0}),
    "query": ({"port": "x", "ask": "R"}, {"baud": 19200, "reply_end": "lf"}),
    "modbus": ({"port": "x", "address": 1, "register": 0}, {"parity": "even", "reply_s": 1.0}),
    "mqtt": ({"topic": "t"}, {"qos": 1, "keepalive_s": 60, "protocol": "3.1.1"}),
    "recorded": ({"file": "x"}, {"speed": 2.0, "repeat": True}),
}


@pytest.mark.parametrize(("name", "key"), [(n, k) for n, (_, keys) in SHARED.items() for k in keys])
def test_probes_that_disagree_about_their_link_are_told_which_setting(name, key):
    spec = load(name)
    given, others = SHARED[name]
    one = spec.options(**given)
    other = dataclasses.replace(one, **{key: others[key]})
    assert spec.link_of(one) == spec.link_of(other)
    d = spec.build([Channel("a", one), Channel("b", other)], time.monotonic)
    with pytest.raises(LinkError, match=f"a and b share a link but differ in {key}"):
        d.open()
    d.close()
