"""Formulae, one topic a file, each with its source.  Pure: imports the standard library and its own room."""
