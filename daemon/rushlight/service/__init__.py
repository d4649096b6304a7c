"""The running daemon: the one place that wires rooms together.

Imports alarms, clock, config, config.implied, core, drivers, effects, entry, eventlines, events, exchange, host,
intake, journal, localtime, localunits, outlets, settings, summary, views, web, apscheduler, concurrent, ctypes,
faulthandler, pydantic, queue, socket, socketserver, tempfile.
"""
