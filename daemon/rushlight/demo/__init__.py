"""An invented year in an invented library, for the demonstration alone.

Imports events, config and the standard library.  Nothing outside this room reads its numbers.
"""
