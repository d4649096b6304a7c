"""How each channel is doing: what was last proven, since when it fails, and whether that is worth an alarm.

Pure: told the results and the monotonic time, says 'raise' or 'clear'.  Never sends.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from rushlight.localtime import DAY_S
from rushlight.outlets.result import Done, Later, Never, Result

FAILING_S = 3600.0
"""A channel that could not deliver for this long is failing, though each single try may yet succeed later."""
SETTLING_S = 600.0
"""A run that fails for less than this adds nothing to what an earlier one found: the network comes up after us."""
EXPIRES_SOON_S = 7 * DAY_S
"""A certificate at the other end that runs out within this is told ahead (90-day ones are renewed at 30 days left)."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The channel's word for the alarm `delivery_failing`, subject the channel's name."""

    channel: str
    says: Literal["raise", "clear"]
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class ChannelHealth:
    """One channel's record.  Times are monotonic seconds: a clock that is set neither makes nor hides a failure."""

    channel: str
    delivered_mono_s: float | None = None
    checked_mono_s: float | None = None
    """When the account was last found in order without anything being sent."""
    failing_since_mono_s: float | None = None
    """Since when nothing goes through; by an earlier run's tries perhaps from before this one."""
    failed_here_mono_s: float | None = None
    """The first of the failed tries of this run."""
    trouble: Later | Never | None = None
    """The last try, if it failed."""
    raised: bool | None = None
    """None: not said anything since the start."""

    def hear(
        self,
        result: Result,
        mono_s: float,
        certificate_left_s: float | None = None,
        *,
        sent: bool = True,
        failed_before_s: float = 0.0,
    ) -> Verdict | None:
        """Take one result in; a verdict where it changes.

        `certificate_left_s` is how long the other end's certificate is still good for; None: not known.  `sent` False:
        only the account was looked at.  `failed_before_s`: how long ago earlier runs of the daemon began to fail here.
        """
        if isinstance(result, Done):
            self.failing_since_mono_s = self.failed_here_mono_s = self.trouble = None
            if sent:
                self.delivered_mono_s = mono_s
            else:
                self.checked_mono_s = mono_s
            if certificate_left_s is not None and certificate_left_s < EXPIRES_SOON_S:
                return self._say("raise", self._expiring(max(0.0, certificate_left_s)))
            return self._say("clear", {})
        if self.failing_since_mono_s is None or self.failed_here_mono_s is None:
            self.failing_since_mono_s = self.failed_here_mono_s = mono_s
        self.failing_since_mono_s = min(self.failing_since_mono_s, mono_s - failed_before_s)
        self.trouble = result
        failing_s, here_s = mono_s - self.failing_since_mono_s, mono_s - self.failed_here_mono_s
        if isinstance(result, Never) or (failing_s >= FAILING_S and here_s >= SETTLING_S):
            return self._say("raise", self._failing(failing_s, result.why))
        return None

    def _say(self, says: Literal["raise", "clear"], facts: Mapping[str, Any]) -> Verdict | None:
        if self.raised is (says == "raise"):
            return None
        self.raised = says == "raise"
        return Verdict(self.channel, says, facts)

    def _failing(self, failing_s: float, why: str) -> dict[str, Any]:
        hours = failing_s / 3600
        span = f" for {hours:.0f} h" if hours >= 1 else ""
        return {
            "channel": self.channel,
            "sentence": f"Messages by {self.channel} have not gone through{span}: {why}",
            "cause_sentence": "",
        }

    def _expiring(self, left_s: float) -> dict[str, Any]:
        return {
            "channel": self.channel,
            "sentence": f"The certificate of the {self.channel} server runs out in {left_s / DAY_S:.0f} days",
            "days": round(left_s / DAY_S, 1),
            "cause_sentence": "After that, no message goes this way",
            "action_sentence": "See that the server's certificate is renewed",
        }
