"""The alarm table, the state machine, who is told and in which words.

Imports effects, implied, localtime, settings, views and the pure part of the standard library; no file, clock, thread
or socket.
"""
