"""The configuration: read, filled in, judged.

Imports alarms, config.checking, drivers, science, settings, pydantic, tomllib.
"""
