"""To whom word goes, and by what: the sitter's days, people and their channels."""

import datetime as dt
from dataclasses import replace

import pytest

from helpers.notifying import BASE, NOON, Scene, when
from rushlight.alarms.notify import GATHER_S, Notifier
from rushlight.alarms.roster import configured_channels
from rushlight.alarms.table import TABLE
from rushlight.settings import Contacts, Email, Person, Push, Sitter, Webhook

SITTING = replace(
    BASE,
    contacts=replace(
        BASE.contacts,
        person=(*BASE.contacts.person, Person(id="sitter", name="holiday sitter")),
        sitter=(
            Sitter(
                person="sitter", first_day=dt.date(2025, 7, 7), last_day=dt.date(2025, 7, 20), call="the duty librarian"
            ),
        ),
    ),
)


@pytest.mark.parametrize(
    ("day", "first", "second"),
    [
        ("2025-07-06", "duty", "head"),
        ("2025-07-07", "sitter", "duty"),
        ("2025-07-20", "sitter", "duty"),
        ("2025-07-21", "duty", "head"),
    ],
)
def test_the_sitter_is_first_for_the_agreed_days(day, first, second):
    scene = Scene(SITTING)
    t = when(f"{day}T12:00")
    scene.change(t)
    scene.until(t + 1800)
    assert scene.said[0].contact == first
    assert {m.contact for m in scene.said} == {first, second}


def test_the_sitter_reads_simpler_words_and_whom_to_call():
    scene = Scene(SITTING)
    (message,) = scene.change(when("2025-07-08T12:00"))
    assert TABLE["temperature_high"].sitter in message.body
    assert "call the duty librarian" in message.body


def test_the_sitter_is_not_bothered_with_what_they_cannot_do():
    scene = Scene(SITTING)
    scene.change(when("2025-07-08T12:00"), alarm="lamp_dimming")
    (message,) = scene.until(when("2025-07-08T12:01"))
    assert message.contact == "duty"


@pytest.mark.parametrize(("failing", "used"), [("push", "email"), ("email", "push")])
def test_a_failing_channel_is_told_of_through_another(failing, used):
    scene = Scene()
    scene.change(NOON, alarm="delivery_failing", tank=None, subject=failing)
    (message,) = scene.until(NOON + GATHER_S)
    assert message.channel == used


def test_channels_follow_the_person_then_the_configuration():
    assert configured_channels(BASE) == ("push", "email")
    assert configured_channels(replace(BASE, webhook=Webhook(url_file="x"))) == ("push", "webhook", "email")
    mail = replace(BASE, contacts=Contacts(person=(Person(id="a", channels=("email",)),)))
    (message,) = Scene(mail).change(NOON)
    assert message.channel == "email"


def test_with_no_channel_nobody_is_told_and_nothing_breaks():
    scene = Scene(replace(BASE, push=Push(), email=Email()))
    scene.change(NOON)
    scene.change(NOON + 1, "returned")
    assert scene.said == []


def test_a_contact_who_left_the_configuration_is_forgotten():
    scene = Scene()
    scene.change(NOON)
    scene.notifier = Notifier(replace(BASE, contacts=Contacts(person=(Person(id="new"),))))
    assert scene.change(NOON + 60, "returned") == []
    assert scene.until(NOON + 86400) == []
