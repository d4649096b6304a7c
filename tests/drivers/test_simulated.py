"""Invented probes and recordings: the same story each time."""

from __future__ import annotations

import contextlib
import datetime as dt
import itertools
import math
import statistics
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight_drivers import Channel, LinkError
from rushlight_drivers.formats import session_text
from rushlight_drivers.recorded import Options as RecordedOptions
from rushlight_drivers.recorded import RecordedDriver
from rushlight_drivers.simulated import DAY_S, Options, SimulatedDriver, _normal, value_at

MIDNIGHT_S = dt.datetime(2026, 3, 10, tzinfo=dt.UTC).timestamp()


def test_the_same_seed_tells_the_same_story_and_another_another():
    times = [MIDNIGHT_S + n * 600.5 for n in range(300)]
    a, b, c = ([value_at(Options(seed=s), "light", t) for t in times] for s in (1, 1, 2))
    assert a == b
    assert a != c


@pytest.mark.parametrize(
    ("options", "lit"),
    [
        (Options(), (8, 18)),
        (Options(on_hour=20, off_hour=6), (20, 6)),
        (Options(zone_s=3600), (7, 17)),  # local time is an hour ahead: the lamp comes on at 07:00 UTC
    ],
)
def test_the_lamp_keeps_its_hours(options, lit):
    on, off = lit
    for hour in range(24):
        value = value_at(options, "light", MIDNIGHT_S + hour * 3600 + 1800)
        is_lit = on <= hour < off if on < off else hour >= on or hour < off
        assert (value > 5000) == is_lit


def test_the_lamp_fades_when_it_is_told_to():
    o = Options(fade_percent_per_day=1.0, fade_from_s=MIDNIGHT_S, swing=0.0, noise=0.0)
    now, later = (value_at(o, "light", MIDNIGHT_S + days * DAY_S + 12 * 3600) for days in (0, 70))
    assert later / now == pytest.approx(math.exp(-0.7), rel=1e-3)


@pytest.mark.parametrize(
    ("quantity", "low", "high"),
    [("temperature", 23.5, 25.0), ("ph", 6.9, 7.3), ("nitrate", 15, 21), ("humidity", 40, 65), ("light", 0, 9000)],
)
def test_values_stay_where_a_healthy_tank_has_them(quantity, low, high):
    values = [value_at(Options(seed=3), quantity, MIDNIGHT_S + n * 300) for n in range(7 * 288)]
    assert low <= min(values)
    assert max(values) <= high
    assert len(set(values)) > 50  # not stuck


def test_scatter_looks_normal():
    drawn = [_normal(7, "x", n) for n in range(20_000)]
    assert statistics.mean(drawn) == pytest.approx(0.0, abs=0.03)
    assert statistics.stdev(drawn) == pytest.approx(1.0, abs=0.03)
    assert statistics.mean(a * b for a, b in itertools.pairwise(drawn)) == pytest.approx(0.0, abs=0.03)


@given(st.floats(-1e9, 4e9), st.sampled_from(["light", "ph", "unheard of"]))
def test_any_time_gives_a_finite_value(unix_s, quantity):
    assert math.isfinite(value_at(Options(), quantity, unix_s))


def test_the_offset_turns_monotonic_seconds_into_time_of_day():
    d = SimulatedDriver([Channel("l", Options(offset_s=MIDNIGHT_S), "light")], lambda: 12 * 3600.0)
    d.open()
    (sample,) = d.poll(1.0)
    assert sample.value == value_at(Options(), "light", MIDNIGHT_S + 12 * 3600)
    d.close()


# -- recordings -------------------------------------------------------------------------------------------------

