"""The order in which files of tests begin, and no clock in the property tests."""

from __future__ import annotations

import gc
import os
from collections import defaultdict
from pathlib import Path

import hypothesis
import pytest

hypothesis.settings.register_profile("untimed", deadline=None)  # a busy machine is no fault
hypothesis.settings.load_profile("untimed")


LONGEST = (
    "deploy/test_docs_commands.py",
    "deploy/test_installation.py",
    "chaos/test_chaos.py",
    "web/test_accessible.py",
    "scenarios/test_year.py",
    "service/test_receipts.py",
)
"""These take minutes each and run on one worker from end to end: what begins last ends last."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files begin, then those that are slow as a whole: mostly they wait, and what computes runs beside them.

    Of the rest those begin that hold something slow: one of them at the end would run by itself.
    """
    here = Path(__file__).parent
    rank = {str(here / file): n for n, file in enumerate(LONGEST)}
    assert all(map(os.path.exists, rank)), "a file of LONGEST has another name now"
    files: defaultdict[Path, list[pytest.Item]] = defaultdict(list)
    for item in items:
        files[item.path].append(item)

    def place(file: Path) -> tuple[int, bool, bool, int]:
        slow = [item.get_closest_marker("slow") is not None for item in files[file]]
        return rank.get(str(file), len(rank)), not all(slow), not any(slow), -len(files[file])

    items[:] = [item for file in sorted(files, key=place) for item in files[file]]


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish() -> None:
    """The last garbage is looked for once, and again for what its finalizers left; pytest would go ten times through all
    that was ever imported, seconds of processor time at the end of every worker.
    """
    gc.collect()
    gc.collect()
    gc.freeze()
