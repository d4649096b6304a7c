"""The picture diary by its forms: kept once, refused with a place in it, shown, lost without harm, off unless wanted."""

from __future__ import annotations

import dataclasses
import datetime as dt
import http.client
import re
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from helpers.diarypages import exif, letters, picture, saved, send
from helpers.page import Site, page_site, with_pictures
from rushlight import settings
from rushlight.events import Growth
from rushlight.journal.pictures.kept import Pictures, name_of
from rushlight.web.entering.picture import FORM_BYTES


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with page_site(tmp_path, with_pictures()) as made:
        yield made


def looks(site: Site) -> list[Growth]:
    with site.engine.journal.reader() as reader:
        return [e for e in reader.of_kind("growth")[0] if isinstance(e, Growth)]


def test_a_picture_and_its_share_are_kept_once_and_shown(site: Site) -> None:
    client, data = site.client(), picture(1)
    answer = send(client, data, entry_id="picture-of-today")
    assert answer.status == 303 and answer.headers["Location"].startswith("/tanks/foyer/diary?done=picture-of-today")
    assert "again=" in send(client, data, entry_id="picture-of-today").headers["Location"]
    (look,) = looks(site)
    assert look.cover == 0.315 and look.picture == name_of(data)
    assert Pictures(site.folder).read(look.picture) == data
    page = client.get("/tanks/foyer/diary").text
    assert f"/pictures/{look.picture}.jpg" in page and "31.5 %" in page.replace("32 %", "31.5 %")
    # The next one starts from this one: its picture to stand by, and its marks.
    page = client.get("/tanks/foyer/picture").text
    assert f"/pictures/{look.picture}.jpg" in page and "0.5000,0.9000" in page


def test_the_picture_itself_is_for_those_who_are_logged_in(site: Site) -> None:
    client = site.client()
    send(client, picture(1))
    address = f"/pictures/{name_of(picture(1))}.jpg"
    conn = http.client.HTTPConnection("127.0.0.1", site.port, timeout=20)
    conn.request("GET", address, headers={"Cookie": f"rushlight={client.cookies['rushlight']}"})
    got = conn.getresponse()
    assert got.status == 200 and got.read() == picture(1) and got.getheader("Content-Type") == "image/jpeg"
    conn.close()
    assert "immutable" in (got.getheader("Cache-Control") or "") and "private" in (got.getheader("Cache-Control") or "")
    assert site.client(logged_in=False).get(address).status == 303
    for other in ("0" * 64, "%2e%2e%2fpage", "x"):
        assert client.get(f"/pictures/{other}.jpg").status in {400, 404}


def test_a_place_in_a_picture_is_refused_and_nothing_is_kept(site: Site) -> None:
    client = site.client()
    for data in (saved(exif=exif()), picture(1)[:-9], b"\xff\xd8\xff\xd9"):
        answer = send(client, data)
        assert answer.status == 422 and 'id="fault-jpeg"' in answer.text
    client.get("/tanks/foyer/picture")
    assert client.post("/tanks/foyer/picture", {"id": "12345678", "jpeg": "not base64!"}).status == 422
    assert client.post("/tanks/foyer/picture", {"id": "12345678"}).status == 422
    assert looks(site) == [] and Pictures(site.folder).held() == {}


def test_a_lost_or_damaged_picture_costs_its_view_and_nothing_else(site: Site) -> None:
    client = site.client()
    for n in range(3):
        send(client, picture(n), cover=str(30 + n), done_at=f"2026-0{n + 1}-10T12:00")
    names = [e.picture for e in looks(site)]
    folder = Pictures(site.folder).folder
    (folder / f"{names[0]}.jpg").unlink()
    (folder / f"{names[2]}.jpg").write_bytes(b"torn")
    assert client.get(f"/pictures/{names[2]}.jpg").status == 404
    for path in ("/", "/tanks/foyer", "/tanks/foyer/entries", "/tanks/foyer/diary?span=365", "/tanks/foyer/picture"):
        assert client.get(path).status == 200, path
    assert [e.cover for e in looks(site)] == [0.3, 0.31, 0.32]


def test_where_no_room_is_left_the_share_is_kept_and_it_is_said(tmp_path: Path) -> None:
    small = dataclasses.replace(with_pictures(), pictures=settings.Pictures(keep=True, megabytes=1))
    with page_site(tmp_path, small) as site:
        big = Pictures(site.folder).folder
        big.mkdir()
        (big / f"{'0' * 64}.jpg").write_bytes(bytes(999_000))
        answer = send(site.client(), picture(1))
        assert answer.headers["Location"].endswith("&picture=lost")
        assert "the picture was not" in site.client().get(answer.headers["Location"]).text
        assert looks(site)[0].cover == 0.315


