"""The kept inputs, replayed through their families' targets: what was reached once stays as it should be."""

from __future__ import annotations

import pytest

from fuzz.families import CORPUS, FAMILIES


@pytest.mark.parametrize("name", FAMILIES)
def test_kept_inputs_break_nothing(name: str) -> None:
    family = FAMILIES[name]
    assert family.kept, "no inputs are kept"
    for path in family.kept:
        try:
            family.target(path.read_bytes())
        except Exception as e:
            raise AssertionError(f"{path.relative_to(CORPUS)}: {e!r}") from e


def test_the_kept_inputs_are_few() -> None:
    assert {p.name for p in CORPUS.iterdir()} == set(FAMILIES)
    assert sum(p.stat().st_size for p in CORPUS.rglob("*") if p.is_file()) < 300_000
