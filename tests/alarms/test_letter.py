"""What a locked phone shows: tank and matter, the deed first, and nothing too long, whatever is known."""

from __future__ import annotations

import re
from dataclasses import asdict, replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rushlight.alarms import evidence
from rushlight.alarms.evidence import SITE, Evidence, LevelEvidence, NitrateEvidence, ProbeEvidence
from rushlight.alarms.table import TABLE
from rushlight.alarms.wording import letter
from rushlight.alarms.wording.brief import BRIEF
from rushlight.alarms.wording.letter import MOST_BODY, MOST_TITLE, Item
from rushlight.effects import STEPS, Estimate

FAMILIES = [c for c in vars(evidence).values() if isinstance(c, type) and issubclass(c, Evidence)]
places = st.sampled_from(["", "Foyer", "Reading room", "The long tank behind the issue desk, upstairs"])
items = st.builds(
    Item,
    row=st.sampled_from(list(TABLE.values())),
    place=places,
    evidence=st.sampled_from(FAMILIES).flatmap(st.from_type),
    step=st.sampled_from(STEPS),
    since=st.sampled_from(["", "23:30", "24 April, for 30 days"]),
    before=st.sampled_from(["", "44 mg/L"]),
    cause_before=st.sampled_from(["", "light"]),
    sits=st.booleans(),
    call=st.sampled_from(["", "the duty librarian"]),
)


def about(mean: float, low: float, high: float) -> Estimate:
    return Estimate(mean=mean, low=low, high=high)


RISING = NitrateEvidence(
    limit_mg_l=40.0,
    nitrate_mg_l=about(33.6, 24.9, 44.2),
    net_rate_mg_l_day=about(0.83, 0.4, 1.3),
    chance_now=0.2,
    chance_28_days=0.72,
    first_cause="feed",
    deed="Feed no more than before.",
    why="Simplest cause: 29 % more feed than before; about 67 % of it.",
    trap_sentence="Do not add fertiliser: it raises nitrate further",
)
TOLD = Item(row=TABLE["nitrate_rising"], place="Foyer", evidence=RISING)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(items, min_size=1, max_size=4))
def test_nothing_is_longer_than_a_phone_shows_and_nothing_is_empty(told: list[Item]) -> None:
    title, body = letter.title(told), letter.body(told)
    assert 0 < len(title) <= MOST_TITLE
    assert 0 < len(body) <= MOST_BODY
    assert "  " not in title + body
    drawn = [v for i in told for v in asdict(i.evidence).values() if isinstance(v, str)]
    assert "None" not in title + body or any("None" in v for v in drawn)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(items.map(lambda i: replace(i, place="Foyer")), min_size=1, max_size=4))
def test_a_body_does_not_repeat_its_title(told: list[Item]) -> None:
    title, body = letter.title(told), letter.body(told)
    assert title.startswith("Foyer: ")
    assert title not in body and not body.startswith("Foyer")


CALIBRATION = Item(
    row=TABLE["calibration_due"],
    place="Foyer",
    evidence=ProbeEvidence(probe="foyer-ph", sentence="the pH probe foyer-ph was last calibrated 39 days ago"),
)
WEAK = Item(
    row=TABLE["lamp_dimming"],
    place="Foyer",
    evidence=evidence.LampLoss(lamp_percent=81.3, lamp_percent_low=80.6, lamp_percent_high=82.0),
    since="24 April, for 30 days",
)


def test_three_matters_of_one_tank_all_fit_and_the_cause_where_there_is_room() -> None:
    body = letter.body([TOLD, WEAK, CALIBRATION])
    assert len(body) <= MOST_BODY
    for words in ("Feed no more", "Nitrate about 34", "Wipe the lamp", "81 % (81 to 82)", "last calibrated 39 days"):
        assert words in body, body
    assert letter.title([TOLD, WEAK, CALIBRATION]) == "Foyer: nitrate rising, 2 more", "the most pressing comes first"
    two = letter.body([TOLD, replace(CALIBRATION, place="Reading room")])
    assert "Foyer: Feed no more" in two and "Simplest cause: 29 % more feed" in two and "Reading room: " in two


def test_a_value_just_past_its_limit_does_not_read_as_the_limit() -> None:
    warm = LevelEvidence(quantity="temperature", value=21.04, limit=21.0, unit="°C")
    item = Item(row=TABLE["temperature_high"], place="Foyer", evidence=warm)
    assert letter.state(item).startswith("Water 21.04 °C, limit 21")


def test_the_deed_comes_first_then_how_sure_then_why_then_the_trap() -> None:
    assert letter.title([TOLD]) == "Foyer: nitrate rising"
    assert letter.body([TOLD]) == (
        "Feed no more than before. Nitrate about 34 mg/L as NO3 (25 to 44), rising, limit 40; 72 % chance to pass it in 4 weeks."
        " Simplest cause: 29 % more feed than before; about 67 % of it. Do not add fertiliser: it raises nitrate further."
    )


@pytest.mark.parametrize("row", TABLE.values(), ids=lambda r: r.name)
def test_every_alarm_has_a_matter_and_a_deed_for_a_locked_phone(row: object) -> None:
    """Forty-five characters of the text are seen without unlocking, and a tank's name beside the matter."""
    matter, deed = BRIEF[row.name]  # type: ignore[attr-defined]
    assert len(f"Reading room: {matter}") <= MOST_TITLE
    assert len(deed) <= 47
    assert deed[0].isupper()
    assert BRIEF.keys() <= TABLE.keys()


