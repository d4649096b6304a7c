"""How soon a wireless board is heard again, with the firmware's own waits: nobody touches the board.

    python tests/bench/board_return.py [AWAY_SECONDS]

Four boards at once under MicroPython, each with a broker of its own: one whose broker comes late, one whose broker
hangs, one whose Pi had another certificate authority until its configuration was restored, one that was unplugged.
The fault lasts AWAY_SECONDS (90: long enough for the longest pause between attempts).  Prints the seconds from its end
to the first pack.  The radio is played; sockets, TLS and broker are real.
"""

from __future__ import annotations

import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from threading import Thread

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from helpers import debian  # noqa: E402
from helpers.wireless import Broker, Listener, WirelessBoard  # noqa: E402

OWN_WAITS = """
wireless.PAUSES_MS = (2_000, 5_000, 10_000, 20_000, 40_000)
wireless.CONNECT_MS = wireless.ANSWER_MS = 5_000
settings.EVERY_S = 10
"""


class Case:
    """One broker and one board."""

    def __init__(self, folder: Path, command: list[str]) -> None:
        folder.mkdir(mode=0o755)
        self.folder, self.command = folder, command
        self.broker = Broker(folder / "broker")
        self.kept = folder / "kept"
        shutil.copytree(self.broker.authority, self.kept)

    def plug_in(self) -> WirelessBoard:
        return WirelessBoard(
            self.command, self.folder / "board", port=self.broker.tls, ca=self.kept / "ca.der",
            hosts=("was-called-so.invalid", "127.0.0.1"), scene=OWN_WAITS,
        )  # fmt: skip

    def measure(self, fault: Callable[[], None], away_s: float, end: Callable[[], None]) -> float:
        """Let the fault last, end it, and wait for the next pack."""
        fault()
        time.sleep(away_s)
        end()
        ended_s = time.monotonic()
        listener = Listener(self.broker.plain)
        try:
            listener.hears(1, 300)
        finally:
            listener.close()
        return time.monotonic() - ended_s


def late(case: Case, away_s: float) -> float:
    board = case.plug_in()
    try:
        return case.measure(lambda: None, away_s, case.broker.start)
    finally:
        board.close()


def hanging(case: Case, away_s: float) -> float:
    case.broker.start()
    board = case.plug_in()
    try:
        time.sleep(15)
        stop, go = (lambda s=s: case.broker.signal(s) for s in (signal.SIGSTOP, signal.SIGCONT))
        return case.measure(stop, away_s, go)
    finally:
        board.close()


def restored(case: Case, away_s: float) -> float:
    for file in case.broker.authority.iterdir():
        file.unlink()
    case.broker.certify()
    board = case.plug_in()

    def restore() -> None:
        for file in case.kept.iterdir():
            shutil.copy(file, case.broker.authority)
        case.broker.certify()
        case.broker.restart()

    try:
        return case.measure(case.broker.start, away_s, restore)
    finally:
        board.close()


def unplugged(case: Case, away_s: float) -> float:
    case.broker.start()
    boards = [case.plug_in()]
    try:
        time.sleep(15)
        return case.measure(boards[0].close, away_s, lambda: boards.append(case.plug_in()))
    finally:
        boards[-1].close()


def main(away_s: float) -> None:
    """All four at once."""
    command = debian.micropython()
    found: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        cases = {
            f.__name__: (f, Case(Path(folder) / f.__name__, command)) for f in (late, hanging, restored, unplugged)
        }

        def run(name: str) -> None:
            measure, case = cases[name]
            found[name] = measure(case, away_s)

        threads = [Thread(target=run, args=(name,)) for name in cases]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        for _, case in cases.values():
            case.broker.stop()
    for name in cases:
        sys.stdout.write(f"{name:10} {found.get(name, float('nan')):6.1f} s\n")


if __name__ == "__main__":
    main(float(sys.argv[1]) if sys.argv[1:] else 90.0)
