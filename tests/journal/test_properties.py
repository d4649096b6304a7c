"""What must hold for any history: thinning, re-stamping, export and the buckets of a picture."""

from __future__ import annotations

import io
import json
import math
import tempfile
from collections import defaultdict
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from helpers.journals import T0, opened, query, sound
from rushlight.eventlines import LineError
from rushlight.events import Feeding, Note, Reading, Test
from rushlight.journal import export, schema, upkeep
from rushlight.journal.rows import Recorded, ms
from rushlight.journal.upkeep import Keep

pytestmark = pytest.mark.slow

DAY_S = 86400.0
some = settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

times = st.integers(0, 5 * 86_400_000).map(lambda k: (ms(T0) + k) / 1000)
values = st.none() | st.floats(-1e6, 1e6).map(lambda x: round(x, 3) + 0.0)
readings = st.builds(
    Reading,
    at_s=times,
    probe=st.sampled_from(["foyer-ph", "foyer-light", "reading-room-t"]),
    value=values,
    unit=st.sampled_from(["", "mV"]),
    quality=st.sampled_from([None, None, 1, 3, 4, 9]),
)
notes = st.builds(Note, at_s=times, tank=st.just("foyer"), text=st.text(max_size=20))
feedings = st.builds(Feeding, at_s=times, tank=st.just("foyer"), grams=st.floats(0, 50).map(lambda x: round(x, 2)))
tests = st.builds(
    Test,
    at_s=times,
    received_s=st.just(0.0) | times,
    tank=st.just("foyer"),
    method=st.just("strip"),
    values=st.dictionaries(st.sampled_from(["nitrate", "kh"]), st.just(25.0) | st.just(">250"), min_size=1),
)
histories = st.lists(readings | readings | readings | notes | feedings | tests, max_size=60)


@contextmanager
def journal_of(history):
    with tempfile.TemporaryDirectory() as folder:
        journal = opened(Path(folder) / "journal.sqlite")
        named = [e if isinstance(e, Reading) else _named(e, f"e{n}") for n, e in enumerate(history)]
        journal.append([Recorded(e) for e in named], urgent=True, at_s=T0)
        try:
            yield journal, named
        finally:
            journal.close(T0)


def _named(event, event_id):
    import dataclasses

    return dataclasses.replace(event, id=event_id)


@pytest.fixture(autouse=True)
def small_stretches(monkeypatch: pytest.MonkeyPatch) -> None:
    """Stretches of 8 instead of 4096 rows, so that short histories have closed ones and a tail."""
    from rushlight.journal import history, reader

    for module in (schema, upkeep):
        monkeypatch.setattr(module, "STRETCH_ROWS", 8)
    for module, names in ((history, ["SPANS", "_BETWEEN", "_FIRST"]), (reader, ["_RAW", "_BUCKETS"])):
        for name in names:
            monkeypatch.setattr(module, name, getattr(module, name).replace("4096", "8"))


def exported(journal, **bounds) -> str:
    out = io.StringIO()
    export.export(journal.path, out, **bounds)
    return out.getvalue()


def lines_of(journal, **bounds) -> list[str]:
    """Lines end at a newline alone; a note may hold other characters that end a line elsewhere."""
    return exported(journal, **bounds).split("\n")[:-1]


@some
@given(histories)
def test_export_import_export_is_identical_and_import_twice_changes_nothing(history) -> None:
    with journal_of(history) as (journal, named), tempfile.TemporaryDirectory() as folder:
        first = exported(journal)
        lines = first.split("\n")[:-1]
        assert len(lines) == len(named), "nothing missing, nothing twice"
        ats = [json.loads(line)["at"] for line in lines]
        assert ats == sorted(ats, key=lambda a: a.replace("Z", ".000Z") if "." not in a else a)
        other = opened(Path(folder) / "other.sqlite")
        assert export.import_lines(other, lines, at_s=T0) == len(named)
        assert exported(other) == first
        assert export.import_lines(other, lines, at_s=T0) == 0
        assert export.import_lines(journal, lines, at_s=T0) == 0
        assert exported(other) == first
        other.close(T0)


@some
@given(histories, times, times)
def test_export_of_a_part_is_that_part(history, a, b) -> None:
    with journal_of(history) as (journal, named):
        since, until = min(a, b), max(a, b)
        inside = lines_of(journal, since_s=since, until_s=until)
        assert len(inside) == sum(since <= e.at_s < until for e in named)
        rest = lines_of(journal, until_s=since) + inside + lines_of(journal, since_s=until)
        assert rest == lines_of(journal)


@some
@given(
    histories, st.integers(0, 59), st.sampled_from(["{", '{"kind":"note"}', '{"at":"2026-09-21T00:00:00Z","kind":"x"}'])
)
def test_a_bad_line_stops_an_import_whole(history, where, bad) -> None:
    with journal_of(history) as (journal, _), tempfile.TemporaryDirectory() as folder:
        lines = lines_of(journal)
        where = min(where, len(lines))
        lines.insert(where, bad)
        other = opened(Path(folder) / "other.sqlite")
        with pytest.raises(LineError) as error:
            export.import_lines(other, lines, at_s=T0)
        assert error.value.line_no == where + 1
        assert exported(other) == ""
        assert other.last_seq == 0
        assert other.append([Recorded(Reading(at_s=T0, probe="new", value=1.0))], urgent=True, at_s=T0).durable
        assert query(other.path, "SELECT count(*) FROM reading") == [(1,)]
        other.close(T0)


