"""Rendered pictures through the real page in the real browser: file chosen, both frames dragged, saved, value seen.

    python tests/bench/bench_picture_page.py [pictures] [seed]

Tells the error of what the page shows against what the water held, refusals, and the time from tap to saved entry.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers import strippage
from helpers import strippictures as strips
from helpers.browser import chromium
from helpers.page import PASSPHRASE, page_site
from helpers.site import CONFIG, config_of

SAVED = re.compile("Entered|entered already")
"""The second where a slow machine let the form be sent twice."""
PADS = "pads = { nitrate = [0, 10, 25, 50, 100, 250], ph = [6.0, 6.5, 7.0, 7.5, 8.0, 8.5] }"


def main() -> None:
    """One keeper a picture, by chart alone."""
    n, seed = (int(a) for a in (*sys.argv[1:3], "50", "7000")[:2])
    errors, took, held, refused, asked = [], [], 0, [], []
    with tempfile.TemporaryDirectory() as folder, chromium() as browser:
        config = config_of(re.sub(r"pads = \{.*\}", PADS, CONFIG))
        with page_site(Path(folder), config) as site:
            context = browser.new_context(
                viewport={"width": 390, "height": 844}, base_url=f"http://127.0.0.1:{site.port}"
            )
            page = context.new_page()
            page.set_default_timeout(90_000)
            page.on("request", lambda r: asked.append((r.url, len(r.post_data_buffer or b""))))
            page.goto("/")
            page.get_by_label("Passphrase").fill(PASSPHRASE)
            page.get_by_role("button", name="Log in").click()
            page.get_by_role("heading", name="Foyer").wait_for()
            for i in range(n):
                rng = np.random.default_rng([seed, i])
                value = float(np.exp(rng.uniform(np.log(10), np.log(100))))
                sheet = strips.Sheet.laid({"nitrate": value, "ph": 7.2}, rng, strip_spread=0.08)
                shot = strips.shoot(sheet, strips.Phone.drawn(rng), rng, scale=3)
                file = Path(folder) / f"{i}.jpg"
                file.write_bytes(shot.jpeg())
                page.goto("/tanks/foyer/test")
                began = time.monotonic()
                strippage.choose(page, file)
                strippage.drag(page, strippage.corners(shot, 3, 6))
                page.get_by_role("button", name="Save the test").click()
                page.get_by_text(SAVED).first.wait_for()
                took.append(time.monotonic() - began)
                said = page.get_by_role("status").filter(has_text=SAVED).inner_text()
                found = re.search(r"Nitrate ([\d.e+]+) \(([\d.e+]+) to ([\d.e+]+)\)", said)
                if found is None:
                    refused.append(said)
                    continue
                mean, low, high = map(float, found.groups())
                errors.append(mean / value - 1.0)
                held += low <= value <= high
            own = f"http://127.0.0.1:{site.port}/"
            away = [url for url, _ in asked if not url.startswith((own, "blob:"))]
            print(f"{n} pictures, {len(refused)} refused; requests elsewhere {len(away)}, largest body "
                  f"{max(size for _, size in asked)} bytes")  # fmt: skip
    for words in refused:
        print("   ", words)
    e = np.array(errors)
    print(f"by chart alone: median |error| {100 * np.median(np.abs(e)):.0f} %, rms {100 * np.sqrt((e**2).mean()):.0f} %, "
          f"90 % interval holds {held} of {len(e)}; tap to saved: median {median(took):.1f} s, most {max(took):.1f} s")  # fmt: skip


if __name__ == "__main__":
    main()
