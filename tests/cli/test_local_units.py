"""The commands of a US site: what is typed without a unit is in its own, any other unit may be written, all is said back."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from helpers.units import METRIC_WORDS, config_text
from rushlight.cli import main


@pytest.fixture
def config(tmp_path: Path) -> Path:
    file = tmp_path / "config.toml"
    text = config_text("us").replace("litres = 140", 'litres = "36 gal"')
    file.write_text(f'{text}\n[storage]\nfolder = "{tmp_path / "data"}"\n[heartbeat]\naccept_none = true\n')
    return file


def run(config: Path, *words: str) -> tuple[int, str, str]:
    got = CliRunner().invoke(main, [*words, "--config", str(config)])
    return got.exit_code, got.stdout, got.stderr


@pytest.mark.parametrize(
    ("words", "key", "record", "said"),
    [
        # NIST SP 811, B.8: 3.785 412 L, 2.54 cm; NIST Handbook 44, appendix C: 28.349 523 g; UK Act of 1985: 4.546 09 L
        (("top_off", "litres=2"), "litres", 7.570824, "Top-off: 2 gal"),
        (("top_off", "litres=2L"), "litres", 2.0, "Top-off: 0.53 gal"),
        (("water_change", "litres=10gal"), "litres", 37.85412, "Water change: 10 gal"),
        (("water_change", "litres=5 imp gal"), "litres", 22.73045, "Water change: 6 gal"),
        (("growth", "longest_cm=12"), "longest_cm", 30.48, "longest shoot 12 in"),
        (("growth", "height_cm=4 in"), "height_cm", 10.16, "height 4 in"),
        (("growth", "height_cm=10 cm"), "height_cm", 10.0, "height 3.9 in"),
        (("feeding", "grams=0.05 oz"), "grams", 1.417476, "Feeding: 1.41748 g"),
        (("feeding", "grams=0.9"), "grams", 0.9, "Feeding: 0.9 g"),
    ],
)
def test_what_is_recorded_and_what_is_said_back(
    config: Path, words: tuple[str, ...], key: str, record: float, said: str
) -> None:
    code, out, err = run(config, "record", *words, "--tank", "foyer")
    assert code == 0, err
    assert said in err and not METRIC_WORDS.search(err)
    (line,) = (json.loads(x) for x in run(config, "export")[1].splitlines())
    assert line[key] == pytest.approx(record, rel=1e-6)
    assert said in run(config, "entries")[1]
    assert line["id"] == out.strip()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("top_off", "litres=2 lx"), "litres: 'lx' is not a unit of volume; write one of L, mL, US gal, imp gal"),
        (("top_off", "litres=some"), "litres: expected a number such as 12, or one with its unit"),
        (("top_off", "litres=2,5"), "write decimals with a point"),
        (("water_change", "litres=60"), "60 gal is more water than the 36 gal of this tank"),
    ],
)
def test_what_is_refused_is_refused_in_the_sites_units(config: Path, words: tuple[str, ...], said: str) -> None:
    code, _, err = run(config, "record", *words, "--tank", "foyer")
    assert code == 2
    assert said in err


def test_an_edit_reads_the_same_units(config: Path) -> None:
    entry = run(config, "record", "top_off", "litres=2", "--tank", "foyer")[1].strip()
    code, _, err = run(config, "edit", entry, "litres=3")
    assert code == 0, err
    assert "Top-off: 3 gal" in run(config, "entries")[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("plan", "--target", "20", "--nitrate", "45"), "gallons"),
        (("check", "--no-probes"), ""),
    ],
)
def test_no_command_speaks_metric(config: Path, words: tuple[str, ...], said: str) -> None:
    run(config, "record", "test", "nitrate=25", "ph=7.5", "--tank", "foyer", "--sure")
    run(config, "record", "water_change", "litres=5", "--tank", "foyer")
    _, out, err = run(config, *words)
    assert said in out + err
    assert [m.group() for m in METRIC_WORDS.finditer(out + err)] == []


def test_a_calibration_is_typed_as_the_site_reads_it_and_kept_as_the_device_gives_it(config: Path) -> None:
    for words in (("foyer-ph", "6.86=6.91@75.2", "4.01=4.10@77"), ("foyer-temperature", "77=78.8")):
        code, _, err = run(config, "record", "calibration", "--probe", *words)
        assert code == 0, err
    ph, warm = (json.loads(x)["points"] for x in run(config, "export")[1].splitlines())
    # (t/°F - 32)/1.8 by NIST SP 811, B.9
    assert [p["temperature_c"] for p in ph] == pytest.approx([24.0, 25.0])
    assert [p["value"] for p in ph] == [6.86, 4.01]
    assert (warm[0]["value"], warm[0]["raw"]) == (pytest.approx(25.0), pytest.approx(26.0))
    code, _, err = run(config, "record", "calibration", "--probe", "foyer-ph", "6.86=6.9@24", "4.01=4.0@75")
    assert code == 2
    assert "refused: a standard at 24 °F; between 32 and 104 °F" in err


def test_check_says_what_a_thermometer_gives_as_the_site_reads_it(config: Path) -> None:
    config.write_text(
        config.read_text().replace('quantity = "temperature"', 'quantity = "temperature"\ndriver = "simulated"', 1)
    )
    out = run(config, "check")[1]
    assert "°F" in out
    assert [m.group() for m in METRIC_WORDS.finditer(out)] == []