def test_off_the_share_is_kept_and_no_picture(tmp_path: Path) -> None:
    with page_site(tmp_path) as site:
        client = site.client()
        assert 'data-keep="no"' in client.get("/tanks/foyer/picture").text
        assert send(client, picture(1)).status == 303
        (look,) = looks(site)
        assert look.picture == "" and look.cover == 0.315
        assert not (site.folder / "pictures").exists()
        assert client.get(f"/pictures/{name_of(picture(1))}.jpg").status == 404
        assert "[pictures] keep" in client.get("/tanks/foyer/diary").text


def test_then_and_now_are_four_weeks_twelve_weeks_and_a_year_apart(site: Site) -> None:
    client, now = site.client(), dt.datetime.fromtimestamp(site.engine.now_s(), dt.UTC)
    for n, days in enumerate((300, 90, 80, 27, 2)):
        send(client, picture(n), cover=str(10 + n), done_at=f"{now - dt.timedelta(days=days):%Y-%m-%dT%H:%M}")
    names = {e.cover: e.picture for e in looks(site)}
    for span, cover in (("28", 0.13), ("84", 0.11), ("365", 0.10)):
        page = client.get(f"/tanks/foyer/diary?span={span}").text
        shown = re.findall(r'<img src="/pictures/([0-9a-f]+)\.jpg"', page)
        assert shown == [names[cover], names[0.14]], span
        assert f"{100 * cover:.0f} % then, 14 % now" in page
    page = client.get(f"/tanks/foyer/diary?span=365&then={names[0.12]}").text
    assert f'<img src="/pictures/{names[0.12]}.jpg"' in page
    assert page.count("<image ") == 2, "the row over the curves: one for those that would lie on each other"


def test_only_this_form_may_be_large(site: Site) -> None:
    client = site.client()
    client.get("/tanks/foyer/feeding")
    assert client.post("/tanks/foyer/feeding", {"id": "12345678", "grams": "1", "note": "x" * 70_000}).status == 413
    client.get("/tanks/foyer/picture")
    assert client.post("/tanks/foyer/picture", {"id": "12345678", "jpeg": "x" * FORM_BYTES}).status == 413
    large = picture(5, size=(640, 480), quality=84)
    assert 60_000 < len(large) < 90_000 and len(letters(large)) > 64 * 1024
    assert send(client, large).status == 303


def test_two_at_once_are_one(site: Site) -> None:
    clients = [site.client() for _ in range(6)]
    threads = [threading.Thread(target=lambda c=c: send(c, picture(1), entry_id="the-very-same")) for c in clients]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(looks(site)) == 1 and len(Pictures(site.folder).held()) == 1


def test_a_look_is_asked_for_beside_a_test_and_nowhere_else(site: Site) -> None:
    client = site.client()
    assert 'class="asked"' not in client.get("/tanks/foyer/test").text, "nobody has ever looked"
    site.engine.submit(Growth(at_s=site.engine.now_s() - 14 * 86_400, id="look", tank="foyer", new_leaves=4))
    assert "14 days ago" in client.get("/tanks/foyer/test").text
    for path in ("/", "/tanks/foyer", "/tanks/foyer/diary"):
        assert "14 days ago: with the test" not in client.get(path).text, "no screen nags"
    view = site.engine.view()
    assert view.alarms == () and all("growth" not in a.alarm for a in view.tanks[0].alarms)


def test_the_timeline_has_a_frame_for_each_picture_of_its_stretch(site: Site) -> None:
    """On the curves' axis, with words, and no picture before somebody looks: the first view fetches none."""
    now = dt.datetime.fromtimestamp(site.engine.now_s(), dt.UTC)
    client = site.client()
    for n, days in enumerate((200, 60, 30, 2)):
        send(client, picture(n), done_at=f"{now - dt.timedelta(days=days):%Y-%m-%dT12:00}")
    newest, gone = name_of(picture(3)), name_of(picture(2))
    (many, few) = re.findall(r'<svg class="signs shots.*?</a></svg>', client.get("/tanks/foyer?stretch=quarter").text)
    assert "few" in few and "many" in many and "Pictures: 3 of 3 shown" in few
    part = [float(x) for x in re.findall(r'<svg x="([\d.]+)%"', few)]
    length = 91.0 + 0.15 * 91.0
    assert part == pytest.approx([100 * (91 - d) / length for d in (60, 30, 2)], abs=1.5)
    assert f'href="/tanks/foyer/diary?then={newest}"' in few and "Picture of the plants, " in few
    assert f'data-src="/pictures/{newest}.jpg"' in few and 'href="/pictures' not in few
    assert client.get(f"/tanks/foyer/diary?then={newest}").status == 200

    # A lost file costs its frame; where frames would lie on each other, the newest stands.
    Pictures(site.folder).drop(gone)
    for n in range(4, 9):
        send(client, picture(n), done_at=f"{now - dt.timedelta(days=1, hours=n):%Y-%m-%dT%H:%M}")
    row = re.search(r'<svg class="signs shots few.*?</a></svg>', client.get("/tanks/foyer").text)
    assert row is not None and gone not in row[0] and row[0].count("<a ") == 2
    assert "shots" not in client.get("/tanks/foyer?stretch=own&from=2020-01-01&to=2020-02-01").text
