"""Push, e-mail, hub, time-series store, heartbeat: how news leaves the house.

Imports alarms, clock, config.checking, drivers, drivers.formats, effects, entry, eventlines, events, journal,
localtime, localunits, science, settings, summary, tank.probes, views, apprise, email, influxdb_client, paho, queue,
random, requests, smtplib, socket, ssl, subprocess, urllib, urllib3.
"""