HEAD = "rushlight-recording 1\ndevice: a board\ndate: 2026-11-25\ntaken: invented\n\n"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "line 1: expected 'rushlight-recording 1'"),
        ("rushlight-recording 1\ndevice: x\n\n", "does not say: date, taken"),
        ("rushlight-recording 1\ndevice\n", "line 2: expected 'key: value'"),
        (HEAD + "x says a 1\n", "line 6: 'x' is not a number of seconds"),
        (HEAD + "-1 says a 1\n", "line 6"),
        (HEAD + "nan says a 1\n", "line 6"),
        (HEAD + "1 sings a 1\n", "line 6: unknown kind 'sings'"),
        (HEAD + "1 says a\n", "line 6: expected 'name value'"),
        (HEAD + "1 says a -\n", "line 6: expected 'name value'"),
        (HEAD + "1 says a - bad\n", "line 6: expected 'name value'"),
        (HEAD + "1 says a 7,0\n", "line 6: expected 'name value'"),
        (HEAD + "2 says a 1\n1 says a 1\n", "line 7: time goes back"),
        (HEAD + '1 from "x\n', "line 6"),
        (HEAD + '1 from x"\n', "line 6: from takes 0 word"),
        (HEAD + '1 file "x"\n', "line 6: file takes 1 word"),
        (HEAD + '1 from "\\u0100"\n', "line 6: a character above 255"),
    ],
)
def test_what_is_no_recording_is_said_with_its_line(text, what):
    with pytest.raises(session_text.RecordingError, match=what.replace("(", r"\(")):
        session_text.parse(text)


rows = st.lists(
    st.builds(
        session_text.Row,
        at_s=st.floats(0, 1e6).map(lambda t: round(t, 3)),
        kind=st.sampled_from(["from", "to"]),
        words=st.just(()),
        data=st.binary(max_size=20),
    )
    | st.builds(
        lambda t, v: session_text.Row(round(t, 3), "says", ("p", repr(v))),
        st.floats(0, 1e6),
        st.integers(-99, 99).map(float),
    ),
    max_size=6,
).map(lambda r: tuple(sorted(r, key=lambda x: x.at_s)))


@given(rows)
def test_what_is_written_is_read_back(written):
    header = {"device": "a board", "date": "2026-11-25", "taken": "invented"}
    read = session_text.parse(session_text.format(header, written))
    assert (dict(read.header), read.rows) == (header, written)


@given(st.text(max_size=200))
def test_no_text_breaks_the_reader_of_recordings(text):
    for attempt in (text, HEAD + text):
        with contextlib.suppress(session_text.RecordingError):
            session_text.parse(attempt)


class Hands:
    """A monotonic clock that is moved by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def played(tmp_path: Path, text: str, *channels: Channel, **options) -> tuple[RecordedDriver, Hands]:
    file = tmp_path / "x.rec"
    file.write_text(HEAD + text)
    hands = Hands()
    channels = channels or (Channel("a", RecordedOptions(file=str(file), **options)),)
    return RecordedDriver(channels, hands), hands


def test_a_recording_plays_at_its_own_pace_and_ends_in_silence(tmp_path):
    d, hands = played(tmp_path, "0 says a 1\n10 says b 5\n10 says a - garbled\n20.5 says a 3\n")
    d.open()
    out = []
    for _ in range(40):
        out += [(s.mono_s - 100, s.value, s.trouble) for s in d.poll(0.0)]
        hands.now_s += 1
    assert out == [(0, 1.0, ""), (10, None, "garbled"), (20.5, 3.0, "")]
    d.close()


def test_a_recording_can_be_played_faster_and_again(tmp_path):
    d, hands = played(tmp_path, "0 says a 1\n10 says a 2\n", speed=2.0, repeat=True)
    d.open()
    out = []
    for _ in range(13):
        out += [(s.mono_s - 100, s.value) for s in d.poll(0.0)]
        hands.now_s += 1
    assert out == [(0, 1), (5, 2), (5, 1), (10, 2), (10, 1)]
    d.close()


def test_a_late_poll_hands_over_everything_in_order_with_its_own_time(tmp_path):
    d, hands = played(tmp_path, "".join(f"{n} says a {n}\n" for n in range(100)))
    d.open()
    hands.now_s += 50
    assert [(s.mono_s - 100, s.value) for s in d.poll(0.0)] == [(n, n) for n in range(51)]
    d.close()


def test_waiting_ends_when_the_next_row_is_due(tmp_path):
    file = tmp_path / "x.rec"
    file.write_text(HEAD + "0.3 says a 1\n")
    d = RecordedDriver([Channel("a", RecordedOptions(file=str(file)))], time.monotonic)
    d.open()
    start_s = time.monotonic()
    assert [s.value for s in d.poll(5.0)] == [1.0]
    assert 0.25 < time.monotonic() - start_s < 1.0
    d.close()


def test_a_broken_recording_is_a_link_error_with_its_line(tmp_path):
    d, _ = played(tmp_path, "1 says a\n")
    with pytest.raises(LinkError, match="line 6"):
        d.open()
