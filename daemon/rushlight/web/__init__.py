"""The phone page: shows what the core makes of the record, and writes only by handing events on.

What it needs of the daemon is `daemon.Daemon`; it never touches the core or the database's writing end.

Imports alarms, clock, config.implied, drawing, effects, entry, eventlines, events, journal, localtime, localunits,
science, settings, tank, tank.probes, views, http, ipaddress, jinja2, markupsafe, secrets, socket, ssl, urllib,
waitress.
"""
