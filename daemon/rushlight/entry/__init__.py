"""What a person enters: units, doubts about it, and what is said of its being kept.

Imports alarms, effects, events, localtime, localunits, science, settings, views and the pure part of the standard
library; no file, clock, thread or socket.
"""
