"""Event lines: what is taken, what is refused and in which words."""

from __future__ import annotations

import contextlib
import dataclasses
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rushlight import eventlines
from rushlight.eventlines import LineError, format_line, parse_line, rfc3339, unix_s

AT = '"at":"2026-03-01T12:00:00Z"'
PICTURE = '{"paper":{"chart":[230.0,231.5,228.0],"strip":[226.0,226.0,225.0]},"nitrate":{"strip":[240.0,150.5,190.0],"chart":[[0.0,[231.0,230.0,228.0]],[50.0,[236.0,120.0,170.0]]],"paper":[224.0,225.0,224.0]},"ph":{"strip":[-2.5,150.5,190.0],"chart":[[6.0,[231.0,230.0,228.0]]]}}'
GOOD = [
    '{"at":"2026-01-01T00:00:00Z","kind":"reading","probe":"foyer-light","value":3.5}',
    '{"at":"2026-01-01T00:00:00Z","kind":"reading","probe":"foyer-light","value":null,"quality":9}',
    '{"at":"2026-01-01T00:00:00Z","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":25.0,"ph":">8.5"}}',
    '{"at":"2026-01-01T00:00:00Z","kind":"test","tank":"foyer","method":"lab","values":{"nitrate":5.0},"units":{"nitrate":"mg/L N"}}',
    '{"at":"2026-01-01T00:00:00Z","kind":"feeding","tank":"foyer","grams":0.9,"protein_percent":42.0,"note":"flakes"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"water_change","tank":"foyer","fraction":0.3,"source":{"nitrate":5.0}}',
    '{"at":"2026-01-01T00:00:00Z","kind":"top_off","tank":"foyer","litres":3.0}',
    '{"at":"2026-01-01T00:00:00Z","kind":"harvest","tank":"foyer","dry_grams":40.0,"plant":"water mint"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"dose","tank":"foyer","what":"buffer","kh_mg_caco3":500.0}',
    '{"at":"2026-01-01T00:00:00Z","kind":"stocking","tank":"foyer","change":-2,"species":"zebra danio"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"lamp","tank":"foyer","what":"schedule","hours":[{"on":"08:00","off":"18:00"}]}',
    '{"at":"2026-01-01T00:00:00Z","kind":"sighting","tank":"foyer","what":"algae"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"calibration","probe":"foyer-ph","points":[{"value":6.86,"raw":6.91,"temperature_c":24.0}]}',
    '{"at":"2026-01-01T00:00:00Z","kind":"acknowledge","alarm":"foyer.ph_low","by":"duty librarian"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"shelve","alarm":"foyer.ph_low","by":"duty librarian","hours":24.0}',
    '{"at":"2026-01-02T00:00:00Z","kind":"correction","of":"a","void":true}',
    '{"at":"2026-01-02T00:00:00Z","kind":"correction","of":"a","replacement":{"at":"2026-01-01T00:00:00Z","kind":"feeding","tank":"foyer","grams":1.0,"id":"a"}}',
    '{"at":"2026-01-01T00:00:00Z","kind":"note","tank":"foyer","text":"quiet week","id":"n1","received_at":"2026-01-01T08:00:00Z"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"pack","tank":"foyer","strips":50.0}',
    '{"at":"2026-01-01T00:00:00Z","kind":"treatment","tank":"foyer","what":"antibiotic","days":5.0,"note":"by the vet"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"filter","tank":"foyer","what":"cleaned"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"absence","tank":"foyer","days":14.0,"note":"closed"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"outage","tank":"foyer","minutes":600.0}',
    '{"at":"2026-01-01T00:00:00Z","kind":"growth","tank":"foyer","plant":"water mint","new_leaves":6.0,"longest_cm":31.5,"height_cm":22.0}',
    '{"at":"2026-01-01T00:00:00Z","kind":"growth","tank":"foyer","new_leaves":0.0}',
    f'{{"at":"2026-01-01T00:00:00Z","kind":"growth","tank":"foyer","cover":0.0,"picture":"{"0af9" * 16}"}}',
    '{"at":"2026-01-01T00:00:00Z","kind":"light_spot","tank":"foyer","place":"umbrella sedge","value":2400.0}',
    '{"at":"2026-01-01T00:00:00Z","kind":"light_spot","tank":"foyer","place":"left end","value":38.0,"unit":"µmol/m²/s"}',
    '{"at":"2026-01-01T00:00:00Z","kind":"test","tank":"foyer","method":"strip","values":{"nitrate":25.0},"dilution":2.0,"dilution_source":{"nitrate":5.0}}',
    f'{{"at":"2026-01-01T00:00:00Z","kind":"test","tank":"foyer","method":"strip","kit":"strip","device":"duty phone","picture":{PICTURE}}}',
    '{"at":"2026-01-01T00:00:00Z","kind":"kit_check","kit":"strip","standards":[{"substance":"nitrate","value":50.0,"read":25.0},{"substance":"nitrate","value":11.3,"unit":"mg/L N","read":">50"}],"pack":"lot 7"}',
    f'{{"at":"2026-01-01T00:00:00Z","kind":"kit_check","kit":"strip","standards":[{{"substance":"nitrate","value":50.0,"picture":{PICTURE}}}],"device":"duty phone"}}',
]

