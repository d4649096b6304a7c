"""What is typed at the guide's questions."""

from __future__ import annotations

import pytest

from rushlight.guide import answers
from rushlight.localunits import Units


def test_a_comma_before_three_digits_is_asked_about() -> None:
    """One litre or a thousand: a guess would make every figure of the tank a thousand times too large or too small."""
    with pytest.raises(ValueError, match="two readings: write 1 or 1000"):
        answers.tanks()("Foyer 1,000 0.9")
    assert answers.tanks()("Foyer 36,5 0.9") == (("Foyer", 36.5, 0.9),)


def test_a_volume_has_the_site_s_unit_or_its_own() -> None:
    """A US gallon is 3.785411784 L (NIST SP 811, appendix B.8)."""
    [(_, litres, _)] = answers.tanks(Units("us"))("Foyer 36 0.9")
    assert litres == pytest.approx(36 * 3.785411784)
    assert answers.tanks(Units("us"))("Foyer 140L 0.9") == (("Foyer", 140.0, 0.9),)


@pytest.mark.parametrize("text", ["Foyer 0 0.9", "Foyer -5 0.9", "Foyer x 0.9", "Foyer 140", ""])
def test_what_is_no_tank_is_said(text: str) -> None:
    with pytest.raises(ValueError, match=r"above 0|a number such as|name,|at least one"):
        answers.tanks()(text)
