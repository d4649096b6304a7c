"""The alarm table, the state machine, who is told and in which words.

Imports config.implied, effects, localtime, localunits, settings, views and the pure part of the standard library; no
file, clock, thread or socket.
"""
