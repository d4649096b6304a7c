"""The parser families: each one's target, the words of its language, and where its kept inputs are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from fuzz import devices, page, people

CORPUS = Path(__file__).parent / "corpus"


@dataclass(frozen=True)
class Family:
    """`target` takes bytes and raises AssertionError, or what a parser should not have let out."""

    name: str
    target: Callable[[bytes], None]
    words: tuple[bytes, ...] = ()
    longest: int = 600

    @property
    def kept(self) -> list[Path]:
        """The inputs that are kept, by name."""
        return sorted((CORPUS / self.name).glob("*"))


_JSON = (b"{", b"}", b"[", b"]", b'":', b",", b"null", b"true", b"NaN", b"Infinity", b"1e999", b"1e308", b"\\ud800")
_AT = b'"at":"2026-03-01T11:00:00Z"'
_KINDS = (
    *(b'"kind":"reading"', b'"kind":"test"', b'"kind":"feeding"', b'"kind":"water_change"', b'"kind":"correction"'),
    *(b'"kind":"calibration"', b'"kind":"lamp"', b'"kind":"sighting"', b'"kind":"dose"', b'"kind":"shelve"'),
    *(b'"tank":"foyer"', b'"probe":"foyer-ph"', b'"value":', b'"values":{"nitrate":', b'"grams":', b'"points":'),
    *(b'"kind":"kit_check"', b'"standards":[', b'"picture":{', b'"paper":{', b'"chart":[[0,[1,2,3]]]', b'"dilution":2'),
    *(
        b'"kind":"treatment"',
        b'"kind":"filter"',
        b'"kind":"outage"',
        b'"days":5',
        b'"minutes":600',
        b'"what":"stopped"',
        b'"kind":"growth"',
        b'"new_leaves":3',
        b'"cover":0.4',
        b'"kind":"light_spot"',
        b'"place":"left end"',
    ),
    *(b'"id":"abcd1234"', b'"received_at":', b'"unit":"mg/L"', b'"quality":9', b'"of":', b'"replacement":'),
)
_SENML = (b'"bn":"b/"', b'"bt":1.7e9', b'"bu":"Cel"', b'"bv":1e308', b'"n":"ph"', b'"v":', b'"t":-5', b'"bver":10')
_HTTP = (
    *(b"GET ", b"POST ", b"HEAD ", b" HTTP/1.1\r\n", b"Host: localhost\r\n", b"Origin: http://localhost\r\n"),
    *(
        b"Cookie: rushlight=@session@\r\n",
        b"token=@token@",
        b"Content-Length: @len@\r\n",
        b"Transfer-Encoding: chunked\r\n",
    ),
    *(b"/tanks/foyer", b"/tanks/foyer/feeding", b"/probes/foyer-ph/calibration", b"/login?next=", b"/acknowledge/"),
    *(
        b"/tanks/foyer/picture",
        b"/tanks/foyer/diary?span=84&then=",
        b"/pictures/",
        b".jpg",
        b"jpeg=_9j_",
        b"cover_percent=31",
    ),
    *(b"Content-Type: application/x-www-form-urlencoded\r\n", b"Sec-Fetch-Site: same-origin\r\n", b"\r\n\r\n"),
    *(b"/undo", b"/alarms/shelve", b"/devices/link", b"%e2%82%ac", b"%00", b"id=abcd-1234", b"[::1%25x]"),
)
_FORM = (
    *(b"grams=", b"percent=", b"litres=", b"done_at=", b"2026-03-01T10:00", b"nitrate=", b"what=replaced", b"on=08:00"),
    *(b"fresh_grams=", b"change=-1", b"value_1=7", b"raw_1=", b"temp_1=", b"kept_ms=", b"sent_ms=", b"text=", b"%2B"),
    *(b"&", b"1e400", b"nan", b"%E2%88%92", b"what=algae", b"off=18:00", b"half=yes", b"%3E250", b"plant=", b"1,5"),
)
_TOML = (
    *(b"[site]", b"[[tank]]", b"[[kit]]", b"[[probe]]", b"[tank.lamp]", b"[mqtt]", b"[push]", b"inf", b"nan", b"1e400"),
    *(b'units = "us"', b'litres = "36 gal"', b'low = "70 \xc2\xb0F"'),
    *(b'id = "foyer"', b"litres = 140", b"started = 2025-01-10", b'driver = "lines"', b"pads = {", b"hours = [{"),
    *(b'quantity = "ph"', b"every_seconds = ", b"[limits]", b"sentinels = [", b'"""', b"'''", b"0x", b"12:00:00"),
)
_QUANTITY = (
    *(
        b" gal",
        b"US gal",
        b"imp gal",
        b"L",
        b"\xc2\xb0F",
        b"F",
        b"4 in",
        b'"',
        b"ppm",
        b"dKH",
        b"\xe2\x88\x92",
        b"2,5",
        b"oz",
    ),
)
FAMILIES = {
    f.name: f
    for f in (
        Family("lines", devices.lines_target, (*_JSON, b'"temp":', b"T=", b"pH=", b"*", b"$", b"\r\n", b"B1", b"-127")),
        Family("query", devices.query_target, (b"\r", b"\n", b"1:", b"?", b"*OK", b"EC-7", b"7.02", b"R\r", b"READ 1")),
        Family("modbus", devices.modbus_target, (b"\x07\x03\x02", b"\x07\x03\x04", b"\x07\x83\x02", b"\x7f\xc0"), 40),
        Family("mqtt", devices.mqtt_target, (*_JSON, *_SENML, b'"water":{"temp":', b'"at":')),
        Family("senml", devices.senml_target, (*_JSON, *_SENML)),
        Family(
            "kernel", devices.kernel_target, (b" : crc=", b" YES\n", b" NO\n", b" t=", b"85000", b"|", b"1e308"), 120
        ),
        Family(
            "recording",
            devices.recording_target,
            (b"rushlight-recording 1\n", b"device: a\n", b"date: b\n", b"taken: c\n", b" says ", b" from ", b' "\\n"'),
        ),
        Family("eventline", people.eventline_target, (*_JSON, *_KINDS, _AT)),
        Family(
            "csv", people.csv_target, (b"at,probe,value", b"\r\n", b'"', b"foyer-ph", b"2026-03-01T12:00:00Z", b",")
        ),
        Family(
            "senml_file", people.senml_file_target, (*_JSON, *_SENML, b'"n":"foyer-ph"', b'"n":"foyer-temperature"')
        ),
        Family("config", people.config_target, _TOML, 1500),
        Family("hub", people.hub_target, (*_JSON, *_KINDS, _AT, b'"kind":"acknowledge"', b"delivery_failing:push")),
        Family("control", people.control_target, (*_JSON, *_KINDS, b'"do":"record"', b'"line":{')),
        Family("ticket", people.ticket_target, (b".", b"=", b"-", b"_"), 200),
        Family("form", people.form_target, _FORM),
        Family("quantity", people.quantity_target, _QUANTITY, 60),
        Family(
            "picture",
            people.picture_target,
            (b"\xff\xd8", b"\xff\xe1\x00\x08Exif\0\0", b"\xff\xfe\x00\x04no", b"\xff\xda", b"\xff\xd9", b"\xff\xc2"),
            1500,
        ),
        Family("page", page.page_target, (*_HTTP, *_FORM), 1200),
    )
}
