"""Every family under hypothesis: kept inputs cut, joined and overwritten with the words of their language."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fuzz.families import FAMILIES, Family

pytestmark = pytest.mark.slow

_EXAMPLES = {"config": 60, "page": 200}


def _inputs(family: Family) -> st.SearchStrategy[bytes]:
    kept = st.sampled_from([p.read_bytes() for p in family.kept])
    piece = st.one_of(st.binary(max_size=8), st.sampled_from(family.words))

    @st.composite
    def mutated(draw: st.DrawFn) -> bytes:
        data = draw(kept)
        for _ in range(draw(st.integers(1, 4))):
            at = draw(st.integers(0, len(data)))
            to = at + draw(st.sampled_from([0, 0, 1, 2, 5, 20, 100]))
            data = data[:at] + draw(piece) + data[to:]
        return data[: family.longest]

    return st.one_of(mutated(), mutated(), st.binary(max_size=60))


@pytest.mark.parametrize("name", FAMILIES)
def test_mutated_inputs_break_nothing(name: str) -> None:
    family = FAMILIES[name]

    @settings(max_examples=_EXAMPLES.get(name, 400), deadline=None, suppress_health_check=list(HealthCheck))
    @given(_inputs(family))
    def search(data: bytes) -> None:
        family.target(data)

    search()
