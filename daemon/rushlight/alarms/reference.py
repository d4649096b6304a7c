"""The alarm table as a page for people, in Markdown.  `deploy/alarms.md` is this text and nothing else."""

from __future__ import annotations

from collections.abc import Iterable

from rushlight.alarms.pace import ACK_LASTS_S, LOOKED_AT_S, REPEATS_S, Pace
from rushlight.alarms.table import TABLE, AlarmRow
from rushlight.localtime import DAY_S
from rushlight.localunits import Units, number

_INTRO = """# Alarms

<!-- Written from the alarm table by `python -m rushlight.alarms.reference`; change the table, not this page. -->

An alarm asks for an action in time; what asks for nothing is not an alarm. Words and states follow IEC 62682 and
ANSI/ISA-18.2: an alarm is *unacknowledged*, *acknowledged*, *returned* (back to normal, not yet acknowledged),
*normal*, *shelved* (put aside for some hours) or *out of service* (by configuration). What is over while the same
trouble still stands at an earlier stage asks for no acknowledgement of its own.

A high alarm is pushed at any hour. Medium waits for the end of the quiet hours. Low is told in the weekly
summary, or on Monday morning where no e-mail is set up.
The values are estimates and common practice, not a substitute for testing or for a vet.
"""
_less = Units("us").say_change
_UNITS = f"""
This page is metric; messages and screens speak the units of the site. In US ones its deadbands are
{_less(0.5, "°dH")} for 0.5 °dH, {_less(1.0, "°dH")} for 1 °dH, {_less(0.5, "cm")} for 0.5 cm.
"""


def render() -> str:
    """The whole page."""
    parts = [_INTRO + _UNITS, _times(), _overview(TABLE.values())]
    parts += [_row(row) for row in TABLE.values()]
    return "\n".join(parts)


def _times() -> str:
    lines = [
        "## When it is told again",
        "",
        "| priority | told again after | an acknowledgement holds |",
        "|---|---|---|",
    ]
    names: dict[Pace, str] = {
        "urgent": "high, urgent",
        "tested": "high, urgent, by a test",
        "high": "high, other",
        "medium": "medium",
        "low": "low",
    }
    for pace, name in names.items():
        again = ", ".join(span(s) for s in REPEATS_S[pace])
        again = f"{again}, then every {span(REPEATS_S[pace][-1])}" if again else "never"
        first_s, most_s = ACK_LASTS_S[pace]
        holds = (
            span(first_s)
            if first_s == most_s
            else f"{span(first_s)}, then twice as long each time up to {span(most_s)}"
        )
        lines.append(f"| {name} | {again} | {holds} |")
    urgent = ", ".join(f"`{r.name}`" for r in TABLE.values() if r.urgent and not r.by_test)
    tested = ", ".join(f"`{r.name}`" for r in TABLE.values() if r.by_test)
    return (
        "\n".join(
            [
                *lines,
                "",
                f"Urgent are {urgent}.",
                f"By a test are {tested}: urgent too, but somebody has just read them off a strip.",
                f"A test made after the acknowledgement counts as another look, up to {span(LOOKED_AT_S)} in all.",
            ]
        )
        + "\n"
    )


def _overview(rows: Iterable[AlarmRow]) -> str:
    lines = ["## All of them", "", "| alarm | says | priority | respond within |", "|---|---|---|---|"]
    lines += [f"| [`{r.name}`](#{r.name}) | {r.title} | {r.priority} | {r.respond} |" for r in rows]
    return "\n".join(lines) + "\n"


def _row(row: AlarmRow) -> str:
    delays = f"{span(row.on_delay_s)} before it rises, {span(row.off_delay_s)} before it returns"
    lines = [
        f"## {row.name}",
        "",
        f"**{row.title}.** Priority {row.priority}, respond within {row.respond}."
        if row.respond != "now"
        else f"**{row.title}.** Priority {row.priority}, respond now.",
        "",
        f"- Cause: {row.cause}",
        f"- Consequence: {row.consequence}",
        f"- First action: {row.first_action}",
    ]
    if row.trap:
        lines.append(f"- Trap: {row.trap}")
    if row.told_by:
        others = " or ".join(f"`{name}`" for name in row.told_by)
        lines.append(f"- Not told while {others} stands in the same tank: that tells the same trouble further on.")
    lines += [
        f"- For a sitter: {row.sitter or 'not told.'}",
        f"- Delays: {delays}.",
        f"- Deadband: {row.deadband}",
        f"- Without data: {row.stale}",
    ]
    return "\n".join(lines) + "\n"


def span(seconds: float) -> str:
    """A stretch of time in the largest unit that gives a whole number."""
    for unit, size in (("d", DAY_S), ("h", 3600.0), ("min", 60.0)):
        if seconds >= size and seconds % size == 0:
            return f"{number(seconds / size, 3)} {unit}"
    return f"{number(seconds, 3)} s"


if __name__ == "__main__":
    print(render(), end="")  # noqa: T201  the page is this module's output
