"""From a form to an event line: one builder for each thing that a person can enter about a tank.

Owns the forms' fields and how they become records; `eventlines` checks the records.  Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from rushlight.entry.entered import FILTER_WORK, LAMP_WORK, NAMES, SIGHTINGS
from rushlight.localunits import Units
from rushlight.settings import Kit
from rushlight.web.entering import strip_forms
from rushlight.web.entering.fields import FieldError, chosen, in_record, needed, number, text

Form = Mapping[str, str]
Record = dict[str, Any]

LIGHT_UNITS = {"lx": "lx", "µmol/m²/s": "µmol m⁻² s⁻¹"}


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a simple form.  `choices` makes it a row of large buttons; `kind` 'text' and 'time' are typed."""

    name: str
    label: str
    unit: str = ""
    kind: str = "number"
    choices: Mapping[str, str] | None = None
    hint: str = ""
    most: float = 1e6
    quantity: str = ""
    """What may be typed with a unit of its own, and is in the site's without one."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One simple form: its event kind, heading, fields, and how they become a record."""

    kind: str
    title: str
    fields: tuple[Field, ...]
    build: Callable[[Form], Record]
    at_hand: bool = False
    """A button on every tank's card, not one link among many: done every day or every week."""
    short: str = ""
    """What the button says where that is less than the title."""
    earlier: str = ""
    """What leads to the time of an entry that is not of this moment, where nothing is done."""
    when: str = ""
    """What that time is the time of."""

    def body(self, form: Form, units: Units) -> Record:
        """What a form says, as the keys of an entry's line.  Raises FieldError."""
        own = {f.name: f for f in self.fields if f.quantity}
        try:
            return self.build(in_record(form, {name: f.quantity for name, f in own.items()}, units))
        except FieldError as e:
            if e.span is None or e.name not in own:
                raise
            least, most = (units.figure(v, own[e.name].unit, "g") for v in e.span)
            raise FieldError(e.name, f"expected a number from {least} to {most}") from None


def _feeding(form: Form) -> Record:
    record: Record = {"grams": needed(form, "grams", most=1000)}
    protein = number(form, "protein_percent", most=100)
    return record | ({} if protein is None else {"protein_percent": protein})


def _either(form: Form, one: str, other: str) -> tuple[float | None, float | None]:
    first, second = number(form, one), number(form, other)
    if (first is None) == (second is None):
        raise FieldError(one, "fill in one of the two")
    if not (first or second):
        raise FieldError(one if second is None else other, "expected more than 0")
    return first, second


def _water_change(form: Form) -> Record:
    percent, litres = _either(form, "percent", "litres")
    if percent is not None and percent > 100:
        raise FieldError("percent", "expected a number from 0 to 100")
    return {"litres": litres} if percent is None else {"fraction": percent / 100.0}


def _top_off(form: Form) -> Record:
    return {"litres": needed(form, "litres", least=0.01, most=100_000)}


HANDFUL_G = 40.0
"""Fresh weight of a loose handful of leaves and stems (common practice, no source): weigh one of your own."""


def _harvest(form: Form) -> Record:
    plant = _said(form, "plant")
    handfuls, share = number(form, "handfuls", most=200), number(form, "share_percent", most=100)
    if handfuls is None and share is None:
        fresh, dry = _either(form, "fresh_grams", "dry_grams")
        return {**({"dry_grams": dry} if fresh is None else {"fresh_grams": fresh}), **plant}
    if (handfuls is None) == (share is None) or number(form, "fresh_grams") or number(form, "dry_grams"):
        raise FieldError("handfuls", "fill in one way of saying how much")
    if handfuls is not None:
        each_g = number(form, "handful_grams", least=1, most=2000)
        return {**_more_than_nothing(form, "handfuls", handfuls * (each_g or HANDFUL_G)), **plant}
    standing_g = number(form, "standing_grams", least=1, most=1e6)
    if standing_g is None:
        raise FieldError("standing_grams", "say about how much was there before")
    return {**_more_than_nothing(form, "share_percent", (share or 0.0) / 100.0 * standing_g), **plant}


