"""A strip read from a picture in the real browser: chosen, framed by dragging, read, saved; and it never leaves the phone."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from helpers import strippage
from helpers import strippictures as strips
from helpers.browser import CHROMIUM, chromium
from helpers.page import PASSPHRASE, Site, page_site
from helpers.site import CONFIG, config_of
from rushlight.events import KitCheck, Test
from rushlight.web.entering.strip_forms import IN_THE_PAGE

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(not CHROMIUM.exists(), reason="chromium-headless-shell is not installed"),
]
SCALE = 3
TWO_PADS = re.sub(
    r"pads = \{.*\}", "pads = { nitrate = [0, 10, 25, 50, 100, 250], ph = [6.0, 6.5, 7.0, 7.5, 8.0, 8.5] }", CONFIG
)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with page_site(tmp_path, config_of(TWO_PADS)) as made:
        yield made


@pytest.fixture(scope="module")
def shot() -> strips.Shot:
    rng = np.random.default_rng(21)
    phone = strips.Phone(camera=strips.CAMERAS[0], light="D65", exposure=0.7, shading=(0.1, 0.05))
    sheet = strips.Sheet.laid({"nitrate": 40.0, "ph": 7.2}, rng)
    return strips.shoot(sheet, phone, rng, scale=SCALE)


def filmed(shot: strips.Shot) -> bytes:
    """A still picture as a film without compression: luma 16 to 235, chroma halved both ways (ITU-R BT.601)."""
    width, height = shot.image.size
    full = np.asarray(shot.image.convert("YCbCr"), dtype=float)
    luma = 16.0 + full[..., 0] * 219.0 / 255.0
    chroma = 128.0 + (full[..., 1:] - 128.0) * 224.0 / 255.0
    chroma = chroma.reshape(height // 2, 2, width // 2, 2, 2).mean(axis=(1, 3))
    planes = (luma, chroma[..., 0], chroma[..., 1])
    frame = b"FRAME\n" + b"".join(np.round(p).astype(np.uint8).tobytes() for p in planes)
    return f"YUV4MPEG2 W{width} H{height} F25:1 Ip A1:1 C420jpeg\n".encode() + frame * 2


@pytest.fixture(scope="module")
def browser(shot: strips.Shot, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Its test camera looks at the rendered strip."""
    film = tmp_path_factory.mktemp("film") / "strip.y4m"
    film.write_bytes(filmed(shot))
    switches = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
    with chromium(*switches, f"--use-file-for-fake-video-capture={film}") as made:
        yield made


def opened(browser: Any, site: Site, **options: Any) -> Any:
    """A phone's page, logged in, that keeps every request and its body."""
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, base_url=f"http://127.0.0.1:{site.port}", **options
    )
    context.set_default_timeout(8000)
    page = context.new_page()
    page.asked = []
    page.on("request", lambda r: page.asked.append((r.method, r.url, r.post_data_buffer or b"")))
    page.wrong = []
    page.on("console", lambda m: page.wrong.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: page.wrong.append(str(e)))
    page.goto("/")
    page.get_by_label("Passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Log in").click()
    page.get_by_role("heading", name="Foyer").wait_for()
    return page


def entered(site: Site) -> list[Test]:
    with site.engine.journal.reader() as reader:
        return [s.event for s in reader.entries() if isinstance(s.event, Test)]


