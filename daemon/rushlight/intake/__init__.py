"""Drivers and people in: polling threads, time stamps, clock trust.  Imports drivers, events, settings, clock."""
