"""Talking with a person at a terminal: questions with a default, plain sentences, a picture to be scanned.

Owns how a question looks and that a wrong answer is asked for again.  `ask` puts one question and gives the raw
answer, so that a test, or another way of asking, can stand in its place.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from typing import TypeVar

import segno

T = TypeVar("T")


class Dialogue:
    """`ask(question, default)` gives the answer or the default; `write` shows text."""

    def __init__(self, ask: Callable[[str, str], str], write: Callable[[str], object]) -> None:
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


def on_terminal(question: str, default: str) -> str:
    """Ask on the terminal; leaves when the input has ended."""
    sys.stderr.write(f"{question} [{default}]: ")
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        raise SystemExit("no answer: the input ended")
    return line.strip() or default
