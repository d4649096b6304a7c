"""Feeds a time-series store from the journal, over the InfluxDB 2.x write API.

Owns cursors, batches and what to do about each refusal.  The journal is the only queue: rows are read past a
cursor, sent, and only then is the cursor moved, so nothing is lost in an outage or a crash and what is sent
twice is the same point.  A store may say 'accepted' some seconds before it is on its disk and then crash: so the
cursor in the journal trails what was accepted by `SETTLE_S`, and what it then passes is sent once more first;
after any failure and after a restart the feed goes on from there.

The client library's own batching is not used: it drops data when its patience ends and can keep the process from
ending.  A line that the store refuses is found by halving, set aside, and the rest goes on.  Works on a thread of
its own, holds no database open while it waits for the network, and holds up nobody.
"""

from __future__ import annotations

import datetime as dt
import logging
import re
import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from typing import Any, Literal, Protocol
from urllib.parse import urlsplit

from rushlight.clock import Clock
from rushlight.events import Event
from rushlight.outlets.net import verified_tls
from rushlight.outlets.timeseries.live import LIVE_S
from rushlight.outlets.timeseries.points import Item, Point, Points
from rushlight.settings import Timeseries

log = logging.getLogger(__name__)

Stream = Literal["events", "days", "alarms"]
STREAMS: tuple[Stream, ...] = ("events", "days", "alarms")
"""Readings and tests; estimates; alarms.  Each has a cursor of its own."""

BATCH_ROWS = 500
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 600.0
SETTLE_S = 20.0
"""What was accepted longer ago than this is taken to be on the store's disk, if the store did not crash."""
MOST_KEPT_LINES = 20_000
"""Lines held for the second sending, about 5 MB; in a long catching-up the older ones are sent once only."""
WARM_ROWS = 2_000
"""Rows before the cursor that are looked at again, so that a reading's flag is the same on the second sending."""
MOST_ASIDE = 100
"""So many refused lines and none accepted in one batch: then it is not the lines, and looking further is no use."""
_TURN_S = 1.0


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a stream; `no` grows along it."""

    no: int
    item: Item


class History(Protocol):
    """The journal as the store's feed sees it.  Every method may raise; it is then tried again later."""

    def rows_after(self, stream: Stream, cursor: int, limit: int) -> Sequence[Row]:
        """Up to about `limit` rows past the cursor, in order, as a finished list; empty at the end."""
        ...

    def cursor(self, stream: Stream) -> int:
        """How far the stream has been handed on."""
        ...

    def advance(self, stream: Stream, cursor: int) -> None:
        """Everything up to here is in the store."""
        ...

    def set_aside(self, line: str, why: str) -> None:
        """Keep a line that the store will never take, for a person to look at."""
        ...

    def calibrations_before(self, cursor: int) -> Iterable[Event]:
        """Calibrations and corrections among the events up to the cursor, oldest first."""
        ...


class StoreError(Exception):
    """The store did not take a batch; `status` is its HTTP status, 0 when there was no answer.

    `retry_after_s` is what it asked for, 0 if nothing.
    """

    def __init__(self, status: int, what: str, retry_after_s: float = 0.0) -> None:
        super().__init__(what)
        self.status, self.retry_after_s = status, retry_after_s

    @property
    def is_about_the_lines(self) -> bool:
        """Whether some line in the batch may be at fault, rather than the store, the token or the way there."""
        return self.status in {400, 413, 422}


