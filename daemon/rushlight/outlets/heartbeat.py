"""An outside address that is pinged while all is well, so that silence is noticed where this program can't speak.

Owns the conditions for a ping.  Never pings to say that something is wrong, unless the watcher has an address for
that; never retries: the next round is the retry.
"""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass

from rushlight.clock import Clock
from rushlight.outlets.net import http_request
from rushlight.outlets.result import Done, Result
from rushlight.settings import Heartbeat as Settings

log = logging.getLogger(__name__)

EVALUATED_WITHIN_S = 60.0
HIGH_WAITS_AT_MOST_S = 600.0
FIRST_LOOK_S = 0.5


@dataclass(frozen=True, slots=True)
class HeartbeatFacts:
    """What a ping stands for.  Ages are monotonic seconds; None where there is nothing to be old."""

    evaluated_ago_s: float | None
    """Since the core last looked at everything; None: it never has."""
    untold_silent: tuple[str, ...] = ()
    """Probes that are silent, whose silence is to be told and has not been delivered to anybody."""
    blind: bool = False
    """Every probe is silent, and that has not been delivered to anybody, for whatever reason."""
    high_waiting_s: float | None = None
    """Age of the oldest high message in the outbox."""
    storage_ok: bool = True
    """The journal takes writes, or somebody has been told that it does not."""
    stuck: tuple[str, ...] = ()
    """Workers without progress."""


def may_ping(facts: HeartbeatFacts) -> str:
    """Empty if all is well, else why no ping may go out, in words for a person."""
    reasons = (
        (
            facts.evaluated_ago_s is None or facts.evaluated_ago_s > EVALUATED_WITHIN_S,
            "the evaluation has not run for a minute",
        ),
        (bool(facts.stuck), f"no progress: {', '.join(facts.stuck)}"),
        (
            facts.high_waiting_s is not None and facts.high_waiting_s > HIGH_WAITS_AT_MOST_S,
            "a high alarm has waited for delivery for ten minutes",
        ),
        (facts.blind, "no probe is heard any more and nobody has been told"),
        (bool(facts.untold_silent), f"silent and nobody told: {', '.join(facts.untold_silent)}"),
        (not facts.storage_ok, "the journal can't be written and nobody has been told"),
    )
    return next((words for holds, words in reasons if holds), "")


class Heartbeat:
    """`url` and `fail_url` are the secrets themselves; `facts` is asked before every ping, from this thread."""

    def __init__(
        self, settings: Settings, url: str, fail_url: str, clock: Clock, facts: Callable[[], HeartbeatFacts]
    ) -> None:
        self._settings, self._url, self._fail_url, self._clock, self._facts = settings, url, fail_url, clock, facts
        self.last_reason = ""
        self.trouble = ""
        """Why the last round brought no ping through; empty: it did."""
        self.last_ping_mono_s: float | None = None

    def run(self, stop: threading.Event, progress: Callable[[], None] = lambda: None) -> None:
        """Ping until `stop` is set."""
        if not self._wait_for_first_look(stop):
            return
        while not stop.is_set():
            progress()
            self.once()
            if self._clock.wait(stop, self._settings.every_seconds):
                return

    def _wait_for_first_look(self, stop: threading.Event) -> bool:
        """Let the core look at everything once, for a minute at most; False when told to stop."""
        until_s = self._clock.mono_s() + EVALUATED_WITHIN_S
        while self._clock.mono_s() < until_s:
            with contextlib.suppress(Exception):  # `once` says what keeps the facts from us, if it lasts
                if self._facts().evaluated_ago_s is not None:
                    return True
            if self._clock.wait(stop, FIRST_LOOK_S):
                return False
        return True

    def once(self) -> str:
        """One round; returns why there was no ping, empty if there was one."""
        self.trouble = self._round()
        return self.trouble

    def _round(self) -> str:
        try:
            reason = may_ping(self._facts())
        except Exception as e:  # noqa: BLE001 - whatever keeps the facts from us is a reason for silence
            reason = f"no facts to be had ({type(e).__name__})"
        if reason != self.last_reason:
            log.warning("heartbeat=%s reason=%r", "silent" if reason else "resumed", reason)
        self.last_reason = reason
        url = self._fail_url if reason else self._url
        if url:
            result = self._call(url, reason)
            if not isinstance(result, Done):
                log.warning("heartbeat=undelivered why=%r", result.why)
                return reason or result.why
            if not reason:
                self.last_ping_mono_s = self._clock.mono_s()
        return reason

    def _call(self, url: str, reason: str) -> Result:
        body = reason.encode() if self._settings.method == "POST" else b""
        return http_request.request(
            self._settings.method,
            url,
            body=body,
            headers={"Content-Type": "text/plain; charset=utf-8"} if body else {},
            deadline_s=self._settings.deadline_s,
            wall_s=self._clock.wall_s,
        ).result
