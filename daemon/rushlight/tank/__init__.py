"""One tank, by the trade: light, nitrate, probes, water, routine; what the rooms share is here.

Pure: imports science, alarms, the vocabulary and the standard library.  `core` puts the rooms together.
"""
