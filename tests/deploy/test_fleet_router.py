"""Two alarm routers that know each other: a matter is told once, whichever of them dies in which moment."""

from __future__ import annotations

import contextlib
import json
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers.fleet import MISSING, Hub, Part
from helpers.receivers import Receiver
from helpers.waiting import until

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(bool(MISSING), reason=f"not installed: {', '.join(MISSING)}"),
]

QUICK = {'"group_wait": "2m"': '"group_wait": "1s"', '"group_interval": "5m"': '"group_interval": "2s"'}


@pytest.fixture
def routers(tmp_path: Path) -> Iterator[tuple[dict[str, Part], Receiver]]:
    desk = Receiver()
    hub = Hub(tmp_path, desk=desk.url)
    hub.quick = QUICK
    try:
        hub.start_routers()
        yield hub.parts, desk
    finally:
        hub.stop()
        desk.close()


def hand_over(parts: dict[str, Part], matter: str) -> None:
    """As the rule engine does, to each router that answers."""
    alert = [{"labels": {"alertname": "InstallationSilent", "member": matter}, "annotations": {"summary": matter}}]
    for part in parts.values():
        url = part.up.replace("/-/ready", "/api/v2/alerts")
        asked = urllib.request.Request(url, json.dumps(alert).encode(), {"Content-Type": "application/json"})
        with contextlib.suppress(OSError):
            urllib.request.urlopen(asked, timeout=5).close()


def told(desk: Receiver) -> list[str]:
    return [a["labels"]["member"] for request in desk.accepted for a in request.json()["alerts"]]


def go_on(parts: dict[str, Part], matter: str, for_s: float) -> None:
    """The matter stands, and the engine says so again and again."""
    end = time.monotonic() + for_s
    while time.monotonic() < end:
        hand_over(parts, matter)
        time.sleep(0.5)


@pytest.mark.parametrize("dies", ["router", "router-twin"])
def test_who_is_killed_as_soon_as_it_has_told_tells_nothing_again(
    routers: tuple[dict[str, Part], Receiver], dies: str
) -> None:
    """Long before it has written down that it told; it comes back, and its twin knows."""
    parts, desk = routers
    until(lambda: hand_over(parts, "rowan-foyer") or told(desk), 30, "the desk is told")
    time.sleep(1.0)  # what the twin needs to hear of it
    parts[dies].kill()
    go_on(parts, "rowan-foyer", 3.0)
    parts[dies].start()
    go_on(parts, "rowan-foyer", 8.0)
    assert told(desk) == ["rowan-foyer"]


def test_what_one_leaves_untold_the_other_tells(routers: tuple[dict[str, Part], Receiver]) -> None:
    parts, desk = routers
    parts["router"].kill()
    until(lambda: hand_over(parts, "rowan-foyer") or told(desk), 30, "the desk is told")
    parts["router"].start()
    go_on(parts, "rowan-foyer", 8.0)
    assert told(desk) == ["rowan-foyer"]
