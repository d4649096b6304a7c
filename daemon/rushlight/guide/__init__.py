"""The guided way from an installed program to a message that a person has in hand: `rushlight setup`.

Imports alarms, clock, config, drivers, drivers.formats, drivers.links, localunits, service, settings, argparse,
configparser, secrets, segno, shutil, socket, zoneinfo.
"""
