"""The running daemon: the one place that wires rooms together.

Imports alarms, clock, config, core, drivers, effects, eventlines, events, exchange, host, implied, intake, journal,
kitunits, localtime, outlets, receipt, settings, summary, views, web, apscheduler, concurrent, ctypes, faulthandler,
pydantic, queue, socket, socketserver.
"""
