"""A tank's water beside nitrate: ammonia, nitrite, carbonate and total hardness.

Imports alarms, effects, entry, events, localtime, localunits, science, settings, tank, tank.kits, views and the pure
part of the standard library; no file, clock, thread or socket.
"""
