"""What fuzzing and the review beside it found, one test each, by what went wrong."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from fuzz import people
from helpers.site import CONFIG, config_of
from rushlight import cli, eventlines, exchange
from rushlight.config import loading as config
from rushlight.config.loading import ConfigError
from rushlight.eventlines import LineError
from rushlight.outlets.hub.commands import Drafts
from rushlight.science.measuring import units
from rushlight.settings import Kit
from rushlight.web.entering import entries, fields
from rushlight.web.entering.fields import FieldError
from rushlight.web.serving import wsgi
from rushlight.web.serving.guard import Guard
from rushlight.web.serving.wsgi import Request
from rushlight_drivers import iio, lines, mqtt, query
from rushlight_drivers.contract import Channel
from rushlight_drivers.formats import jsonpointer, senml

READING = '{"at":"2026-03-01T12:00:00Z","kind":"reading","probe":"foyer-ph","value":%s}'
FEEDING = '{"at":"2026-03-01T12:00:00Z","kind":"feeding","tank":"foyer","grams":%s}'


def refused(line: str | bytes) -> LineError:
    with pytest.raises(LineError) as caught:
        eventlines.parse_line(line, 1)
    assert len(str(caught.value)) < 500
    return caught.value


# ---------------------------------------------------------------------- event lines


def test_a_whole_number_beyond_a_double_is_refused() -> None:
    """It ended the import: OverflowError in `math.isfinite`."""
    assert refused(READING % ("1" + "0" * 400)).key == "value"
    assert refused(FEEDING % ("1" + "0" * 400)).key == "grams"


def test_a_number_of_five_thousand_digits_is_refused() -> None:
    assert refused(READING % ("1" * 5000)).key == "line"


@pytest.mark.parametrize("depth", [10, 300, 480, 900, 960, 985, 100_000])
@pytest.mark.parametrize("line", [READING, FEEDING], ids=["reading", "feeding"])
def test_lists_in_lists_are_refused_at_every_depth(line: str, depth: int) -> None:
    """Some depths passed the reading and broke the writing of the complaint: RecursionError."""
    refused(line % ("[" * depth + "]" * depth))


def test_infinity_is_no_amount() -> None:
    """JSON has no such number, Python's reader takes it, and grams only had to be 0 or more."""
    for word in ("Infinity", "NaN", "1e999", "-Infinity"):
        refused(FEEDING % word)
        refused(READING % word)


@pytest.mark.parametrize("key", ["probe", "unit", "id"])
def test_half_a_character_is_refused(key: str) -> None:
    """It passed for text until the journal had to write it."""
    record = {"at": "2026-03-01T12:00:00Z", "kind": "reading", "probe": "foyer-ph", "value": 7} | {key: "\ud800"}
    assert refused(json.dumps(record)).key == key


def test_half_a_character_in_a_note_is_refused() -> None:
    refused('{"at":"2026-03-01T12:00:00Z","kind":"note","tank":"foyer","text":"\\udfff"}')


def test_a_name_given_twice_is_refused() -> None:
    """Two readers could take different values from it (RFC 8259, section 4)."""
    for line in (FEEDING % '1,"grams":9', READING % '1,"value" :9', READING % '1,"probe":"foyer-ph"'):
        assert "twice" in refused(line).what
    assert "twice" in refused('{"at":"2026-03-01T12:00:00Z","kind":"dose","tank":"a","what":"b","tank":"a"}').what


def test_lines_are_utf8_and_nothing_else() -> None:
    """Python's reader guesses UTF-16 from the bytes."""
    refused((READING % "7").encode("utf-16"))


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+01:00", "9999-12-31T23:59:59Z", "1969-12-31T23:59:59Z"])
def test_times_that_no_keeper_means_are_refused(at: str) -> None:
    """The first can't be written back; up to the second, time's own ticks were made one by one."""
    assert refused((READING % "7").replace("2026-03-01T12:00:00Z", at)).key == "at"


def test_an_underscore_is_no_part_of_a_test_value() -> None:
    """To Python 1_0 is ten."""
    with pytest.raises(ValueError, match="not a number"):
        units.read_reported("nitrate", ">1_0")
    with pytest.raises(FieldError):
        fields.number({"grams": "1_0"}, "grams")


