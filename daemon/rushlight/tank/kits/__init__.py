"""What a test says: by eye, number or picture, of the sample as it was or thinned, as its kit is known to read.

Pure: imports science, the vocabulary and the standard library.

Imports colours, effects, entry, events, localtime, localunits, science, settings, views and the pure part of the
standard library; no file, clock, thread or socket.
"""
