"""How each channel is doing: what was last proven, since when it fails, and whether that is worth an alarm.

Pure: told the results and the time, says 'raise' or 'clear'.  Never sends.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from rushlight.outlets.result import Done, Never, Result

FAILING_S = 3600.0
"""A channel that could not deliver for this long is failing, though each single try may yet succeed later."""
EXPIRES_SOON_S = 7 * 86400.0
"""A certificate at the other end that runs out within this is told ahead (90-day ones are renewed at 30 days left)."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """The channel's word for the alarm `delivery_failing`, subject the channel's name."""

    channel: str
    says: Literal["raise", "clear"]
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class ChannelHealth:
    """One channel's record; times are Unix seconds."""

    channel: str
    proven_s: float | None = None
    failing_since_s: float | None = None
    why: str = ""
    raised: bool | None = None
    """None: not said anything since the start."""

    def hear(self, result: Result, at_s: float, certificate_until_s: float | None = None) -> Verdict | None:
        """Take one result in; a verdict where it changes."""
        if isinstance(result, Done):
            self.proven_s, self.failing_since_s, self.why = at_s, None, ""
            left_s = None if certificate_until_s is None else certificate_until_s - at_s
            if left_s is not None and left_s < EXPIRES_SOON_S:
                return self._say("raise", self._expiring(max(0.0, left_s)))
            return self._say("clear", {})
        if self.failing_since_s is None or at_s < self.failing_since_s:
            self.failing_since_s = at_s
        self.why = result.why
        if isinstance(result, Never) or at_s - self.failing_since_s >= FAILING_S:
            return self._say("raise", self._failing(at_s))
        return None

    def _say(self, says: Literal["raise", "clear"], facts: Mapping[str, Any]) -> Verdict | None:
        if self.raised is (says == "raise"):
            return None
        self.raised = says == "raise"
        return Verdict(self.channel, says, facts)

    def _failing(self, at_s: float) -> dict[str, Any]:
        since_s = self.failing_since_s if self.failing_since_s is not None else at_s
        hours = (at_s - since_s) / 3600
        span = f" for {hours:.0f} h" if hours >= 1 else ""
        return {
            "channel": self.channel,
            "sentence": f"Messages by {self.channel} have not gone through{span}: {self.why}",
            "cause_sentence": "",
        }

    def _expiring(self, left_s: float) -> dict[str, Any]:
        return {
            "channel": self.channel,
            "sentence": f"The certificate of the {self.channel} server runs out in {left_s / 86400:.0f} days",
            "days": round(left_s / 86400, 1),
            "cause_sentence": "After that, no message goes this way",
            "action_sentence": "See that the server's certificate is renewed",
        }
