"""Formulae, one topic a file, each with its source.

Imports localtime, settings and the pure part of the standard library; no file, clock, thread or socket.
"""
