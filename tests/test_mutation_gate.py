"""A sample of the mutation gate: the gate itself works, and a few promises are guarded.  All of it by its own command."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench import mutation_gate as gate

pytestmark = pytest.mark.slow


def test_every_mutant_still_fits_the_code() -> None:
    assert len(gate.MUTANTS) >= 25
    for mutant in gate.MUTANTS:
        assert (gate.TOP / mutant.file).read_text().count(mutant.old) == 1, mutant.name


@pytest.mark.slow
@pytest.mark.parametrize("name", ["a backlog is thinned away", "a shortfall is not told"])
def test_a_sample_dies(name: str, tmp_path: Path) -> None:
    [mutant] = [m for m in gate.MUTANTS if m.name == name]
    assert gate.dies(mutant, gate.tree(tmp_path)) == ""
