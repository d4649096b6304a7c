"""A tank's nitrate: the balance as a filter, where it goes, why it changed.

Imports alarms, effects, events, localtime, localunits, science, settings, tank, tank.kits, views and the pure part of
the standard library; no file, clock, thread or socket.
"""
