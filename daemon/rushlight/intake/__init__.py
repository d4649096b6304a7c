"""Drivers and people in: polling threads, time stamps, clock trust.

Imports clock, drivers, drivers.contract, events, settings.
"""
