"""What became of an entry: one form for the command line, the page, the hub and the socket.

Pure vocabulary.  Whoever takes an entry answers with a `Receipt`; whoever shows it takes the words from here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

Kept = Literal["on disk", "in memory", "unknown"]
"""`on disk`: it outlives a power cut.  `in memory`: it acts, and is written as soon as the disk takes it; a restart
before that loses it.  `unknown`: no answer came in time, so it may be either, or not taken at all."""

_WORDS: dict[Kept, str] = {
    "on disk": "recorded",
    "in memory": "recorded in memory only; the disk does not take it at the moment, and a restart before it does"
    " would lose it",
    "unknown": "not known whether it was recorded; send it again with the same id, twice the same is one entry",
}


@dataclass(frozen=True, slots=True)
class Receipt:
    """What became of one entry; `why` says what is wrong where it is not on the disk, in plain words."""

    id: str
    new: bool = True
    kept: Kept = "on disk"
    why: str = ""
    understood: str = ""
    """What was taken in, in words: `Strip test: Nitrate 25 mg/L as NO3`."""
    changed: str = ""
    """What is told otherwise by it: `Nitrate now about 22 mg/L (18 to 27), next test Sunday 4 October.`"""

    @property
    def durable(self) -> bool:
        """Whether it is on the disk."""
        return self.kept == "on disk"

    @property
    def words(self) -> str:
        """What a person is told."""
        why = f" ({self.why})" if self.why and not self.durable else ""
        if not self.new:
            before = "an entry with this id was there already and stays as it was"
            return before if self.durable else f"{before}; it is in memory only{why}"
        return f"{_WORDS[self.kept]}{why}"

    def record(self) -> dict[str, Any]:
        """As JSON over the socket."""
        return asdict(self) | {"durable": self.durable}


def from_record(record: Mapping[str, Any]) -> Receipt:
    """What came over the socket; raises KeyError for what is no receipt."""
    said = (str(record.get(name, "")) for name in ("why", "understood", "changed"))
    return Receipt(str(record["id"]), bool(record["new"]), record["kept"], *said)


def worst(receipts: list[Receipt]) -> Kept:
    """The least certain of several; `on disk` for none."""
    found = {r.kept for r in receipts}
    return next((k for k in ("unknown", "in memory") if k in found), "on disk")
