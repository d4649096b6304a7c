"""The configuration: read, filled in, judged.

Imports alarms, config.checking, drivers, localunits, science, settings, pydantic, tomllib.
"""
