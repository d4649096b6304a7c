"""Configuration: checked whole, every fault at once, with its key and what was expected."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from rushlight.config import loading as config
from rushlight.config.loading import ConfigError
from rushlight.settings import Band

SMALLEST = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"
[[tank]]
id = "foyer"
litres = 140
[[kit]]
id = "strip"
pads = { nitrate = [0, 10, 25, 50, 100, 250] }
"""

RELIED_ON = """
[site]
name = "Rowan Street library"
timezone = "Europe/Dublin"          # IANA name
latitude = 53.3                     # degrees north
longitude = -6.3                    # degrees east

[[tank]]
id = "foyer"
name = "Foyer"
litres = 140                        # water, without gravel and wood
started = 2025-01-10
source_water = { nitrate = 5.0, kh = 4.0, gh = 7.0, ph = 7.4 }

[tank.feed]
grams_per_day = 0.9                 # assumed on days without a feeding entry
protein_percent = 42

[tank.lamp]
spectrum = "white_led"              # or umol_per_lux = 0.0143
hours = [{ on = "08:00", off = "18:00" }]

[tank.testing]
shortest_days = 2
longest_days = 10
kit = "strip"

[tank.limits]
nitrate = 40                        # mg/L as NO3
temperature = { low = 21, high = 27 }
ph = { low = 6.4, high = 7.8 }

[[kit]]
id = "strip"
method = "strip"
pads = { nitrate = [0, 10, 25, 50, 100, 250], nitrite = [0, 0.5, 1, 3, 10], ammonia = [0, 0.5, 1, 3, 6], ph = [6.0, 6.5, 7.0, 7.5, 8.0, 8.5], kh = [0, 3, 5, 10, 15, 20], gh = [0, 4, 9, 14, 20] }

[[probe]]
id = "foyer-light"
tank = "foyer"
quantity = "light"                  # temperature ph light nitrate conductivity level air_temperature humidity
unit = "lx"
driver = "iio"                      # lines query modbus onewire iio mqtt simulated recorded; none = fed by import and replay alone
every_seconds = 60
"""


def check(text: str, **more: Any) -> config.Config:
    return config.check(tomllib.loads(text), **more)


def faults(text: str, **more: Any) -> dict[str, str]:
    with pytest.raises(ConfigError) as caught:
        check(text, **more)
    return {f.key: f.what for f in caught.value.faults}


def test_site_one_tank_and_one_kit_are_enough() -> None:
    got = check(SMALLEST)
    assert got.tank[0].limits.nitrate == 40
    assert got.tank[0].testing.longest_days == 10
    assert got.probe == ()


def test_the_example_that_others_rely_on_is_accepted_as_it_stands() -> None:
    """A whole configuration in the form that other programs may count on; no key of it may cease to be known."""
    got = check(RELIED_ON)
    assert got.probe[0].every_seconds == 60
    assert got.tank[0].limits.ph == Band(low=6.4, high=7.8)
    assert got.tank[0].testing.longest_days == 10


def test_all_faults_come_at_once_with_their_keys() -> None:
    found = faults("""
[site]
name = "x"
timezone = "Europe/Dubln"
[[tank]]
id = "foyer"
litres = "140"
litre = 3
feed = { gramms_per_day = 1 }
[tank.limits]
temperature = { low = 27, hight = 21 }
[[kit]]
id = "strip"
methid = "strip"
[[probe]]
id = "p"
tank = "foyer"
quantity = "lihgt"
driver = "iioo"
""")
    assert "expected a number" in found["tank[0].litres"]
    assert "did you mean 'litres'?" in found["tank[0].litre"]
    assert "did you mean 'grams_per_day'?" in found["tank[0].feed.gramms_per_day"]
    assert "did you mean 'high'?" in found["tank[0].limits.temperature.hight"]
    assert "did you mean 'method'?" in found["kit[0].methid"]
    assert "did you mean 'light'?" in found["probe[0].quantity"]
    assert "did you mean 'iio'?" in found["probe[0].driver"]


def test_one_misspelt_key_does_not_hide_a_wrong_zone_nor_empty_the_list_of_tanks() -> None:
    wrong = SMALLEST.replace("Dublin", "Dubln").replace("litres", "liters")
    got = faults(wrong)
    assert set(got) == {"tank[0].litres", "tank[0].liters", "site.timezone"}
    assert "did you mean 'Europe/Dublin'" in got["site.timezone"]
    assert "tank" in faults(SMALLEST.replace('[[tank]]\nid = "foyer"\nlitres = 140', "")), "none at all is told"


