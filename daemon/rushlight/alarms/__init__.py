"""The alarm table, the state machine, who is told and in which words.

Pure: imports events, effects, settings, views and the standard library.
"""
