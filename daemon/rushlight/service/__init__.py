"""The running daemon: the one place that wires rooms together.

Imports every room below it.  One thread (the engine) owns the core and the database; all others hand it things.
"""
