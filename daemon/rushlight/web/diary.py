"""The picture diary: taking a picture, then and now, and the pictures over the curves of light and nitrate.

Measures nothing: the share that is leaf was measured on the phone and is shown as it was entered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from rushlight.drawing import PAGE, album
from rushlight.events import Growth
from rushlight.journal.pictures import pairs
from rushlight.journal.pictures.kept import Pictures
from rushlight.localtime import DAY_S
from rushlight.settings import Tank
from rushlight.web import formats, screens
from rushlight.web.entering import entries, picture, writing
from rushlight.web.entering.fields import FieldError
from rushlight.web.serving.guard import CAMERA_HERE
from rushlight.web.serving.page_request import PageRequest
from rushlight.web.serving.wsgi import HttpError, Response

SPANS = {"28": "Four weeks", "84": "Twelve weeks", "365": "A year"}
MARGIN_DAYS = 4
"""A picture that was taken a few days before the stretch begins belongs to it."""


@dataclass(frozen=True, slots=True)
class View:
    """One picture to be looked at: '' for the address where its file is gone."""

    at_s: float
    name: str
    address: str
    cover: float | None


def screen(asked: PageRequest, tank_id: str) -> Response:
    """Then and now, and the pictures in a row."""
    tank, now_s = asked.tank(tank_id), asked.daemon.now_s()
    with asked.daemon.reader() as reader:
        stand, _ = reader.of_kind("growth", tank_id)
        days = reader.days(tank_id, formats.date(now_s - 366 * DAY_S, asked.zone))
    views = [_view(e, asked.daemon.pictures()) for e in stand if isinstance(e, Growth) and e.picture]
    chosen = asked.request.query.get("span", "84")
    span_days = int(chosen) if chosen in SPANS else 84
    now, then = _pair(views, span_days, asked.request.query.get("then", ""))
    span = (now_s - (span_days + MARGIN_DAYS) * DAY_S, now_s)
    held = [(d.at_s, n.mean, n.low, n.high) for d in days if (n := d.nitrate) is not None]
    shots = [_shot(tank, v, chosen, asked) for v in views if v.address]
    zone, unit = asked.zone, asked.units.word("mg/L as NO3")
    return asked.page(
        "diary.html",
        f"Picture diary, {tank.title}",
        tank=tank,
        kept=asked.config.pictures.keep,
        now=now,
        then=then,
        change=_change(then, now),
        spans=SPANS,
        span=str(span_days),
        strip=album.strip(shots, span, zone=zone, palette=PAGE) if shots else "",
        curves=[
            svg
            for svg in (
                album.light([(d.at_s, d.light_dose_mol) for d in days], span, zone=zone, palette=PAGE),
                album.nitrate(held, span, tank.limits.nitrate, zone=zone, palette=PAGE, unit=unit),
            )
            if svg
        ],
        rows=[v for v in reversed(views) if v.at_s >= span[0]],
        growth=asked.tank_view(tank_id).growth_sentences,
        notice=screens.notice(asked),
        lost=asked.request.query.get("picture", ""),
    )


def _view(event: Growth, pictures: Pictures | None) -> View:
    there = pictures is not None and pictures.has(event.picture)
    return View(event.at_s, event.picture, f"/pictures/{event.picture}.jpg" if there else "", event.cover)


def _pair(views: Sequence[View], span_days: int, named: str) -> tuple[View | None, View | None]:
    """The newest picture that can be shown, and the one to compare it with: as named, else nearest to the start."""
    shown = [v for v in views if v.address]
    found = pairs.then_and_now([v.at_s for v in shown], span_days * DAY_S)
    if found is None:
        return None, None
    then, now = found
    by_name = next((v for v in shown[:now] if v.name == named), None)
    return shown[now], by_name or (None if then is None else shown[then])


def _change(then: View | None, now: View | None) -> str:
    if then is None or now is None or then.cover is None or now.cover is None:
        return ""
    return f"Share of the marked part that is leaf: {100 * then.cover:.0f} % then, {100 * now.cover:.0f} % now."


def _shot(tank: Tank, view: View, span: str, asked: PageRequest) -> album.Shot:
    day = formats.day(view.at_s, asked.daemon.now_s(), asked.zone)
    link = f"/tanks/{tank.id}/diary?span={span if span in SPANS else '84'}&then={view.name}"
    return album.Shot(view.at_s, view.address, link, f"Compare with the picture of {day}")


def image(asked: PageRequest, name: str) -> Response:
    """One picture's bytes; a name is its content's, so that a browser may keep it for good."""
    pictures = asked.daemon.pictures()
    data = pictures.read(name) if pictures is not None else None
    if data is None:
        raise HttpError(HTTPStatus.NOT_FOUND, "There is no such picture.")
    keep = ("Cache-Control", "private, max-age=31536000, immutable")
    return Response(data, kind="image/jpeg", headers=[keep])


# ---------------------------------------------------------------------- taking one


def take(asked: PageRequest, tank_id: str) -> Response:
    """The form for a picture, and what it sends."""
    tank, form = asked.tank(tank_id), asked.request.form
    if asked.request.method != "POST":
        return _take_page(asked, tank, {}, {})
    try:
        data = picture.content(form) if asked.daemon.pictures() is not None else b""
        entry_id = writing.form_id(asked)
        record = entries.record(
            "growth", picture.body(form, data), tank=tank.id, entry_id=entry_id, at=writing.at_of(asked)
        )
        event = writing.checked(asked, record)
        kept = picture.keep(asked.daemon.pictures(), data)
        stored = writing.store(asked, event, f"/tanks/{tank.id}/diary")
    except FieldError as e:
        return _take_page(asked, tank, form, {e.name: e.what}, entry_id=writing.form_id(asked))
    if stored is None:
        return _take_page(asked, tank, form, {"": writing.SENT_BEFORE})
    if not kept:
        stored.headers = [(k, f"{v}&picture=lost" if k == "Location" else v) for k, v in stored.headers]
    return stored


def _take_page(
    asked: PageRequest, tank: Tank, form: Mapping[str, str], faults: Mapping[str, str], *, entry_id: str = ""
) -> Response:
    pictures = asked.daemon.pictures()
    values: dict[str, Any] = {"last": None, "marked": ""}
    if pictures is not None:
        with asked.daemon.reader() as reader:
            stand, _ = reader.of_kind("growth", tank.id)
        views = [_view(e, pictures) for e in stand if isinstance(e, Growth) and e.picture]
        last = next((v for v in reversed(views) if v.address), None)
        seen = pictures.look(last.name) if last is not None else None
        if last is not None and seen is not None:
            values = {"last": last, "marked": ",".join(f"{n:.4f}" for n in (*seen.frame, *seen.mark))}
    response = asked.page(
        "picture.html",
        f"Picture, {tank.title}",
        status=HTTPStatus.UNPROCESSABLE_ENTITY if faults else HTTPStatus.OK,
        tank=tank,
        kept=pictures is not None,
        form=form,
        faults=faults,
        entry_id=entry_id or writing.new_id(),
        now_local=writing.local_of(asked),
        **values,
    )
    response.headers.append(CAMERA_HERE)
    return response
