"""When to test next, and whether there is something to test with.

Imports alarms, entry, events, localtime, localunits, science, settings, tank.kits, views and the pure part of the
standard library; no file, clock, thread or socket.
"""