@pytest.mark.slow
def test_a_picture_is_chosen_framed_read_and_saved_and_never_leaves_the_phone(
    browser: Any, site: Site, shot: strips.Shot, tmp_path: Path
) -> None:
    file = tmp_path / "strip.jpg"
    file.write_bytes(shot.jpeg())
    page = opened(browser, site)
    page.goto("/tanks/foyer/test")
    began = time.monotonic()
    strippage.choose(page, file)
    strippage.drag(page, strippage.corners(shot, SCALE, 6))
    page.locator("#strip-said", has_text="Colours of Nitrate, pH taken").wait_for()
    sent = json.loads(page.locator("#picture").input_value())
    page.get_by_role("button", name="Save the test").click()
    page.get_by_text("Entered. Strip test: picture of Nitrate, pH").wait_for()
    assert time.monotonic() - began < 25.0

    # What the page read is what the same spots hold when read apart.
    own = strips.record_of(shot)
    for name in ("nitrate", "ph"):
        assert sent[name]["strip"] == pytest.approx(own[name]["strip"], abs=2.0)
        for (_, ours), (_, theirs) in zip(own[name]["chart"], sent[name]["chart"], strict=True):
            assert theirs == pytest.approx(ours, abs=4.0)
    (kept,) = entered(site)
    assert kept.values == {}
    assert kept.device
    assert kept.picture is not None
    said = page.get_by_role("status").filter(has_text="Entered").inner_text()
    figure = re.search(r"Nitrate ([\d.]+) \(([\d.]+) to ([\d.]+)\)", said)
    assert figure, said
    mean, low, high = map(float, figure.groups())
    assert low < 40.0 < high
    assert mean == pytest.approx(40.0, rel=0.35)

    # No request but to the daemon, and none with a picture in it: the whole of what was posted is small text.
    for method, url, body in page.asked:
        assert url.startswith((f"http://127.0.0.1:{site.port}/", "blob:"))
        if method == "POST":
            assert len(body) < 8000
            assert b"\xff\xd8\xff" not in body and b"image" not in body and b"%FF%D8" not in body
    assert page.wrong == []
    answer = page.request.get("/tanks/foyer/test")
    assert "blob:" not in answer.headers["content-security-policy"]


@pytest.mark.slow
def test_the_camera_in_the_page_is_read_as_a_picture_is_and_let_go(
    browser: Any, site: Site, shot: strips.Shot, tmp_path: Path
) -> None:
    """The browser's test camera looks at the rendered strip; what it shows counts as another device than the phone."""
    page = opened(browser, site, permissions=["camera"])
    page.goto("/tanks/foyer/test")
    page.locator("#strip > summary").click()
    page.get_by_role("button", name="Camera in this page").click()
    page.locator("#strip-said", has_text="Bring the strip into the left frame").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert len(page.locator("#strip-guide polygon").first.get_attribute("points").split()) == 4
    page.get_by_role("button", name="Take it").click()
    page.locator("#strip-stage").wait_for()
    assert page.locator("#strip-live").is_hidden()
    assert page.locator("#strip-video").evaluate("v => v.srcObject") is None, "the camera is let go"
    strippage.drag(page, strippage.corners(shot, SCALE, 6))
    sent, own = json.loads(page.locator("#picture").input_value()), strips.record_of(shot)
    for name in ("nitrate", "ph"):
        assert sent[name]["strip"] == pytest.approx(own[name]["strip"], abs=6.0)
    page.get_by_role("button", name="Save the test").click()
    page.get_by_text("Entered. Strip test: picture of Nitrate, pH").wait_for()
    (kept,) = entered(site)
    assert kept.picture is not None and kept.device.endswith(IN_THE_PAGE)
    for method, url, body in page.asked:
        assert url.startswith((f"http://127.0.0.1:{site.port}/", "blob:"))
        assert method != "POST" or (len(body) < 8000 and b"\xff\xd8\xff" not in body and b"%FF%D8" not in body)
    assert page.wrong == []

    # A photograph of the same phone is of the phone again.
    page.goto("/tanks/foyer/test")
    (tmp_path / "strip.jpg").write_bytes(shot.jpeg())
    page.locator("#strip > summary").click()
    page.get_by_role("button", name="Camera in this page").click()
    page.get_by_role("button", name="Close the camera").click()
    assert page.locator("#strip-video").evaluate("v => v.srcObject") is None
    strippage.choose(page, tmp_path / "strip.jpg")
    assert page.locator("#camera").input_value() == ""


@pytest.mark.slow
def test_only_pages_that_read_strips_may_ask_for_the_camera(browser: Any, site: Site) -> None:
    """And a camera that is not to be had, refused or on a connection without TLS, leaves the file's way."""
    page = opened(browser, site)
    for path, may in (("test", True), ("kit-check", True), ("feeding", False), ("", False)):
        policy = page.request.get(f"/tanks/foyer/{path}" if path else "/").headers["permissions-policy"]
        assert ("camera=(self)" in policy, "camera=()" in policy) == (may, not may), path
    page.goto("/tanks/foyer/test")
    page.evaluate("() => { navigator.mediaDevices.getUserMedia = () => Promise.reject(new Error('refused')); }")
    page.locator("#strip > summary").click()
    page.get_by_role("button", name="Camera in this page").click()
    page.locator("#strip-said", has_text="take or choose a picture instead").wait_for()
    assert page.locator("#strip-live").is_hidden()
    page.add_init_script("Object.defineProperty(window, 'isSecureContext', { value: false })")
    page.goto("/tanks/foyer/test")
    page.locator("#strip > summary").click()
    page.get_by_text("Choose a picture").wait_for()
    assert page.get_by_role("button", name="Camera in this page").is_hidden()
    assert page.wrong == []


