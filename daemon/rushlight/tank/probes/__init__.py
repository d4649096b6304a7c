"""Probes: readings calibrated and flagged, their health, their values against the keeper's limits.

Imports alarms, config.implied, events, localtime, localunits, science, settings, views and the pure part of the
standard library; no file, clock, thread or socket.
"""