@pytest.mark.parametrize(
    ("form", "content", "said"),
    [
        ("events", b'\n{"kind":"note","text":"\xff"}', "line 2: line: is not UTF-8"),
        ("csv", b"at,probe,value\n2026-03-01T12:00:00Z,\xff,7\n", "line 2: probe: no probe called"),
        ("senml", b"\xff", "pack: "),
    ],
)
def test_a_file_that_is_not_utf8_is_a_bad_line(tmp_path: Path, form: str, content: bytes, said: str) -> None:
    """It was a traceback and exit status 1."""
    (tmp_path / "config.toml").write_text(CONFIG + f'[storage]\nfolder = "{tmp_path}"\n')
    (tmp_path / "file").write_bytes(content)
    words = ["import", "--format", form, "-c", str(tmp_path / "config.toml"), str(tmp_path / "file")]
    got = CliRunner().invoke(cli.main, words)
    assert (got.exit_code, got.output[: len(said)]) == (2, said)


# ---------------------------------------------------------------------- devices


def test_control_bytes_are_no_blanks_on_a_wire() -> None:
    """1 7.02 with a hurt first digit was taken for 7.02: Python's `strip` and `split` drop the bytes 1C to 1F."""
    columns = lines.Options(port="x", format="columns", separator=" ", field="1")
    pairs = lines.Options(port="x", format="pairs", field="T")
    for options, line in ((columns, b"\x1c7.02"), (columns, b"3\x1d7.02"), (pairs, b"T=1\x1e")):
        (sample,) = lines.LineCodec([Channel("p", options, "ph")]).feed(b"\n" + line + b"\n", 0.0)
        assert sample.value is None
        assert sample.trouble == "garbled"
    for line in (b"\xa07.02", b"\x1c7.02", b"7.02\x85"):
        conversation = query.reading(query.Options(port="x", ask="R"), "ph")
        next(conversation)
        with pytest.raises(StopIteration) as end:
            conversation.send(line)
        assert end.value.value.judged.trouble == "garbled"
    assert iio.work_out(iio.Parts("\x1c2"), Channel("p", iio.Options(channel="in_temp")), 0.0).trouble == "garbled"


def test_half_a_character_in_a_key_is_told_in_words_that_can_be_written() -> None:
    options = mqtt.Options(topic="t", format="senml")
    payload = rb'[{"\ud800_": 12}]'
    (sample,) = mqtt.PayloadCodec([Channel("p", options)]).samples("t", payload, 0.0)
    assert sample.trouble == "garbled"
    assert sample.detail.encode()


def test_a_product_beyond_all_numbers_is_no_value() -> None:
    sample = iio.work_out(iio.Parts(None, "1e300", "1e300"), Channel("p", iio.Options(channel="in_illuminance")), 0.0)
    assert (sample.value, sample.trouble) == (None, "garbled")


@pytest.mark.parametrize("depth", [40, 480, 900, 980, 20_000])
def test_a_payload_of_lists_in_lists_is_no_json(depth: int) -> None:
    nest = b"[" * depth + b"]" * depth
    with pytest.raises(jsonpointer.NotJsonError):
        jsonpointer.loads(nest)
    (sample,) = mqtt.PayloadCodec([Channel("p", mqtt.Options(topic="t", format="json"))]).samples("t", nest, 0.0)
    assert sample.trouble == "garbled"


@pytest.mark.parametrize("key", ["v", "s", "t"])
def test_senml_sums_stay_finite(key: str) -> None:
    record = {"n": "a", "v": 1.0, "bv": 0.0} | {f"b{key}": 1.5e308, key: 1.5e308}
    with pytest.raises(senml.SenmlError, match="add up"):
        senml.parse(json.dumps([record]))


@pytest.mark.parametrize(("key", "said"), [("t", 1e300), ("t", 5e9), ("v", 1e308)])
def test_a_pack_whose_figures_lie_beyond_use_is_refused(key: str, said: float) -> None:
    """A time in the year 3 · 10²⁹² could not be written back; 10³⁰⁸ V became infinite in mV."""
    pack = json.dumps([{"n": "foyer-ph", "u": "V", "v": 0.1, "t": 1.7e9} | {key: said}])
    with pytest.raises(LineError, match=f"{key}: |not a finite number"):
        list(exchange.read("senml", io.StringIO(pack), config_of()))


# ---------------------------------------------------------------------- configuration


