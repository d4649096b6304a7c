"""`rushlight setup` as a person goes through it: a real daemon, a real push server, the questions answered."""

from __future__ import annotations

import ast
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
import segno

from helpers.daemon import RUSHLIGHT
from helpers.receivers import PushServer
from rushlight import clock
from rushlight.config import loading as config
from rushlight.guide import first, touch, wizard, written
from rushlight.guide.answers import address
from rushlight.guide.conversation import Place, Session
from rushlight.guide.dialogue import Dialogue
from rushlight.service.starting import checks

ROOT = Path(__file__).parents[2]
MOST_QUESTIONS = 12


class Person:
    """Somebody who answers by what a question contains, and takes the default otherwise."""

    def __init__(self, **answers: str) -> None:
        self.answers, self.questions, self.seen = answers, list[str](), ""

    def ask(self, question: str, default: str) -> str:
        self.questions.append(question)
        return (
            next((a for k, a in self.answers.items() if k.replace("Wi_Fi", "Wi-Fi").replace("_", " ") in question), "")
            or default
        )

    def talk(self) -> Dialogue:
        return Dialogue(self.ask, self.write)

    def write(self, text: str) -> None:
        self.seen += text


class Box:
    """A machine's folder with the place for a configuration, and a daemon that can be started anew."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.file = folder, folder / "etc/config.toml"
        self.file.parent.mkdir()
        self.daemon: subprocess.Popen[bytes] | None = None
        self.starts = 0

    def restart(self) -> None:
        self.stop()
        self.starts += 1
        with (self.folder / "log").open("ab") as log:
            self.daemon = subprocess.Popen([*RUSHLIGHT, "run", "--config", self.file], stdout=log, stderr=log)

    def stop(self) -> None:
        if self.daemon is not None:
            self.daemon.terminate()
            self.daemon.wait(30)

    def first(self, talk: Dialogue) -> str:
        text = first.first_configuration(talk, str(self.folder / "data"), self.folder / "pi", 0.0)
        return text.replace("[page]\n", "[page]\nenabled = false\n")  # another test may have the port

    def session(self, person: Person) -> Session:
        place = Place(
            config=self.file, data=lambda c: Path(c.storage.folder), firmware=ROOT / "deploy/board",
            broker=self.file.parent / "broker", first=self.first, restart=self.restart, clock=clock.SystemClock(),
            root=self.folder / "pi", listen_s=0.0,
        )  # fmt: skip
        return Session(person.talk(), place)


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Box]:
    made = Box(tmp_path)
    yield made
    made.stop()


@pytest.fixture
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PushServer]:
    made = PushServer(tmp_path_factory.mktemp("push"))
    yield made
    made.close()


@pytest.mark.slow
def test_from_nothing_to_a_confirmed_push_and_again(
    box: Box, server: PushServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At most a dozen questions; not ready while nobody has the message in hand; a second run asks for that alone."""
    # The test's server lets one user write to one topic.
    monkeypatch.setattr(wizard, "new_topic", lambda: "alarms")
    person = Person(push_server=server.url, in_front_of_you="no")
    session = box.session(person)
    original = wizard.push_table
    monkeypatch.setattr(wizard, "push_table", lambda s, t: original(s, t) + f'token = "{server.token}"\n')

    assert not session.run()
    assert "Not ready yet" in person.seen and "nobody has it in hand" in person.seen
    assert len(person.questions) <= MOST_QUESTIONS, person.questions
    [message] = server.messages()
    assert (message["title"], message["priority"]) == ("Rehearsal from At home", 5), "as loud as the loudest"
    assert f"{server.url}/alarms" in person.seen and "topic alarms" in person.seen
    text = box.file.read_text()

    again = Person(in_front_of_you="yes")
    assert box.session(again).run()
    assert [q for q in again.questions if "in front of you" in q]
    assert len(again.questions) == 1, again.questions
    assert box.file.read_text() == text, "nothing was asked for, so nothing is changed"
    assert box.starts == 1, "and nothing is restarted"
    assert "Ready" in again.seen


