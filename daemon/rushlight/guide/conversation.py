"""The guided setup, part by part: configuration, boards, channel, watcher, what is heard, a rehearsed alarm.

Owns the order of the parts and what counts as ready: a person said that the rehearsal was in hand.  Every part looks
first at what is there and asks only for what is missing, so that it can be run at any time.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rushlight.alarms.roster import configured_channels
from rushlight.clock import Clock
from rushlight.config import loading as configuration
from rushlight.guide import answers as typed
from rushlight.guide import first, first_questions, touch, wizard, written
from rushlight.guide.dialogue import Dialogue
from rushlight.localunits import Units
from rushlight.service import control
from rushlight.service.starting import checks
from rushlight.settings import Config
from rushlight_drivers import discover

UP_S = 90.0
"""So long a restarted daemon is waited for."""
_PAGE_PORTS_OPEN = ("0.0.0.0", "::")  # noqa: S104 - the addresses that the configuration may name


@dataclass(frozen=True, slots=True)
class Place:
    """Where things are, and what can be done there.

    `restart` has the daemon start anew with the configuration; None: somebody else must.  `first` makes a first
    configuration, asking what it has to.
    """

    config: Path
    data: Callable[[Config], Path]
    firmware: Path
    broker: Path
    """Folder with the broker's passwords and certificate; there is no broker of ours where it is missing."""
    first: Callable[[Dialogue], str]
    restart: Callable[[], None] | None
    clock: Clock
    root: Path = Path("/")
    """Where /sys, /dev and /etc are."""
    listen_s: float = 25.0
    """How long a serial port with nothing of ours on it so far is heard out."""