def _more_than_nothing(form: Form, name: str, grams: float) -> Record:
    if not grams:
        raise FieldError(name, f"expected more than 0, got {form.get(name, '')}")
    return {"fresh_grams": round(grams, 1)}


def _growth(form: Form) -> Record:
    percent = number(form, "cover_percent", most=100)
    seen = {
        "new_leaves": number(form, "new_leaves", most=10_000),
        "longest_cm": number(form, "longest_cm", most=2000),
        "height_cm": number(form, "height_cm", most=2000),
        "cover": None if percent is None else percent / 100.0,
    }
    if all(value is None for value in seen.values()):
        raise FieldError("new_leaves", "fill in at least one of these")
    for name in ("longest_cm", "height_cm"):
        if seen[name] == 0:
            raise FieldError(name, "expected more than 0, or nothing")
    return {**_said(form, "plant", 80), **{k: v for k, v in seen.items() if v is not None}}


def _light_spot(form: Form) -> Record:
    place = text(form, "place", 80)
    if not place:
        raise FieldError("place", "is missing")
    unit = chosen(form, "unit", LIGHT_UNITS)
    return {"place": place, "value": needed(form, "value"), **({} if unit == "lx" else {"unit": unit})}


def _lamp(form: Form) -> Record:
    what = chosen(form, "what", LAMP_WORK)
    on, off = text(form, "on", 5), text(form, "off", 5)
    if what == "schedule" and not (on and off):
        raise FieldError("on", "give both times")
    return {"what": what, **({"hours": [{"on": on, "off": off}]} if on and off else {})}


def _sighting(form: Form) -> Record:
    return {"what": chosen(form, "what", SIGHTINGS), **_said(form, "note")}


def _stocking(form: Form) -> Record:
    change = needed(form, "change", least=-10_000, most=10_000)
    if change != int(change) or not change:
        raise FieldError("change", "expected a whole number, below 0 for fish that are gone")
    return {"change": int(change), **_said(form, "species")}


def _dose(form: Form) -> Record:
    what = text(form, "what", 80)
    if not what:
        raise FieldError("what", "is missing")
    given = {k: v for k in ("nitrogen_mg", "kh_mg_caco3", "gh_mg_caco3") if (v := number(form, k)) is not None}
    return {"what": what, **given} | _by_label(form, what, given)


def _by_label(form: Form, what: str, given: Record) -> Record:
    """Nitrogen from the amount and the label's figure; the sum stands in the entry, where it can be checked."""
    amount, percent = number(form, "amount_g", most=10_000), number(form, "label_n_percent", most=100)
    ml, grams_l = number(form, "amount_ml", most=100_000), number(form, "label_n_g_l", most=1000)
    if (amount is None) != (percent is None):
        raise FieldError("label_n_percent" if percent is None else "amount_g", "goes with the other")
    if (ml is None) != (grams_l is None):
        raise FieldError("label_n_g_l" if grams_l is None else "amount_ml", "goes with the other")
    if amount is not None and percent is not None:
        total, said = 10.0 * amount * percent, f"{amount:g} g of {percent:g} % N"
    elif ml is not None and grams_l is not None:
        total, said = ml * grams_l, f"{ml:g} mL of {grams_l:g} g/L N"
    else:
        return {}
    if "nitrogen_mg" in given or (amount is not None and ml is not None):
        raise FieldError("nitrogen_mg", "give the nitrogen in one way only")
    return {"what": f"{what} ({said} = {total:.4g} mg N)", "nitrogen_mg": total}


def _treatment(form: Form) -> Record:
    what, days = text(form, "what", 200), number(form, "days", most=90)
    if not what:
        raise FieldError("what", "is missing")
    if days == 0:
        raise FieldError("days", "expected more than 0, or nothing for a single dose")
    return {"what": what, **({} if days is None else {"days": days}), **_said(form, "note")}


