"""Libraries that a few tests ask and that take a second of processor time to import: imported when they are asked.

Each worker of a run collects every file of tests, so what a file imports at its top all of them pay for.
"""

from __future__ import annotations

import importlib
import warnings
from typing import Any


class Later:
    """The module of that name, imported when something of it is first used."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, attribute: str) -> Any:
        if attribute.startswith("_"):  # whoever collects asks everything whether it is a test or a mock
            raise AttributeError(attribute)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of optional parts that are not installed
            module = importlib.import_module(self._name)
        return getattr(module, attribute)
