"""The page as README and the owner's pages show it, made from the invented year of the demonstration.

`python tests/bench/page_pictures.py [FOLDER [MONTH-DAY]]`: plays the year until that day (08-07, in the closed week after
the lamp has faded), moves it so that it ends now, serves the real page over a real journal, and takes pictures at a
phone's width and one at a desk's.  FOLDER is deploy/pictures unless told otherwise.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import io
import sys
import tempfile
from collections.abc import Iterator
from importlib import resources
from itertools import takewhile
from pathlib import Path

HERE = Path(__file__).resolve()
sys.path.insert(0, str(HERE.parents[1]))

from PIL import Image  # noqa: E402

from helpers.browser import chromium  # noqa: E402
from helpers.daemon import until  # noqa: E402
from helpers.page import PASSPHRASE, page_site  # noqa: E402
from rushlight.clock import SystemClock  # noqa: E402
from rushlight.config import loading  # noqa: E402
from rushlight.core.step import Core  # noqa: E402
from rushlight.demo import staff, year  # noqa: E402
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


def lived(month: int, day: int, now_s: float) -> Iterator[Event]:
    """The year until that day, moved by whole days so that it ends now."""
    text = resources.files("rushlight.demo").joinpath("rowan_street.toml").read_text()
    core = Core(loading.check(loading.parse(text + year.PHONE)))
    shift_s = (now_s - year.local(month, day)) // DAY_S * DAY_S
    moved = (dataclasses.replace(e, at_s=e.at_s + shift_s) for e, _ in staff.play(core))
    return takewhile(lambda e: e.at_s <= now_s, moved)


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


def make(to: Path, month: int, day: int) -> dict[str, int]:
    """Write the pictures; returns the bytes of each."""
    to.mkdir(parents=True, exist_ok=True)
    sizes = {}
    with tempfile.TemporaryDirectory() as name:
        folder, now_s = Path(name), SystemClock().wall_s()
        config = site_of(folder)
        offline.fill(config, folder, lived(month, day, now_s), now_s)
        (folder / "journal.sqlite").rename(folder / "journal.db")
        with page_site(folder, config) as site, chromium() as browser:
            until(lambda: site.engine.view().tanks and site.engine.view().tanks[0].nitrate, 120, "the estimate")
            for picture, (path, (width, height)) in SHOWN.items():
                size = {"width": width, "height": height}
                context = browser.new_context(viewport=size, base_url=f"http://127.0.0.1:{site.port}", locale="en-GB")
                cookie = site.access.log_in(PASSPHRASE, "test", "phone")
                context.add_cookies([{"name": "rushlight", "value": cookie, "url": f"http://127.0.0.1:{site.port}"}])
                page = context.new_page()
                page.goto(path, wait_until="networkidle")
                data = small(page.screenshot())
                (to / f"{picture}.png").write_bytes(data)
                sizes[picture] = len(data)
                context.close()
    return sizes


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE.parents[2] / "deploy" / "pictures"
    when = dt.datetime.strptime(sys.argv[2] if len(sys.argv) > 2 else "08-07", "%m-%d")  # noqa: DTZ007
    for name, size in make(folder, when.month, when.day).items():
        print(f"{name}.png {size} bytes")
        assert size <= MOST_BYTES, f"{name}.png is larger than {MOST_BYTES} bytes"


if __name__ == "__main__":
    main()
