"""When to test next, and whether there is something to test with.

Imports alarms, events, localtime, settings and the pure part of the standard library; no file, clock, thread or socket.
"""
