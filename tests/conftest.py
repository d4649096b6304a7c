"""The order in which files of tests begin, and no clock in the property tests."""

from __future__ import annotations

from collections import defaultdict

import hypothesis
import pytest

hypothesis.settings.register_profile("untimed", deadline=None)  # a busy machine is no fault
hypothesis.settings.load_profile("untimed")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that are slow as a whole begin first: mostly they wait, and what computes runs beside them, not before."""
    files: defaultdict[str, list[pytest.Item]] = defaultdict(list)
    for item in items:
        files[item.nodeid.partition("::")[0]].append(item)

    def place(file: str) -> tuple[bool, int]:
        whole = all(item.get_closest_marker("slow") for item in files[file])
        return not whole, -len(files[file])

    items[:] = [item for file in sorted(files, key=place) for item in files[file]]