class Writer:
    """One store.  Imports the client library, so make one only where a store is configured.

    `token` is the secret itself.  Raises ImportError when the library is not installed, OSError for a certificate
    file that can't be used.
    """

    def __init__(self, settings: Timeseries, token: str) -> None:
        from influxdb_client.client.write_api import SYNCHRONOUS  # noqa: PLC0415 - as in _library

        self._settings = settings
        self._client = _library().InfluxDBClient(
            url=settings.url.rstrip("/"),
            token=token,
            org=settings.org,
            timeout=round(settings.deadline_s * 1000),
            retries=False,
            ssl_context=verified_tls.context(settings.ca_file),
        )
        self._api = self._client.write_api(write_options=SYNCHRONOUS)
        self.store_s: float | None = None
        """What time the store said it was in its last answer (RFC 9110's `Date`), Unix seconds; None: nothing."""

    def write(self, lines: Sequence[str]) -> None:
        """Send lines; returns once the store has them all.  Raises StoreError."""
        from influxdb_client.client.exceptions import InfluxDBError  # noqa: PLC0415
        from urllib3.exceptions import HTTPError  # noqa: PLC0415

        bucket, org, precision = self._settings.bucket, self._settings.org, _library().WritePrecision.MS
        try:
            self._api.write(bucket, org, "\n".join(lines), write_precision=precision)
        except InfluxDBError as e:
            raise _refusal(e, self._settings) from None
        except (HTTPError, OSError) as e:
            # Not an answer but the want of one: the library passes these on as they are.
            raise StoreError(0, f"{_store(self._settings)} can't be reached ({_cause(e)})") from None
        answer = self._client.api_client.last_response
        if answer.data.lstrip().startswith("<" if isinstance(answer.data, str) else b"<"):
            # A network's log-in page or a proxy's greeting says 200 to everything; the client library takes any 2xx.
            raise StoreError(0, f"{_store(self._settings)} answered with a web page; something else answers there")
        self.store_s = _date(answer.getheader("Date", ""))

    def close(self) -> None:
        """Let go of the connection; never waits."""
        self._client.close()


def _date(text: str) -> float | None:
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    return (at if at.tzinfo else at.replace(tzinfo=dt.UTC)).timestamp()


def lines_of(points: Iterable[Point]) -> list[str]:
    """Line protocol in milliseconds, one line a point, escaped by the client library."""
    library = _library()
    out: list[str] = []
    for p in points:
        built = library.Point(p.measurement)
        for name, text in p.tags.items():
            built.tag(name, text)
        for name, value in p.fields.items():
            built.field(name, float(value))
        out.append(built.time(p.at_ms, library.WritePrecision.MS).to_line_protocol())
    return out


def _library() -> Any:
    """The client library: 24 MB, so imported only where a store is configured."""
    import influxdb_client  # noqa: PLC0415

    return influxdb_client


def _refusal(error: Any, settings: Timeseries) -> StoreError:
    status = int(getattr(error, "status", 0) or 0)
    told = (getattr(error, name, "") for name in ("body", "reason", "message"))
    said = str(next((x for x in told if x), error))[:200]
    if not status:
        return StoreError(0, f"{_store(settings)} can't be reached ({said})")
    words = {
        401: "the store does not accept the token (401); make a new one that may write to the bucket",
        403: "the token may not write to this bucket (403)",
        404: f"the store knows no organisation {settings.org!r} with bucket {settings.bucket!r}, or no such API (404)",
    }
    return StoreError(status, words.get(status, _answered(status, said)), _retry_after(error))


def _answered(status: int, said: str) -> str:
    """An answer in our words, for it may quote what we sent; only what is wrong with a line is worth its own."""
    if status not in {400, 422}:
        return f"the store answered {status}"
    return f"the store answered {status}: {_LONG_WORD.sub('…', said)}"


_LONG_WORD = re.compile(r"[A-Za-z0-9_+/=.~-]{16,}")
"""Long enough for a token."""


def _store(settings: Timeseries) -> str:
    """The store in words; a name and password before its host are nobody's business."""
    return f"the store at {urlsplit(settings.url).netloc.rpartition('@')[2]}"


def _retry_after(error: Any) -> float:
    headers = getattr(error, "headers", None) or {}
    try:
        return min(LONGEST_WAIT_S, max(0.0, float(headers.get("Retry-After", 0))))
    except (TypeError, ValueError):
        return 0.0


def _cause(error: BaseException) -> str:
    reason = getattr(error, "reason", None) or error
    return f"{type(reason).__name__}: {reason}"[:200]


# ---------------------------------------------------------------------- sending, whatever is refused


