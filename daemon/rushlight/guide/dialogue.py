"""Talking with a person at a terminal: questions with a default, plain sentences, a picture to be scanned.

Owns how a question looks and that a wrong answer is asked for again.  `ask` puts one question and gives the raw
answer, so that a test, or another way of asking, can stand in its place.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TypeVar

import segno

T = TypeVar("T")


class Dialogue:
    """`ask(question, default)` gives the answer or the default; `write` shows text."""

    def __init__(self, ask: Callable[[str, str], str], write: Callable[[str], None]) -> None:
        self._ask, self._write = ask, write
        self.asked = 0
        """Questions put so far."""

    def ask(self, question: str, default: str) -> str:
        """One question, one answer, as it was typed."""
        self.asked += 1
        return self._ask(question, default)

    def ask_for(self, question: str, default: str, read: Callable[[str], T]) -> T:
        """The answer as `read` makes it; asked again, with the reason, while `read` raises ValueError."""
        said = question
        while True:
            try:
                return read(self.ask(said, default).strip())
            except ValueError as e:
                said = f"{question} ({e})"

    def yes(self, question: str, default: str = "no") -> bool:
        """A question for yes or no."""
        return self.ask_for(f"{question} (yes/no)", default, _yes)

    def say(self, text: str = "") -> None:
        """One paragraph."""
        self._write(f"{text}\n")

    def heading(self, text: str) -> None:
        """The start of a part."""
        self._write(f"\n{text}\n{'-' * len(text)}\n")

    def picture(self, address: str) -> None:
        """The address as text, and as a code that a phone's camera reads."""
        out = io.StringIO()
        segno.make(address, error="l", micro=False).terminal(out, border=2, compact=True)
        self._write(f"\n{out.getvalue()}\n    {address}\n\n")


def _yes(text: str) -> bool:
    if text.lower() not in {"yes", "y", "no", "n"}:
        raise ValueError("yes or no")
    return text.lower().startswith("y")


def address(text: str) -> str:
    """An address of the web, or nothing for 'none'; raises ValueError."""
    if text.lower() in {"", "none"}:
        return ""
    if not text.startswith(("https://", "http://")):
        raise ValueError("an address that begins with https://, or none")
    return text.rstrip("/")