def _filter(form: Form) -> Record:
    return {"what": chosen(form, "what", FILTER_WORK)}


def _outage(form: Form) -> Record:
    hours, minutes = number(form, "hours", most=720), number(form, "minutes", most=43_200)
    length = 60.0 * (hours or 0.0) + (minutes or 0.0)
    if not 0 < length <= 43_200:
        raise FieldError("hours", "say how long it was, up to 30 days")
    return {"minutes": length}


def _note(form: Form) -> Record:
    said = text(form, "text", 2000)
    if not said:
        raise FieldError("text", "is missing")
    return {"text": said}


def _pack(form: Form) -> Record:
    return {"strips": needed(form, "strips", least=0.5, most=10_000)}


def _said(form: Form, name: str, longest: int = 500) -> Record:
    said = text(form, name, longest)
    return {name: said} if said else {}


_PACK = "Or count again what is left in the open one."
_AWAY = "Closed or on holiday, from now on: no test is asked for, alarms come as ever."
_LOOK = "Every second week will do, on a day on which you test. One of these is enough."
_LEAF = "Hold the meter at a leaf, facing up, with the lamp on; the tank's own light probe is read beside it."
_HANDFUL = f"Counted as {HANDFUL_G:g} g each, unless you weigh one and say so below."
_LABEL = "Amount and label give the nitrogen. If a liquid's label says %: 0.1 % by weight is about 1 g/L."
_GRAMS = "Weigh a pinch once and count pinches after that."
SHEETS: Mapping[str, Sheet] = {
    "feeding": Sheet(
        "feeding",
        "Feeding",
        (
            Field("grams", "Dry food", "g", hint=_GRAMS, most=1000, quantity="mass"),
            Field("protein_percent", "Protein, if not the usual", "%", most=100),
        ),
        _feeding,
        at_hand=True,
        short="Feed",
    ),
    "water-change": Sheet(
        "water_change",
        "Water change",
        (
            Field("percent", "Share changed", "%", most=100),
            Field("litres", "Or amount changed", "L", quantity="volume"),
        ),
        _water_change,
        at_hand=True,
        short="Change water",
    ),
    "top-off": Sheet("top_off", "Top-off", (Field("litres", "Water added", "L", quantity="volume"),), _top_off),
    "harvest": Sheet(
        "harvest",
        "Harvest or pruning",
        (
            Field("fresh_grams", "Fresh weight, dripped off", "g", quantity="mass"),
            Field("handfuls", "Or handfuls", hint=_HANDFUL, most=200),
            Field("handful_grams", "Weight of one handful, if weighed", "g", most=2000, quantity="mass"),
            Field("share_percent", "Or share of the plants cut", "%", most=100),
            Field("standing_grams", "All plants before the cut, fresh, about", "g", quantity="mass"),
            Field("dry_grams", "Or dry weight", "g", quantity="mass"),
            Field("plant", "Which plant", kind="text"),
        ),
        _harvest,
    ),
    "growth": Sheet(
        "growth",
        "Growth",
        (
            Field("new_leaves", "New leaves since the last look", hint=_LOOK, most=10_000),
            Field("longest_cm", "Longest shoot", "cm", most=2000, quantity="length"),
            Field("height_cm", "Height", "cm", most=2000, quantity="length"),
            Field("cover_percent", "Share of the view that is leaf", "%", most=100),
            Field("plant", "Which plant, if one alone", kind="text"),
        ),
        _growth,
    ),
    "light-spot": Sheet(
        "light_spot",
        "Light at a leaf",
        (
            Field("place", "Which plant, or where", kind="text"),
            Field("value", "What the meter shows", hint=_LEAF),
            Field("unit", "Unit", choices=LIGHT_UNITS),
        ),
        _light_spot,
    ),
    "lamp": Sheet(
        "lamp",
        "Lamp",
        (
            Field("what", "What was done", choices=LAMP_WORK),
            Field("on", "New hours, on at", kind="time"),
            Field("off", "New hours, off at", kind="time"),
        ),
        _lamp,
    ),
    "sighting": Sheet(
        "sighting",
        "Something seen",
        (
            Field("what", "What was seen", choices=SIGHTINGS),
            Field("note", "Where, how many, since when", kind="text"),
        ),
        _sighting,
        earlier="Seen earlier?",
        when="When it was seen",
    ),
    "stocking": Sheet(
        "stocking",
        "Fish",
        (
            Field("change", "How many more; below 0 for fewer", hint="Such as 3, or -1."),
            Field("species", "Which kind of fish", kind="text"),
        ),
        _stocking,
    ),
    "dose": Sheet(
        "dose",
        "Something added",
        (
            Field("what", "What was added", kind="text"),
            Field("amount_ml", "Liquid given", "mL", hint=_LABEL, most=100_000),
            Field("label_n_g_l", "Nitrogen in it by the label", "g/L", most=1000),
            Field("amount_g", "Or solid given", "g", most=10_000),
            Field("label_n_percent", "Nitrogen in it by the label", "%", most=100),
            Field("nitrogen_mg", "Or nitrogen given", "mg N"),
            Field("kh_mg_caco3", "Alkalinity in it", "mg CaCO3"),
            Field("gh_mg_caco3", "Hardness in it", "mg CaCO3"),
        ),
        _dose,
    ),
    "treatment": Sheet(
        "treatment",
        "Treatment",
        (
            Field("what", "What was given", kind="text"),
            Field("days", "For how many days", most=90),
            Field("note", "What for, and what the label says", kind="text"),
        ),
        _treatment,
    ),
    "absence": Sheet(
        "absence",
        "Nobody there to test",
        (
            Field("days", "For how many days", hint=_AWAY, most=366),
            Field("note", "Who looks after the tank meanwhile", kind="text"),
        ),
        lambda form: {"days": needed(form, "days", most=366), **_said(form, "note")},
        earlier="Away since earlier?",
        when="Away since when",
    ),
    "filter": Sheet("filter", "Filter", (Field("what", "What was done", choices=FILTER_WORK),), _filter),
    "outage": Sheet(
        "outage",
        "Power was out",
        (
            Field("hours", "Hours without power", most=720),
            Field("minutes", "And minutes", most=43_200),
        ),
        _outage,
        earlier="Back since earlier?",
        when="When the power came back",
    ),
    "pack": Sheet("pack", "New pack of strips", (Field("strips", "Strips in it", hint=_PACK),), _pack),
    "note": Sheet("note", "Note", (Field("text", "What is to be remembered", kind="text"),), _note),
}
"""By the last part of the address."""


