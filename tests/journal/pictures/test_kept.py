"""The pictures' files: by content, bounded, damaged ones not shown; and what stays over ten years."""

from pathlib import Path

import pytest

from helpers.diarypages import picture
from rushlight.events import Correction, Growth
from rushlight.journal.pictures import thinning
from rushlight.journal.pictures.jpeg import PictureError
from rushlight.journal.pictures.kept import Held, Pictures, copy_missing, name_of
from rushlight.journal.pictures.thinning import Dated, superfluous
from rushlight.journal.rows import Recorded
from rushlight.journal.store import Journal

DAY_S = 86_400.0
NOW_S = 1_790_000_000.0
BOUND = 200_000_000


def test_a_picture_is_kept_once_under_its_content(tmp_path: Path) -> None:
    kept = Pictures(tmp_path)
    name = kept.keep(picture(1))
    assert kept.keep(picture(1)) == name == name_of(picture(1))
    assert list(kept.held()) == [name] and kept.read(name) == picture(1)
    assert (kept.look(name) or picture).mark == (0.5, 0.9)
    assert [p.name for p in (tmp_path / "pictures").iterdir()] == [f"{name}.jpg"]
    with pytest.raises(PictureError):
        kept.keep(b"no picture")


def test_damaged_lost_and_foreign_files_are_none(tmp_path: Path) -> None:
    kept = Pictures(tmp_path)
    name = kept.keep(picture(1))
    file = tmp_path / "pictures" / f"{name}.jpg"
    file.write_bytes(picture(1)[:-40])
    assert kept.read(name) is None and kept.look(name) is None
    assert kept.keep(picture(1)) == name and kept.read(name) == picture(1), "kept again, it is whole again"
    file.unlink()
    assert kept.read(name) is None
    for other in ("", "..", "../journal", "0" * 63, "0" * 64, "A" * 64, f"{name}.jpg", "x/" + name):
        assert kept.read(other) is None and not kept.has(other)
    assert Pictures(tmp_path / "nowhere").held() == {}


def test_beyond_the_bound_nothing_is_taken(tmp_path: Path) -> None:
    kept = Pictures(tmp_path, most_bytes=2 * len(picture(1)) + 200)
    kept.keep(picture(1))
    kept.keep(picture(2))
    with pytest.raises(OSError, match="filled"):
        kept.keep(picture(3))
    assert len(kept.held()) == 2


def test_copies_are_made_of_whole_pictures_alone(tmp_path: Path) -> None:
    one, other = Pictures(tmp_path / "one"), Pictures(tmp_path / "other")
    names = [one.keep(picture(n)) for n in range(3)]
    (one.folder / f"{names[1]}.jpg").write_bytes(b"torn")
    (one.folder / f"{name_of(b'x')}.jpg").write_bytes(b"x")
    assert copy_missing(one, other) == 2 and set(other.held()) == {names[0], names[2]}
    assert copy_missing(one, other) == 0


# ---------------------------------------------------------------------- what stays


def test_ten_years_of_pictures_stay_within_the_bound_and_still_show_four_weeks_twelve_weeks_and_a_year() -> None:
    """Ten tanks, a picture of the greatest size every week for ten years, the upkeep of each night of a picture."""
    held: dict[str, Held] = {}
    shown: list[Dated] = []
    for week in range(522):
        at_s = NOW_S + week * 7 * DAY_S
        for tank in range(10):
            name = f"{tank:02d}{week:062d}"
            shown.append(Dated(at_s + tank, f"t{tank}", name))
            held[name] = Held(90_000, at_s)
            assert sum(h.bytes for h in held.values()) <= BOUND
        if week % 4 == 3:
            for name in superfluous(shown, (), held, at_s + DAY_S, most_bytes=BOUND, most_days=3700):
                del held[name]
            shown = [d for d in shown if d.name in held]
    now_s = NOW_S + 521 * 7 * DAY_S
    for tank in range(10):
        own = [d.at_s for d in shown if d.tank == f"t{tank}"]
        for span in (28, 84, 365, 3 * 365, 7 * 365):
            near = min(abs(now_s - span * DAY_S - at_s) for at_s in own)
            assert near <= max(7, 0.06 * span) * DAY_S, (tank, span, near / DAY_S)
        assert min(own) < NOW_S + 8 * DAY_S, "the first picture is what all others are compared with"
    assert len(held) > 2000


def test_a_single_tank_keeps_every_weekly_picture_of_ten_years() -> None:
    shown = [Dated(NOW_S + 7 * n * DAY_S, "foyer", f"{n:064d}") for n in range(522)]
    held = {d.name: Held(90_000, d.at_s) for d in shown}
    assert superfluous(shown, (), held, shown[-1].at_s, most_bytes=BOUND, most_days=3700) == []


def test_too_old_undone_and_without_an_entry() -> None:
    shown = [Dated(NOW_S - days * DAY_S, "foyer", f"{days:064d}") for days in (0, 100, 400)]
    held = {d.name: Held(1000, d.at_s) for d in shown} | {"u" * 64: Held(1000, NOW_S), "o" * 64: Held(1000, NOW_S)}

    def gone(most_bytes: int = BOUND, most_days: int = 3700) -> list[str]:
        return [n[-3:] for n in superfluous(shown, ["u" * 64], held, NOW_S, most_bytes=most_bytes, most_days=most_days)]

    assert gone() == ["uuu"], "a journal that lost its entries costs no pictures"
    assert gone(most_days=365) == ["400", "uuu"]
    assert gone(most_bytes=3500) == ["ooo", "uuu"], "for want of room what no entry names goes first"


def test_a_night_tends_the_pictures_and_their_copies(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "journal.sqlite", boot_id="boot")
    journal.open(NOW_S)
    own, copies = Pictures(tmp_path), Pictures(tmp_path / "backups")
    names = [own.keep(picture(n)) for n in range(4)]
    growth = [Growth(at_s=NOW_S - (40 - n) * DAY_S, id=f"g{n}", tank="foyer", picture=p) for n, p in enumerate(names)]
    undone = Correction(at_s=NOW_S, id="c", of="g1", void=True)
    again = Correction(
        at_s=NOW_S, id="d", of="g2", replacement=Growth(at_s=NOW_S, tank="foyer", picture=names[2], cover=0.3)
    )
    journal.append([Recorded(e) for e in (*growth, undone, again)], urgent=True, at_s=NOW_S)

    def night() -> list[str]:
        with journal.reader() as reader:
            return thinning.tend(own, copies, reader, NOW_S + DAY_S, most_days=3700)

    assert night() == [names[1]]
    assert set(own.held()) == set(copies.held()) == {names[0], names[2], names[3]}
    (own.folder / f"{names[0]}.jpg").unlink()
    assert night() == [] and own.read(names[0]) == picture(0), "a lost one comes back from the copies"
    journal.close(NOW_S)
