"""Proof of delivery on a schedule: a channel that has carried nothing for a week is made to carry something.

Pure: names the messages and checks that are due.  The messages go through the outbox like any other, under a key
that names the week, so a week has at most one.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterable, Mapping

from rushlight.effects import Message
from rushlight.localtime import DAY_S, local_time

PROOF_LASTS_S = 7 * DAY_S
_BODY = "This message proves that this way of telling you works. Nothing to do."


def messages(
    channels: Iterable[str], proven_s: Mapping[str, float | None], at_s: float, zone: zoneinfo.ZoneInfo
) -> list[Message]:
    """One silent message for each channel without a delivery in the last week; e-mail has the weekly summary."""
    iso = local_time(at_s, zone).isocalendar()
    out = []
    for channel in channels:
        last_s = proven_s.get(channel)
        if channel == "email" or (last_s is not None and last_s > at_s - PROOF_LASTS_S):
            continue
        out.append(
            Message(
                at_s=at_s,
                key=f"selftest:{channel}:{iso.year}-W{iso.week:02d}",
                channel=channel,
                priority="low",
                title="Delivery check",
                body=_BODY,
                purpose="check",
            )
        )
    return out