@pytest.mark.slow
def test_the_frame_is_remembered_and_the_same_file_chosen_again_is_news(
    browser: Any, site: Site, shot: strips.Shot, tmp_path: Path
) -> None:
    file = tmp_path / "strip.jpg"
    file.write_bytes(shot.jpeg())
    page = opened(browser, site)
    page.goto("/tanks/foyer/test")
    strippage.choose(page, file)
    strippage.drag(page, strippage.corners(shot, SCALE, 6))
    first = page.locator("#picture").input_value()
    page.get_by_role("button", name="Forget the picture").click()
    assert page.locator("#picture").input_value() == ""
    strippage.choose(page, file)  # the frame lies where it lay, and snaps
    again = json.loads(page.locator("#picture").input_value())
    assert again["nitrate"]["strip"] == pytest.approx(json.loads(first)["nitrate"]["strip"], abs=3.0)
    # By keyboard too: an arrow key moves a corner, and the colours are read anew.
    before = json.loads(page.evaluate(f"localStorage.getItem('{strippage.FRAME}')"))["frames"]
    page.locator(".knob").first.focus()
    page.keyboard.press("Shift+ArrowLeft")
    after = json.loads(page.evaluate(f"localStorage.getItem('{strippage.FRAME}')"))["frames"]
    assert after[0][0][0] < before[0][0][0]
    # And by single taps: the corner, then its place.
    page.locator(".knob").first.click()
    assert page.locator(".knob").first.get_attribute("aria-pressed") == "true"
    page.locator("#strip-view").click(position={"x": 30, "y": 30})
    assert page.locator(".knob").first.get_attribute("aria-pressed") == "false"
    assert page.wrong == []


@pytest.mark.slow
def test_bright_uneven_and_unreadable_pictures_are_named(browser: Any, site: Site, tmp_path: Path) -> None:
    page = opened(browser, site)
    page.goto("/tanks/foyer/test")
    (tmp_path / "note.jpg").write_bytes(b"no picture at all")
    page.locator("#strip > summary").click()
    page.locator("#strip-choose").set_input_files(str(tmp_path / "note.jpg"))
    page.locator("#strip-said", has_text="can't open that kind of picture").wait_for()
    rng = np.random.default_rng(3)
    for name, phone, words in (
        ("bright", strips.Phone(camera=strips.CAMERAS[0], light="D65", exposure=1.3), "too bright"),
        (
            "shade",
            strips.Phone(camera=strips.CAMERAS[0], light="D65", exposure=0.5, shading=(0.9, 0.0)),
            "uneven light",
        ),
    ):
        made = strips.shoot(strips.Sheet.laid({"nitrate": 40.0, "ph": 7.2}, rng), phone, rng, scale=SCALE)
        (tmp_path / f"{name}.jpg").write_bytes(made.jpeg())
        strippage.choose(page, tmp_path / f"{name}.jpg")
        strippage.drag(page, strippage.corners(made, SCALE, 6))
        page.locator("#strip-said", has_text=words).wait_for()


@pytest.mark.slow
def test_a_picture_that_the_phone_took_on_its_side_is_read_upright(
    browser: Any, site: Site, shot: strips.Shot, tmp_path: Path
) -> None:
    """Exif's orientation 6 (CIPA DC-008): what is stored is turned a quarter, and to be shown turned back."""
    from PIL import Image

    turned, exif = shot.image.transpose(Image.Transpose.ROTATE_90), Image.Exif()
    exif[0x0112] = 6
    turned.save(tmp_path / "side.jpg", "JPEG", quality=95, exif=exif)
    page = opened(browser, site)
    page.goto("/tanks/foyer/test")
    strippage.choose(page, tmp_path / "side.jpg")
    strippage.drag(page, strippage.corners(shot, SCALE, 6))
    sent, own = json.loads(page.locator("#picture").input_value()), strips.record_of(shot)
    assert sent["nitrate"]["strip"] == pytest.approx(own["nitrate"]["strip"], abs=2.0)
    assert sent["ph"]["chart"][5][1] == pytest.approx(own["ph"]["chart"][5][1], abs=4.0)