def test_a_repeat_says_what_is_new_and_how_long_and_no_more() -> None:
    again = replace(TOLD, step="repeat", since="24 April, for 30 days", before="30 mg/L", cause_before="feed")
    text = letter.body([again])
    assert "Standing since 24 April, for 30 days." in text
    assert "Told last at 30 mg/L." in text
    assert "Simplest cause" not in text, "the cause is the one that was told"
    other = replace(again, cause_before="light")
    assert "Changed cause: 29 % more feed" in letter.body([other])
    assert "Told last" not in letter.body([replace(again, before="34 mg/L")]), "nothing new"


@given(
    st.floats(0.0, 200.0),
    st.floats(0.0, 60.0),
    st.floats(-3.0, 3.0),
    st.floats(0.0, 2.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
    st.sampled_from(["nitrate_high", "nitrate_rising"]),
    st.sampled_from(STEPS),
)
def test_direction_words_agree_with_the_rate_and_levels_with_the_limit(
    mean: float, half: float, rate: float, doubt: float, now: float, later: float, name: str, step: str
) -> None:
    told = replace(
        RISING,
        nitrate_mg_l=about(mean, max(0.0, mean - half), mean + half),
        net_rate_mg_l_day=about(rate, rate - doubt, rate + doubt),
        chance_now=now,
        chance_28_days=max(now, later),
    )
    text = letter.state(replace(TOLD, row=TABLE[name], evidence=told, step=step))  # type: ignore[arg-type]
    assert ("rising" in text) == (rate - doubt > 0)
    assert ("falling" in text) == (rate + doubt < 0)
    assert len(re.findall(r"Nitrate about", text)) == 1, "one figure for one quantity"
    assert ("chance to pass it" in text) == (mean <= 40.0), "a limit that is passed is not still to come"


def test_probes_of_one_board_are_one_trouble() -> None:
    silent = [
        Item(
            row=TABLE["probe_silent"],
            place="Reading room",
            evidence=ProbeEvidence(probe=f"p{n}", gateway="the board that publishes rr on the broker"),
        )
        for n in range(5)
    ]
    assert letter.title(silent) == "Reading room: board silent"
    assert letter.body(silent).count("The board that publishes rr") == 1


def test_what_is_over_says_where_it_is_now() -> None:
    told = LevelEvidence(quantity="temperature", value=25.1, limit=27.0, unit="°C")
    over = Item(row=TABLE["temperature_high"], place="Foyer", evidence=told, step="return")
    assert (letter.title([over]), letter.body([over])) == (
        "Foyer: water warm over",
        "Over: water too warm. Now 25.1 °C.",
    )


def test_probes_that_all_fall_silent_are_not_called_a_board() -> None:
    silent = [
        Item(
            row=TABLE["probe_silent"],
            place="Foyer",
            evidence=ProbeEvidence(probe=f"p{n}", gateway=SITE, dark_since="02:10"),
        )
        for n in range(2)
    ]
    assert letter.title(silent) == "Foyer: all probes silent"
    assert "Probably no power since 02:10: every probe here is silent." in letter.body(silent)


NO_AMMONIA = "No kit here measures ammonia or KH: a shop sells drop tests or tests a sample."


def test_an_order_that_another_of_the_tank_holds_is_given_once_and_in_full() -> None:
    """As the library's keeper was told in August: wipe the lamp, and for nitrate wipe the lamp or replace it."""
    lamp = Item(
        row=TABLE["lamp_dimming"],
        place="Foyer",
        evidence=evidence.LampLoss(lamp_percent=82.0, lamp_percent_low=81.0, lamp_percent_high=83.0),
    )
    short = letter.deed(lamp)
    full = f"{short.rstrip('.')}; else replace the lamp."
    nitrate = replace(TOLD, evidence=replace(RISING, deed=full))
    body = letter.body([lamp, nitrate])
    assert body.count(short.rstrip(".")) == 1
    assert body.startswith(full)
    assert "82 %" in body
    assert "Nitrate about 34" in body
    elsewhere = letter.body([lamp, replace(nitrate, place="Reading room")])
    assert elsewhere.count(short.rstrip(".")) == 2, "another tank is another lamp"


@pytest.mark.parametrize("more", [0, 3])
def test_a_message_about_several_matters_says_what_no_kit_here_measures(more: int) -> None:
    """Once, at the end, whatever else there is no room for; nothing of a sitter's part or of what is over."""
    ph = Item(row=TABLE["ph_low"], place="Foyer", evidence=LevelEvidence(quantity="ph", value=5.4, cannot=("ammonia",)))
    kh = Item(row=TABLE["alkalinity_low"], place="Foyer", evidence=replace(RISING, cannot=("ammonia", "kh")))
    told = [ph, kh, *[replace(TOLD, place=f"Reading room {n}") for n in range(more)]]
    body = letter.body(told)
    assert body.endswith(NO_AMMONIA) and body.count("No kit") == 1 and len(body) <= MOST_BODY
    assert body.startswith("Check pH") or "Check pH" in body
    assert "No kit" not in letter.body([replace(i, step="return") for i in told])
    assert "No kit" not in letter.body([replace(ph, sits=True), TOLD])
    assert "No kit" not in letter.body([replace(ph, evidence=LevelEvidence(quantity="ph", value=5.4)), TOLD])
