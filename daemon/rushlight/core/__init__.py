"""The core: the step of the whole installation, its timeline and wake-ups, and what may be seen of it.

Imports alarms, config.implied, effects, entry, events, localtime, localunits, science, settings, tank, tank.growth,
tank.kits, tank.light, tank.nitrate, tank.probes, tank.routine, tank.water, views and the pure part of the standard
library; no file, clock, thread or socket.
"""
