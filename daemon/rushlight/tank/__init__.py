"""One tank, by the trade: light, nitrate, probes, water, routine; what they share is here.  `core` puts them together.

Imports entry, events, localtime, localunits, science, settings, tank.kits and the pure part of the standard library; no
file, clock, thread or socket.
"""
