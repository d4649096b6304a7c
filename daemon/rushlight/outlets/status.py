"""Each outlet's state in one plain sentence, for whoever asks how the daemon is.

Owns those sentences.  Pure: told what each outlet knows of itself and the time.  What went wrong is told in the
outlet's own words, which never quote a credential.
"""

from __future__ import annotations

import math
import zoneinfo
from dataclasses import dataclass
from typing import Literal

from rushlight.alarms.wording.words import capital
from rushlight.localtime import local_time
from rushlight.outlets.channel_health import ChannelHealth
from rushlight.outlets.result import Never
from rushlight.views import NOBODY_TOLD, OutletView

TITLES = {
    "push": "Push messages",
    "webhook": "Webhook",
    "services": "Phone services",
    "email": "E-mail",
    "hub": "Hub",
    "timeseries": "Time-series store",
    "heartbeat": "Outside watcher",
}
Proof = Literal["never tried", "failed", "account in order", "delivered"]
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
        return self.wall(self.then_s(mono_s))

    def then_s(self, mono_s: float) -> float:
        """A monotonic moment in Unix seconds."""
        return self.wall_s - (self.mono_s - mono_s)

    def wall(self, at_s: float) -> str:
        """A moment in Unix seconds in words."""
        when = local_time(at_s, self.zone)
        return f"{when:%a} {when.day} {when:%B} at {when:%H:%M}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """What is known of a channel beyond this run of the daemon; Unix seconds."""

    delivered_s: float | None = None
    failing_since_s: float | None = None
    confirmed_s: float | None = None
    """When a person last said that a trial message was there."""


def channel(health: ChannelHealth, now: Now, *, before: Before | None = None, waiting: int = 0) -> OutletView:
    """A channel to people; `waiting` counts messages."""
    before = before or Before()
    last_s = before.delivered_s if health.delivered_mono_s is None else now.then_s(health.delivered_mono_s)
    last = None if last_s is None else now.wall(last_s)
    failed = _failed(health, now, before)
    checked_s = None if health.checked_mono_s is None else now.then_s(health.checked_mono_s)
    state: Proof = "never tried"
    at_s: float | None = None
    if failed is not None:
        at_s, why, again = failed
        state = "failed"
        held = f" {waiting} waiting." if waiting else ""
        remedy = f"{again}run 'rushlight check' on the Pi and correct what it names."
        said = (
            f"Nothing has gone through since {now.wall(at_s)}{why}.{held}"
            f" {capital(remedy)}{f' Delivered last on {last}.' if last else ''}"
        )
    else:
        said = f"Delivered last on {last}." if last else "Never tried; 'rushlight check --send' does."
        if last:
            state, at_s = "delivered", last_s
        if checked_s is not None and checked_s > (last_s or -math.inf):
            said = said if last else "Nothing delivered yet; 'rushlight check --send' tries it."
            said += f" Its account was in order on {now.wall(checked_s)}."
            state, at_s = (state, at_s) if last else ("account in order", checked_s)
    if before.confirmed_s is not None:
        said += f" A person had a trial message in hand on {now.wall(before.confirmed_s)}."
    return OutletView(
        name=health.channel,
        title=TITLES[health.channel],
        well=failed is None,
        sentence=said,
        state=state,
        at_s=at_s,
        confirmed_at_s=before.confirmed_s,
    )


def _failed(health: ChannelHealth, now: Now, before: Before) -> tuple[float, str, str] | None:
    """Since when nothing goes through, why, and how the advice begins; None when it does, as far as is known."""
    tried_again = "It is tried again by itself; if it lasts, "
    if health.failing_since_mono_s is not None and health.trouble is not None:
        again = "" if isinstance(health.trouble, Never) else tried_again
        return now.then_s(health.failing_since_mono_s), f": {health.trouble.why}", again
    if before.failing_since_s is not None and health.delivered_mono_s is None and health.checked_mono_s is None:
        return before.failing_since_s, ", as the daemon found when it ran before", tried_again
    return None


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
    return OutletView(name="none", title="Messages", well=False, sentence=NOBODY_TOLD)