class Session:
    """One run of the guide."""

    def __init__(self, talk: Dialogue, place: Place) -> None:
        self.talk, self.place = talk, place
        self.changed = False

    @property
    def config(self) -> Config:
        """As it stands in the file now."""
        return configuration.load(self.place.config)

    def again(self, part: str) -> bool:
        """Ask one part anew, `limits` or `phone`, and change what it answers; returns whether this is ready then.

        Raises ConfigError, OSError.
        """
        changes = {"limits": self._new_limits, "phone": self._new_phone}[part]()
        text = self.place.config.read_text()
        for table, nth, key, value in changes:
            changed = written.with_value(text, table, nth, key, value)
            if changed is None:
                self.talk.say(f"[{table}] {key} stands in another form; write it yourself: {key} = {value}")
                continue
            text = changed
        if text != self.place.config.read_text():
            written.write_config(self.place.config, text)
            self.changed = True
        if part == "phone":
            self._channel()
        if not self._up():
            return self._verdict(["the daemon does not run"])
        return part != "phone" or self._verdict(self._rehearse())

    def _new_limits(self) -> list[tuple[str, int, str, str]]:
        tanks, units = self.config.tank, Units(self.config.site.units)
        lives = first_questions.ask_lives(self.talk, [t.title for t in tanks], units)
        return [
            ("tank.limits", n, "temperature", wizard.written(wizard.limits(keeping, units)["temperature"]))
            for n, (keeping, _) in enumerate(lives)
        ]

    def _new_phone(self) -> list[tuple[str, int, str, str]]:
        if not (self.config.push.server or self._refused()):
            return []  # where there is none yet, the guide asks as it does for a first one
        usual = self.config.push.server or wizard.PUSH_SERVER
        server = self.talk.ask_for("Address of the push server (none: leave it as it is)", usual, typed.address)
        if not server:
            return []
        return [
            ("push", 0, "server", wizard.written(server)),
            ("push", 0, "topic", wizard.written(wizard.new_topic())),
        ]

    def run(self) -> bool:
        """All parts; returns whether this installation is ready.  Raises ConfigError, OSError."""
        self.configure()
        if not self._up():
            return self._verdict(["the daemon does not run"])
        self._heard()
        return self._verdict(self._rehearse())

    # ------------------------------------------------------------------ the configuration

    def configure(self) -> None:
        """Only what stands in the configuration: made where there is none, else what is missing is asked for and added.

        Raises ConfigError, OSError.
        """
        if self._first():
            self._new_probes()
        self._boards()
        self._channel()
        self._watcher()

    def _first(self) -> bool:
        """Make the configuration where there is none; returns whether there was one."""
        if self.place.config.exists():
            self.talk.say(f"{self.place.config} is there and stays as it is; what is missing is asked for.")
            self.config  # noqa: B018 - a file with faults is told before anything is asked
            return True
        self.talk.heading("The tanks")
        written.write_config(self.place.config, self.place.first(self.talk))
        self.changed = True
        return False

    def _new_probes(self) -> None:
        """Probes that were plugged in since: placed as the first ones were, and added."""
        config = self.config
        known = {v for p in config.probe for k in ("device", "port") if (v := getattr(p.options, k, ""))}
        found = [p for p in discover.discover(self.place.root).proposals if not known & set(p.options.values())]
        found = [p for p in wizard.with_boards(found, first.listen(found, self.place.listen_s)) if p.sure]
        found = wizard.apart(found, {p.id for p in config.probe})
        if not found:
            return
        self.talk.heading("New probes")
        clock = self.place.clock
        tanks = {t.id: t.title for t in config.tank}
        homes = touch.homes(self.talk, found, tanks, first.ears(clock), clock)
        self._add(*(wizard.probe_table(p, homes.get(p.id) or next(iter(tanks))) for p in found))
        self.talk.say(f"Added: {', '.join(p.id for p in found)}.")

    def _add(self, *tables: str) -> None:
        written.add_to_config(self.place.config, *tables)
        self.changed = True

    # ------------------------------------------------------------------ wireless boards

    def _boards(self) -> None:
        if not self.place.broker.is_dir():
            self.talk.say(
                "Wireless boards: there is no broker here. If you have such boards, run the installation once more with"
                " --broker, and then this guide again."
            )
            return
        self.talk.heading("Wireless boards")
        known = {p.options.topic for p in self.config.probe if p.driver == "mqtt"}
        names, wifi = self._new_boards()
        new = [n for n in names if f"boards/{n}" not in known]
        if not new:
            return
        password = (self.place.broker / "board.password").read_text().strip()
        template = (self.place.firmware / "settings.py").read_text()
        tables = list[str]()
        for name in new:
            folder = self.place.config.parent / "boards" / name
            settings = written.board_settings(template, name, wifi, written.addresses(), password)
            copied = written.write_board(folder, self.place.firmware, settings, self.place.broker / "ca.der")
            tank = wizard.home_of(name, [t.id for t in self.config.tank])
            tables += _probes_of(name, tank, self.place.broker)
            self.talk.say(f"{name}: copy all {len(copied)} files of {folder} onto the board; its tank is {tank}.")
        self._add(*tables)

    def _new_boards(self) -> tuple[list[str], tuple[str, str]]:
        """Their names, and the Wi-Fi that they join: this computer's own, else asked for with the names."""
        question = "Names for new wireless boards, with commas between them"
        own = written.own_wifi(self.place.root)
        if own is None:
            then = "then a semicolon and name and password of the Wi-Fi that they join, which both go onto the board"
            return self.talk.ask_for(
                f"{question}; {then}, such as foyer-board; house, password (empty: none)", "", typed.boards
            )
        names = self.talk.ask_for(f"{question}, such as foyer-board (empty: none)", "", typed.names)
        if names:
            self.talk.say(
                f"They get this computer's own Wi-Fi, {own[0]}, with its password; both stand in settings.py."
            )
        return names, own

    # ------------------------------------------------------------------ who is told

    def _channel(self) -> None:
        self.talk.heading("Your phone")
        if not configured_channels(self.config) and not self._refused():
            server = self.talk.ask_for("Address of the push server (none: no phone)", wizard.PUSH_SERVER, typed.address)
            if not server:
                return
            self._add(wizard.push_table(server, wizard.new_topic()))
        if self.config.push.server:
            topic = configuration.secret(self.config.push.topic, self.config.push.topic_file)
            self.talk.say(
                f"Alarms go to the topic {topic} on {self.config.push.server}. Install the app 'ntfy' on the phone and"
                " subscribe to that topic there; scan this to get the address onto the phone. Whoever knows the topic"
                " can read your alarms, so treat it as a password. Let the phone never silence that app at night."
            )
            self.talk.picture(f"{self.config.push.server.rstrip('/')}/{topic}")
        if self.config.page.listen in _PAGE_PORTS_OPEN:
            self.talk.say("The page, for tests and everything else, is at:")
            self.talk.picture(self._page())

    def _refused(self) -> bool:
        """Whether somebody said before that no phone is to be told: the table is there, with nothing in it."""
        push = configuration.parse(self.place.config.read_text(), self.place.config).get("push")
        return isinstance(push, dict) and not any(push.values())

    def _page(self) -> str:
        return f"http://{written.addresses()[-1]}:{self.config.page.port}/"

    def _watcher(self) -> None:
        beat = self.config.heartbeat
        if beat.url or beat.url_file or beat.accept_none:
            return
        self.talk.heading("Somebody who notices silence")
        self.talk.say("If this computer dies, nothing on it can tell you. A watcher outside the house can: it is pinged"
                      " while all is well, and tells you when the pings stop.")  # fmt: skip
        url = self.talk.ask_for("Address that is to be pinged (empty: nobody watches)", "", typed.address)
        self._add(wizard.table("heartbeat", {"url": url} if url else {"accept_none": True}))

    # ------------------------------------------------------------------ the daemon

    def _ask(self, **request: Any) -> dict[str, Any]:
        return control.ask(self.place.data(self.config), **request)

    def _runs(self) -> bool:
        try:
            return bool(self._ask(do="view"))
        except (control.NotRunningError, OSError, RuntimeError):
            return False

    def _up(self) -> bool:
        """Have the daemon run with the configuration as it stands."""
        if self.changed or not self._runs():
            if self.place.restart is None:
                self.talk.say("Start the daemon now, or restart it, and run this guide again: rushlight run")
                return self._runs() and not self.changed
            self.talk.say("Starting the daemon with this configuration.")
            self.place.restart()
        until_s, pause = self.place.clock.mono_s() + UP_S, threading.Event()
        while not self._runs():
            if self.place.clock.mono_s() >= until_s:
                self.talk.say("The daemon does not come up; look at: journalctl -u rushlight -n 50")
                return False
            self.place.clock.wait(pause, 0.5)
        return True

    def _heard(self) -> None:
        if not self.config.probe:
            return
        self.talk.heading("What is heard")
        for line in checks.probes_of_daemon(self.config, self.place.clock, lambda: self._ask(do="view")["view"]):
            self.talk.say(f"{'well    ' if line.well else 'NOT WELL'}  {line.what}: {line.said}")

    # ------------------------------------------------------------------ the proof

    def _rehearse(self) -> list[str]:
        """What keeps this installation from being ready; nothing when a person had the rehearsal in hand."""
        if not configured_channels(self.config):
            return ["no channel is set up, so no alarm reaches a phone: sudo rushlight setup --again phone"]
        self.talk.heading("A rehearsal")
        self.talk.say(
            "An alarm is rehearsed now, as loud as the loudest; in seconds it is on every phone that is subscribed."
        )
        open_ = set(configured_channels(self.config))
        faults = dict[str, str]()
        while open_:
            found = checks.trials(self._ask, self.place.clock, self.config.site.name, rehearsal=True)
            faults = {c: f for c, f in faults.items() if c not in open_}
            for line in (f for f in found if f.what in open_):
                self._in_hand(line, open_, faults)
        return list(faults.values())

    def _in_hand(self, line: checks.Line, open_: set[str], faults: dict[str, str]) -> None:
        """Ask for the message of one channel, and take the channel out of those that are open once it is answered."""
        if not line.well:
            self.talk.say(f"{line.what}: {line.said}")
            faults[line.what] = f"{line.what}: nothing has gone through"
            open_.discard(line.what)
            return
        question = f"{line.what}: handed over. Is the message in front of you (yes, no, or again: send it once more)"
        answer = self.talk.ask_for(question, "no", _in_hand)
        if answer == "again":
            return
        open_.discard(line.what)
        if answer == "yes":
            self._ask(do="confirm", channel=line.what)
            return
        faults[line.what] = (
            f"{line.what}: handed over, but nobody has it in hand; see that the phone's app is subscribed to the"
            " topic above"
        )

    def _verdict(self, faults: list[str]) -> bool:
        self.talk.heading("Not ready yet" if faults else "Ready")
        for fault in faults:
            self.talk.say(f"- {fault}")
        if faults:
            self.talk.say("Run this guide again at any time: sudo rushlight setup")
        else:
            self.talk.say("An alarm reaches you. What is left, such as the first test and calibrations, stands on the"
                          " page under 'Still to do'.")  # fmt: skip
            if self.config.page.listen in _PAGE_PORTS_OPEN:
                self.talk.say(f"    {self._page()}still-to-do")
        return not faults


def _in_hand(text: str) -> str:
    """Yes, no or again."""
    if text.lower() == "again":
        return "again"
    return "yes" if typed.yes(text) else "no"


def _probes_of(board: str, tank: str, broker: Path) -> list[str]:
    """What the firmware sends as it comes; a board without one of the probes has its table taken out by its keeper."""
    common: Mapping[str, Any] = {
        "driver": "mqtt",
        "host": "localhost",
        "user": "rushlight",
        "password_file": str(broker / "rushlight.password"),
        "topic": f"boards/{board}",
        "format": "senml",
    }
    kinds = {"temp": {"quantity": "temperature"}, "light": {"quantity": "light"}}
    return [
        wizard.table("[probe]", {"id": f"{kind['quantity']}-{board}", "tank": tank} | kind | dict(common)
                     | {"record": f"{board}/{field}"})
        for field, kind in kinds.items()
    ]  # fmt: skip