BAD = [
    ("{", "line", "not JSON"),
    ("[1]", "line", "expected one JSON object"),
    (f"{{{AT}}}", "kind", "is missing"),
    (f'{{{AT},"kind":"tets","tank":"foyer"}}', "kind", "did you mean 'test'?"),
    (f'{{{AT},"kind":"tick"}}', "kind", "unknown kind"),
    (f'{{{AT},"kind":"condition","alarm":"storage_low","says":"raise"}}', "kind", "unknown kind"),
    (f'{{{AT},"kind":"reading","probe":"p","valu":3}}', "valu", "did you mean 'value'?"),
    (f'{{{AT},"kind":"reading","probe":"p"}}', "value", "is missing"),
    (f'{{{AT},"kind":"reading","value":1}}', "probe", "is missing"),
    (f'{{{AT},"kind":"reading","probe":"p","value":"7"}}', "value", "expected a finite number or null"),
    (f'{{{AT},"kind":"reading","probe":"p","value":true}}', "value", "expected a finite number or null"),
    (f'{{{AT},"kind":"reading","probe":"p","value":NaN}}', "value", "expected a finite number or null"),
    (f'{{{AT},"kind":"reading","probe":"p","value":1e999}}', "value", "expected a finite number or null"),
    (f'{{{AT},"kind":"reading","probe":"p","value":1,"quality":5}}', "quality", "expected 1, 2, 3, 4 or 9"),
    ('{"at":"2026-03-01","kind":"note","tank":"t","text":"x"}', "at", "with offset or Z"),
    ('{"at":"2026-03-01T12:00:00","kind":"note","tank":"t","text":"x"}', "at", "with offset or Z"),
    ('{"at":1772366400,"kind":"note","tank":"t","text":"x"}', "at", "with offset or Z"),
    (f'{{{AT},"kind":"feeding","tank":"t","grams":"2"}}', "grams", "expected a number"),
    (f'{{{AT},"kind":"feeding","tank":"t","grams":-1}}', "grams", "greater than or equal to 0"),
    (f'{{{AT},"kind":"feeding","tank":"t","gram":2}}', "gram", "did you mean 'grams'?"),
    (f'{{{AT},"kind":"feeding","tank":"t","grams":2,"at_s":5}}', "at_s", "unknown key"),
    (f'{{{AT},"kind":"water_change","tank":"t"}}', "line", "either fraction or litres"),
    (f'{{{AT},"kind":"water_change","tank":"t","fraction":30}}', "fraction", "less than or equal to 1"),
    (f'{{{AT},"kind":"test","tank":"t","method":"strip","values":{{}}}}', "values", "at least 1 entry"),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"strip","values":{{"nitrat":5}}}}',
        "values.nitrat",
        "did you mean 'nitrate'?",
    ),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"strip","values":{{"nitrate":"25"}}}}',
        "values.nitrate",
        "'>250' or '<5'",
    ),
    (f'{{{AT},"kind":"test","tank":"t","method":"strip","values":{{"nitrate":"> lots"}}}}', "values.nitrate", "number"),
    (f'{{{AT},"kind":"test","tank":"t","method":"strip","values":{{"nitrate":-5}}}}', "values.nitrate", "is below 0"),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"drops","values":{{"nitrate":5}},"units":{{"nitrate":"mV"}}}}',
        "units.nitrate",
        "what a probe gives",
    ),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"strip","values":{{"nitrate":5}},"units":{{"ph":"pH"}}}}',
        "units.ph",
        "no such value",
    ),
    (f'{{{AT},"kind":"test","tank":"t","method":"strip"}}', "values", "or a picture"),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"strip","values":{{"ph":7}},"dilution":0.5}}',
        "dilution",
        "or equal to 1",
    ),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"strip","values":{{"nitrate":7}},"dilution_source":{{"nitrate":5}}}}',
        "dilution_source.nitrate",
        "nothing was thinned",
    ),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"strip","picture":{{"paper":{{"chart":[1,2,3],"strip":[1,2,3]}}}}}}',
        "picture",
        "shows no pad",
    ),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"strip","picture":{PICTURE.replace("240.0", "400")}}}',
        "picture.nitrate.strip[0]",
        "less than or equal to 383",
    ),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"strip","picture":{PICTURE.replace("nitrate", "nitrat")}}}',
        "picture.nitrat",
        "did you mean 'nitrate'?",
    ),
    (
        f'{{{AT},"kind":"test","tank":"t","method":"strip","picture":{PICTURE},"units":{{"nitrate":"mV"}}}}',
        "units.nitrate",
        "what a probe gives",
    ),
    (f'{{{AT},"kind":"treatment","tank":"foyer"}}', "what", "is missing"),
    (f'{{{AT},"kind":"treatment","tank":"foyer","what":"x","days":0}}', "days", "greater than 0"),
    (f'{{{AT},"kind":"filter","tank":"foyer","what":"rinsed"}}', "what", "cleaned"),
    (f'{{{AT},"kind":"outage","tank":"foyer"}}', "minutes", "is missing"),
    (f'{{{AT},"kind":"growth","tank":"foyer","plant":"water mint"}}', "line", "give at least one of new_leaves"),
    (f'{{{AT},"kind":"growth","tank":"foyer","new_leaves":-1}}', "new_leaves", "greater than or equal to 0"),
    (f'{{{AT},"kind":"growth","tank":"foyer","cover":42}}', "cover", "less than or equal to 1"),
    (f'{{{AT},"kind":"growth","tank":"foyer","longest_cm":0}}', "longest_cm", "greater than 0"),
    (f'{{{AT},"kind":"growth","tank":"foyer","picture":"../x"}}', "line", "64 hexadecimal digits"),
    (f'{{{AT},"kind":"light_spot","tank":"foyer","value":2400}}', "place", "is missing"),
    (f'{{{AT},"kind":"light_spot","tank":"foyer","place":"","value":2400}}', "place", "must not be empty"),
    (f'{{{AT},"kind":"light_spot","tank":"foyer","place":"left","value":-1}}', "value", "greater than or equal to 0"),
    (f'{{{AT},"kind":"light_spot","tank":"foyer","place":"left","value":1,"unit":"°C"}}', "unit", "°C"),
    (f'{{{AT},"kind":"outage","tank":"foyer","minutes":-5}}', "minutes", "greater than 0"),
    (f'{{{AT},"kind":"kit_check","standards":[{{"substance":"ph","value":7,"read":7}}]}}', "kit", "is missing"),
    (f'{{{AT},"kind":"kit_check","kit":"strip","standards":[]}}', "standards", "at least 1 entry"),
    (
        f'{{{AT},"kind":"kit_check","kit":"strip","standards":[{{"substance":"nitrate","value":50}}]}}',
        "standards[0].read",
        "is missing",
    ),
    (
        f'{{{AT},"kind":"kit_check","kit":"s","standards":[{{"substance":"gh","value":9,"picture":{PICTURE}}}]}}',
        "standards[0].picture",
        "shows no pad of gh",
    ),
    (
        f'{{{AT},"kind":"kit_check","kit":"strip","standards":[{{"substance":"nitrate","value":50,"read":"50"}}]}}',
        "standards[0].read",
        "'>250' or '<5'",
    ),
    (f'{{{AT},"kind":"lamp","tank":"t","what":"swapped"}}', "what", "expected 'replaced'"),
    (f'{{{AT},"kind":"correction","of":"x"}}', "replacement", "either void"),
    (f'{{{AT},"kind":"correction","of":"x","replacement":{{"kind":"feeding"}}}}', "replacement.at", "with offset"),
    (
        f'{{{AT},"kind":"calibration","probe":"p","points":[{{"value":7,"rw":1}}]}}',
        "points[0].rw",
        "did you mean 'raw'?",
    ),
]


