"""The page as README and the owner's pages show it, made from the invented year of the demonstration.

`python tests/bench/page_pictures.py [FOLDER [MONTH-DAY]]`: plays the year until that day (08-07, in the closed week after
the lamp has faded), moves it so that it ends now, serves the real page over a real journal, and takes pictures at a
phone's width and one at a desk's.  The push is the last one of the foyer tank by then, in its own words, on a locked
phone that we drew; the film is a strip being entered.  FOLDER is deploy/pictures unless told otherwise.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import html
import io
import sys
import tempfile
from collections.abc import Iterator
from importlib import resources
from itertools import takewhile
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve()
sys.path.insert(0, str(HERE.parents[1]))

from PIL import Image  # noqa: E402

from helpers.browser import chromium  # noqa: E402
from helpers.page import PASSPHRASE, Site, page_site  # noqa: E402
from helpers.waiting import until  # noqa: E402
from rushlight.clock import SystemClock  # noqa: E402
from rushlight.config import loading  # noqa: E402
from rushlight.core.step import Core  # noqa: E402
from rushlight.demo import staff, year  # noqa: E402
from rushlight.effects import Message  # noqa: E402
from rushlight.events import Event  # noqa: E402
from rushlight.localtime import DAY_S  # noqa: E402
from rushlight.service import offline  # noqa: E402
from rushlight.settings import Config  # noqa: E402

PHONE, DESK = (390, 760), (1000, 900)
SHOWN = {
    "home": ("/", PHONE),
    "tank": ("/tanks/foyer?stretch=year#timeline", DESK),
    "test": ("/tanks/foyer/test", PHONE),
}
COLOURS = 48
MOST_BYTES = 60_000
MOST_FILM_BYTES = 500_000
FRAME_MS = 1600
LOCKED = (390, 340)
LOCK_SCREEN = """
<!doctype html><meta charset="utf-8"><style>
body {{ margin: 0; padding: 28px 16px; background: #1d2a33; color: #f4f6f7; font: 16px/1.4 "DejaVu Sans", sans-serif }}
time {{ display: block; text-align: center; font-size: 54px; line-height: 1.1 }}
small {{ display: block; text-align: center; color: #b9c6cd; margin-bottom: 24px }}
article {{ background: #f4f6f7; color: #14181b; border-radius: 6px; padding: 12px 14px }}
b, p {{ margin: 0; display: block }}
</style><time>{clock}</time><small>{date}</small><article><b>{title}</b><p>{body}</p></article>
"""


def lived(month: int, day: int, now_s: float, told: list[tuple[float, Message]]) -> Iterator[Event]:
    """The year until that day, moved by whole days so that it ends now; what people were told on the way goes to `told`."""
    text = resources.files("rushlight.demo").joinpath("rowan_street.toml").read_text()
    core = Core(loading.check(loading.parse(text + year.PHONE)))
    shift_s = (now_s - year.local(month, day)) // DAY_S * DAY_S

    def moved() -> Iterator[Event]:
        for event, effects in staff.play(core):
            told.extend((event.at_s, e) for e in effects if isinstance(e, Message) and len(e.alarms) == 1)
            yield dataclasses.replace(event, at_s=event.at_s + shift_s)

    return takewhile(lambda e: e.at_s <= now_s, moved())


def site_of(folder: Path) -> Config:
    """The demonstration's installation, its journal in `folder`."""
    text = resources.files("rushlight.demo").joinpath("rowan_street.toml").read_text()
    return loading.check(loading.parse(text + f'\n[storage]\nfolder = "{folder}"\n[heartbeat]\naccept_none = true\n'))


def small(png: bytes) -> bytes:
    """The same picture in few colours; text and lines stay sharp."""
    out = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(
        out, "PNG", optimize=True
    )
    return out.getvalue()


def phone(browser: Any, site: Site, size: tuple[int, int]) -> Any:
    """A page of somebody who has logged in."""
    width, height = size
    address = f"http://127.0.0.1:{site.port}"
    context = browser.new_context(viewport={"width": width, "height": height}, base_url=address, locale="en-GB")
    cookie = site.access.log_in(PASSPHRASE, "test", "phone")
    context.add_cookies([{"name": "rushlight", "value": cookie, "url": address}])
    return context.new_page()


def push(browser: Any, told: list[tuple[float, Message]]) -> bytes:
    """The last thing that was new about the foyer tank, else about any, on a locked phone, at the year's own time."""
    foyer = (m for m in reversed(told) if any(t.alarm.startswith("foyer.") for t in m[1].alarms))
    at_s, message = next(foyer, told[-1])
    local = dt.datetime.fromtimestamp(at_s, year.ZONE)
    page = browser.new_page(viewport={"width": LOCKED[0], "height": LOCKED[1]})
    words = {"title": html.escape(message.title), "body": html.escape(message.body)}
    page.set_content(LOCK_SCREEN.format(clock=f"{local:%H:%M}", date=f"{local:%A, %-d %B}", **words))
    taken = page.screenshot()
    page.close()
    return small(taken)


def film(page: Any) -> bytes:
    """A strip from the first page to what it changed."""
    frames = []

    def take(ms: int = FRAME_MS) -> None:
        picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
        frames.append((picture.quantize(COLOURS, dither=Image.Dither.NONE), ms))

    page.goto("/", wait_until="networkidle")
    take()
    page.goto("/tanks/foyer/test", wait_until="networkidle")
    take()
    for substance, pad in (("nitrate", "50"), ("nitrite", "0"), ("ph", "7")):
        page.locator(f"input[name={substance}][value='{pad}']").first.check(force=True)
        take(FRAME_MS // 2)
    page.get_by_role("button", name="Save").first.click()
    page.wait_for_url("**done=**")
    page.wait_for_load_state("networkidle")
    take(2 * FRAME_MS)
    out = io.BytesIO()
    first, *rest = [f for f, _ in frames]
    first.save(out, "GIF", save_all=True, append_images=rest, duration=[ms for _, ms in frames], loop=0, optimize=True)
    return out.getvalue()


def make(to: Path, month: int, day: int) -> dict[str, int]:
    """Write the pictures; returns the bytes of each by its file's name."""
    to.mkdir(parents=True, exist_ok=True)
    made: dict[str, bytes] = {}
    told: list[tuple[float, Message]] = []
    with tempfile.TemporaryDirectory() as name:
        folder, now_s = Path(name), SystemClock().wall_s()
        config = site_of(folder)
        offline.fill(config, folder, lived(month, day, now_s, told), now_s)
        (folder / "journal.sqlite").rename(folder / "journal.db")
        with page_site(folder, config) as site, chromium() as browser:
            until(lambda: site.engine.view().tanks and site.engine.view().tanks[0].nitrate, 120, "the estimate")
            for picture, (path, size) in SHOWN.items():
                page = phone(browser, site, size)
                page.goto(path, wait_until="networkidle")
                made[f"{picture}.png"] = small(page.screenshot())
                page.context.close()
            made["push.png"] = push(browser, told)
            made["strip.gif"] = film(phone(browser, site, PHONE))
    for name, data in made.items():
        (to / name).write_bytes(data)
    return {name: len(data) for name, data in made.items()}


def most_bytes(name: str) -> int:
    """How large a picture of this name may be."""
    return MOST_FILM_BYTES if name.endswith(".gif") else MOST_BYTES


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE.parents[2] / "deploy" / "pictures"
    when = dt.datetime.strptime(sys.argv[2] if len(sys.argv) > 2 else "08-07", "%m-%d")  # noqa: DTZ007
    for name, size in make(folder, when.month, when.day).items():
        print(f"{name} {size} bytes")
        most = most_bytes(name)
        assert size <= most, f"{name} is larger than {most} bytes"


if __name__ == "__main__":
    main()
