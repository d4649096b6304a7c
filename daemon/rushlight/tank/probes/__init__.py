"""Probes: readings calibrated and flagged, their health, their values against the keeper's limits.

Pure: imports science, alarms, the vocabulary and the standard library.
"""
