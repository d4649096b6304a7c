"""What is answered to whoever entered something: what was understood, what it changed, and how it is put right.

Expected words are this project's own, issue 15; the figures come from the entries.
"""

from __future__ import annotations

import datetime as dt
import shlex
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner, Result

from helpers.site import CONFIG, config_of
from rushlight import eventlines
from rushlight.cli import main
from rushlight.effects import Estimate
from rushlight.entry import entered
from rushlight.events import KINDS, Correction, Event, Test
from rushlight.service import offline
from rushlight.views import TankView

ZONE = ZoneInfo("Europe/Dublin")


@pytest.fixture
def typed(tmp_path: Path):
    """Types one command at a machine without a daemon."""
    file = tmp_path / "config.toml"
    file.write_text(f'{CONFIG}\n[storage]\nfolder = "{tmp_path}"\n')
    file.chmod(0o600)

    def run(*words: str, status: int = 0) -> Result:
        result = CliRunner().invoke(main, [*words, "--config", str(file)])
        assert result.exit_code == status, result.output
        return result

    run.folder = tmp_path  # type: ignore[attr-defined]
    return run


def days_ago(days: int, hour: int = 10) -> str:
    """A local time so many days back, as one types it."""
    return f"{dt.datetime.now(ZONE).date() - dt.timedelta(days=days)} {hour:02d}:00"


@pytest.mark.slow
def test_an_entry_is_answered_with_what_was_understood_what_it_changed_and_its_undo(typed) -> None:
    for days in (9, 6, 3):
        typed("record", "test", "nitrate=25", "--at", days_ago(days))
    done = typed("record", "test", "nitrate=50", "--at", days_ago(1, 18))
    id_, *_ = done.stdout.split()
    day = dt.datetime.now(ZONE).date() - dt.timedelta(days=1)
    assert f"Understood: Strip test: Nitrate 50 mg/L as NO3, Foyer, {day:%a %-d %b %Y}, 18:00" in done.stderr, (
        done.stderr
    )
    assert "Nitrate now about " in done.stderr
    assert "next test " in done.stderr
    assert f"Undo: rushlight undo {id_}" in done.stderr
    undone = typed("undo", id_)
    assert "Undone: Strip test: Nitrate 50" in undone.stderr
    assert "Nitrate now about 2" in undone.stderr


def test_the_undo_that_is_printed_works_as_it_is_printed(typed) -> None:
    """Seen with the demonstration, whose configuration lies in no usual place: the line named neither file nor program."""
    printed = typed("record", "test", "nitrate=25").stderr.partition("Undo: ")[2].splitlines()[0]
    name, *words = shlex.split(printed)
    undone = CliRunner().invoke(main, words)
    assert name == "rushlight" and undone.exit_code == 0 and "Undone: Strip test" in undone.stderr, printed


def test_an_entry_is_put_right_by_naming_what_was_wrong(typed) -> None:
    id_ = typed(
        "record", "test", "nitrate=250", "ph=7.0", "--note", "by the window", "--at", days_ago(1)
    ).stdout.split()[0]
    said = typed("edit", id_[:8], "nitrate=25").stderr
    assert "Put right. It now says: Strip test: Nitrate 25 mg/L as NO3, pH 7" in said
    with offline.Reader(offline.journal_path(typed.folder)) as reader:
        now = reader.entry(id_)
    assert isinstance(now, Test)
    assert (now.values, now.note, now.id) == ({"nitrate": 25.0, "ph": 7.0}, "by the window", id_)
    assert "Nitrate 25 mg/L" in typed("entries").stdout
    typed("edit", id_[:8], "note=", "--at", days_ago(2))
    with offline.Reader(offline.journal_path(typed.folder)) as reader:
        again = reader.entry(id_)
    assert isinstance(again, Test)
    assert (again.note, again.values["nitrate"], again.at_s < now.at_s) == ("", 25.0, True)
    typed("undo", id_)
    assert typed("entries").stdout == "Nothing has been entered yet.\n"
    assert "no such entry" in typed("edit", id_, "nitrate=10", status=2).stderr


@pytest.mark.parametrize(
    "change", [{"kind": "feeding"}, {"id": "other"}, {"grams": "much"}, {"gramms": 2}, {"tank.x": 1}]
)
def test_an_edit_that_would_make_nonsense_names_its_key(change: dict[str, object]) -> None:
    event = eventlines.parse_record(
        {"at": "2026-03-01T10:00:00Z", "kind": "feeding", "tank": "foyer", "grams": 1, "id": "f"}
    )
    with pytest.raises(eventlines.LineError) as caught:
        eventlines.edited(event, change, at_s=event.at_s + 60, entry_id="c")
    assert caught.value.key in {*change, "tank"}


@pytest.mark.parametrize("kind", sorted(k for k in KINDS if k not in {"reading", "acknowledge", "shelve"}))
def test_every_kind_of_entry_has_words(kind: str) -> None:
    """Not its key: a person reads them."""
    event = object.__new__(KINDS[kind])
    assert isinstance(event, Event)
    assert f"case {KINDS[kind].__name__}(" in Path(entered.__file__).read_text()


def test_what_changes_nothing_says_so() -> None:
    note = eventlines.parse_record({"at": "2026-03-01T10:00:00Z", "kind": "note", "tank": "foyer", "text": "x"})
    tank = TankView(id="foyer", title="Foyer", litres=140)
    assert entered.answer(note, [tank], [tank], ZONE) == entered.NOTHING
    assert config_of().tank[0].id == "foyer"


def level(mean: float, low: float, high: float) -> Estimate:
    return Estimate(mean=mean, low=low, high=high)


def test_of_several_tanks_only_those_are_named_on_which_it_bears() -> None:
    """An undo may bear on any tank; the answer does not read out the others."""
    undo = Correction(at_s=0.0, id="c", of="x", void=True)
    foyer = TankView(id="foyer", title="Foyer", litres=140, nitrate=level(32, 26, 38))
    room = TankView(id="room", title="Reading room", litres=54, nitrate=level(15, 11, 20))
    after = [replace(foyer, nitrate=level(27, 19, 35)), room]
    said = entered.answer(undo, [foyer, room], after, ZONE)
    assert said == "Foyer: Nitrate now about 27 mg/L as NO3 (19 to 35), about 32 before."
    assert entered.answer(undo, [foyer, room], [foyer, room], ZONE) == entered.NOTHING


def test_a_level_that_only_got_surer_is_not_told_as_a_change_of_level() -> None:
    test = Test(at_s=0.0, id="t", tank="foyer", method="strip", values={"nitrate": 25.0})
    foyer = TankView(id="foyer", title="Foyer", litres=140, nitrate=level(27, 19, 35))
    said = entered.answer(test, [foyer], [replace(foyer, nitrate=level(27, 20, 34))], ZONE)
    assert said == "Nitrate still about 27 mg/L as NO3 (20 to 34)."
