"""The alarm table: for every alarm its cause, consequence, first action, trap, time to respond and defaults.

Owns what the operator's table of IEC 62682 / ANSI-ISA-18.2 asks for, one row an alarm.  Never judges, never
remembers: `machine` does.  The delays are common practice for small waters, no source, except where said.

A delay keeps a brief touch of the limit from being told (on) or a brief return from being believed (off).
The deadband belongs to the watch that judges the value; its words are here so that one page tells all.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from rushlight.alarms.pace import ACK_LASTS_S, MINUTE_S, Pace
from rushlight.localtime import DAY_S, HOUR_S
from rushlight.settings import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRow:
    """One alarm.  `sitter` is the first action for somebody who only feeds the fish; empty: it is not told to them.

    `tell_return` is set where the return to normal is news, not the plain result of what the keeper just did.
    """

    name: str
    title: str
    cause: str
    consequence: str
    first_action: str
    sitter: str
    respond: str
    """Time to respond, in words a keeper uses."""
    priority: Priority
    on_delay_s: float = 0.0
    off_delay_s: float
    deadband: str
    stale: str
    trap: str = ""
    """What people reach for and should not; empty where no trap is known."""

    tell_return: bool = False
    urgent: bool = False
    """Answered within hours or not at all; at high priority it is told again within minutes."""
    by_test: bool = False
    """Only a test by hand can clear it: once acknowledged, the next test is what is asked for, not haste."""
    told_by: tuple[str, ...] = ()
    """Alarms of the same tank that tell the same trouble further on; while one of them stands, this one is not told."""

    @property
    def weekly_only(self) -> bool:
        """True if the weekly summary is soon enough and no push is sent at the default priority."""
        return self.priority == "low"

    def ack_lasts_s(self, priority: Priority, times: int = 1) -> float:
        """How long the so manieth acknowledgement of one occurrence holds while the alarm still stands, seconds."""
        first_s, most_s = ACK_LASTS_S[self.pace(priority)]
        return min(most_s, first_s * 2.0 ** (min(times, 10) - 1))

    def pace(self, priority: Priority) -> Pace:
        """How it is told again at this priority."""
        if priority != "high" or not self.urgent:
            return priority
        return "tested" if self.by_test else "urgent"


_BLIND = "Without fresh data the alarm neither rises nor clears; time without data does not count as delay."
_LEVEL = "The estimate only widens with time; no new test neither raises nor clears it by itself."
_COUNTED = "Counted from records; nothing to go stale."

_NITRATE = (
    AlarmRow(
        name="test_overdue",
        title="Water test overdue",
        cause="The date on which not knowing becomes risky has passed without a test.",
        consequence="The estimate runs on assumptions; a drift can go unseen until fish are sick.",
        first_action="Test the water with a strip and enter the result.",
        sitter="Dip one test strip, wait as its leaflet says, and enter or write down the numbers.",
        respond="1 day",
        priority="medium",
        off_delay_s=1.0,
        deadband="None: a test entered clears it.",
        stale=_COUNTED,
        trap="Do not change water to be on the safe side before testing: it hides what the test would show.",
    ),
    AlarmRow(
        name="nitrate_high",
        title="Nitrate above its limit",
        cause="More nitrogen goes in with the feed than plants and water changes take out.",
        consequence="Fish are under slow stress, algae gain on the plants.",
        first_action="Test once more; if it confirms, change the water as the planner shows, treated and as warm.",
        sitter="Feed half as much as agreed until told otherwise.",
        respond="2 days",
        priority="medium",
        off_delay_s=HOUR_S,
        deadband="Clears when the probable concentration is clearly below the limit, not merely at it.",
        stale=_LEVEL,
        trap="Do not add fertiliser or a nitrate remover; find the cause first.",
    ),
    AlarmRow(
        name="nitrate_rising",
        title="Nitrate on its way to the limit",
        cause="Uptake has fallen behind the feed: less light, more feed, plants cut back, or a weak source.",
        consequence="The limit may well be passed within weeks.",
        first_action="Look at the named cause first and undo that one thing.",
        sitter="Do not feed more than agreed.",
        respond="1 week",
        priority="medium",
        told_by=("nitrate_high",),
        off_delay_s=12 * HOUR_S,
        deadband="Rises at a real chance of passing the limit, clears once that chance is small.",
        stale=_LEVEL,
        trap="Do not add fertiliser: under weak light the plants cannot use it, and it raises nitrate further.",
    ),
    AlarmRow(
        name="uptake_behind",
        title="Plants do not keep up",
        cause="The plants have taken up less than the feed supplies for two weeks.",
        consequence="Nitrate rises slowly and water changes must make good the rest.",
        first_action="Give the plants more light or the fish a little less feed; one of the two, not both.",
        sitter="Do not feed more than agreed.",
        respond="2 weeks",
        priority="medium",
        told_by=("nitrate_high", "nitrate_rising"),
        off_delay_s=DAY_S,
        deadband="Rises when the share kept up is below one with good confidence, clears when one is well inside.",
        stale=_LEVEL,
        trap="Do not add fertiliser: there is nitrogen enough; the plants lack light or leaves.",
    ),
    AlarmRow(
        name="ammonia_high",
        title="Ammonia above its limit",
        cause="The biological filter cannot keep up: a new tank, too much feed, something dead, or a stopped pump.",
        consequence="Un-ionised ammonia burns gills; fish can die within hours to days.",
        first_action="Stop feeding, look for dead fish and a stopped pump, and treat the water as the planner shows.",
        sitter="Do not feed today. Look whether the pump runs and whether a fish is dead, then call.",
        respond="now",
        priority="high",
        urgent=True,
        by_test=True,
        off_delay_s=MINUTE_S,
        deadband="Clears at four fifths of the limit, by a test.",
        stale="The last test stands, worked out anew at the probes' pH and temperature.",
        trap="Do not clean the filter, do not raise pH or hardness: both make ammonia more poisonous.",
    ),
    AlarmRow(
        name="nitrite_high",
        title="Nitrite above its limit",
        cause="The second half of the biological filter is not ready or has been disturbed.",
        consequence="Fish cannot carry oxygen in their blood.",
        first_action="Stop feeding, change the water as the planner shows, treated and as warm, and test tomorrow.",
        sitter="Do not feed today, then call.",
        respond="now",
        priority="high",
        urgent=True,
        by_test=True,
        off_delay_s=MINUTE_S,
        deadband="Clears at four fifths of the limit, by a test.",
        stale="The last test stands until the next one.",
        trap="Do not clean the filter: it holds what removes nitrite.",
    ),
    AlarmRow(
        name="nitrate_low",
        title="Plants may be starving",
        cause="Nitrate has been at nought for weeks while leaves turned yellow.",
        consequence="Plants stop growing; what they no longer take up, algae will.",
        first_action="Feed the fish as agreed, and let the next test look at nitrate again.",
        sitter="",
        respond="4 weeks",
        priority="low",
        off_delay_s=HOUR_S,
        deadband="Rises after three weeks at nought with yellow leaves, clears when a test finds nitrate again.",
        stale=_LEVEL,
        trap="Do not pour in a fertiliser at once: light, potassium or iron may be what is short.",
    ),
)

_FISH = (
    AlarmRow(
        name="fish_in_distress",
        title="Fish in distress",
        cause="Too little oxygen, or ammonia, nitrite or chlorine in the water; or an illness.",
        consequence="Fish can die within hours.",
        first_action="Make the surface move, see that the pump runs; give no food; test ammonia and nitrite now.",
        sitter="Give no food. Look whether the pump runs and the surface moves, take out a dead fish, then call now.",
        respond="now",
        priority="high",
        urgent=True,
        by_test=True,
        off_delay_s=MINUTE_S,
        deadband="Clears with a test of the water made after the sighting, or when nothing was seen for three days.",
        stale="What was seen stands until a test or three days.",
        trap="Do not give a remedy before the water has been tested; what the test does not explain is for a vet.",
    ),
    AlarmRow(
        name="chlorine_high",
        title="Chlorine in the water",
        cause="Tap water went in without water conditioner, or too little of it.",
        consequence="Chlorine burns gills and kills the filter's bacteria.",
        first_action="Dose water conditioner for the whole tank by its label, and test again in an hour.",
        sitter="Give no food, then call now.",
        respond="now",
        priority="high",
        urgent=True,
        by_test=True,
        off_delay_s=MINUTE_S,
        deadband="Clears when a test finds none.",
        stale="The last test stands for two weeks.",
        trap="Do not change water with untreated tap water: it brings more.",
    ),
)

_LIGHT = (
    AlarmRow(
        name="lamp_dimming",
        title="The lamp is getting weaker",
        cause="The lamp or its driver ages, or its cover is dirty: its output has slipped from its anchor.",
        consequence="Plants take up less; nitrate follows within weeks.",
        first_action="Wipe the lamp's cover, switched off and unplugged; if that does not help, replace the lamp.",
        sitter="",
        respond="2 weeks",
        priority="medium",
        off_delay_s=2 * DAY_S,
        deadband="Decided by a cumulative sum on daily values; clears when lamp work is recorded or output is back.",
        stale=_BLIND,
        trap="Do not add fertiliser to make up for weak light.",
    ),
    AlarmRow(
        name="lamp_off",
        title="The lamp is not on its schedule",
        cause="A timer, a plug or a circuit breaker; or the lamp itself.",
        consequence="Plants starve of light within days; a lamp that burns all night feeds algae.",
        first_action="Look at the timer and the plug.",
        sitter="Look whether the lamp's timer and plug are in order; if not, call.",
        respond="1 day",
        priority="medium",
        tell_return=True,
        on_delay_s=20 * MINUTE_S,
        off_delay_s=10 * MINUTE_S,
        deadband="Half of the lamp's usual rise or drop.",
        stale=_BLIND,
        trap="Do not open a fitting that trips its breaker; that is work for somebody licensed.",
    ),
    AlarmRow(
        name="light_low",
        title="Too little light this week",
        cause="Shorter hours, a weaker lamp, or a darker season than these plants need.",
        consequence="Uptake falls below the feed.",
        first_action="Lengthen the lamp's hours by what the tank's page shows.",
        sitter="",
        respond="1 week",
        priority="low",
        told_by=("lamp_dimming", "lamp_off"),
        off_delay_s=DAY_S,
        deadband="Rises below the needed dose, clears 10 % above it.",
        stale="Days with gaps count for nothing.",
        trap="Do not add fertiliser to make up for weak light.",
    ),
    AlarmRow(
        name="light_probe_fouled",
        title="The light probe is dirty or shaded",
        cause="Lamp and daylight fell alike, so the probe sees less, not the plants.",
        consequence="The light dose is under-read and a real dimming would hide in it.",
        first_action="Wipe the light probe and record the cleaning.",
        sitter="",
        respond="2 weeks",
        priority="low",
        off_delay_s=DAY_S,
        deadband="Clears when a cleaning is recorded or both parts are back.",
        stale=_BLIND,
        trap="Do not replace the lamp on this evidence.",
    ),
)


def _limit(quantity: str, unit: str) -> str:
    return f"The watch's clear margin inside the limit ({quantity}, {unit})."


_WATER = (
    AlarmRow(
        name="temperature_high",
        title="Water too warm",
        cause="A heater stuck on, sun on the glass, or a hot room.",
        consequence="Warm water holds less oxygen and makes ammonia more poisonous.",
        first_action="Look whether the heater is stuck on; if so, unplug it. Move the surface, keep sun off.",
        sitter="Open the lid, keep the sun off the glass, and call.",
        respond="1 hour",
        priority="high",
        urgent=True,
        tell_return=True,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=15 * MINUTE_S,
        deadband=_limit("temperature", "°C"),
        stale=_BLIND,
        trap="Do not cool with ice or cold tap water: a fall of some degrees in an hour is worse than the heat.",
    ),
    AlarmRow(
        name="temperature_low",
        title="Water too cold",
        cause="The heater is off, unplugged or broken, or the room has gone cold.",
        consequence="Fish weaken and fall ill; plants stop taking up.",
        first_action="Look whether the heater has power and is set right.",
        sitter="Look whether the heater is plugged in and lit, then call.",
        respond="2 hours",
        priority="high",
        urgent=True,
        tell_return=True,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=15 * MINUTE_S,
        deadband=_limit("temperature", "°C"),
        stale=_BLIND,
        trap="Do not pour in hot water.",
    ),
    AlarmRow(
        name="temperature_moving",
        title="Water temperature moving fast",
        cause="A heater stuck, a large water change, an open window.",
        consequence="Fast change stresses fish even inside the limits.",
        first_action="Look at the heater and at what was done to the tank in the last hour.",
        sitter="Look whether the heater is plugged in, then call.",
        respond="1 hour",
        priority="medium",
        told_by=("temperature_high", "temperature_low"),
        urgent=True,
        tell_return=True,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=30 * MINUTE_S,
        deadband="Clears at half of the limit's rate.",
        stale=_BLIND,
    ),
    AlarmRow(
        name="ph_high",
        title="pH too high",
        cause="Carbon dioxide lost, hard new water, or a probe that has drifted.",
        consequence="More of the ammonia is in its poisonous form.",
        first_action="Test pH and ammonia before anything else.",
        sitter="Do not feed today, then call.",
        respond="4 hours",
        priority="medium",
        urgent=True,
        tell_return=True,
        on_delay_s=30 * MINUTE_S,
        off_delay_s=30 * MINUTE_S,
        deadband=_limit("pH", "pH units"),
        stale=_BLIND,
        trap="Do not add an acid or a pH remedy: the swing harms more than the value.",
    ),
    AlarmRow(
        name="ph_low",
        title="pH too low",
        cause="Carbonate hardness used up by nitrification, or a probe that has drifted.",
        consequence="The biological filter slows; pH can fall fast once the hardness is gone.",
        first_action="Test pH, KH and ammonia; what to do with the water depends on all three.",
        sitter="Do not feed today, then call.",
        respond="4 hours",
        priority="medium",
        urgent=True,
        tell_return=True,
        on_delay_s=30 * MINUTE_S,
        off_delay_s=30 * MINUTE_S,
        deadband=_limit("pH", "pH units"),
        stale=_BLIND,
        trap="Do not add a pH remedy in one go: the swing harms more than the value.",
    ),
    AlarmRow(
        name="ph_moving",
        title="pH moving fast",
        cause="Carbonate hardness gone, something dosed, or a probe cable that has moved.",
        consequence="Fish bear a steady pH better than a moving one.",
        first_action="Check pH and KH with a strip.",
        sitter="Do not add anything to the water, then call.",
        respond="4 hours",
        priority="medium",
        told_by=("ph_high", "ph_low"),
        urgent=True,
        tell_return=True,
        on_delay_s=20 * MINUTE_S,
        off_delay_s=HOUR_S,
        deadband="Clears at half of the limit's rate.",
        stale=_BLIND,
        trap="Do not add a pH remedy.",
    ),
    AlarmRow(
        name="alkalinity_low",
        title="Carbonate hardness running out",
        cause="Nitrification uses it up faster than water changes bring it in.",
        consequence="pH will fall, at first slowly and then fast.",
        first_action="Test ammonia first, then raise the hardness as the planner shows, in small steps.",
        sitter="",
        respond="1 week",
        priority="medium",
        off_delay_s=HOUR_S,
        deadband="Clears 0.5 °dH above the limit.",
        stale=_LEVEL,
        trap="Do not chase the pH with remedies; restore the hardness.",
    ),
    AlarmRow(
        name="hardness_high",
        title="Hardness building up",
        cause="Evaporated water is made good with hard water, and the salts stay.",
        consequence="Soft-water fish and plants suffer slowly.",
        first_action="Top off with softer water, treated and as warm as the tank.",
        sitter="",
        respond="4 weeks",
        priority="low",
        off_delay_s=HOUR_S,
        deadband="Clears 1 °dH below the limit.",
        stale=_LEVEL,
    ),
)

_TOOL = (
    AlarmRow(
        name="probe_silent",
        title="A probe is silent",
        cause="A cable, a flat battery, a board without power, or the radio link.",
        consequence="The tool is blind for this value and its alarms stand as they are.",
        first_action="Look at the probe's cable and its board's power.",
        sitter="Look whether the probe's cable is plugged in; otherwise leave it.",
        respond="1 day",
        priority="medium",
        tell_return=True,
        on_delay_s=10 * MINUTE_S,
        off_delay_s=5 * MINUTE_S,
        deadband="None: a good reading is a good reading.",
        stale="Silence is what it tells of.",
    ),
    AlarmRow(
        name="probe_fault",
        title="A probe gives readings that cannot be true",
        cause="A broken or wet probe, a loose cable, or a value that has frozen.",
        consequence="Its readings are left out; the tool is blind for this value.",
        first_action="Look at the probe's cable and seat, then compare it with a strip.",
        sitter="Leave the probe as it is.",
        respond="2 days",
        priority="medium",
        tell_return=True,
        on_delay_s=30 * MINUTE_S,
        off_delay_s=HOUR_S,
        deadband="Clears after an hour of readings without a flag.",
        stale=_BLIND,
        trap="Do not act on the water because of this value.",
    ),
    AlarmRow(
        name="calibration_due",
        title="Probe calibration due",
        cause="The last calibration is older than it stays good, or its slope or offset is out of bounds.",
        consequence="Readings drift without a sign.",
        first_action="Calibrate the probe as its page shows.",
        sitter="",
        respond="2 weeks",
        priority="low",
        off_delay_s=1.0,
        deadband="None: a calibration entered clears it.",
        stale=_COUNTED,
    ),
    AlarmRow(
        name="delivery_failing",
        title="A message could not be delivered",
        cause="Wrong or expired credentials, a certificate, or no way out of the house.",
        consequence="The next alarm may reach nobody.",
        first_action="Run 'rushlight check --send' on the Pi and correct what it names.",
        sitter="",
        respond="1 day",
        priority="medium",
        tell_return=True,
        off_delay_s=MINUTE_S,
        deadband="None: a delivery proven clears it.",
        stale="Each scheduled self-test renews it.",
    ),
    AlarmRow(
        name="storage_low",
        title="Storage nearly full or failing",
        cause="The card is full, read-only or worn.",
        consequence="History stops; alarms go on from memory until the next restart.",
        first_action="Make a backup, then free space or replace the card.",
        sitter="",
        respond="2 days",
        priority="medium",
        tell_return=True,
        on_delay_s=5 * MINUTE_S,
        off_delay_s=HOUR_S,
        deadband="Clears at twice the free space at which it rises.",
        stale=_BLIND,
    ),
    AlarmRow(
        name="clock_untrusted",
        title="The clock cannot be trusted",
        cause="No time server has been reached since the start, or the clock jumped.",
        consequence="Times of readings are provisional and schedules may run late.",
        first_action="Look whether the network is up; the clock sets itself when it is.",
        sitter="",
        respond="1 day",
        priority="medium",
        on_delay_s=30 * MINUTE_S,
        off_delay_s=MINUTE_S,
        deadband="None: the clock is synchronised or it is not.",
        stale="Judged on the clock that never steps.",
    ),
    AlarmRow(
        name="strips_low",
        title="Test strips running out",
        cause="The open pack is nearly used up or past its shelf life.",
        consequence="The next test may fall out.",
        first_action="Buy test strips this week, and enter the new pack when you open it.",
        sitter="",
        respond="1 week",
        priority="low",
        off_delay_s=1.0,
        deadband="None: a new pack entered clears it.",
        stale=_COUNTED,
    ),
)

TABLE: Mapping[str, AlarmRow] = MappingProxyType({r.name: r for r in _NITRATE + _FISH + _LIGHT + _WATER + _TOOL})
"""Every alarm that the program knows, by name."""