def test_what_is_missing_is_added_and_not_a_line_changed(box: Box) -> None:
    box.file.write_text(box.first(Person(push_server="none").talk()))
    before = box.file.read_text()
    with_broker(box)
    person = Person(
        wireless="Reading-room board; house, it's \"long\"", push_server="none",
        pinged="https://watch.example.org/1",
    )  # fmt: skip
    session = box.session(person)
    session.configure()
    after = box.file.read_text()
    assert after.startswith(before.rstrip("\n"))
    found = config.load(box.file)
    assert found.heartbeat.url == "https://watch.example.org/1"
    assert {(p.options.user, Path(p.options.password_file).read_text()) for p in found.probe if p.driver == "mqtt"} == {
        ("rushlight", "rushlight-secret\n")
    }
    assert {(p.id, p.options.topic, p.options.record) for p in found.probe if p.driver == "mqtt"} == {
        ("temperature-reading-room-board", "boards/reading-room-board", "reading-room-board/temp"),
        ("light-reading-room-board", "boards/reading-room-board", "reading-room-board/light"),
    }
    board = box.file.parent / "boards/reading-room-board"
    assert sorted(p.name for p in board.iterdir()) == sorted([*written.BOARD_FILES, "ca.der", "settings.py"])
    assert (board / "settings.py").stat().st_mode & 0o007 == 0
    settings = {
        node.targets[0].id: ast.literal_eval(node.value)
        for node in ast.parse((board / "settings.py").read_text()).body
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
    }
    assert settings["NAME"] == "reading-room-board"
    assert settings["MQTT"]["wifi"] == ("house", 'it\'s "long"')
    assert settings["MQTT"]["password"] == "board-secret"
    assert len(settings["MQTT"]["hosts"]) == 2


def with_broker(box: Box) -> None:
    broker = box.file.parent / "broker"
    broker.mkdir()
    (broker / "ca.der").write_bytes(b"\x30\x00")
    for name in ("board", "rushlight"):
        (broker / f"{name}.password").write_text(f"{name}-secret\n")


def plug_in(box: Box, *thermometers: str) -> None:
    for name in thermometers:
        folder = box.folder / "pi/sys/bus/w1/devices" / name
        folder.mkdir(parents=True)
        (folder / "w1_slave").write_text("")


def test_two_tanks_with_a_board_each_need_at_most_a_dozen_questions(box: Box) -> None:
    """One tank's probes hang on the computer and are named by touch or, as here, by name; the other's on a board."""
    plug_in(box, "28-0316a2794cff", "28-0000075f1d3a")
    with_broker(box)
    person = Person(
        Your_tanks="Foyer 140 0.9, Reading room 54 0.4", Press_Enter="skip", wireless="reading-room-board; house, word",
        pinged="https://watch.example.org/1",
    )  # fmt: skip
    session = box.session(person)
    session.configure()
    asked = [*person.questions, "is the rehearsal in front of you"]
    assert len(asked) <= MOST_QUESTIONS, asked
    homes = {p.id: p.tank for p in config.load(box.file).probe}
    assert homes["temperature-reading-room-board"] == "reading-room"
    assert len(homes) == 4


def light_chip(box: Box, number: int, name: str) -> None:
    folder = box.folder / f"pi/sys/bus/iio/devices/iio:device{number}"
    folder.mkdir(parents=True)
    for file, text in (("name", f"{name}\n"), ("in_illuminance_scale", "1.0\n"), ("in_illuminance_raw", "800\n")):
        (folder / file).write_text(text)


