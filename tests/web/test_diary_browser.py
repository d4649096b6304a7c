"""The picture diary in the real browser: chosen from a file, measured, saved, looked at; no place leaves the phone."""

from __future__ import annotations

import base64
import datetime as dt
import io
import re
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from helpers import leafscenes
from helpers.browser import CHROMIUM, chromium
from helpers.diarypages import exif, picture, send
from helpers.page import PASSPHRASE, Site, page_site, with_pictures
from helpers.waiting import until
from rushlight.events import Growth
from rushlight.journal.pictures.kept import Pictures

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="chromium-headless-shell is not installed"),
]


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with page_site(tmp_path, with_pictures()) as made:
        yield made


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream") as made:
        yield made


@pytest.fixture(scope="module")
def scene() -> leafscenes.Scene:
    return leafscenes.scene(np.random.default_rng(7), leaves=60, ground="wood", lamp="warm", wide=480)


def opened(browser: Any, site: Site, **options: Any) -> Any:
    """A phone's page, logged in, that keeps every request and its body."""
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, base_url=f"http://127.0.0.1:{site.port}", **options
    )
    context.set_default_timeout(8000)
    page = context.new_page()
    page.asked, page.wrong = [], []
    page.on("request", lambda r: page.asked.append((r.method, r.url, r.post_data_buffer or b"")))
    page.on("console", lambda m: page.wrong.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: page.wrong.append(str(e)))
    page.goto("/")
    page.get_by_label("Passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("heading", name="Foyer").wait_for()
    return page


def looks(site: Site) -> list[Growth]:
    with site.engine.journal.reader() as reader:
        return [e for e in reader.of_kind("growth")[0] if isinstance(e, Growth)]


def choose(page: Any, file: Path) -> None:
    page.goto("/tanks/foyer/picture")
    page.locator("#diary-choose").set_input_files(str(file))
    page.locator("#diary-said", has_text="of the part in the frame is leaf").wait_for()


def mark_out(page: Any) -> None:
    """The frame and the card as the scene has them: each knob tapped, then its place."""
    page.get_by_label("There is a white or grey mark").check()
    view = page.locator("#diary-view")
    box = view.bounding_box()
    for knob, (x, y) in zip(page.locator(".knob").all(), (*leafscenes.FRAME, leafscenes.CARD), strict=True):
        knob.click()
        place = view.bounding_box()  # the page may have scrolled to the knob
        view.dispatch_event(
            "click", {"clientX": place["x"] + x * box["width"], "clientY": place["y"] + y * box["height"]}
        )


def test_a_picture_is_chosen_marked_measured_and_saved_without_its_place(
    browser: Any, site: Site, scene: leafscenes.Scene, tmp_path: Path
) -> None:
    file = tmp_path / "plants.jpg"
    file.write_bytes(scene.jpeg(exif=exif()))
    assert b"Exif" in file.read_bytes() and b"a phone" in file.read_bytes()
    page = opened(browser, site)
    choose(page, file)
    mark_out(page)
    percent = float(page.get_by_label("Share of the part that is leaf").input_value())
    assert percent == pytest.approx(100 * scene.share, abs=5)
    page.get_by_role("button", name="Save").click()
    page.get_by_text("Entered. Growth: leaf cover").wait_for()
    assert page.url.partition("?")[0].endswith("/tanks/foyer/diary")

    (look,) = looks(site)
    assert look.cover == pytest.approx(percent / 100)
    kept = Pictures(site.folder).read(look.picture) or b""
    small = Image.open(io.BytesIO(kept))
    assert small.size == (480, 360) and not small.getexif() and "exif" not in small.info
    seen = Pictures(site.folder).look(look.picture)
    assert seen is not None
    flat = [v for corner in leafscenes.FRAME for v in corner]
    assert seen.frame == pytest.approx(flat, abs=0.02) and seen.mark == pytest.approx(leafscenes.CARD, abs=0.02)

    # Nothing that was sent holds the phone's own file, its maker or a place; nothing went elsewhere.
    posted = [(url, body) for method, url, body in page.asked if method == "POST"]
    own = file.read_bytes()
    for url, body in posted:
        assert url.startswith(f"http://127.0.0.1:{site.port}/") and len(body) < 130_000
        for value in urllib.parse.parse_qs(body.decode()).get("jpeg", []):
            data = base64.urlsafe_b64decode(value + "=" * (-len(value) % 4))
            assert data == kept and b"Exif" not in data and b"a phone" not in data and own[200:260] not in data
        assert b"Exif" not in body and b"a phone" not in body
    assert sum(b"jpeg=_9j" in body for _, body in posted) == 1
    assert all(url.startswith((f"http://127.0.0.1:{site.port}/", "blob:")) for _, url, _ in page.asked)
    assert page.wrong == []

    # The next picture starts from the last one's marks, and the last one lies beside and, wanted, over it.
    choose(page, file)
    assert page.get_by_label("Share of the part that is leaf").input_value() == f"{percent:g}"
    assert page.locator(".before img").evaluate("e => e.naturalWidth") == 480
    page.get_by_label("Lay the last picture over it").fill("40")
    assert page.locator("#diary-pale").evaluate("e => getComputedStyle(e).opacity") == "0.4"
    page.locator(".knob").first.focus()
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Shift+ArrowRight")
    assert page.locator("#diary-said").inner_text() != ""
    assert page.wrong == []


def test_without_network_pictures_wait_and_arrive_once(
    browser: Any, site: Site, scene: leafscenes.Scene, tmp_path: Path
) -> None:
    file = tmp_path / "plants.jpg"
    file.write_bytes(scene.jpeg())
    page = opened(browser, site)
    choose(page, file)
    page.context.set_offline(True)
    page.get_by_role("button", name="Save").click()
    page.get_by_text("No network. The entry is kept on this device").wait_for()
    assert page.get_by_role("button", name="Save").is_hidden() and looks(site) == []
    page.context.set_offline(False)
    until(lambda: len(looks(site)) == 1, 20, "the picture, once the network is back")
    page.goto("/tanks/foyer/diary")
    page.wait_for_timeout(500)
    (look,) = looks(site)
    assert Pictures(site.folder).read(look.picture) is not None and len(Pictures(site.folder).held()) == 1
    assert page.evaluate("Object.keys(localStorage).filter(k => k.startsWith('rushlight-kept')).length") == 0


def test_the_camera_in_the_page_lays_the_last_picture_over_it(browser: Any, site: Site) -> None:
    """The browser's own test camera on 127.0.0.1, which counts as secure; only this page may ask for it."""
    send(site.client(), picture(1))
    page = opened(browser, site, permissions=["camera"])
    page.goto("/tanks/foyer/picture")
    page.get_by_role("button", name="Camera in this page").click()
    page.get_by_text("Bring the view over the pale picture").wait_for()
    assert page.locator("#diary-live img").evaluate("e => Number(getComputedStyle(e).opacity)") < 0.5
    page.get_by_role("button", name="Take it").click()
    page.locator("#diary-said", has_text="of the part in the frame is leaf").wait_for()
    assert page.locator("#diary-live").is_hidden()
    assert page.locator("#diary-video").evaluate("v => v.srcObject") is None, "the camera is let go"
    assert page.wrong == []
    for path, may in (("/tanks/foyer/picture", True), ("/", False), ("/tanks/foyer/diary", False)):
        headers = page.request.get(path).headers
        assert ("camera=(self)" in headers["permissions-policy"]) is may
        assert "blob:" not in headers["content-security-policy"] and "unsafe" not in headers["content-security-policy"]


def test_then_and_now_lie_under_a_slider(browser: Any, site: Site) -> None:
    for n, month in enumerate((3, 4, 5)):
        send(site.client(), picture(n, size=(640, 480)), cover=str(20 + n), done_at=f"2026-0{month}-10T12:00")
    page = opened(browser, site)
    page.goto("/tanks/foyer/diary?span=365")
    page.get_by_label("Then on the left, now on the right").fill("25")
    assert "25%" in page.locator("#slide-now").evaluate("e => e.style.clipPath")
    assert page.locator("#pair img").evaluate_all("l => l.every(i => i.naturalWidth === 640)")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.wrong == []
    plain = opened(browser, site, java_script_enabled=False)
    plain.goto("/tanks/foyer/diary?span=365")
    assert plain.locator("#pair figure").count() == 2 and plain.locator("#slide").is_hidden()
    assert re.search(r"share that is leaf", plain.content(), re.IGNORECASE)


def test_the_timelines_pictures_come_when_somebody_looks_there(browser: Any, site: Site) -> None:
    month = f"{dt.datetime.fromtimestamp(site.engine.now_s() - 20 * 86400.0, dt.UTC):%Y-%m-%dT12:00}"
    send(site.client(), picture(1, size=(640, 480)), done_at=month)
    page = opened(browser, site)
    page.goto("/tanks/foyer")
    page.wait_for_timeout(700)
    assert not any("/pictures/" in url for _, url, _ in page.asked), "the first view holds no pictures"
    link = page.get_by_role("link", name=re.compile("Picture of the plants"))
    with page.expect_request(re.compile("/pictures/")):  # once it is in view
        page.mouse.wheel(0, 10)
        page.locator(".shots.few").scroll_into_view_if_needed()
    # Moved as the curves are, and there again in the finer picture that comes afterwards.
    before = page.locator(".shots.few a > svg").get_attribute("x")
    with page.expect_response(re.compile("/timeline")):
        page.get_by_role("link", name="Longer stretch").click()
    after = page.locator(".shots.few a > svg")
    after.locator("image[href]").wait_for(state="attached")
    assert after.get_attribute("x") != before
    link.first.focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/diary?then=*")
    assert page.wrong == []


def test_what_is_no_picture_is_said_and_forgetting_forgets(
    browser: Any, site: Site, scene: leafscenes.Scene, tmp_path: Path
) -> None:
    page = opened(browser, site)
    page.goto("/tanks/foyer/picture")
    (tmp_path / "note.jpg").write_bytes(b"no picture at all")
    page.locator("#diary-choose").set_input_files(str(tmp_path / "note.jpg"))
    page.locator("#diary-said", has_text="can't open that kind of picture").wait_for()
    (tmp_path / "p.jpg").write_bytes(scene.jpeg())
    choose(page, tmp_path / "p.jpg")
    page.get_by_role("button", name="Forget the picture").click()
    assert page.locator("#jpeg").input_value() == "" and page.locator("#cover_percent").input_value() == ""
    page.get_by_role("button", name="Save").click()
    page.locator("#fault-cover_percent").wait_for()
    assert looks(site) == []
