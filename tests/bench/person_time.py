"""How long a person is busy: from an unpacked box to a push in hand, and on to a new card; USB and wireless.

    python tests/bench/person_time.py [REPORT]

Counts the words of the pages' own sections, the characters of their commands and the guide's own questions, which it
plays, and adds them up by two published models:

- reading: 238 words a minute, silent, English, non-fiction; most adults 175 to 300 (M. Brysbaert, How many words do we
  read per minute?, Journal of Memory and Language 109, 2019, 104047, abstract);
- doing: the keystroke-level model (S. Card, T. Moran, A. Newell, The keystroke-level model for user performance time
  with interactive systems, Communications of the ACM 23(7), 1980, 396 to 410): 0.28 s a key for an average typist who is
  no secretary, 1.35 s to make up one's mind before each command or answer, 1.10 s to point with a mouse, 0.40 s to move
  a hand there and back (as given in a course's copy of the paper's table, not read in the paper itself);
- on a phone: 36.2 words of five letters a minute (K. Palin and others, How do people type on mobile devices?, MobileHCI
  2019, abstract).

Commands are taken once as typed letter by letter and once as copied from the page: two pointings with the button held
(the block's ends), a key pair, a pointing and a click, a key pair (own account of the motions).  Every word of a section
is read once, which is more than most do, tables as well.

Left out, because it depends on what is built and not on this program: reading the makers' papers, writing the card,
wiring and fixing probes, copying files onto a board with a tool of one's own, and the phone's download of its app.
REPORT is what `install_drill.py` leaves; with it the machine's own time, measured, stands beside.
"""

from __future__ import annotations

import contextlib
import json
import re
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from unittest import mock

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from helpers.pages import DEPLOY, steps  # noqa: E402
from rushlight import clock  # noqa: E402
from rushlight.guide import first  # noqa: E402
from rushlight.guide.conversation import Place, Session  # noqa: E402
from rushlight.guide.dialogue import Dialogue  # noqa: E402
from rushlight.service.starting import checks  # noqa: E402

WORDS_A_MINUTE = 238.0
KEY_S, MIND_S, POINT_S, HAND_S = 0.28, 1.35, 1.10, 0.40
TAP_S = 60.0 / (36.2 * 5)
COPY_S = HAND_S + 2 * (POINT_S + KEY_S) + 2 * KEY_S + (POINT_S + KEY_S) + 2 * KEY_S + HAND_S
PHONE_TAPS = {
    "the app's store, its search, four letters, the app, install, open": 9,
    "camera, code, the address that it shows": 3,
    "subscribe to that topic, confirm": 3,
    "the rehearsal": 1,
}

USUAL = {
    "Name of the place": "Rowan Street library, Europe/Dublin",
    "Your tanks": "Foyer 140 0.9, Reading room 54 0.4",
    "Who lives in": "mixed 2025-01-10, mixed -",
    "to be pinged": "https://watch.example.org/your-own-address",
    "in front of you": "yes",
}
WIRELESS = {"wireless boards": "foyer-board, reading-room-board; house, its long password"}


@dataclass
class Part:
    """What a person does in one part of the way."""

    name: str
    words: int = 0
    blocks: list[str] = field(default_factory=list)
    doing_s: float = 0.0
    questions: int = 0

    @property
    def reading_s(self) -> float:
        return self.words / WORDS_A_MINUTE * 60.0

    def typed_s(self) -> float:
        """Its blocks typed letter by letter; one Enter a row."""
        return sum(MIND_S * (1 + b.count("\n")) + KEY_S * (len(b) + 1) for b in self.blocks)

    def copied_s(self) -> float:
        return sum(MIND_S + COPY_S + KEY_S for _ in self.blocks)

    def seconds(self, *, copied: bool) -> float:
        return self.reading_s + self.doing_s + (self.copied_s() if copied else self.typed_s())


def pieces(page: str) -> dict[str, str]:
    """The page's text by its headings, numbered steps and bold beginnings, in order; blocks and comments left out."""
    text = re.sub(r"<!--.*?-->", "", (DEPLOY / page).read_text())
    text = re.sub(r"(?ms)^\s*```.*?^\s*```$", "", text)
    found: dict[str, str] = {}
    for piece in re.split(r"\n(?=#+ |\d+\. |\*\*[A-Z1])", text):
        name = re.match(r"#+ (.*)|(\d+)\. |\*\*(.*?)\.?\*\*", piece)
        key = next(g for g in name.groups() if g) if name else ""
        found[key if key not in found else f"{key} of {list(found)[-1]}"] = piece
    return found


def words(page: str, *names: str) -> int:
    """Words of these pieces; of the whole page without names.  Raises KeyError for a piece that is not there."""
    of_page = pieces(page)
    return sum(len(re.findall(r"\w[\w'’.,/-]*", of_page[n])) for n in names or of_page)


def commands(page: str, *headings: str, before: str = "") -> list[str]:
    """The blocks that are typed under these headings, down to the one that holds `before`."""
    found = []
    for step in steps(DEPLOY / page):
        if before and before in step.text:
            break
        if step.kind in {"run", "by-hand", "with-broker", "with-board"} and (not headings or step.heading in headings):
            found.append(step.text)
    return found


class Listener:
    """Answers the guide, and counts what is read and typed."""

    def __init__(self, name: str, answers: dict[str, str]) -> None:
        self.part, self.answers = Part(name), answers

    def ask(self, question: str, default: str) -> str:
        answer = next((a for k, a in self.answers.items() if k in question), "")
        self.part.questions += 1
        if self.part.questions > 30:
            raise RuntimeError(f"asked again and again: {question}")
        self.part.words += len(f"{question} {default}".split())
        self.part.doing_s += MIND_S + KEY_S * (len(answer) + 1)
        return answer or default

    def write(self, text: str) -> None:
        self.part.words += len(re.findall(r"\w[\w'’.,/-]*", text))


