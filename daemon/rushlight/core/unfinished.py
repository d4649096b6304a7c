"""What is still to be done before an installation is proven: its ways to people, its probes, each tank's first entries.

Pure.  Whether a thing is wrong is the alarms' matter; here stands only what nobody has done yet.
"""

from __future__ import annotations

from collections.abc import Iterator

from rushlight.core.step import SiteState
from rushlight.settings import Config, Tank
from rushlight.views import NOBODY_TOLD, SiteView, TankView, Unfinished


def unfinished(config: Config, state: SiteState, view: SiteView) -> tuple[Unfinished, ...]:
    """In the order in which a person would do it; empty when all is done."""
    tanks = {t.id: t for t in view.tanks}
    found = [*_people(view), *_probes(config, state)]
    for tank in config.tank:
        found += _entries(tank, tanks[tank.id])
    return tuple(found)


def _people(view: SiteView) -> Iterator[Unfinished]:
    ways = [o for o in view.outlets if o.state]
    if not ways:
        yield Unfinished(
            kind="channel",
            what="Somebody to tell",
            sentence=NOBODY_TOLD,
        )
    for way in ways:
        if way.confirmed_at_s is not None:
            continue
        said = "A trial was handed over; nobody has said yet that it arrived."
        if way.state != "delivered":
            said = "Nobody has had a trial message by this way in hand yet."
        yield Unfinished(
            kind="confirm", what=way.title, sentence=said, subject=way.name, ready=way.state == "delivered"
        )


def _probes(config: Config, state: SiteState) -> Iterator[Unfinished]:
    for probe in config.probe:
        if probe.driver == "none":
            continue
        kept = state.probes[probe.id]
        if kept.heard_at_s is None:
            yield Unfinished(
                kind="probe",
                what=probe.title,
                sentence="Not heard yet. On the Pi, rushlight check says what it sees.",
                tank=probe.tank,
                subject=probe.id,
            )
        if probe.unit == "mV" and kept.calibrated_at_s is None:
            yield Unfinished(
                kind="calibration",
                what=f"Calibrate {probe.title}",
                sentence="It gives millivolts, which mean nothing without a calibration.",
                tank=probe.tank,
                subject=probe.id,
            )


def _entries(tank: Tank, view: TankView) -> Iterator[Unfinished]:
    if view.last_test_at_s is None:
        yield Unfinished(
            kind="test",
            what=f"{view.title}: the first test",
            sentence="It starts the routine: from then on it is said when the next one is due.",
            tank=tank.id,
        )
    if view.strips_left is None:
        yield Unfinished(
            kind="pack",
            what=f"{view.title}: the strips in the open pack",
            sentence="With their number it can be said when to buy.",
            tank=tank.id,
        )
    if not tank.source_water:
        yield Unfinished(
            kind="water",
            what=f"{view.title}: the water that you fill in",
            sentence="Nobody said what is in it. Test it once, and put the figures into the configuration as"
            " source_water.",
            tank=tank.id,
        )
