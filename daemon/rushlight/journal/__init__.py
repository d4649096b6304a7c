"""Events on disk, snapshots, outbox, backup, export.

Imports events, effects and the standard library's sqlite3; never the tank.
"""