@pytest.mark.slow
def test_between_two_pads_and_a_thinned_sample_can_be_tapped(browser: Any, site: Site) -> None:
    """The pads 25 and 50 meet at about 36.4; one part of tank water and one of 5 mg/L make that 2 · 36.4 − 5."""
    page = opened(browser, site, java_script_enabled=False)
    page.goto("/tanks/foyer/test")
    page.get_by_role("radio", name="between 25 and 50").check()
    page.get_by_text("Sample thinned with other water?").click()
    page.get_by_role("radio", name="1 + 1").check()
    page.get_by_role("button", name="Save the test").click()
    page.get_by_text("thinned to one part in 2").wait_for()
    (kept,) = entered(site)
    assert kept.values == {"nitrate": 36.4}
    assert (kept.dilution, kept.dilution_source) == (2.0, {"nitrate": 5.0})
    view = site.engine.view().tanks[0]
    assert view.nitrate is not None
    assert view.last_test["nitrate"] == pytest.approx(67.0, rel=0.05)


@pytest.mark.slow
def test_the_clock_counts_the_kits_reading_time(browser: Any, site: Site) -> None:
    page = opened(browser, site)
    page.goto("/tanks/foyer/test")
    page.locator("#strip > summary").click()
    page.get_by_label("Reading time").fill("1")
    page.get_by_role("button", name="Dipped: start the clock").click()
    page.locator("#strip-said", has_text="Time: take the picture now").wait_for()
    assert page.locator("#strip-clock").inner_text() == "0:00"


def checks_in(site: Site) -> list[KitCheck]:
    with site.engine.journal.reader() as reader:
        return [s.event for s in reader.entries() if isinstance(s.event, KitCheck)]


@pytest.mark.slow
def test_a_known_solution_is_worked_out_and_what_the_kit_reads_in_it_is_saved(browser: Any, site: Site) -> None:
    """0.5 g of potassium nitrate in 5 L with tap water of 8 mg/L: 69.3, and halved 38.7, 23.3, 15.7 mg/L (stoichiometry)."""
    page = opened(browser, site, java_script_enabled=False)
    page.goto("/tanks/foyer/test")
    page.get_by_role("link", name="Check this kit in a known solution").click()
    page.get_by_label("Nitrate of the water itself").fill("8")
    page.get_by_role("button", name="Work it out").click()
    shown = page.get_by_role("region", name="Solutions").get_by_role("cell").all_inner_texts()
    assert shown[0::2][:4] == ["69.3", "38.7", "23.3", "15.7"]
    for held, pad in (("69.3", "25"), ("38.7", "10"), ("100", "50")):
        page.get_by_label("What the water held").fill(held)
        page.get_by_role("group", name=re.compile("Nitrate, as read")).get_by_role(
            "radio", name=pad, exact=True
        ).check()
        page.get_by_label("Lot number").fill("lot 7")
        page.get_by_role("button", name="Save this solution").click()
        page.get_by_text("go on with the next solution").wait_for()
    assert [(c.kit, c.pack, c.standards[0].value, c.standards[0].read) for c in checks_in(site)][::-1] == [
        ("strip", "lot 7", 69.3, 25.0),
        ("strip", "lot 7", 38.7, 10.0),
        ("strip", "lot 7", 100.0, 50.0),
    ]
    assert page.get_by_text(re.compile(r"reads \d+\s% low by 3 known solutions")).is_visible()


@pytest.mark.slow
def test_a_half_filled_check_is_refused_beside_the_field(browser: Any, site: Site) -> None:
    page = opened(browser, site, java_script_enabled=False)
    page.goto("/tanks/foyer/kit-check")
    page.get_by_label("What the water held").fill("50")
    page.get_by_role("button", name="Save this solution").click()
    page.locator("#fault-nitrate", has_text="what did the kit read").wait_for()
    assert checks_in(site) == []
