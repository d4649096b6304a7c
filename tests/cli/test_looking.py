"""What `status` and `alarms` print at the width of a narrow terminal, and what `summary` refuses to write."""

from __future__ import annotations

import io
import zoneinfo
from pathlib import Path

import pytest
from click.testing import CliRunner
from rich.console import Console

from helpers.site import CONFIG
from rushlight.cli import main
from rushlight.cli.reports import _print_alarms, _value
from rushlight.localunits import METRIC, Units
from rushlight.views import AlarmView, ProbeView

UTC = zoneinfo.ZoneInfo("UTC")
SINCE_S = 1_772_323_200.0  # 2026-03-01T00:00:00Z


def alarm(state: str) -> AlarmView:
    return AlarmView(
        id="foyer.test_overdue",
        alarm="test_overdue",
        occurrence=1,
        tank="foyer",
        state=state,  # type: ignore[arg-type]
        priority="medium",
        since_s=SINCE_S,
        text="Foyer: a water test has been due for 2 days. First: test the water with a strip and enter the result.",
        first_action="Test the water.",
    )


def printed(*alarms: AlarmView) -> str:
    out = io.StringIO()
    _print_alarms(Console(file=out, width=80), list(alarms), UTC)
    assert max(map(len, out.getvalue().splitlines())) <= 80
    return " ".join(out.getvalue().split())


def test_what_stands_says_what_to_do_and_what_is_over_asks_for_nothing() -> None:
    assert "First: test the water" in printed(alarm("unacknowledged"))
    over = printed(alarm("returned"))
    assert "foyer.test_overdue Water test overdue: over by now, was medium, since Sun 01 Mar 2026" in over
    assert "First:" not in over
    assert "out of service, medium priority" in printed(alarm("out_of_service"))


def test_a_value_has_no_more_digits_than_the_probe_deserves() -> None:
    probe = ProbeView(id="p", tank="foyer", quantity="temperature", unit="°C", value=23.9983)
    assert _value(probe, METRIC) == "24 °C"
    assert _value(probe, Units("us")) == "75.2 °F"


@pytest.mark.parametrize("name", ["week.pdf", "week"])
def test_a_summary_is_written_as_text_or_page_and_as_nothing_else(tmp_path: Path, name: str) -> None:
    config = tmp_path / "config.toml"
    config.write_text(CONFIG)
    got = CliRunner().invoke(main, ["summary", "-c", str(config), "-o", str(tmp_path / name)])
    assert got.exit_code == 2
    assert "ends in .txt or .html" in got.stderr