def guide(wireless: bool) -> Part:
    """The guide itself, whole, with the daemon's answers given."""
    listener = Listener("the guide's questions and sentences", USUAL | (WIRELESS if wireless else {}))
    with tempfile.TemporaryDirectory() as t, contextlib.ExitStack() as stack:
        folder = Path(t)
        (folder / "etc").mkdir()
        if wireless:
            broker = folder / "etc/broker"
            broker.mkdir()
            (broker / "ca.der").write_bytes(b"0")
            for name in ("board", "rushlight"):
                (broker / f"{name}.password").write_text("secret\n")
        place = Place(
            config=folder / "etc/config.toml", data=lambda _: folder, firmware=ROOT / "deploy/board",
            broker=folder / "etc/broker", first=lambda talk: first.first_configuration(talk, t, folder / "pi", 0.0),
            restart=None, clock=clock.SystemClock(), root=folder / "pi", listen_s=0.0,
        )  # fmt: skip
        heard = [checks.Line(f"{q}-foyer-board", well=True, said="24.5 °C, 3 s ago") for q in ("temperature", "light")]
        for what, stand_in in (
            ("_up", lambda _: True),
            ("_ask", lambda *_, **__: {}),
            ("_heard", lambda s: [s.talk.say(f"well  {x.what}: {x.said}") for x in heard]),
        ):
            stack.enter_context(mock.patch.object(Session, what, stand_in))
        trials = [checks.Line("push", well=True, said="handed over")]
        stack.enter_context(mock.patch.object(checks, "trials", lambda *_, **__: trials))
        assert Session(Dialogue(listener.ask, listener.write), place).run(), "the guide did not come to its end"
    return listener.part


def way(wireless: bool) -> list[Part]:
    """From the first page to a confirmed push."""
    board = "A wireless board" if wireless else "A board with MicroPython"
    common = ["A board with MicroPython", board] if wireless else [board]
    cautions = [n for n in pieces("electrical-safety.md") if not n.startswith("What was read")]
    blocks = commands("install.md", before="sudo rushlight setup")
    if wireless:
        blocks = [f"{b} --broker" if b.endswith("install.sh") else b for b in blocks]
    phone = Part("the phone", words=0, doing_s=sum(PHONE_TAPS.values()) * TAP_S + len(PHONE_TAPS) * MIND_S)
    return [
        Part("electrical-safety.md, all but what its figures rest on", words("electrical-safety.md", *cautions)),
        Part("hardware.md: parts, the board, where the light probe goes",
             words("hardware.md", "Hardware", "Parts", *common, "Where the light probe goes", *map(str, range(1, 7)))),
        Part("install.md: its beginning and steps 1 to 6",
             words("install.md", next(iter(pieces("install.md"))), *map(str, range(1, 7))), blocks),
        guide(wireless),
        phone,
    ]  # fmt: skip


def new_card() -> list[Part]:
    """A copy on a stick today, and a dead card later."""
    before = "Before: copies on another medium"
    return [
        Part("recovery.md: copies on another medium", words("recovery.md", before), commands("recovery.md", before)),
        Part("recovery.md: a dead card", words("recovery.md", "A dead card", "1", "2", "3", "4"),
             [*commands("install.md")[:1], *commands("recovery.md", "A dead card")]),
    ]  # fmt: skip


def table(title: str, parts: list[Part]) -> tuple[float, float]:
    """Print it; returns the minutes with commands copied, and typed."""
    print(
        f"\n{title}\n{'words':>6} {'commands':>9} {'keys':>6} {'asked':>6} {'read':>6} {'copied':>7} {'typed':>6}  minutes"
    )
    for p in parts:
        print(
            f"{p.words:6} {sum(b.count(chr(10)) + 1 for b in p.blocks):9} {sum(map(len, p.blocks)):6} {p.questions:6}"
            f" {p.reading_s / 60:6.1f} {p.seconds(copied=True) / 60:7.1f} {p.seconds(copied=False) / 60:6.1f}  {p.name}"
        )
    copied, typed = (sum(p.seconds(copied=c) for p in parts) / 60 for c in (True, False))
    print(f"{sum(p.words for p in parts):6} {'':9} {'':6} {sum(p.questions for p in parts):6}"
          f" {sum(p.reading_s for p in parts) / 60:6.1f} {copied:7.1f} {typed:6.1f}  together")  # fmt: skip
    return copied, typed


def main(reports: list[str]) -> None:
    card = table("a new card, with what has to be done before", new_card())
    for wireless in (False, True):
        name = "wireless" if wireless else "USB"
        parts = way(wireless)
        push = table(f"{name}: from nothing to a confirmed push", parts)
        print(f"{name}: push {push[0]:.1f} to {push[1]:.1f} min, and the new card {card[0]:.1f} to {card[1]:.1f}:"
              f" {push[0] + card[0]:.1f} to {push[1] + card[1]:.1f} min of a person")  # fmt: skip
        here = sum(p.seconds(copied=True) for p in parts[2:]) / 60
        print(f"{name}: from step 1 of install.md to the rehearsed alarm {here:.1f} min of a person, commands copied")
    for file in reports:
        told = json.loads(Path(file).read_text())
        for part in ("steps", "restored"):
            print(f"{file}: {part}: the machine's own {sum(s for s, _ in told[part]) / 60:.1f} min")


if __name__ == "__main__":
    main(sys.argv[1:])
