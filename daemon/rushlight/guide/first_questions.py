"""The questions of a first configuration: six, for one tank or for many, each with an answer that suits most.

Owns their order and words; `answers` reads what is typed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rushlight.guide import animals, wizard
from rushlight.guide import answers as typed
from rushlight.guide.dialogue import Dialogue
from rushlight.localunits import METRIC, Units
from rushlight_drivers.discover import Proposal


def ask_all(talk: Dialogue, usual: wizard.Answers) -> wizard.Answers:
    """Put each question."""
    site, timezone, system = talk.ask_for(
        "Name of the place, and its time zone with a comma between them; then us or uk, where people read gallons",
        f"{usual.site}, {usual.timezone}",
        typed.place(usual.timezone),
    )
    tanks = _tanks(talk, usual.tanks, Units(system))
    pads, unit = talk.ask_for(
        "Values beside the strip's nitrate pad; if the box says NO3-N and not NO3, write NO3-N after them",
        " ".join(f"{p:g}" for p in usual.nitrate_pads),
        typed.pads,
    )
    server, network = talk.ask_for(
        "Address of a push server for alarms on the phone (none: no phone); then, with a comma between them, closed,"
        " where phones in the home network may not open the page",
        wizard.PUSH_SERVER,
        typed.phones,
    )
    return replace(
        usual,
        site=site,
        timezone=timezone,
        units=system,
        tanks=tanks,
        nitrate_pads=pads,
        nitrate_unit=unit,
        home_network=network,
        push_server=server,
        push_topic=wizard.new_topic() if server else "",
        asked=True,
    )


def _tanks(talk: Dialogue, usual: Sequence[wizard.Water], units: Units) -> tuple[wizard.Water, ...]:
    """The tanks: what they hold, who lives in them, what they are filled with."""
    given = talk.ask_for(
        f"Your tanks, each with its name, {units.name('litres')} of water without gravel and wood, and grams of dry"
        f" feed a day, such as {typed.example(units)}",
        ", ".join(f"{t.name} {units.figure(t.litres, 'L', 'g')} {t.feed_grams:g}" for t in usual),
        typed.tanks(units),
    )
    said = [f"{name} ({units.say(litres, 'L', 'g')}, {grams:g} g a day)" for name, litres, grams in given]
    lives = ask_lives(talk, said, units)
    degrees = units.word("°dH")
    water = f"nitrate in {units.word('mg/L')}, KH and GH in {'degrees' if degrees == '°dH' else degrees}, pH"
    example = f"5 {units.figure(4.0, '°dH', 'g')} {units.figure(7.0, '°dH', 'g')} 7.4"
    source = talk.ask_for(
        f"The water that you fill in: {water}, such as {example} (unknown: -)",
        "- - - -",
        typed.source(units),
    )
    return tuple(
        wizard.Water(name, litres, grams, since, source, keeping)
        for (name, litres, grams), (keeping, since) in zip(given, lives, strict=True)
    )


def ask_lives(talk: Dialogue, tanks: Sequence[str], units: Units = METRIC) -> typed.Lives:
    """Who lives in each tank, which proposes its limits, and since when it stands."""
    talk.say(f"Limits for the animals. {animals.explained(units)}")
    each = "" if len(tanks) == 1 else "; one answer for each with commas between them, or one for all"
    return talk.ask_for(
        f"Who lives in {' and '.join(tanks)}, and the day on which it was set up (unknown: -), such as"
        f" mixed 2025-01-10{each}",
        f"{animals.USUAL.word} -",
        typed.lives(len(tanks), units),
    )


def ask_dose(
    talk: Dialogue, probes: Sequence[Proposal], tanks: Sequence[str], homes: Mapping[str, str]
) -> frozenset[str]:
    """Of several light probes in one tank the one that carries its dose; nothing is asked where each tank has one.

    One question for all tanks.
    """
    lights = [p for p in probes if p.sure and p.quantity == "light"]
    of_tank = {
        tank: [p.id for p in lights if (homes.get(p.id) or wizard.home_of(p.id, tanks)) == tank] for tank in tanks
    }
    open_ = {tank: ids for tank, ids in of_tank.items() if len(ids) > 1}
    if not open_:
        return frozenset()

    def read(text: str) -> frozenset[str]:
        given = typed.parts(text)
        if [len(set(ids) & set(given)) for ids in open_.values()] != [1] * len(given):
            raise ValueError("one probe of each tank, with commas between them")
        return frozenset(given)

    listed = "; ".join(f"{'' if len(tanks) == 1 else f'{tank}: '}{', '.join(ids)}" for tank, ids in open_.items())
    which = "Which light probe sees" if len(open_) == 1 else "Which light probes see"
    return talk.ask_for(f"{which} what the plants get: {listed}", ", ".join(i[0] for i in open_.values()), read)
