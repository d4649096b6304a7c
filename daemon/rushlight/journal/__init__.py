"""Events on disk, snapshots, outbox, backup, export.

Imports events, effects, event lines and the standard library's sqlite3; never the tank, never a clock.
`store.Journal` is the writer and belongs to one thread; `reader.Reader` serves every other one.
"""
