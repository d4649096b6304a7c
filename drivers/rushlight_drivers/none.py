"""No link at all: for probes that are fed by import and replay alone.

Owns nothing; never says anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from rushlight_drivers.contract import DriverSpec, Sample
from rushlight_drivers.links.session import Session


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """There is nothing to set."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid"}


class NoneDriver(Session):
    """Keeps the promises of `contract` by doing nothing."""

    def _pass(self, deadline_s: float) -> Sequence[Sample]:  # noqa: ARG002 - there is nothing to wait for
        return []


SPEC = DriverSpec(options=Options, link_of=lambda _: "none", build=NoneDriver, maturity="proven")