class Sender:
    """Sends batches; finds and sets aside what the store will never take.

    A line is set aside only when the store took another one of the same batch: a store that refuses everything
    (some answer 400 to a wrong token) is in trouble itself, and the rows wait for it.
    """

    def __init__(self, write: Callable[[Sequence[str]], None], set_aside: Callable[[str, str], None]) -> None:
        self._write, self._set_aside = write, set_aside
        self.sent = 0
        self.aside = 0

    def send(self, lines: Sequence[str]) -> list[str]:
        """Returns once every line is in the store or set aside, with those in the store.  Raises StoreError."""
        refused: list[tuple[str, StoreError]] = []
        before = self.sent
        self._send(lines, refused, before)
        if refused and self.sent == before:
            raise _refuses_everything(refused[0][1])
        for line, error in refused:
            self._set_aside(line, str(error))
            self.aside += 1
        bad = {line for line, _ in refused}
        return [line for line in lines if line not in bad] if bad else list(lines)

    def _send(self, lines: Sequence[str], refused: list[tuple[str, StoreError]], before: int) -> None:
        if not lines:
            return
        try:
            self._write(lines)
            self.sent += len(lines)
        except StoreError as e:
            if not e.is_about_the_lines:
                raise
            if len(lines) > 1:
                middle = len(lines) // 2
                self._send(lines[:middle], refused, before)
                self._send(lines[middle:], refused, before)
            else:
                refused.append((lines[0], e))
                if len(refused) >= MOST_ASIDE and self.sent == before:
                    raise _refuses_everything(e) from None


def _refuses_everything(error: StoreError) -> StoreError:
    return StoreError(error.status, f"the store refuses everything: {error}", error.retry_after_s)


@dataclass(slots=True)
class _Accepted:
    """A batch that the store has said it has: when, up to which row, and its lines while they are held."""

    mono_s: float
    stream: Stream
    no: int
    lines: list[str]


