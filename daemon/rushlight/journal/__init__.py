"""Events on disk, snapshots, outbox, backup, export.  Imports events and the standard library's sqlite3; never the tank."""
