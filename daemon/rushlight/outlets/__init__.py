"""Push, e-mail, hub, time-series store, heartbeat: how news leaves the house.

Imports alarms, checking, clock, doubts, drivers, effects, eventlines, events, journal, kitunits, localtime, receipt,
science, settings, summary, tank.probes, views, apprise, email, influxdb_client, paho, queue, random, requests, smtplib,
socket, ssl, subprocess, urllib, urllib3.
"""
