"""An invented year in an invented library, for the demonstration alone.

Imports core, effects, events, random.
"""