@pytest.mark.parametrize("line", GOOD, ids=[json.loads(g)["kind"] + str(i) for i, g in enumerate(GOOD)])
def test_a_good_line_comes_back_as_the_same_text(line: str) -> None:
    assert format_line(parse_line(line)) == line


@pytest.mark.parametrize("line", [g for g in GOOD if json.loads(g)["kind"] not in {"reading", "correction"}])
def test_an_entry_put_right_keeps_all_that_was_not_named(line: str) -> None:
    """And its own id, whatever the correction's is."""
    event = dataclasses.replace(parse_line(line), id="a")
    correction = eventlines.edited(event, {"at": "2026-01-03T00:00:00Z"}, at_s=event.at_s + 1e6, entry_id="c")
    at_s = eventlines.unix_s("2026-01-03T00:00:00Z")
    assert correction.replacement == dataclasses.replace(event, at_s=at_s, received_s=0.0)
    assert (correction.id, correction.of) == ("c", "a")


@pytest.mark.parametrize(("line", "key", "words"), BAD)
def test_a_bad_line_is_refused_by_number_key_and_reason(line: str, key: str, words: str) -> None:
    with pytest.raises(LineError) as caught:
        parse_line(line, 7)
    assert (caught.value.line_no, caught.value.key) == (7, key)
    assert words in caught.value.what
    assert str(caught.value).startswith(f"line 7: {key}: ")