def test_record(form: Form, kit: Kit, device: str = "") -> Record:
    """A test as the kit's form gives it; what was not read is left out.  `device` took the picture, if there is one.

    Raises FieldError.
    """
    values: dict[str, float | str] = {}
    for name in substances(kit):
        given = form.get(name, "").strip()
        if given.startswith((">", "<")):
            form = {**form, name: given[1:]}
        value = number(form, name, most=100_000)
        if value is not None:
            values[name] = f"{given[0]}{value!r}" if given.startswith((">", "<")) else value
    seen = strip_forms.picture(form, device)
    if not values and not seen:
        raise FieldError("values", "choose at least one value, or read a picture")
    extras = seen | strip_forms.thinned(form, [*values, *seen.get("picture", {})])
    half = kit.method == "strip" and form.get("half") == "yes"
    note = {"note": "half a strip"} if half else {}
    return {"method": kit.method, "kit": kit.id, "values": values, **extras, **note}


def substances(kit: Kit) -> list[str]:
    """What a kit measures: its pads, or anything where none are named."""
    return [str(k) for k in kit.pads] or list(NAMES)


def record(kind: str, body: Record, *, tank: str, entry_id: str, at: str) -> Record:
    """The whole event record."""
    return {"at": at, "kind": kind, "id": entry_id, "tank": tank, **body}
