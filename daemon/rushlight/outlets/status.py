"""Each outlet's state in one plain sentence, for whoever asks how the daemon is.

Owns those sentences.  Pure: told what each outlet knows of itself and the time.  What went wrong is told in the
outlet's own words, which never quote a credential.
"""

from __future__ import annotations

import math
import zoneinfo
from dataclasses import dataclass

from rushlight.localtime import local_time
from rushlight.outlets.channel_health import ChannelHealth
from rushlight.outlets.result import Never
from rushlight.views import OutletView

TITLES = {
    "push": "Push messages",
    "webhook": "Webhook",
    "services": "Phone services",
    "email": "E-mail",
    "hub": "Hub",
    "timeseries": "Time-series store",
    "heartbeat": "Outside watcher",
}
_WELL = {"hub": "Connected", "timeseries": "Sending without trouble"}
_REMEDY = {
    "hub": "It is tried again by itself; if it lasts, see that the broker runs and that [mqtt] names it rightly.",
    "timeseries": (
        "What is missing follows by itself; if it lasts, see that the store runs and that [timeseries] names it"
        " rightly."
    ),
    "heartbeat": "It starts again by itself; until then the watcher will say that it hears nothing.",
}


@dataclass(frozen=True, slots=True)
class Now:
    """The present moment on both clocks, and the site's zone.

    Outlets remember monotonic seconds; told as the wall time that they are by now, they are right after every setting
    of the clock.
    """

    mono_s: float
    wall_s: float
    zone: zoneinfo.ZoneInfo

    def when(self, mono_s: float) -> str:
        """A monotonic moment in words: 'Tue 3 March at 18:30'."""
        return self.wall(self.wall_s - (self.mono_s - mono_s))

    def wall(self, at_s: float) -> str:
        """A moment in Unix seconds in words."""
        when = local_time(at_s, self.zone)
        return f"{when:%a} {when.day} {when:%B} at {when:%H:%M}"


def channel(health: ChannelHealth, now: Now, *, before_s: float | None, waiting: int) -> OutletView:
    """A channel to people.

    `before_s` is when an earlier run of the daemon delivered something last, Unix seconds; `waiting` counts messages.
    """
    last = None if before_s is None else now.wall(before_s)
    if health.delivered_mono_s is not None:
        last = now.when(health.delivered_mono_s)
    if health.failing_since_mono_s is not None and health.trouble is not None:
        held = f" {waiting} waiting." if waiting else ""
        again = "" if isinstance(health.trouble, Never) else "It is tried again by itself; if it lasts, "
        remedy = f"{again}run 'rushlight check' on the Pi and correct what it names."
        said = (
            f"Nothing has gone through since {now.when(health.failing_since_mono_s)}: {health.trouble.why}.{held}"
            f" {_capital(remedy)}{f' Delivered last on {last}.' if last else ''}"
        )
        return OutletView(name=health.channel, title=TITLES[health.channel], well=False, sentence=said)
    said = f"Delivered last on {last}." if last else "Nothing sent yet; 'rushlight check --send' tries it."
    checked_mono_s = health.checked_mono_s
    if checked_mono_s is not None and checked_mono_s > (health.delivered_mono_s or -math.inf):
        said += f" Its account was in order on {now.when(checked_mono_s)}."
    return OutletView(name=health.channel, title=TITLES[health.channel], well=True, sentence=said)


def link(name: str, trouble: str, since_mono_s: float, now: Now) -> OutletView:
    """The hub or the time-series store: `trouble` is its own word, empty while all is well; since when it is so."""
    since = now.when(since_mono_s)
    said = f"In trouble since {since}: {trouble}. {_REMEDY[name]}" if trouble else f"{_WELL[name]} since {since}."
    return OutletView(name=name, title=TITLES[name], well=not trouble, sentence=said)


def watcher(trouble: str, pinged_mono_s: float | None, now: Now) -> OutletView:
    """The outside watcher: why its last ping failed or was held back, and when the last good one was."""
    last = "No ping has gone out yet" if pinged_mono_s is None else f"Pinged last on {now.when(pinged_mono_s)}"
    said = f"{last}; the next is held up: {trouble}. {_REMEDY['heartbeat']}" if trouble else f"{last}."
    return OutletView(name="heartbeat", title=TITLES["heartbeat"], well=not trouble, sentence=said)


def nobody() -> OutletView:
    """No channel is configured."""
    said = "No channel is set up, so no alarm reaches a phone; set [push], [webhook], [services] or [email]."
    return OutletView(name="none", title="Messages", well=False, sentence=said)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
