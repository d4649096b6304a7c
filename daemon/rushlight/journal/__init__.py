"""Events on disk, snapshots, outbox, backup, export.

Imports effects, eventlines, events, localtime, settings, fcntl, shutil, sqlite3, subprocess.
"""