@pytest.mark.parametrize("word", ["nan", "inf", "-inf", "1e999"])
def test_a_limit_is_a_number(word: str) -> None:
    """TOML has `nan`, and no temperature is above it: the limit was silently gone."""
    with pytest.raises(ConfigError, match=r"limits\.temperature\.high: expected a finite number"):
        config.check(config.parse(CONFIG.replace("high = 27", f"high = {word}")))


@pytest.mark.parametrize("text", ["a = " + "[" * 5000, "a = " + "1" * 5000, ".".join(["a"] * 3000) + " = 1"])
def test_a_monstrous_file_is_a_fault_in_words(text: str) -> None:
    with pytest.raises(ConfigError):
        config.check(config.parse(text))


def test_a_misspelt_driver_is_named_when_all_else_is_right() -> None:
    """It was a KeyError: what the driver can measure was looked up before anybody asked whether there is one."""
    text = CONFIG.replace('id = "foyer-ph"', 'id = "foyer-ph"\ndriver = "linez"')
    with pytest.raises(ConfigError, match=r"probe\[2\]\.driver: expected one of .*did you mean 'lines'"):
        config.check(config.parse(text))


# ---------------------------------------------------------------------- hub, door, page


def test_a_long_field_is_not_cut_to_a_shorter_number() -> None:
    """64 bytes were looked at: 1, sixty-three blanks and 5 was 1."""
    for payload in (b"1" + b" " * 63 + b"5", b"\x1f7", b"0." + b"0" * 70 + b"1", b"1_0", "١".encode()):
        with pytest.raises(LineError):
            Drafts().put("foyer", "nitrate", payload, 0.0)


def test_the_door_answers_whatever_is_asked() -> None:
    """A request of a hundred thousand brackets got no answer, and a traceback in the log: RecursionError."""
    people.control_target(b"[" * 100_000 + b"\n")
    people.control_target(b'{"do":' + b"[" * 900 + b"]" * 900 + b"}\n")


def _request(**headers: str) -> Request:
    return Request(
        "POST", "/", "localhost", "", {}, {}, {}, {k.replace("_", "-"): v for k, v in headers.items()}, False
    )


def test_an_origin_that_is_no_address_is_another_site() -> None:
    """It was an internal error: urlsplit raises ValueError for half a bracket."""
    with pytest.raises(wsgi.HttpError) as caught:
        Guard(config_of()).admit(_request(origin="http://["))
    assert caught.value.status == 403


def test_a_host_with_a_strange_zone_is_not_ours() -> None:
    """Both were an internal error: one too long for a name, the other no name at all."""
    assert not Guard(config_of()).knows("[::1%" + "a" * 70 + "]")
    assert not Guard(config_of()).knows("[::1%ä]")


def test_a_key_in_a_complaint_is_short_and_can_be_printed() -> None:
    for key in ("x" * 100_000, "\\ud800"):
        str(refused('{"at":"2026-03-01T12:00:00Z","kind":"reading","' + key + '":1}')).encode()


def test_an_address_in_a_header_is_plain_ascii() -> None:
    """After logging in, ?next=/tanks/€ asked the server for a header that it can't send."""
    ((_, where),) = wsgi.redirect("/tanks/€?a=b%20c").headers
    assert where == "/tanks/%E2%82%AC?a=b%20c"


def test_a_bound_keeps_its_digits() -> None:
    """It was written with six."""
    kit = Kit(id="k", method="strip", pads={"nitrate": (0.0, 1.0)})
    assert entries.test_record({"nitrate": ">12345.67"}, kit)["values"] == {"nitrate": ">12345.67"}


# ---------------------------------------------------------------------- work grows with the input, not with its square


@pytest.mark.slow
@pytest.mark.parametrize(
    "parse",
    [
        lambda n: refused(FEEDING % ('"' + "1" * n + '"')),
        lambda n: refused('{"at":"2026-03-01T12:00:00Z","kind":"' + "x" * n + '"}'),
        lambda n: refused('{"at":"2026-03-01T12:00:00Z","kind":"reading","' + "valu" * n + '":1}'),
        lambda n: jsonpointer.loads(b"[" + b"[]," * n + b"1]"),
    ],
)
def test_long_inputs_are_done_with(parse: Callable[[int], object]) -> None:
    """A hang shows as the suite's own limit on a test's time; here: 300,000 characters at once."""
    parse(300_000 // 3)