class TimeseriesOutlet(threading.Thread):
    """Runs until `stop` is set; `progress` is called at least once per `deadline_s` and batch.

    `clock_ok` says whether times in the journal can be trusted by now; until then nothing is sent, because a point
    at a wrong time could not be taken back.  `live` makes the points of the present moment, told by how many seconds
    this clock is ahead of the store's, as far as is known.  `trouble` is a plain sentence, empty while all is well.
    """

    def __init__(
        self,
        settings: Timeseries,
        history: History,
        make_points: Callable[[], Points],
        clock: Clock,
        stop: threading.Event,
        *,
        token: str,
        clock_ok: Callable[[], bool] = lambda: True,
        progress: Callable[[], None] = lambda: None,
        live: Callable[[float | None], Sequence[Point]] = lambda _ahead_s: (),
    ) -> None:
        super().__init__(name="timeseries", daemon=True)
        self.trouble = ""
        self.since_mono_s = clock.mono_s()
        """Since when it has been in trouble, or without it."""
        self.sender: Sender | None = None
        self._writer: Writer | None = None
        self._failed_s = FIRST_WAIT_S
        """How long the next failure makes it wait."""
        self._settings, self._history, self._make_points = settings, history, make_points
        self._clock, self._stopping, self._token = clock, stop, token
        self._clock_ok, self._progress, self._live = clock_ok, progress, live
        self.live_every_s = LIVE_S
        self._live_due_s = clock.mono_s()
        self._ahead_s: float | None = None
        self._points: Points | None = None
        self._ahead: dict[Stream, int] = {}
        self._accepted: deque[_Accepted] = deque()
        self._kept_lines = 0

    def run(self) -> None:
        wait_s = 0.0
        while not self._pause(wait_s):
            wait_s = self.turn()
        if self._writer is not None:
            self._writer.close()

    def turn(self) -> float:
        """Send what there is, or note why it could not be; returns the seconds until the next turn.  Never raises."""
        try:
            if self._writer is None:
                self._writer = Writer(self._settings, self._token)
                self.sender = Sender(self._writer.write, self._history.set_aside)
            more = self.step()
        except Exception as e:  # noqa: BLE001 - whatever it is, the rows stay and are tried again
            self._go_back()
            wait_s = max(self._failed_s, getattr(e, "retry_after_s", 0.0))
            self._failed_s = min(LONGEST_WAIT_S, self._failed_s * 2)
            self._say(str(e) or type(e).__name__)
            return wait_s
        self._failed_s = FIRST_WAIT_S
        self._say("")
        return 0.0 if more else self._settings.every_seconds

    def step(self) -> bool:
        """Send one batch of each stream and move its cursor; True when there may be more.  Raises StoreError."""
        if not self._clock_ok():
            return False
        more = False
        for stream in STREAMS:
            self._progress()
            if self._stopping.is_set():
                return False
            rows = self._history.rows_after(stream, self._cursor(stream), BATCH_ROWS)
            if rows:
                points = self._ready_points()
                lines = lines_of(p for row in rows for p in points.of(row.item))
                taken = self._send(lines)
                self._ahead[stream] = rows[-1].no
                self._keep(_Accepted(self._clock.mono_s(), stream, rows[-1].no, taken))
            more |= len(rows) >= BATCH_ROWS
        self._settle()
        self._send_live()
        return more

    def _send_live(self) -> None:
        """Say how things stand now, if it is time; what is refused of that is let go, for the next is newer."""
        if self._clock.mono_s() < self._live_due_s:
            return
        self._live_due_s = self._clock.mono_s() + self.live_every_s
        try:
            self._send(lines_of(self._live(self._ahead_s)))
        except StoreError as e:
            if not e.is_about_the_lines:
                self._live_due_s = self._clock.mono_s()
                raise
            log.warning("timeseries=live-refused why=%r", str(e)[:200])

    def _cursor(self, stream: Stream) -> int:
        if stream not in self._ahead:
            self._ahead[stream] = self._history.cursor(stream)
        return self._ahead[stream]

    def _keep(self, batch: _Accepted) -> None:
        """Remember an accepted batch, and its lines as far as there is room."""
        self._accepted.append(batch)
        self._kept_lines += len(batch.lines)
        for old in self._accepted:
            if self._kept_lines <= MOST_KEPT_LINES:
                break
            self._kept_lines -= len(old.lines)
            old.lines = []

    def _settle(self) -> None:
        """Send once more what was accepted long enough ago, and move the journal's cursors past it."""
        before_s = self._clock.mono_s() - SETTLE_S
        settled: dict[Stream, int] = {}
        while self._accepted and self._accepted[0].mono_s <= before_s:
            batch = self._accepted.popleft()
            self._kept_lines -= len(batch.lines)
            self._send(batch.lines)
            settled[batch.stream] = batch.no
        for stream, no in settled.items():
            self._history.advance(stream, no)

    def _send(self, lines: Sequence[str]) -> list[str]:
        assert self.sender is not None
        taken: list[str] = []
        for start in range(0, len(lines), BATCH_ROWS):
            self._progress()
            taken += self.sender.send(lines[start : start + BATCH_ROWS])
            if self._writer is not None and self._writer.store_s is not None:
                self._ahead_s = self._clock.wall_s() - self._writer.store_s
        return taken

    def _go_back(self) -> None:
        """Forget what was accepted lately; it is sent again."""
        self._ahead.clear()
        self._accepted.clear()
        self._kept_lines = 0
        self._points = None

    def _ready_points(self) -> Points:
        if self._points is None:
            points, cursor = self._make_points(), self._cursor("events")
            first = max(0, cursor - WARM_ROWS)
            points.learn(self._history.calibrations_before(first))
            for row in self._history.rows_after("events", first, WARM_ROWS):
                if row.no <= cursor:
                    points.of(row.item)
            self._points = points
        return self._points

    def _pause(self, seconds: float) -> bool:
        """Wait, stamping progress all the while; True when it is time to end."""
        until_s = self._clock.mono_s() + seconds
        while not self._stopping.is_set():
            self._progress()
            left_s = until_s - self._clock.mono_s()
            if left_s <= 0:
                return False
            self._clock.wait(self._stopping, min(_TURN_S, left_s))
        return True

    def _say(self, trouble: str) -> None:
        """Note and log the state once when it changes, not once a try."""
        if trouble != self.trouble:
            if trouble:
                log.warning("timeseries=trouble why=%r", trouble)
            else:
                log.info("timeseries=sending")
            if not (trouble and self.trouble):
                self.since_mono_s = self._clock.mono_s()
        self.trouble = trouble


def back_fill(
    items: Iterable[Item], points: Points, sender: Sender, seen: Callable[[int], None] = lambda _n: None
) -> int:
    """Send history again from any source, such as an export, past no cursor; returns how many points were sent.

    What is in the store already stays one point.  `seen` hears how many rows are done.  Raises StoreError; sending
    all of it again does no harm.
    """
    before, held, n = sender.sent, [], 0
    for n, item in enumerate(items, start=1):
        held += points.of(item)
        if len(held) >= BATCH_ROWS:
            sender.send(lines_of(held))
            held = []
            seen(n)
    sender.send(lines_of(held))
    seen(n)
    return sender.sent - before
