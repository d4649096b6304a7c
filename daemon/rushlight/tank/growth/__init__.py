"""How the tank's plants grow, and what light comes to their leaves.

Imports alarms, effects, events, localtime, science, settings and the pure part of the standard library; no file, clock,
thread or socket.
"""
