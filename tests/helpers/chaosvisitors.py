"""People at the phone page and buttons on the hub, at any moment, also while faults hold.

A phone keeps its form until the page has taken it and may send it once more; a hub sends its command again until it is
answered.  What was answered with 'kept' joins the world's ledger and may never be lost or become two entries.
"""

from __future__ import annotations

import io
import json
import random
import re
import urllib.parse
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from wsgiref.util import setup_testing_defaults

from helpers.chaosparts import HOUR_S

if TYPE_CHECKING:
    from helpers.chaosoutlets import Edges

COOKIE = "pond-lily-and-sedge"
OPEN = ("unacknowledged", "returned")


@dataclass
class Form:
    """One filled-in form on a phone, or one command of the hub."""

    where: str
    fields: dict[str, str]
    id: str
    sent: int = 0
    again: bool = False
    """It will be sent once more although it was taken."""


@dataclass
class Visitors:
    """Those who come to one world."""

    edges: Edges
    dice: random.Random
    waiting: list[Form] = field(default_factory=list)
    commands: dict[str, Form] = field(default_factory=dict)
    ids: set[str] = field(default_factory=set)
    counts: dict[str, int] = field(default_factory=dict)

    def come(self) -> None:
        """One step's visits."""
        if self.dice.random() < 0.08:
            self._fill_in()
        for form in list(self.waiting):
            self._a_moment_later()
            self._send(form)
        self._a_moment_later()
        if self.dice.random() < 0.1:
            self._acknowledge()
        self._press()

    def _a_moment_later(self) -> None:
        """No two people press in the same millisecond: an export keeps no order within one."""
        self.edges.world.clock.advance(0.01)
        self.edges.world.true_s += 0.01

    def _count(self, what: str) -> None:
        self.counts[what] = self.counts.get(what, 0) + 1

    # ------------------------------------------------------------------ the page

    def ask(self, method: str, path: str, form: dict[str, str] | None = None) -> tuple[int, dict[str, str], str]:
        """One request and its answer."""
        body = urllib.parse.urlencode(form or {}).encode()
        environ: dict[str, Any] = {
            "REQUEST_METHOD": method, "PATH_INFO": path, "QUERY_STRING": "", "HTTP_HOST": "localhost",
            "HTTP_COOKIE": f"rushlight={COOKIE}", "REMOTE_ADDR": "192.0.2.7", "CONTENT_LENGTH": str(len(body)),
            "CONTENT_TYPE": "application/x-www-form-urlencoded", "wsgi.input": io.BytesIO(body),
        }  # fmt: skip
        setup_testing_defaults(environ)
        got: list[Any] = []
        text = b"".join(self.edges.app(environ, lambda status, headers: got.extend((int(status[:3]), dict(headers)))))
        status = got[0]
        self.edges.world.demand(status in (200, 303, 422, 503), f"the page answered {method} {path} with {status}")
        self._count(f"page answered {status}")
        return status, got[1], text.decode()

    def _fill_in(self) -> None:
        what, fields = self.dice.choice(
            (
                ("feeding", {"grams": "0.1"}),
                ("sighting", {"what": "new_growth"}),
                ("note", {"text": f"looked in, {self.dice.randrange(10**6)}"}),
                ("test", {"nitrate": "25", "nitrite": "0"}),
            )
        )
        where = f"/tanks/foyer/{what}"
        status, _, text = self.ask("GET", where)
        if status != 200:
            return
        hidden = dict(re.findall(r'name="(id|kit)" value="([^"]*)"', text))
        hidden["id"] = f"form-{self.edges.world.seed}-{len(self.ids):04}"  # the same in every life of this number
        self.ids.add(hidden["id"])
        self.waiting.append(Form(where, fields | hidden, hidden["id"], again=self.dice.random() < 0.4))

    def _send(self, form: Form) -> None:
        """The same form until it is taken; some of them once more."""
        world = self.edges.world
        form.sent += 1
        known = form.id in world.kept
        status, headers, text = self.ask("POST", form.where, {**form.fields, "token": self.edges.token})
        if world.disk.dead:
            return  # the answer never reached the phone
        world.demand(status in (303, 503), f"the page refused a form: {form} {re.findall('class=.fault.[^<]*', text)}")
        if status != 303:
            return
        said = urllib.parse.parse_qs(urllib.parse.urlsplit(headers["Location"]).query)
        world.demand(form.id in (*said.get("done", ()), *said.get("again", ())), f"the page lost {form}: {said}")
        world.demand(not (known and "done" in said), f"one form became two entries: {form}")
        if "done" in said and "held" not in said:
            world.kept[form.id] = form  # type: ignore[assignment]  # only its name is asked for
        if not form.again:
            self.waiting.remove(form)
        form.again = False

    def _acknowledge(self) -> None:
        """What the page shows, pressed there."""
        world = self.edges.world
        for alarm in self._open_alarms():
            if self.ask("GET", "/")[0] != 200:
                return
            status, _, _ = self.ask("POST", "/alarms/acknowledge", {"alarm": alarm, "token": self.edges.token})
            if status == 303 and not world.disk.dead:
                still = alarm in self._open_alarms()
                world.demand(not still, f"the page took the acknowledgement of {alarm}, and it did nothing")

    def _open_alarms(self) -> list[str]:
        engine = self.edges.engine
        alarms = engine.core.book.views(engine.timeline.state.alarms)
        # What gathers for a common message has been told by then.
        return [a.id for a in alarms if a.state in OPEN and engine.now_s() - a.since_s > HOUR_S]

    # ------------------------------------------------------------------ the hub

    def _press(self) -> None:
        """A command now and then, sent again until it is answered; some of them once more."""
        broker, topics = self.edges.broker, self.edges.topics
        if self.dice.random() < 0.04:
            name = f"command-{self.edges.world.seed}-{len(self.ids)}"
            self.ids.add(name)
            line = {"id": name, "kind": "feeding", "tank": "foyer", "grams": 0.1}
            self.commands[name] = Form(json.dumps(line), {}, name, again=self.dice.random() < 0.4)
        if self.edges.world.on("hub_garbage"):
            for topic in (topics.command, f"{topics.place('foyer')}/set/nitrate", f"{topics.base}/site/press/nothing"):
                broker.bring(topic, self.dice.randbytes(self.dice.choice((0, 3, 40))))
            broker.bring(topics.command, b'{"id":"kept","kind":"feeding","tank":"foyer","grams":9}', retain=True)
        for form in self.commands.values():
            form.sent += 1
            self._a_moment_later()
            broker.bring(topics.command, form.where.encode())
            self.edges.hub_turns()
        self._a_moment_later()

    def hear(self) -> None:
        """What the daemon answered."""
        world, broker = self.edges.world, self.edges.broker
        answers, broker.answers = broker.answers, []
        for text in answers:
            said = json.loads(text)
            form = self.commands.get(said["id"])
            if form is None or not said["ok"] or world.disk.dead:
                continue
            self._count("hub commands taken")
            if said["what"] == "recorded":
                world.kept[form.id] = form  # type: ignore[assignment]
            if not form.again:
                del self.commands[form.id]
            form.again = False
