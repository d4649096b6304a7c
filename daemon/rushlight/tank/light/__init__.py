"""A tank's light: dose, the lamp against its anchor, daylight, what the plants need.

Imports alarms, effects, events, localtime, science, settings, tank and the pure part of the standard library; no file,
clock, thread or socket.
"""
