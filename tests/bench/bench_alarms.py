"""What a finding costs the alarm book, in microseconds: the core hears one with nearly every reading."""

import timeit

from rushlight.alarms.finding import Finding
from rushlight.alarms.state_machine import AlarmBook, AlarmsState
from rushlight.settings import Config, Kit, Site, Tank

CONFIG = Config(
    site=Site(), tank=(Tank(id="foyer", litres=140), Tank(id="reading-room", litres=54)), kit=(Kit(id="s"),)
)


def main() -> None:
    book, state = AlarmBook(CONFIG), AlarmsState()
    high = {s: Finding(alarm="temperature_high", tank="foyer", says=s) for s in ("raise", "clear", "hold")}
    other = Finding(alarm="temperature_high", tank="reading-room", says="clear")

    def cost(what, work, n=100_000):
        best = min(timeit.repeat(work, number=n, repeat=5)) / n
        print(f"{what:45} {best * 1e6:6.2f} µs")

    cost("normal, found clear", lambda: book.judge(state, 1.0, high["clear"]))
    book.judge(state, 1.0, high["raise"])
    cost("on-delay running, found raised", lambda: book.judge(state, 2.0, high["raise"]))
    book.on_tick(state, 601.0)
    cost("standing, found raised", lambda: book.judge(state, 700.0, high["raise"]))
    cost("standing, found in its deadband", lambda: book.judge(state, 700.0, high["hold"]))
    cost("same alarm standing elsewhere, found clear", lambda: book.judge(state, 700.0, other))
    cost("tick with nothing due", lambda: book.on_tick(state, 700.0))


if __name__ == "__main__":
    main()
