"""What each outlet says of itself in one sentence."""

from zoneinfo import ZoneInfo

import pytest

from rushlight.outlets import status
from rushlight.outlets.channel_health import ChannelHealth
from rushlight.outlets.result import Done, Later, Never

# 25 November 2025 was a Tuesday (ISO 8601 calendar); Dublin keeps UTC in winter.
NOW = status.Now(mono_s=100_000.0, wall_s=1_764_088_200.0, zone=ZoneInfo("Europe/Dublin"))  # 16:30


def view(health, before_s=None, waiting=0, now=NOW):
    return status.channel(health, now, before=status.Before(delivered_s=before_s), waiting=waiting)


def test_a_channel_that_delivers():
    health = ChannelHealth("push")
    assert view(health).sentence == "Never tried; 'rushlight check --send' does."
    assert view(health).state == "never tried"
    assert view(health, before_s=NOW.wall_s - 86400).sentence == "Delivered last on Mon 24 November at 16:30."
    health.hear(Done(), NOW.mono_s - 3600)
    got = view(health, before_s=NOW.wall_s - 86400)
    assert (got.title, got.well, got.sentence) == ("Push messages", True, "Delivered last on Tue 25 November at 15:30.")


def test_an_account_that_was_looked_at_is_not_a_message_that_arrived():
    health = ChannelHealth("email")
    health.hear(Done("logged in"), NOW.mono_s - 3600, sent=False)
    assert view(health).sentence == (
        "Nothing delivered yet; 'rushlight check --send' tries it. Its account was in order on Tue 25 November at 15:30."
    )
    assert view(health, before_s=NOW.wall_s - 86400).sentence == (
        "Delivered last on Mon 24 November at 16:30. Its account was in order on Tue 25 November at 15:30."
    )
    health.hear(Done(), NOW.mono_s)
    assert view(health).sentence == "Delivered last on Tue 25 November at 16:30."


def test_how_far_a_channel_is_proven_in_one_word_with_its_time():
    health = ChannelHealth("push")
    assert (view(health).state, view(health).at_s) == ("never tried", None)
    health.hear(Done("logged in"), NOW.mono_s - 3600, sent=False)
    assert (view(health).state, view(health).at_s) == ("account in order", NOW.wall_s - 3600)
    health.hear(Later("no connection"), NOW.mono_s - 1800)
    assert (view(health).state, view(health).at_s) == ("failed", NOW.wall_s - 1800)
    health.hear(Done(), NOW.mono_s - 60)
    assert (view(health).state, view(health).at_s) == ("delivered", NOW.wall_s - 60)


def test_a_failure_of_an_earlier_run_is_not_forgotten_by_a_restart():
    before = status.Before(delivered_s=NOW.wall_s - 7200, failing_since_s=NOW.wall_s - 3600)
    got = status.channel(ChannelHealth("push"), NOW, before=before)
    assert (got.state, got.well) == ("failed", False)
    assert got.sentence.startswith("Nothing has gone through since Tue 25 November at 15:30")


def test_what_a_person_confirmed_is_told_with_its_time():
    got = status.channel(ChannelHealth("push"), NOW, before=status.Before(confirmed_s=NOW.wall_s - 86400))
    assert got.confirmed_at_s == NOW.wall_s - 86400
    assert "A person had a trial message in hand on Mon 24 November at 16:30." in got.sentence


def test_a_channel_that_fails_says_since_when_why_how_much_waits_and_what_to_do():
    health = ChannelHealth("email")
    health.hear(Done(), NOW.mono_s - 7200)
    health.hear(Later("mail.example.org can't be reached"), NOW.mono_s - 3600)
    health.hear(Later("no connection with mail.example.org"), NOW.mono_s - 60)
    got = view(health, waiting=3)
    assert not got.well
    assert got.sentence == (
        "Nothing has gone through since Tue 25 November at 15:30: no connection with mail.example.org. 3 waiting. "
        "It is tried again by itself; if it lasts, run 'rushlight check' on the Pi and correct what it names. "
        "Delivered last on Tue 25 November at 14:30."
    )


def test_a_refusal_is_not_said_to_be_tried_again():
    health = ChannelHealth("push")
    health.hear(Never("push.example.org refuses the credentials (401)"), NOW.mono_s)
    said = view(health).sentence
    assert "tried again" not in said
    assert "refuses the credentials (401). Run 'rushlight check' on the Pi" in said


@pytest.mark.parametrize("by_s", [-86400.0, 3600.0])
def test_a_clock_that_was_set_moves_what_is_said_with_it(by_s):
    """What happened an hour ago happened an hour ago by the clock as it is now."""
    health = ChannelHealth("push")
    health.hear(Done(), NOW.mono_s - 3600)
    later = status.Now(NOW.mono_s, NOW.wall_s + by_s, NOW.zone)
    assert view(health, now=later).sentence == f"Delivered last on {later.wall(later.wall_s - 3600)}."


@pytest.mark.parametrize("name", ["hub", "timeseries"])
def test_a_link_says_since_when_and_what_to_do(name):
    well = status.link(name, "", NOW.mono_s - 1800, NOW)
    assert well.well
    assert well.sentence.endswith("since Tue 25 November at 16:00.")
    bad = status.link(name, "the broker can't be reached", NOW.mono_s - 1800, NOW)
    assert not bad.well
    assert bad.sentence.startswith("In trouble since Tue 25 November at 16:00: the broker can't be reached. ")
    assert f"[{'mqtt' if name == 'hub' else name}]" in bad.sentence


def test_the_watcher():
    assert status.watcher("", None, NOW).sentence == "No ping has gone out yet."
    assert status.watcher("", NOW.mono_s, NOW).sentence == "Pinged last on Tue 25 November at 16:30."
    held = status.watcher("a high alarm has waited for delivery for ten minutes", NOW.mono_s - 1800, NOW)
    assert not held.well
    assert held.sentence.startswith("Pinged last on Tue 25 November at 16:00; the next is held up: a high alarm has")