def test_what_no_single_key_can_tell_is_checked_too() -> None:
    found = faults("""
[site]
timezone = "Europe/Dubln"
[[tank]]
id = "foyer"
litres = 140
lamp = { spectrum = "white_lde", hours = [{ on = "8:00", off = "25:00" }] }
testing = { kit = "strp", shortest_days = 5, longest_days = 3 }
limits = { ph = { low = 8, high = 7 } }
[[tank]]
id = "foyer"
litres = 10
[[kit]]
id = "strip"
pads = { nitrate = [0, 25, 10] }
[[probe]]
id = "p"
tank = "foyr"
quantity = "light"
unit = "mg/L"
""")
    assert "did you mean 'Europe/Dublin'?" in found["site.timezone"]
    assert "used twice" in found["tank[1].id"]
    assert "white_led" in found["tank[0].lamp.spectrum"]
    assert "08:00" in found["tank[0].lamp.hours[0].on"]
    assert "tank[0].lamp.hours[0].off" in found
    assert "did you mean 'strip'?" in found["tank[0].testing.kit"]
    assert "tank[0].testing.longest_days" in found
    assert "tank[0].limits.ph.low" in found
    assert "rising" in found["kit[0].pads.nitrate"]
    assert "did you mean 'foyer'?" in found["probe[0].tank"]
    assert "probe[0].unit" in found


def test_a_secret_in_a_file_that_others_may_read_is_refused_without_being_shown(tmp_path: Path) -> None:
    file = tmp_path / "config.toml"
    file.write_text(SMALLEST + '[email]\nhost = "mail.example.org"\npassword = "hunter2"\n')
    file.chmod(0o644)
    with pytest.raises(ConfigError) as caught:
        config.load(file)
    assert [f.key for f in caught.value.faults] == ["email.password"]
    assert "hunter2" not in str(caught.value)
    file.chmod(0o600)
    assert config.load(file).email.password == "hunter2"


def test_a_secret_is_given_once() -> None:
    found = faults(SMALLEST + '[email]\npassword = "a"\npassword_file = "b"\n')
    assert "not both" in found["email.password"]


def test_a_credential_is_found_by_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """systemd.exec(5): credentials lie as files in $CREDENTIALS_DIRECTORY."""
    (tmp_path / "mail").write_text("s3cret\n")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    assert config.secret("", "mail") == "s3cret"
    assert config.secret("", str(tmp_path / "mail")) == "s3cret"


def test_not_toml_and_not_there_are_said_plainly(tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("a = = 1")
    for name, words in (("bad.toml", "is not TOML"), ("none.toml", "can't be read")):
        with pytest.raises(ConfigError, match=words):
            config.load(tmp_path / name)


def test_a_probe_measures_only_what_its_driver_can() -> None:
    wrong = '[[probe]]\nid = "p"\ntank = "foyer"\nquantity = "ph"\ndriver = "onewire"\ndevice = "28-0316a2794cff"\n'
    assert faults(SMALLEST + wrong) == {
        "probe[0].quantity": "driver 'onewire' measures air_temperature, temperature; got 'ph'"
    }
    config.check(config.parse(SMALLEST + wrong.replace('"ph"', '"temperature"')))


def test_a_quantity_may_carry_its_unit() -> None:
    text = SMALLEST.replace(
        "litres = 140",
        """litres = "36 US gal"
source_water = { kh = "71.392 ppm", gh = "7 °dH", nitrate = "1 mg/L N" }
limits = { temperature = { low = "70 °F", high = "81F" }, level_low = "4 in", gh_high = "200 ppm", kh_low = 2 }""",
    )
    tank = config.check(config.parse(text)).tank[0]
    # NIST SP 811, B.8: 3.785 412 L, 2.54 cm, (t/°F - 32)/1.8; 17.848 mg/L of CaCO3 in a degree
    assert tank.litres == pytest.approx(36 * 3.785412, rel=1e-6)
    assert tank.source_water == pytest.approx({"kh": 4.0, "gh": 7.0, "nitrate": 4.4266}, rel=1e-4)
    assert tank.limits.temperature == Band(low=pytest.approx(21.1111, rel=1e-5), high=pytest.approx(27.2222, rel=1e-5))
    assert tank.limits.level_low == pytest.approx(10.16)
    assert tank.limits.gh_high == pytest.approx(11.2058, rel=1e-4)
    assert tank.limits.kh_low == 2


@pytest.mark.parametrize(("system", "litres"), [("us", 37.85412), ("uk", 45.4609)])
def test_a_bare_gallon_is_the_sites_own_and_a_bare_number_always_litres(system: str, litres: float) -> None:
    text = SMALLEST.replace("[site]", f'[site]\nunits = "{system}"').replace("= 140", '= "10 gal"')
    assert config.check(config.parse(text)).tank[0].litres == pytest.approx(litres, rel=1e-6)
    assert config.check(config.parse(text.replace('"10 gal"', "140"))).tank[0].litres == 140


def test_a_unit_that_is_none_is_told_with_those_that_are_understood() -> None:
    found = faults(SMALLEST.replace("= 140", '= "36 gal"\nlimits = { temperature = { low = "70 lx" } }'))
    assert "US gallons 136.3 L" in found["tank[0].litres"]
    assert "imperial gallons 163.7 L" in found["tank[0].litres"]
    assert "write one of °C, °F, K" in found["tank[0].limits.temperature.low"]
    assert set(found) == {"tank[0].litres", "tank[0].limits.temperature.low"}
    assert faults(SMALLEST.replace("= 140", '= "-3 L"')).keys() == {"tank[0].litres"}
    assert "us" in faults(SMALLEST.replace("[site]", '[site]\nunits = "imperial"'))["site.units"]