def test_no_way_through_the_guide_asks_more_than_a_dozen_questions(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    """The longest: several tanks, nothing that is clear by touch, two light probes in each of two tanks, no Wi-Fi."""
    monkeypatch.setattr(touch, "PATIENCE_S", 1.0)
    plug_in(box, "28-0316a2794cff", "28-0000075f1d3a", "28-00000f00d001")
    for number, name in enumerate(("bh1750", "veml7700", "opt3001", "tsl2591")):
        light_chip(box, number, name)
    with_broker(box)
    person = Person(
        Your_tanks="Foyer 140 0.9, Hall 80 0.5, Reading room 54 0.4",
        Which_tank_are_they_in="foyer, foyer, hall, hall, foyer, hall, reading-room",
        wireless="reading-room-board; house, word",
        pinged="https://watch.example.org/1",
        in_front_of_you="yes",
    )
    session = box.session(person)
    monkeypatch.setattr(Session, "_up", lambda _: True)
    monkeypatch.setattr(Session, "_heard", lambda _: None)
    monkeypatch.setattr(checks, "trials", lambda *_, **__: [checks.Line("push", well=True, said="handed over")])
    monkeypatch.setattr(Session, "_ask", lambda *_, **__: {})
    assert session.run()
    assert sum("Press Enter, then touch" in q for q in person.questions) == 1
    assert sum("Which tank are they in" in q for q in person.questions) == 1
    assert sum("Which light probes see" in q for q in person.questions) == 1
    assert len(person.questions) == MOST_QUESTIONS, person.questions
    assert [p.dose for p in config.load(box.file).probe if p.quantity == "light" and p.driver == "iio"].count(True) == 2


def test_no_phone_is_an_answer_that_is_not_asked_for_again(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    box.file.write_text(box.first(Person(push_server="none").talk()))
    monkeypatch.setattr(Session, "_up", lambda _: True)
    quiet = Person(pinged="https://watch.example.org/1")
    assert not box.session(quiet).run()
    assert not [q for q in quiet.questions if "push server" in q]
    assert "setup --again phone" in quiet.seen
    monkeypatch.setattr(Session, "_rehearse", lambda _: [])
    other = Person(push_server="https://push.example.org")
    assert box.session(other).again("phone")
    assert len([q for q in other.questions if "push server" in q]) == 1
    assert config.load(box.file).push.server == "https://push.example.org"


def test_a_probe_plugged_in_since_is_added_and_nothing_else_is_touched(box: Box) -> None:
    plug_in(box, "28-0316a2794cff")
    box.file.write_text(box.first(Person(push_server="none").talk()))
    before = box.file.read_text()
    again = Person()
    assert box.session(again)._first()
    box.session(again)._new_probes()
    assert box.file.read_text() == before, "nothing new, nothing changed"
    plug_in(box, "28-0000075f1d3a")
    session = box.session(again)
    session._new_probes()
    assert box.file.read_text().startswith(before.rstrip("\n"))
    assert [p.options.device for p in config.load(box.file).probe] == ["28-0316a2794cff", "28-0000075f1d3a"]
    assert session.changed, "the daemon is restarted for it"
    assert again.questions == [], "one tank: there is nothing to ask"


def changed_lines(before: str, after: str) -> list[str]:
    pairs = zip(before.splitlines(), after.splitlines(), strict=True)
    return [b for a, b in pairs if a != b]


def test_asked_again_for_limits_it_changes_their_lines_alone(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    box.file.write_text(box.first(Person(push_server="none", Your_tanks="Foyer 140 0.9, Reading room 54 0.4").talk()))
    before = box.file.read_text()
    monkeypatch.setattr(Session, "_up", lambda _: True)
    person = Person(Who_lives="mixed -, 22-26")
    session = box.session(person)
    assert session.again("limits")
    assert changed_lines(before, box.file.read_text()) == ["temperature = { low = 22, high = 26 }"]
    limits = [t.limits.temperature for t in config.load(box.file).tank]
    assert [(b.low, b.high) for b in limits] == [(21, 28), (22, 26)]
    assert len(person.questions) == 1
    assert session.changed


def test_limits_of_a_tank_are_not_written_to_another_one_that_has_some() -> None:
    """The first tank has none of its own: its answer goes nowhere, and never to the second tank."""
    text = (
        '[[tank]]\nid = "foyer"\nlitres = 140\n\n'
        '[[tank]]\nid = "reading-room"\nlitres = 54\n[tank.limits]\ntemperature = { low = 21, high = 28 }\n'
    )
    cool, warm = "{ low = 16, high = 24 }", "{ low = 24, high = 30 }"
    assert written.with_value(text, "tank.limits", 0, "temperature", cool) is None
    assert written.with_value(text, "tank.limits", 1, "temperature", warm) == text.replace(
        "{ low = 21, high = 28 }", warm
    )


def test_asked_again_for_the_phone_it_takes_a_new_topic_and_rehearses(
    box: Box, monkeypatch: pytest.MonkeyPatch
) -> None:
    box.file.write_text(box.first(Person(push_server="https://push.example.org").talk()))
    before, old = box.file.read_text(), config.load(box.file).push
    monkeypatch.setattr(Session, "_up", lambda _: True)
    monkeypatch.setattr(Session, "_rehearse", lambda _: [])
    assert box.session(Person(push_server="https://other.example.org")).again("phone")
    new = config.load(box.file).push
    assert new.server == "https://other.example.org"
    assert new.topic != old.topic
    assert len(changed_lines(before, box.file.read_text())) == 2


def test_a_line_in_another_form_is_left_and_told(box: Box, monkeypatch: pytest.MonkeyPatch) -> None:
    text = box.first(Person(push_server="none").talk())
    own = text.replace("temperature = { low = 21, high = 28 }", "temperature.low = 20")
    assert own != text
    box.file.write_text(own)
    monkeypatch.setattr(Session, "_up", lambda _: True)
    person = Person(Who_lives="warm -")
    box.session(person).again("limits")
    assert box.file.read_text() == own
    assert "write it yourself: temperature = { low = 24, high = 30 }" in person.seen


def test_boards_get_the_wifi_that_the_computer_itself_has(tmp_path: Path) -> None:
    """The form of nm-settings-keyfile(5)."""
    folder = tmp_path / "etc/NetworkManager/system-connections"
    assert written.own_wifi(tmp_path) is None
    folder.mkdir(parents=True)
    (folder / "cable.nmconnection").write_text("[connection]\ntype=ethernet\n")
    (folder / "open.nmconnection").write_text("[connection]\ntype=wifi\n[wifi]\nssid=guests\n")
    assert written.own_wifi(tmp_path) is None
    (folder / "preconfigured.nmconnection").write_text(
        "[connection]\nid=preconfigured\ntype=wifi\n[wifi]\nmode=infrastructure\nssid=house\n"
        '[wifi-security]\nkey-mgmt=wpa-psk\npsk=50% off; "it\'s long"\n'
    )
    assert written.own_wifi(tmp_path) == ("house", '50% off; "it\'s long"')


@pytest.mark.slow
def test_the_rehearsal_is_sent_again_when_asked_for(
    box: Box, server: PushServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(wizard, "new_topic", lambda: "alarms")
    original = wizard.push_table
    monkeypatch.setattr(wizard, "push_table", lambda s, t: original(s, t) + f'token = "{server.token}"\n')
    replies = iter(["again", "yes"])
    person = Person(push_server=server.url)
    talk = Dialogue(lambda q, d: next(replies) if "in front of you" in q else person.ask(q, d), person.write)
    session = box.session(person)
    session.talk = talk
    assert session.run()
    assert len(server.messages()) == 2


def test_every_file_of_the_firmware_goes_onto_a_board() -> None:
    there = {p.name for p in (ROOT / "deploy/board").glob("*.py")}
    assert there == {*written.BOARD_FILES, "settings.py"}


def test_a_configuration_with_faults_is_told_before_anything_is_asked(box: Box) -> None:
    box.file.write_text("[site]\nnam = 'x'\n")
    person = Person()
    with pytest.raises(config.ConfigError, match="nam"):
        box.session(person).run()
    assert person.questions == []


def test_an_addition_that_would_spoil_the_whole_is_not_written(box: Box) -> None:
    text = box.first(Person(push_server="none").talk())
    box.file.write_text(text)
    with pytest.raises(config.ConfigError):
        written.add_to_config(box.file, '[heartbeat]\nurll = "x"\n')
    assert box.file.read_text() == text
    assert tomllib.loads(text)


def test_the_picture_says_what_is_written_under_it() -> None:
    """Read back by the library's own matrix: the same address makes the same modules."""
    person = Person()
    person.talk().picture("https://ntfy.example.org/rushlight-0123")
    assert "https://ntfy.example.org/rushlight-0123" in person.seen
    rows = [r for r in person.seen.splitlines() if set(r) & set("█▀▄")]
    size = segno.make("https://ntfy.example.org/rushlight-0123", error="l", micro=False).symbol_size(border=2)[0]
    assert len(rows) >= size // 2 - 2


def test_wrong_answers_are_asked_for_again() -> None:
    answers = iter(["ftp://x", "https://x/"])
    talk = Dialogue(lambda _q, _d: next(answers), lambda _t: None)
    assert talk.ask_for("Address", "", address) == "https://x"
    assert talk.asked == 2


@pytest.mark.slow
def test_the_command_says_what_it_needs_without_rights(tmp_path: Path) -> None:
    done = subprocess.run(
        [*RUSHLIGHT, "setup", "--config", tmp_path / "nowhere/config.toml"], capture_output=True, text=True,
        timeout=60, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 2
    assert "can't be written" in done.stderr