def test_every_kind_of_the_contract_is_known() -> None:
    """An event file of any age may hold these; those from `pack` on came later than the others."""
    listed = "reading test feeding water_change top_off harvest dose stocking lamp sighting calibration acknowledge shelve correction note pack kit_check treatment filter outage absence growth light_spot"
    assert set(eventlines.KINDS) == set(listed.split())
    assert {json.loads(g)["kind"] for g in GOOD} == set(listed.split())


def test_offsets_are_the_same_moment() -> None:
    """RFC 3339 section 5.8 gives 1985-04-12T23:20:50.52Z and 1996-12-19T16:39:57-08:00 = 1996-12-20T00:39:57Z."""
    assert unix_s("1996-12-19T16:39:57-08:00") == unix_s("1996-12-20T00:39:57Z") == 851042397.0
    assert unix_s("1985-04-12T23:20:50.52Z") == pytest.approx(482196050.52, abs=1e-6)


@given(st.integers(min_value=0, max_value=4_000_000_000_000))
def test_times_go_to_text_and_back_to_the_millisecond(at_ms: int) -> None:
    assert round(unix_s(rfc3339(at_ms / 1000)) * 1000) == at_ms


@pytest.mark.slow
@given(st.text() | st.binary())
def test_no_text_does_anything_but_parse_or_raise_line_error(text: str | bytes) -> None:
    with contextlib.suppress(LineError):
        parse_line(text)


_json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda c: st.lists(c, max_size=3) | st.dictionaries(st.text(), c, max_size=3),
    max_leaves=8,
)


@given(
    st.sampled_from([json.loads(g) for g in GOOD]),
    st.dictionaries(st.sampled_from([k for g in GOOD for k in json.loads(g)] + ["x"]), _json, max_size=3),
)
def test_no_record_does_anything_but_parse_or_raise_line_error(
    base: dict[str, object], changes: dict[str, object]
) -> None:
    try:
        event = parse_line(json.dumps(base | changes))
    except LineError:
        return
    assert parse_line(format_line(event)) == event
