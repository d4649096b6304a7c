"""The weekly summary's two pictures of the plants: inline, described, with one sentence; and none where none are kept."""

from __future__ import annotations

import dataclasses
import email
import email.policy
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from helpers.diarypages import picture
from helpers.page import Site, page_site, with_pictures
from rushlight import settings
from rushlight.effects import Message
from rushlight.events import Growth
from rushlight.journal.pictures.kept import Pictures
from rushlight.outlets.email import compose
from rushlight.outlets.result import Parcel
from rushlight.service.feeds import Weekly

DAY_S = 86_400.0


def entered(site: Site, days: tuple[float, ...]) -> list[bytes]:
    """Pictures so many days ago, of 20 %, 21 % and so on."""
    made = []
    for n, ago in enumerate(days):
        made.append(picture(n))
        name = Pictures(site.folder).keep(made[-1])
        at_s = site.engine.now_s() - ago * DAY_S
        site.engine.submit(Growth(at_s=at_s, id=f"p{n}", tank="foyer", cover=0.2 + n / 100, picture=name))
    return made


def mailed(site: Site, config: settings.Config) -> Any:
    """The summary as a mail program gets it."""
    sent: list[Message] = []
    telling = cast("Any", SimpleNamespace(send=sent.append))
    Weekly(config, site.engine, telling).send()
    parcel = Parcel(key=sent[0].key, priority="low", title=sent[0].title, body=sent[0].body)
    made = compose(parcel, "pi@example.org", ["keeper@example.org"], site.engine.now_s())
    return email.message_from_bytes(made.as_bytes(), policy=email.policy.default)


class Images(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[dict[str, str | None]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "img":
            self.found.append(dict(attrs))


def jpegs(mail: Any) -> dict[str, bytes]:
    return {
        part["Content-ID"].strip("<>"): part.get_content()
        for part in mail.walk()
        if part.get_content_type() == "image/jpeg" and part.get_content_disposition() == "inline"
    }


@pytest.fixture
def site(tmp_path: Path) -> Any:
    with page_site(tmp_path, with_pictures()) as made:
        yield made


def test_then_and_now_are_in_the_letter_with_their_words_and_one_sentence(site: Site) -> None:
    made = entered(site, (120, 60, 29, 15, 1))
    mail = mailed(site, with_pictures())
    assert jpegs(mail) == {"then-foyer": made[2], "now-foyer": made[4]}
    text, html = (mail.get_body((kind,)).get_content() for kind in ("plain", "html"))
    flat = " ".join(text.split())
    assert flat.count("of the marked part was leaf, now 24 %") == 1 and "22 % of" in flat
    assert html.count("22 % of the marked part was leaf, now 24 %") == 1
    shown = Images()
    shown.feed(html)
    alts = {i["src"]: i["alt"] for i in shown.found}
    assert "the plants on" in (alts["cid:then-foyer"] or "") and "the plants on" in (alts["cid:now-foyer"] or "")
    page = Weekly(with_pictures(), site.engine, cast("Any", None)).text("html")
    assert page.count("data:image/jpeg;base64,") == 2


@pytest.mark.parametrize("days", [(), (1,), (120, 40), (3, 1)])
def test_nothing_new_or_nothing_to_compare_is_no_news(site: Site, days: tuple[float, ...]) -> None:
    entered(site, days)
    mail = mailed(site, with_pictures())
    assert jpegs(mail) == {} and "marked part" not in mail.as_string()


def test_a_damaged_picture_costs_its_view_alone(site: Site) -> None:
    entered(site, (29, 1))
    for file in Pictures(site.folder).folder.iterdir():
        file.write_bytes(b"torn")
    assert jpegs(mailed(site, with_pictures())) == {}


def test_off_there_are_none(site: Site) -> None:
    entered(site, (29, 1))
    for unwanted in (settings.Pictures(), settings.Pictures(keep=True, in_summary=False)):
        assert jpegs(mailed(site, dataclasses.replace(with_pictures(), pictures=unwanted))) == {}