@some
@given(histories, st.lists(st.integers(0, 6), max_size=3))
def test_thinning_keeps_counts_sums_and_extremes(history, rounds) -> None:
    def picture(journal):
        """What each probe's history adds up to, over raw and thinned rows together, by our own reckoning."""
        total = defaultdict(lambda: [0, 0, 0.0, math.inf, -math.inf])
        for name, value, flag in query(journal.path, "SELECT name, value, flag FROM reading JOIN probe ON no = probe"):
            t = total[name]
            if value is None or flag in {4, 9}:
                t[1] += 1
            else:
                t[:] = t[0] + 1, t[1], t[2] + value, min(t[3], value), max(t[4], value)
        for name, n, missing, s, low, high in query(
            journal.path, "SELECT name, n, missing, total, low, high FROM mean JOIN probe ON no = probe"
        ):
            t = total[name]
            lows, highs = (t[3], t[4]) if not n else (min(t[3], low), max(t[4], high))
            t[:] = t[0] + n, t[1] + missing, t[2] + s, lows, highs
        return {k: (v[0], v[1], pytest.approx(v[2], rel=1e-9, abs=1e-3), v[3], v[4]) for k, v in total.items()}

    with journal_of(history) as (journal, named):
        before = picture(journal)
        with journal.reader() as r:
            whole = {p: r.readings(p, T0 - DAY_S, T0 + 9 * DAY_S, 1) for p in before}
        for days in [*rounds, 6]:
            journal.prune(T0 + days * DAY_S, Keep(raw_days=0.5, mean_days=1e4, rows_at_once=10))
            assert picture(journal) == before
            with journal.reader() as r:
                for p in before:
                    for a, b in zip(r.readings(p, T0 - DAY_S, T0 + 9 * DAY_S, 1), whole[p], strict=True):
                        assert (a.n, a.low, a.high) == (b.n, b.low, b.high)
                        assert a.mean == pytest.approx(b.mean, rel=1e-9, abs=1e-9)
        while journal.prune(T0 + 9 * DAY_S, Keep(raw_days=0.5, mean_days=1e4, rows_at_once=10)).more:
            pass
        assert query(journal.path, "SELECT count(*) FROM reading") == [(0,)]
        kept = [e.id for e in named if e.id]
        assert [s.event.id for s in journal.events_since(0) if s.event.id] == kept, "people's entries stay"
        assert sound(journal.path)


@some
@given(histories)
def test_thinned_history_can_be_exported_and_taken_in_again(history) -> None:
    with journal_of(history) as (journal, _), tempfile.TemporaryDirectory() as folder:
        raw = lines_of(journal)
        journal.prune(T0 + 3 * DAY_S, Keep(raw_days=0.5))
        thinned = exported(journal)
        assert export.import_lines(journal, raw, at_s=T0) == 0, "what was thinned out is not counted again"
        assert exported(journal) == thinned
        other = opened(Path(folder) / "other.sqlite")
        export.import_lines(other, thinned.split("\n")[:-1], at_s=T0)
        assert exported(other) == thinned
        other.close(T0)


@some
@given(histories, times, times, st.integers(1, 50))
def test_buckets_agree_with_plain_counting(history, a, b, many) -> None:
    since, until = min(a, b), max(a, b) + 1
    with journal_of(history) as (journal, named), journal.reader() as r:
        for probe in ("foyer-ph", "foyer-light"):
            got = r.readings(probe, since, until, many)
            mine = [e for e in named if isinstance(e, Reading) and e.probe == probe and since <= e.at_s < until]
            mine = [e for e in mine if e.value is not None and e.quality not in {4, 9}]
            assert sum(x.n for x in got) == len(mine)
            assert len(got) <= many
            for x in got:
                held = [e.value for e in mine if ms(x.from_s) <= ms(e.at_s) < ms(x.to_s)]
                assert len(held) == x.n
                assert (x.low, x.high) == (min(held), max(held))
                assert x.mean == pytest.approx(sum(held) / len(held), rel=1e-9, abs=1e-6)


@some
@given(
    st.lists(st.tuples(st.booleans(), st.sampled_from(["r", "n"]), st.integers(0, 10_000)), max_size=40),
    st.integers(-400 * 86_400_000, 400 * 86_400_000),
)
def test_restamping_moves_the_untrusted_by_their_monotonic_time_and_nothing_else(story, error_ms) -> None:
    """Rows of a boot whose wall clock was wrong by `error_ms`; the truth is T0 + monotonic time."""
    with tempfile.TemporaryDirectory() as folder:
        journal = opened(Path(folder) / "j.sqlite", boot_id="b")
        for n, (trusted, kind, mono_ms) in enumerate(story):
            at_s = (ms(T0) + mono_ms + (0 if trusted else error_ms)) / 1000
            event = (
                Reading(at_s=at_s, probe="p", value=1.0)
                if kind == "r"
                else Note(at_s=at_s, id=f"n{n}", tank="foyer", text="x")
            )
            journal.append([Recorded(event, mono_s=mono_ms / 1000, clock_ok=trusted)], urgent=False, at_s=T0)
        journal.commit(T0)
        order = [(s.seq, s.event.kind) for s in journal.events_since(0)]
        assert journal.restamp("b", T0, at_s=T0) == sum(not t for t, _, _ in story)
        after = list(journal.events_since(0))
        assert [(s.seq, s.event.kind) for s in after] == order, "arrival order is untouched"
        assert [ms(s.event.at_s) for s in after] == [ms(T0) + m for _, _, m in story]
        assert all(s.clock_ok for s in after)
        with journal.reader() as r:
            got = r.readings("p", T0, T0 + 20, 1)
        assert sum(x.n for x in got) == sum(k == "r" for _, k, _ in story), "the time index moved along"
        journal.close(T0)
