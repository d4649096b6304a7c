"""What a lamp that gives less means for nitrate stands beside its alarm, by this tank's own belief."""

import re

import pytest

from rushlight.alarms.evidence import LampLoss
from rushlight.alarms.finding import Finding
from rushlight.effects import Estimate
from rushlight.localtime import DAY_S
from rushlight.localunits import METRIC
from rushlight.science.plants.response import LIGHT_FELT
from rushlight.tank.nitrate import balance as bal
from rushlight.tank.nitrate import light_meaning
from rushlight.tank.nitrate.light_seen import see_light


def dimmed_by(share):
    """A balance whose light has been less by that share for a fortnight, after a year of the usual."""
    b = bal.begin(0.0, 1.4)
    for day in range(380):
        bal.pass_time(b, (day + 1) * DAY_S, 1.4)
        b.light, b.light_at_s = see_light(b.light, 6.0 * (1.0 - share * (day >= 365)), None), b.at_s
    return b


def test_the_figures_are_light_lost_times_how_far_uptake_follows_it():
    light, uptake = light_meaning.less_percent(dimmed_by(0.3))
    assert light == pytest.approx(30.0 * (1.0 - (6.0 / 7.0) ** 15), rel=0.04)  # a week's mean, fifteen days on
    assert uptake.mean == pytest.approx(light * LIGHT_FELT[0], rel=0.02)
    assert uptake.low < uptake.mean < uptake.high <= light * (LIGHT_FELT[0] + 2.0 * LIGHT_FELT[1])


def test_light_as_usual_is_no_news():
    assert light_meaning.less_percent(dimmed_by(0.0)) is None
    assert light_meaning.less_percent(bal.begin(0.0, 1.4)) is None


def test_the_sentence_says_what_it_was_given():
    less = 26.4, Estimate(mean=13.2, low=0.4, high=27.0)
    text = light_meaning.sentence(less, Estimate(mean=21.0, low=15, high=28), Estimate(mean=30.6, low=20.2, high=44.0))
    assert re.findall(r"\d+", text) == ["26", "13", "90", "0", "27", "21", "31", "20", "44"]


@pytest.mark.parametrize(
    ("alarm", "cause"), [("light_probe_fouled", "Dirt."), ("lamp_off", "Off."), ("lamp_dimming", "")]
)
def test_another_alarm_is_left_as_it_is(alarm, cause):
    finding = Finding(alarm=alarm, tank="foyer", says="raise", evidence=LampLoss(cause_sentence=cause))
    assert light_meaning.join(finding, "It means this.") is finding


def test_the_lamps_alarm_has_it_after_its_cause():
    finding = Finding(alarm="lamp_dimming", tank="foyer", says="raise", evidence=LampLoss(cause_sentence="It ages."))
    joined = light_meaning.join(
        finding,
        light_meaning.sentence((9.0, Estimate(mean=5, low=2, high=8)), *[Estimate(mean=9, low=8, high=10)] * 2, METRIC),
    )
    assert joined.evidence.cause_sentence.startswith("It ages. The plants get 9 % less light")
